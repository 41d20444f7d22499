"""What must be said of a design: shared mock-ups, and arms measured unlike their blanks."""

from __future__ import annotations

from residuekit.decision.design import arm_columns, arm_notes, sample
from residuekit.words.codes import sentence


def arms(study):
    return [row.arm for row in study.rows if row.role == "exposed"]


def noted(study):
    """Arm -> code -> numbers."""
    return {arm: [tuple(note) for note in notes] for arm, notes in arm_notes(study.rows).items()}


def balanced(study, *, paint="white", exposures=(2.0, 60.0), start=0):
    """Three water-only blanks and three mock-ups an arm, each measured once in each of two
    sessions."""
    for number in range(3):
        for session in ("day 1", "day 2"):
            study.add("blank", f"b{start + number}", paint=paint, session=session)
            for exposure in exposures:
                study.add("exposed", f"{exposure:g} {start + number}", paint=paint,
                          exposure_min=exposure, session=session)  # fmt: skip


def test_nothing_is_said_of_a_balanced_design(small_study):
    balanced(small_study)
    balanced(small_study, paint="red")
    found = noted(small_study)
    assert set(found) == set(arms(small_study))
    assert all(notes == [] for notes in found.values())
    assert arm_notes([]) == {}


def test_mockups_that_stand_in_two_arms_are_named_in_both(small_study):
    balanced(small_study)
    for exposure in (2.0, 60.0):
        for name in ("both 2", "both 1"):
            for session in ("day 1", "day 2"):
                small_study.add("exposed", name, exposure_min=exposure, session=session)
    found = noted(small_study)
    first, second = arms(small_study)[:2]
    columns = {row.arm: arm_columns(row) for row in small_study.rows}
    for arm, other in ((first, second), (second, first)):
        assert found[arm] == [
            ("shared-mockups", {"mockups": ["both 1", "both 2"], "arm": columns[other]})
        ]
    assert columns[second] == {
        "paint": "white", "soiling": "none", "ageing_h": 0.0, "treatment": "gel",
        "exposure_min": 60.0, "clearance_min": 2.0, "clearance": "",
    }  # fmt: skip
    said = sentence(arm_notes(small_study.rows)[first][0])
    assert "both 1, both 2" in said
    assert "60 min" in said


def test_one_name_on_two_paints_soilings_or_ageings_is_not_one_sample_of_two_arms(small_study):
    cells = ({}, {"paint": "red"}, {"soiling": "soot"}, {"ageing_h": 500.0})
    for each in cells:
        small_study.add("blank", "b", **each)
        small_study.add("blank", "a", treatment="none", **{**each, "paint": "blue"})
        small_study.add("exposed", "a", **each)
    found = noted(small_study)
    assert len(found) == 4
    assert all(notes == [] for notes in found.values())
    names = {sample(row) for row in small_study.rows if row.role == "exposed"}
    assert names == {("white", "none", "a"), ("red", "none", "a"), ("white", "soot", "a")}


def test_mockups_that_were_untreated_blanks_before_are_named(small_study):
    """Untreated blanks of the same stratum; water-only ones and those of another paint are not."""
    balanced(small_study)
    for name, cells in (("2 1", {}), ("2 0", {}), ("other", {}), ("60 1", {"paint": "red"}),
                        ("60 0", {"treatment": "water"})):  # fmt: skip
        for session in ("day 1", "day 2"):
            small_study.add("blank", name, session=session, **{"treatment": "none", **cells})
    small_study.add("spiked", "2 2", treatment="none", loading_ug_cm2=1.0)
    found = noted(small_study)
    first, second = arms(small_study)[:2]
    assert found[first] == [("untreated-before", {"mockups": ["2 0", "2 1"]})]
    assert found[second] == []


def test_sessions_without_a_blank_are_named(small_study):
    balanced(small_study)
    for session in ("day 4", "day 3"):
        small_study.add("exposed", "late", session=session)
    small_study.add("blank", "more", session="day 2")
    small_study.add("blank", "more", session="day 5")
    small_study.add("spiked", "s", session="day 3", loading_ug_cm2=1.0)
    found = noted(small_study)
    first, second = arms(small_study)[:2]
    assert found[first] == [("session-without-blank", {"sessions": ["day 3", "day 4"]})]
    assert found[second] == []


def test_a_session_that_is_not_stated_says_nothing(small_study):
    """An unnamed one may be any: of the exposed mock-ups, or of the blanks."""
    for paint, of_blank, of_exposed in (
        ("white", "", "day 1"), ("red", "day 1", ""), ("blue", "", ""), ("grey", "day 1", "day 1")
    ):  # fmt: skip
        small_study.add("blank", "b", paint=paint, session=of_blank)
        small_study.add("exposed", "e", paint=paint, session=of_exposed)
    assert all(notes == [] for notes in noted(small_study).values())


def test_an_arm_without_blanks_is_not_compared(small_study):
    small_study.add("exposed", "e", session="day 1")
    small_study.add("blank", "b", paint="red", session="day 2")
    assert list(noted(small_study).values()) == [[]]


def test_unequal_numbers_of_files_are_told_with_both_means(small_study):
    balanced(small_study, exposures=(2.0,))
    for _ in range(3):
        small_study.add("exposed", "2 0", session="day 1")
        small_study.add("exposed", "60", exposure_min=60.0, session="day 1")
    found = noted(small_study)
    first, second = arms(small_study)[0], arms(small_study)[-1]
    assert found[first] == [("unequal-files", {"exposed": 3.0, "blank": 2.0})]
    assert found[second] == [("unequal-files", {"exposed": 3.0, "blank": 2.0})]
    said = sentence(arm_notes(small_study.rows)[first][0])
    assert "3 of the exposed, 2 of the blanks" in said
    assert said.endswith("too high.")


def test_an_arm_is_compared_with_the_blanks_of_its_own_exposure(small_study):
    """Three water-only ones of it stand by themselves; untreated ones do not count."""
    for number in range(3):
        small_study.add("blank", f"b{number}", session="day 1")
        small_study.add("blank", f"c{number}", exposure_min=60.0, session="day 2")
        small_study.add("blank", f"c{number}", exposure_min=60.0, session="day 2")
        small_study.add("blank", f"u{number}", treatment="none", session="day 3")
        small_study.add("blank", f"b{number}", treatment="none", session="day 3")
        small_study.add("exposed", f"e{number}", session="day 2")
    (notes,) = noted(small_study).values()
    assert notes == [("session-without-blank", {"sessions": ["day 2"]})]
    small_study.rows[:] = [row for row in small_study.rows if row.mockup != "b2"]
    (notes,) = noted(small_study).values()
    assert notes == [("unequal-files", {"exposed": 1.0, "blank": 8 / 5})]
