"""Several residues of one gel, ways of clearance, treatments without a reference of their own."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace

import numpy as np
import pypdf
import pytest

import residuekit as rk
from residuekit import io, trends
from residuekit.decision.comparisons import holm_adjusted
from residuekit.errors import ContractError, StudyError
from residuekit.report.facts import answer, by_residue, strata
from residuekit.report.leave_one_out import leave_one_out
from residuekit.report.limit_table import limit_table
from residuekit.study import Study

GEL = "PVA cryogel"
TABLES = """
[[residue]]
material = "PVA"
left_by = ["PVA cryogel"]
acceptance_limit_ug_cm2 = 4.0
use = ["pva C-O 1092", "acetate C=O 1735"]
[[residue]]
material = "citrate"
left_by = ["PVA cryogel"]
"""


def citrate(axis, strength):
    bands = [(1590, 18, 1.0), (1395, 14, 0.7), (1260, 10, 0.3)]
    return strength * sum(h * np.exp(-(((axis - at) / w) ** 2)) for at, w, h in bands)


def with_tables(study):
    """Ask for PVA and citrate; citrate truly lies on the mock-ups of 2 min alone."""
    text = study.settings.read_text()
    moved = ("treatment =", "acceptance_limit", "acceptance_reason")
    kept = [line for line in text.splitlines() if not line.startswith(moved)]
    study.settings.write_text("\n".join(kept) + TABLES)
    rng = np.random.default_rng(3)
    axis = None
    for file in study.files("exposed", exposure_min="2"):
        array = io.read(study.folder / file)
        axis = array["wavenumber"].values
        rk.write(array.copy(data=array.values + citrate(axis, 0.03).astype("float32")),
                 study.folder / file)  # fmt: skip
    pure = citrate(axis, 1.0) + rng.normal(0, 2e-4, axis.size)
    rk.write(rk.make_points(pure, axis), study.folder / "data/citrate.nc")
    rows = study.rows()
    for row in rows:
        row["material"] = "PVA" if row["role"] in ("reference", "spiked") else ""
    blank = dict.fromkeys(rows[0], "")
    rows.append({**blank, "file": "data/citrate.nc", "role": "reference", "material": "citrate"})
    study.write_rows(rows)


@pytest.fixture(scope="module")
def two_residues(_pattern_study, tmp_path_factory):
    from tests.conftest import StudyCopy

    folder = tmp_path_factory.mktemp("residues") / "study"
    shutil.copytree(_pattern_study, folder)
    copy = StudyCopy(folder)
    with_tables(copy)
    return copy.run()


def test_an_arm_is_judged_for_each_residue_and_the_other_is_a_nuisance(two_residues):
    """Citrate on the mock-ups of 2 min is found as citrate and does not pass for PVA."""
    table = two_residues.verdicts.set_index(["residue", "exposure_min"])
    assert list(table.index) == [("PVA", 2.0), ("citrate", 2.0), ("PVA", 60.0), ("citrate", 60.0)]
    assert table.loc[("citrate", 2.0), "verdict"] == "detected"
    assert table.loc[("citrate", 60.0), "verdict"] == "inconclusive"
    assert "no-loading-scale" in table.loc[("citrate", 60.0), "codes"]
    assert table.loc[("PVA", 60.0), "verdict"] == "detected"
    clean = table.loc[("PVA", 2.0)]
    assert clean["estimate"] < clean["decision_limit"]
    assert "One of 4 arms tested" in clean["reason"]
    for name in ("scores", "mockups", "markers"):
        assert set(getattr(two_residues, name)["residue"]) == {"PVA", "citrate"}
    maps = two_residues.provenance["maps"]
    assert len({entry["map"] for entry in maps}) == len(maps)


def test_the_figure_shows_residues_side_by_side_or_the_one_that_is_asked_for(two_residues):
    from residuekit.figures.contents import plan_figure, plan_pages
    from residuekit.words.caption import caption

    assert two_residues.residues == ["PVA", "citrate"]
    every = [place for page in plan_pages(two_residues) for place in page.places]
    assert [place.block.residue for place in every] == ["PVA", "citrate"]
    if every[0].block.unit == every[1].block.unit:
        assert every[0].top == every[1].top
        assert every[0].left + every[0].width <= every[1].left
    for shown, other in (("PVA", "citrate"), ("citrate", "PVA")):
        plan = plan_figure(two_residues, residue=shown)
        said = caption(plan, two_residues.provenance["study"])
        assert said.startswith(f"Residue of {shown}: ")
        assert f"2 arms judged for residue of {other}, 1 of them detected" in said
        assert f"residue_figure(result, residue={other!r})" in said
        arms = [group.verdict for block in plan.blocks for group in block.groups if group.verdict]
        assert [row["residue"] for row in arms] == [shown, shown]
    with pytest.raises(ContractError, match=r"the residue 'gellan'.*judged for"):
        rk.residue_figure(two_residues, residue="gellan")


def test_a_residue_that_is_not_assessable_is_named_where_it_is_not_drawn(two_residues):
    from residuekit.figures.contents import plan_pages
    from residuekit.words.caption import caption, short_caption

    table = two_residues.verdicts.copy()
    own = table["residue"] == "citrate"
    table.loc[own, "verdict"] = "not assessable"
    table.loc[own, ["estimate", "decision_limit", "mockup_decision_limit"]] = np.nan
    (plan,) = plan_pages(replace(two_residues, verdicts=table))
    (said,) = plan.left_out
    assert said.startswith(
        "Residue of citrate is not drawn: found alkyd with no arm that is assess"
    )
    study = two_residues.provenance["study"]
    assert said in caption(plan, study)
    assert "Part of the study is not drawn" in short_caption(plan, study)
    drawn = plan_pages(two_residues)
    assert all("Part of" not in short_caption(page, study) for page in drawn)


def test_the_headline_answers_for_each_residue(two_residues):
    said = answer(two_residues)
    assert "residue of PVA is " in said.headline
    assert "residue of citrate is detected on alkyd" in said.headline
    assert said.further.count("other arms: 1 ") == 2
    assert said.further.endswith("judged by itself, with a rate of false alarms of its own.")


def plain(folder, name):
    return re.sub(r"\\(?=[\W_])", "", (folder / name).read_text("utf-8"))


def test_no_verdict_and_no_score_stands_without_its_residue(two_residues):
    """Where two are asked for, each line that could be of either says of which it is."""
    from residuekit.report.exports import grids
    from residuekit.report.one_page import _picture

    folder = two_residues.folder
    picture, _ = _picture(two_residues)
    names = ("PVA", "citrate")
    caption = "".join(path.read_text("utf-8").split("## In full")[0]
                      for path in sorted(folder.glob("caption*.md")))  # fmt: skip
    supplement, report = plain(folder, "supplement.md"), plain(folder, "report.html")
    page = " ".join(pypdf.PdfReader(folder / "summary.pdf").pages[0].extract_text().split())
    for name in names:
        of = f"Alkyd, PVA cryogel 2 min, cleared 2 min (the working exposure), residue of {name}"
        assert of in report
        assert of in page
        assert f"<!-- Alkyd, {name} -->" in picture
        assert f"\n\nAlkyd, residue of {name}:\n\n- Net signal: " in supplement
        assert f"cleared 2 min, residue of {name}: " in supplement.split("**Exposure margin.**")[1]
        assert f"alkyd, residue of {name}" in report
        assert f"alkyd, exposed, residue of {name}: " in supplement.lower().replace("pva", "PVA")
        assert f"Residue of {name}" in caption or f", {name}: " in caption
    assert "leave residue of PVA and citrate on the paint" in page
    assert "not drawn" not in page
    for grid in grids(two_residues):
        assert len({tuple(row) for row in grid.rows}) == len(grid.rows)


def test_what_is_measured_once_is_counted_once(two_residues):
    """Arms, spiked mock-ups, references and maps do not double with the residues."""
    said = plain(two_residues.folder, "methods.md")
    assert "Residue of PVA and citrate (left by PVA cryogel) was looked for" in said
    arms = (f"PVA cryogel {time} min, cleared 2 min (3 mock-ups)" for time in (2, 60))
    assert f"Arms: {'; '.join(arms)}.\n" in said
    assert "4 mock-ups spiked with PVA (2 and 6 µg cm⁻²)." in said
    assert "Reference spectra of the pure materials: 1 of PVA, 1 of citrate." in said
    assert "Acceptance limit of PVA: 4 µg cm⁻². No reason was given." in said
    assert "The study states no acceptance limit for citrate." in said
    files = {entry["file"] for entry in two_residues.provenance["maps"]}
    assert f"Layout: maps of 8 × 8 pixels, step 25 µm, field 0.04 mm² ({len(files)} files)." in said
    blanks = {entry["file"] for entry in two_residues.map_entries() if entry["role"] == "blank"}
    worth = [one for one in trends.map_worth(two_residues) if one.role == "blank"]
    assert [(one.residue, one.n_maps) for one in worth] == [
        ("PVA", len(blanks)), ("citrate", len(blanks)),
    ]  # fmt: skip
    assert len(blanks) == 4


def test_each_residue_has_limits_of_its_own(two_residues):
    """The controls of one residue are not counted again for another."""
    parts = {part.provenance["study"]["residue"]: part for part in by_residue(two_residues)}
    assert list(parts) == ["PVA", "citrate"]
    for name, part in parts.items():
        (stratum,) = strata(part)
        table = leave_one_out(part, stratum)
        assert table.caption.startswith(f"Alkyd, residue of {name}:")
        assert [row[0].split()[0] for row in table.rows].count("blank") == 4
        counts = {row[-1] for row in limit_table(part, stratum).table.rows}
        assert counts <= {"blank maps", "4 blanks", "4 mock-ups", "8 mock-ups"}


def test_exposures_are_compared_with_each_other(two_residues):
    table = two_residues.comparisons
    assert list(table["residue"]) == ["PVA", "citrate"]
    (pva,) = table[table["residue"] == "PVA"].to_dict("records")
    arms = two_residues.verdicts[two_residues.verdicts["residue"] == "PVA"]
    assert pva["difference"] == pytest.approx(-np.diff(arms["estimate"])[0], rel=1e-6)
    assert (pva["left"], pva["right"]) == (
        "PVA cryogel 2 min, cleared 2 min", "PVA cryogel 60 min, cleared 2 min",
    )  # fmt: skip
    assert pva["low"] < pva["difference"] < pva["high"] < 0
    assert pva["within_acceptance"] in (False, "false")
    mockups = two_residues.mockups
    own = mockups[(mockups["residue"] == "PVA") & (mockups["role"] == "exposed")
                  & (mockups["score"] == arms["score"].iloc[0])]  # fmt: skip
    from scipy import stats

    groups = [own.loc[own["exposure_min"] == time, "mean"] for time in (2.0, 60.0)]
    welch = stats.ttest_ind(*groups, equal_var=False)
    assert pva["p"] == pytest.approx(welch.pvalue, rel=1e-5)
    interval = welch.confidence_interval(0.95)
    assert (pva["low"], pva["high"]) == pytest.approx((interval.low, interval.high), rel=1e-5)
    assert sorted(table["p_holm"]) == pytest.approx(sorted(holm_adjusted(list(table["p"]))))


@pytest.mark.usefixtures("without_pictures")
def test_a_treatment_without_a_reference_is_not_assessable_and_clearance_parts_arms(study):
    """Never judged by the other gel's spectrum; swab and gel are two arms, each of its own."""
    names = sorted({row["mockup"] for row in study.rows() if row["exposure_min"] == "60"
                    and row["role"] == "exposed"})  # fmt: skip
    rows = study.rows()
    for row in rows:
        row["clearance"] = ""
        if row["mockup"] in names and row["role"] == "exposed":
            row["treatment"] = "agar gel"
        elif row["role"] == "exposed":
            row["clearance"] = "swab" if row["mockup"].endswith("1") else "gel"
    study.write_rows(rows)
    said = Study.open(study.folder).manifest.notes
    assert any("No residue is named for 'agar gel'" in note for note in said)
    result = study.run()
    table = result.verdicts
    (agar,) = table[table["treatment"] == "agar gel"].to_dict("records")
    assert (agar["verdict"], agar["codes"]) == ("not assessable", "no-reference")
    assert np.isnan(agar["estimate"])
    own = table[table["treatment"] == GEL]
    assert sorted(own["clearance"]) == ["gel", "swab"]
    assert sorted(own["n_mockups"]) == [1, 2]
    assert len(result.comparisons) == 1
    assert "by swab" in " ".join(result.comparisons.iloc[0][["left", "right"]])


