"""The room of the sentences: a leaf, in the words of the trade, the same codes on both sides."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from types import SimpleNamespace

import pytest
import texts

from residuekit.words import (
    answer,
    caption,
    changes,
    findings,
    methods,
    samples,
    summary,
)
from residuekit.words.common import arm_words, conditions_words, listed
from residuekit.words.registration import registration_sentences

ROOM = Path(findings.__file__).parent
STUDY = {"alpha": 0.05}
ARM = {"paint": "alkyd", "soiling": "soot", "ageing_h": 400.0, "treatment": "gel",
       "exposure_min": 2.0, "clearance_min": 3.0}  # fmt: skip


@pytest.mark.parametrize("path", sorted(ROOM.glob("*.py")), ids=lambda path: path.stem)
def test_words_take_codes_and_numbers_and_import_nothing_that_computes(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    above = [n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom) and n.level == 2]
    assert set(above) <= {"schema", "reprs", "errors"}
    heavy = {"numpy", "pandas", "xarray", "matplotlib", "h5netcdf"}
    imported = {name.name.split(".")[0] for n in ast.walk(tree) if isinstance(n, ast.Import)
                for name in n.names}  # fmt: skip
    assert not imported & heavy


@pytest.mark.parametrize("path", sorted(ROOM.glob("*.py")), ids=lambda path: path.stem)
def test_no_coined_word_stands_in_a_sentence(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    texts = [n.value for n in ast.walk(tree) if isinstance(n, ast.Constant)
             and isinstance(n.value, str)]  # fmt: skip
    coined = re.compile(r"\b(told|bench|ground|spoken|met|strange|hides?|hangs?)\b")
    assert [text for text in texts if coined.search(text)] == []


@pytest.mark.parametrize(
    ("gels", "looked_for", "asked"),
    [
        (["A", "A"], "Residue of PVA and citrate (left by A) was looked for",
         "Does A leave residue of PVA and citrate on the paint after 2 min, the working exposure?"),
        (["A", "B"], "Residues were looked for: PVA (left by A); citrate (left by B)",
         "Is residue left on the paint after 2 min, the working exposure? Looked for: PVA (left "
         "by A); citrate (left by B)."),
        (["PVA", "citrate"], "Residue of PVA and citrate was", "Looked for: PVA and citrate."),
    ],
)  # fmt: skip
def test_the_question_names_each_residue_with_what_may_leave_it(gels, looked_for, asked):
    named = zip(("PVA", "citrate"), gels, strict=True)
    limits = {"acceptance_limit_ug_cm2": 2.0, "acceptance_reason": "Invented."}
    residues = [{**limits, "material": name, "left_by": [gel]} for name, gel in named]
    study = {**texts.STUDY, "treatment": gels[0], "residues": residues}
    assert samples.question(study).startswith(looked_for)
    assert asked in summary.question(study)
    assert samples.question(study).count("Acceptance limit: 2 µg cm⁻². Reason given: ") == 1
    residues[1]["acceptance_limit_ug_cm2"] = None
    limits = samples.acceptance_limit(study)
    assert limits.startswith("Acceptance limit of PVA: 2 µg cm⁻². Reason given: Invented. The")
    assert limits.endswith("The study states no acceptance limit for citrate.")


def test_a_score_that_does_not_rise_with_loading_has_no_infinite_one():
    row = {**ARM, "score": "net signal", "residue": "gel", "unit": "reference", "blind": True,
           "mockup_limit": float("inf"), "slope": -0.0022, "slope_se": 0.0025,
           "slope_degrees_of_freedom": 3, "deciding": False}  # fmt: skip
    assert methods.sight(row, [], {"net signal": "reference"}) == (
        "Net signal: it does not rise with loading; blind, so it says nothing on this paint. "
        "Slope −0.0022 ± 0.0025 × pure gel per µg cm⁻² (3 degrees of freedom)."
    )


def test_captions_of_two_residues_name_that_of_each_block():
    plan = texts._plan()
    plan.blocks.append(SimpleNamespace(**{**vars(plan.blocks[0]), "residue": "citrate"}))
    plan.lettered = list(zip("AB", plan.blocks, strict=True))
    plan.residues = ["gel", "citrate"]
    for write in (caption.caption, caption.short_caption):
        said = write(plan, texts.STUDY)
        assert said.startswith("Residue of gel and citrate")
        assert "(A) Alkyd, gel" in said
        assert "(B) Alkyd, citrate" in said
    shown = caption.figure_alternative([{**texts.ARM, "residue": "citrate"}])
    assert "alkyd, gel 2 min, residue of citrate: not detected" in shown


def test_an_arm_is_named_by_all_its_conditions_and_a_series_by_those_that_do_not_vary():
    assert arm_words(ARM) == "alkyd, soiling soot, aged 400 h, gel 2 min, cleared 3 min"
    series = {name: value for name, value in ARM.items() if name != "exposure_min"}
    assert conditions_words(series) == "alkyd, soiling soot, aged 400 h, gel, cleared 3 min"


def test_every_code_of_a_finding_has_a_heading_and_a_sentence():
    doses = [{**ARM, "dose": 100.0, "dose_unit": "lx h"}]
    assert findings.finding_sentences("dose", doses, STUDY)[0].endswith("(0.25 lx on average).")
    rows = [{**ARM, "verdict": "detected", "other_verdict": other}
            for other in ("detected", "inconclusive")]  # fmt: skip
    said = findings.finding_sentences("second-procedure", rows, STUDY)
    assert len(said) == 2
    assert "1 of 2 verdicts" in said[-1]
    for code in findings.HEADINGS:
        assert isinstance(findings.finding_sentences(code, (), STUDY), tuple)


def test_a_layout_says_its_step_once_where_pixels_are_square():
    square = methods.Layout((8, 16), (25.0, 25.0), "um")
    assert str(square) == "maps of 8 × 16 pixels, step 25 µm, field 0.08 mm²"
    assert "step 25 by 50 µm" in str(methods.Layout((8, 16), (25.0, 50.0), "um"))
    assert "unknown step" in str(methods.Layout((8, 16)))
    assert str(methods.Layout()) == "point spectra"


@pytest.mark.parametrize(
    ("note", "words"),
    [
        (samples.ControlNote("untreated alone"), "not subtracted"),
        (samples.ControlNote("exposure unstated"), "not stated"),
        (samples.ControlNote("other exposures", (60.0,), (2.0, 10.0)), "2 and 10 min"),
        (samples.ControlNote("no untreated"), "no untreated blanks"),
    ],
)
def test_what_the_blanks_leave_open_is_said_once_for_all_its_strata(note, words):
    strata = (("alkyd", "none", 0.0), ("acrylic", "none", 0.0))
    (said,) = samples.control_sentences((one, note) for one in strata)
    assert said.startswith("alkyd, acrylic: ")
    assert words in said


def test_a_change_names_its_cause():
    row = {**ARM, "verdict": "detected", "unit": "A", "n_mockups": 4, "n_blank_mockups": 6,
           "n_maps": 8, "estimate": 2.0, "standard_error": 0.1, "detection_limit": 0.5,
           "upper_bound": 2.2}  # fmt: skip
    arm = {"was": row, "now": {**row, "verdict": "inconclusive", "n_mockups": 3},
           "files": {"own": 2, "controls": 0}, "settings": ["markers"], "texts": []}  # fmt: skip
    text = changes.changes_text("yesterday", {}, ["markers"], all_kept=False, arms=[arm])
    assert "detected -> inconclusive (mock-ups 4 -> 3)" in text
    assert "because of 2 of its maps, the markers" in text


def test_one_is_one_and_more_are_more():
    study = {"alpha": 0.05, "acceptance_limit_ug_cm2": 2.0}
    assert "One arm was tested, at 5%." in methods.cannot_say(study, 1, 0.05)
    assert any(said.startswith("3 arms in all were tested, each at 5%")
               for said in methods.cannot_say(study, 3, 0.14))  # fmt: skip


@pytest.mark.parametrize(
    ("maps", "pixels", "said"),
    [
        (4, 4, "Behind it: 4 spectra."),
        (1, 1, "Behind it: 1 spectrum."),
        (4, 1024, "Behind it: 4 maps, 1024 pixels."),
    ],
)
def test_single_spectra_are_neither_maps_nor_pixels(maps, pixels, said):
    assert answer.behind({"n_maps": maps, "n_pixels": pixels}) == said


def test_a_worth_is_never_above_the_pixels_that_there_are():
    row = {"paint": "alkyd", "role": "blank", "pixels": 256, "effective": 255.7, "least": 9.26,
           "most": 256.0, "n_maps": 6, "score": "net signal", "residue": ""}  # fmt: skip
    said = findings.map_worth(row)
    assert "256 valid pixels of a map are worth 255 independent ones" in said
    assert "from 9.3 to 256." in said


@pytest.mark.parametrize(
    ("limit", "said"), [(True, "authors' statement"), (False, "The study was")]
)
def test_only_a_limit_that_is_stated_is_somebodys(limit, said):
    (found,) = registration_sentences({}, limit=limit)
    assert said in found
    assert found.count("limit") == limit


def test_things_in_a_row_end_with_an_and():
    assert listed(["2", "4", "6"]) == "2, 4 and 6"
    assert listed(["gel 2 min, cleared", "gel 6 min", "water"]) == (
        "gel 2 min, cleared and gel 6 min and water"
    )
    assert listed([]) == ""


def test_a_score_blind_for_the_limit_alone_is_not_said_to_say_nothing():
    """Its arm has numbers; one that is not assessable has none."""
    place = {"paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "score": "net signal",
             "residue": "gel", "unit": "ug cm-2"}  # fmt: skip
    row = {**place, "mockup_limit": 2.1, "slope": 0.006, "slope_se": 0.0001, "blind": True,
           "slope_degrees_of_freedom": 3, "deciding": True}  # fmt: skip
    arm = {**place, "treatment": "gel", "exposure_min": 2.0, "clearance_min": 2.0,
           "n_mockups": 6,
           "verdict": "inconclusive", "estimate": 3.1, "detection_limit": 1.6, "scale": "spiked",
           "upper_bound": 3.4, "standard_error": 0.1}  # fmt: skip
    units = {"net signal": "reference"}
    assert "× pure gel per µg cm⁻² (3 degrees of freedom)" in methods.sight(row, [arm], units)
    assert "; blind for the acceptance limit; it decides." in methods.sight(row, [arm], units)
    lost = {**arm, "verdict": "not assessable", "estimate": float("nan")}
    assert "blind, so it says nothing on this paint" in methods.sight(row, [lost], units)
