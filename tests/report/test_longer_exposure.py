"""A working exposure that was not tested, and longer ones that were: what the headline answers."""

from __future__ import annotations

import pytest

from residuekit.words.answer import (
    OVER_RESIDUES,
    _beside_the_limit,
    answer,
    conditions,
    each_residue,
)

STUDY = {"working_exposure_min": 2.0, "treatment": "gel"}


def arm(time, verdict, paint="alkyd", treatment="gel"):
    return {"paint": paint, "soiling": "none", "ageing_h": 0.0, "treatment": treatment,
            "exposure_min": time, "clearance_min": 2.0, "clearance": "", "verdict": verdict,
            "n_mockups": 6, "n_blank_mockups": 5, "detection_limit": 0.8123, "standard_error": 0.1,
            "estimate": 0.1, "unit": "ug cm-2"}  # fmt: skip


def headline(*rows):
    return answer(rows, STUDY, lambda _: None).headline


def test_the_shortest_longer_clean_exposure_answers_with_its_factor_and_its_assumption():
    said = headline(arm(1.0, "not detected"), arm(60.0, "not detected"), arm(10.0, "not detected"),
                    arm(5.0, "inconclusive"))  # fmt: skip
    assert said == (
        "The working exposure of 2 min with gel was not tested. A longer one answers for it if "
        "residue does not fall with exposure. On alkyd residue is not detected after 10 min, 5 "
        "times as long (detection limit 0.81 µg cm⁻², 6 mock-ups against 5 blanks)."
    )


@pytest.mark.parametrize(
    ("rows", "end"),
    [
        ([arm(10.0, "detected"), arm(60.0, "not detected")],
         "no longer exposure is “not detected”."),
        ([arm(10.0, "inconclusive")], "On alkyd no longer exposure is “not detected”."),
        ([arm(1.0, "not detected")], "was not tested: nothing here answers for it."),
        ([arm(60.0, "not detected", treatment="other")], "nothing here answers for it."),
    ],
)  # fmt: skip
def test_no_longer_exposure_answers_beyond_a_detected_one_or_for_another_gel(rows, end):
    assert headline(*rows).endswith(end)


def test_an_answer_stands_for_each_residue_and_names_the_gels_that_leave_it():
    """Both gels that leave it answer at the working exposure, each by its name."""
    both = STUDY | {"residue": "PVA", "left_by": ["gel", "other"]}
    rows = [
        arm(2.0, "not detected"),
        arm(2.0, "detected", treatment="other"),
        arm(60.0, "detected"),
    ]
    citrate = STUDY | {"residue": "citrate", "left_by": ["third"]}
    pva, none = (answer(rows, study, lambda _: None) for study in (both, citrate))
    assert "residue of PVA is detected on alkyd with other (0.10 " in pva.headline
    assert "not detected on alkyd with gel (detection limit 0.81" in pva.headline
    assert "with third was not tested: nothing here" in none.headline
    said = each_residue({"PVA": pva, "citrate": none})
    assert said.headline == f"{pva.headline} {none.headline}"
    assert said.further.startswith("PVA: other arms: 1 detected, with")
    assert "citrate: other arms: 2 detected, 1 not detected, with" in said.further
    assert said.further.endswith(OVER_RESIDUES)


def test_ways_of_clearance_are_told_apart():
    rows = [arm(2.0, "not detected") | {"clearance": way} for way in ("swab", "")]
    said = headline(*rows)
    assert "on alkyd, cleared by swab (" in said
    assert "and alkyd, cleared by what is not said (" in said


def test_longer_exposures_of_two_gels_answer_each_for_its_own():
    study = STUDY | {"residue": "PVA", "left_by": ["gel", "other"]}
    rows = [arm(10.0, "not detected"), arm(5.0, "detected", treatment="other")]
    said = answer(rows, study, lambda _: None).headline
    assert "On alkyd with gel residue is not detected after 10 min" in said
    assert "On alkyd with other no longer exposure is “not detected”" in said


TWO = {"working_exposure_min": 2.0, "working_exposures": {"gel": 2.0, "other": 10.0},
       "treatment": "gel", "residue": "PVA", "left_by": ["gel", "other"]}  # fmt: skip


def test_each_gel_answers_for_its_own_working_exposure():
    rows = [arm(2.0, "not detected"), arm(10.0, "detected"),
            arm(2.0, "detected", treatment="other"),
            arm(10.0, "not detected", treatment="other")]  # fmt: skip
    said = answer(rows, TWO, lambda _: None)
    assert said.headline.startswith(
        "After the working exposure of 2 min with gel and 10 min with other, residue of PVA is not "
        "detected on alkyd with gel ("
    )
    assert "; detected" not in said.headline
    assert said.further.startswith("Other arms: 2 detected")
    marked = [conditions(row, TWO).endswith("(the working exposure)") for row in rows]
    assert marked == [True, False, False, True]
    whole = {name: value for name, value in TWO.items() if name not in ("residue", "left_by")}
    assert [conditions(row, whole).endswith("(the working exposure)") for row in rows] == marked
    missing = answer([arm(60.0, "not detected", treatment="other")], TWO, lambda _: None).headline
    assert "2 min with gel and 10 min with other was not tested." in missing
    assert "not detected after 60 min, 6 times as long" in missing


def test_a_gel_without_a_working_exposure_has_none():
    only = {**TWO, "working_exposures": {"other": 10.0}, "left_by": ["gel"]}
    said = answer([arm(2.0, "not detected")], only, lambda _: None)
    assert said.headline.startswith("No working exposure was stated")


def test_a_mean_above_what_is_accepted_is_said_where_it_cannot_be_called_detected():
    high = arm(2.0, "inconclusive") | {"estimate": 3.1415, "against_acceptance": "above"}
    low = arm(2.0, "inconclusive") | {"against_acceptance": "undecided"}
    assert headline(high).endswith(
        "residue of gel is inconclusive on alkyd (3.14 µg cm⁻², above what is accepted, 6 mock-ups "
        "against 5 blanks)."
    )
    assert headline(low).endswith("residue of gel is inconclusive on alkyd.")
    study = {"acceptance_limit_ug_cm2": 2.0}
    bounded = high | {"upper_bound": 3.4, "scale": "spiked"}
    assert _beside_the_limit(bounded, study).startswith("Even the lower bound lies above")
    assert _beside_the_limit(bounded | {"upper_bound": 4.5}, study).startswith("The mean may lie")
