"""The limits, and what becomes of the arms, without each control in turn. All data are invented."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from residuekit.decision.limits import arm_limits
from residuekit.kernels.slope import slope_through_zero
from residuekit.report.facts import strata
from residuekit.report.leave_one_out import leave_one_out
from residuekit.schema import JUDGED_COLUMNS
from residuekit.words.limits import digits

STRATUM = ("alkyd", "none", 0.0)
ARM = {"paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "treatment": "gel",
       "exposure_min": 2.0, "clearance_min": 1.0, "clearance": "", "residue": "gel"}  # fmt: skip
CLEAN = (0.05, -0.05, 0.02, -0.02, 0.01)


def made(blanks, exposed=(0.5, 0.55, 0.45), *, loads=(), found=(), accepted=None, elsewhere=0):
    """A run of one arm, by values in the score's own unit; the last spiked mock-ups are of another
    ageing."""
    level, scatter = float(np.mean(blanks)), float(np.std(blanks, ddof=1))
    line = slope_through_zero(loads, np.array(found) - level, scatter, shared=1.0)
    b = line.value if loads else 1.0
    score = {"score": "net signal", "unit": "ug cm-2" if loads else "reference"}
    limits = arm_limits(scatter, len(blanks), len(exposed))
    verdict = {**ARM, **score, "verdict": "inconclusive", "n_blank_mockups": len(blanks),
               "n_mockups": len(exposed), "estimate": (0.5 - level) / b, "paired": "", "codes": "",
               "scale": "spiked" if loads else "",
               "decision_limit": limits.decision / b}  # fmt: skip
    groups = {("blank", "b"): blanks, ("exposed", "e"): exposed,
              ("spiked", "s"): found[: len(found) - elsewhere]}  # fmt: skip
    rows = [
        {**ARM, **score, "mockup": f"{letter}{n}", "role": role, "mean": (value - level) / b,
         "treatment": "water" if role == "blank" else "gel", "positive": ""}
        for (role, letter), values in groups.items()
        for n, value in enumerate(values)
    ]  # fmt: skip
    assert set(JUDGED_COLUMNS) == set(ARM)
    names = [f"s{n}" for n in range(len(loads))]
    ages = np.where(np.arange(len(loads)) < len(loads) - elsewhere, 0.0, 500.0)
    columns = {"role": ["spiked"] * len(loads), "paint": ["alkyd"] * len(loads),
               "soiling": ["none"] * len(loads), "ageing_h": ages, "mockup": names,
               "treatment": ["gel"] * len(loads), "material": [""] * len(loads),
               "loading_ug_cm2": np.array(loads, dtype=float)}  # fmt: skip
    listed = [{"role": "spiked", "mockup": name, "loading_error_percent": None} for name in names]
    study = {"alpha": 0.05, "beta": 0.05, "acceptance_limit_ug_cm2": accepted, "scale_margin": 3.0}
    marker = {**ARM, "score": "net signal", "noise_limit": 0.01, "slope": b,
              "slope_se": line.standard_error}  # fmt: skip
    return SimpleNamespace(
        verdicts=pd.DataFrame([verdict]),
        mockups=pd.DataFrame(rows),
        markers=pd.DataFrame([marker]),
        spectra=xr.Dataset({name: ("file", list(values)) for name, values in columns.items()}),
        provenance={"study": study, "measurements": listed},
    )


def test_without_the_contaminated_blank_the_arm_is_above_its_limit():
    """One blank with gel hides the arm; its row shows what the arm is without it."""
    table = leave_one_out(made([*CLEAN, 3.0]), STRATUM)
    assert [row[0] for row in table.rows] == ["none", *(f"blank b{n}" for n in range(6))]
    assert [row[3] for row in table.rows] == ["0 of 1"] * 6 + ["1 of 1"]
    limits = arm_limits(float(np.std(CLEAN, ddof=1)), 5, 3)
    assert table.rows[6][1:3] == (digits(limits.decision), digits(limits.detection))


@pytest.mark.parametrize("n", [3, 4])
def test_three_blanks_are_too_few_to_leave_one_out(n):
    assert (leave_one_out(made(CLEAN[:n]), STRATUM) is None) is (n < 4)
    assert leave_one_out(made(CLEAN), ("other", "none", 0.0)) is None


LOADS, FOUND = (2.0, 2.0, 2.0, 6.0, 6.0, 6.0), (0.2, 0.21, 0.19, 0.6, 0.61, 1.2)


def test_without_the_mistaken_spiked_mockup_an_absence_would_not_stand():
    """One spiked mock-up with twice its loading makes limits look low; without it they lie above
    the acceptance limit."""
    few = np.array(CLEAN) / 2
    run = made(few, (0.0, 0.004, -0.003), loads=LOADS, found=FOUND, accepted=0.58)
    rows = {row[0]: row for row in leave_one_out(run, STRATUM).rows}
    assert [*rows][-6:] == [f"spiked s{n}" for n in range(6)]
    scatter = float(few.std(ddof=1))
    kept = slope_through_zero(LOADS[:5], np.array(FOUND[:5]) - few.mean(), scatter)
    limit = arm_limits(scatter, 5, 3).detection / kept.value
    assert rows["spiked s5"][2:] == (digits(limit), "0 of 1", "0 of 1", "0 of 1")
    assert {row[4] for name, row in rows.items() if name.startswith("spiked")
            and name != "spiked s5"} == {"1 of 1"}  # fmt: skip


def test_what_a_line_hangs_on_is_seen_where_it_is_left_out():
    """Without the one high loading the response cannot be told from zero: no limit, a dash."""
    run = made(CLEAN, loads=(1.0, 1.0, 1.0, 8.0), found=(0.06, 0.1, 0.14, 0.8), accepted=4.0)
    rows = {row[0]: row for row in leave_one_out(run, STRATUM).rows}
    assert (rows["none"][1] != "–", rows["none"][5]) == (True, "0 of 1")
    assert rows["spiked s3"][1:3] == ("–", "–")
    assert rows["spiked s3"][5] == "1 of 1"


def test_a_slope_that_other_ageings_share_stays_as_it_is():
    run = made(CLEAN, loads=LOADS, found=LOADS, elsewhere=2, accepted=4.0)
    assert [row[0] for row in leave_one_out(run, STRATUM).rows] == ["none", *(
        f"blank b{n}" for n in range(5))]  # fmt: skip


def test_with_nothing_left_out_the_run_comes_out_again(finished):
    """Limits and verdicts of the first row are those of the run, whose values it is made from."""
    run = finished.result
    (stratum,) = strata(run)
    table = leave_one_out(run, stratum)
    first = run.verdicts.iloc[0]
    assert table.rows[0] == (
        "none", digits(first["decision_limit"]), digits(first["detection_limit"]),
        "1 of 2: PVA cryogel 60 min", "1 of 2: PVA cryogel 2 min", "0 of 2",
    )  # fmt: skip
    assert [row[0].split()[0] for row in table.rows[1:]] == ["blank"] * 4 + ["spiked"] * 4
    moved = run.verdicts.assign(decision_limit=2 * run.verdicts["decision_limit"])
    assert leave_one_out(replace(run, verdicts=moved), stratum) is None