@pytest.mark.parametrize(
    ("old", "new", "found", "fix"),
    [
        ('left_by = ["PVA cryogel"]\nacc', 'left_by = ["PVA cryogl"]\nacc', "which no exposed row",
         "did you mean 'PVA cryogel'"),
        ('material = "citrate"', 'material = "PVA"', "a second [[residue]] of 'PVA'",
         "left_by in one table"),
        ("[question]\n", '[question]\ntreatment = "PVA cryogel"\n',
         "treatment in [question] beside [[residue]]", "left_by stands in [[residue]]"),
        ('use = ["pva C-O 1092", "acetate C=O 1735"]\n[[', 'use = ["pva C-O 1093"]\n[[',
         "'pva C-O 1093'", "pva C-O 1092"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_residue_is_said_with_its_line(study, old, new, found, fix):
    with_tables(study)
    study.edit(old, new)
    with pytest.raises(StudyError) as caught:
        Study.open(study.folder)
    assert any(found in str(one) and fix in str(one) for one in caught.value.faults)
    assert all(one.file for one in caught.value.faults)


def test_a_state_before_is_placed_by_its_mockup_or_refused(study):
    rows = study.rows()
    blank = dict.fromkeys(rows[0], "")
    study.write_rows([*rows, {**blank, "file": rows[0]["file"], "role": "before", "mockup": "G7"}])
    with pytest.raises(StudyError, match="'G7' before treatment, which no blank, exposed or"):
        Study.open(study.folder)
