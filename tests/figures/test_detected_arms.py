"""Every detected arm is drawn, or the figure is refused with the call that draws it."""

import pandas as pd
import pytest
from made_run import make_run

import residuekit as rk
from residuekit.errors import ContractError
from residuekit.figures.contents import plan_figure
from residuekit.schema import JUDGED_COLUMNS


def with_detected(folder, wanted, **options):
    """A made run in which the arms for which `wanted(row)` is true are detected."""
    make_run(folder, **options)
    table = pd.read_csv(folder / "verdicts.csv")
    table.loc[table.apply(wanted, axis=1), "verdict"] = "detected"
    table.to_csv(folder / "verdicts.csv", index=False)
    return rk.open_run(folder)


def detected(rows):
    return {
        tuple(str(row[name]) for name in JUDGED_COLUMNS)
        for row in rows
        if row["verdict"] == "detected"
    }


def drawn(plan):
    return detected(g.verdict for b in plan.blocks for g in b.groups if g.verdict is not None)


def test_strata_without_room_refuse_the_figure_and_the_calls_in_the_message_draw_them(tmp_path):
    paints = tuple(f"paint {k}" for k in range(8))
    result = with_detected(tmp_path, lambda _row: True, paints=paints, exposures=(2.0,))
    with pytest.raises(ContractError, match="without room in the figure") as refused:
        rk.residue_figure(result)
    (fault,) = refused.value.faults
    shown = set()
    for call in fault.fix.split("; "):
        assert call.startswith("residue_figure(result, ")
        shown |= drawn(eval(call, {"residue_figure": plan_figure, "result": result}))
    lost = detected(result.verdicts.to_dict("records")) - shown
    # What no call names was in the figure that was refused.
    assert 0 < len(lost) < 8
    assert all(f"{arm[0]!r}" not in fault.fix for arm in lost)


@pytest.mark.parametrize("width", [180, 85])
def test_of_many_arms_the_detected_ones_are_drawn_first(tmp_path, width):
    """Also where others lie higher, and none of them is at the working exposure."""
    exposures = tuple(float(k) for k in range(2, 20))
    result = with_detected(tmp_path, lambda row: row["exposure_min"] in (3, 4, 5),
                           exposures=exposures)  # fmt: skip
    plan = plan_figure(result, width_mm=width)
    assert drawn(plan) == detected(result.verdicts.to_dict("records"))
    groups = [g for b in plan.blocks for g in b.groups if g.verdict is not None]
    assert len(groups) < len(exposures)
    assert any(group.working for group in groups)


def test_where_one_stratum_has_too_many_the_message_names_a_picture_that_holds_them(tmp_path):
    result = with_detected(tmp_path, lambda _row: True,
                           exposures=tuple(float(k) for k in range(1, 18)))  # fmt: skip
    with pytest.raises(ContractError) as first:
        rk.residue_figure(result)
    call = first.value.faults[0].fix
    with pytest.raises(ContractError, match="plot_mockups"):
        eval(call, {"residue_figure": plan_figure, "result": result})


def test_strata_that_were_asked_for_are_not_refused_for_others(tmp_path):
    result = with_detected(tmp_path, lambda row: row["paint"] == "acrylic",
                           paints=("alkyd", "acrylic"))  # fmt: skip
    assert drawn(plan_figure(result, strata=["alkyd"])) == set()
    assert len(drawn(plan_figure(result))) == 2
