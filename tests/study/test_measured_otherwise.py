"""Arms measured unlike their blanks: said with the verdict. All data are invented."""

from __future__ import annotations

import pytest

from residuekit.study.inspect import check_folder


@pytest.mark.usefixtures("without_pictures")
def test_a_session_with_exposed_mockups_and_no_blank_is_said_with_the_verdict(warm_study):
    warm_study.change(
        lambda row: row["role"] == "exposed" and row["exposure_min"] == "60", session="day 9"
    )
    words = "No blank of the arm was measured in session day 9"
    assert words in check_folder(warm_study.folder)
    result = warm_study.run()
    for row in result.verdicts.to_dict("records"):
        assert (words in row["reason"]) == (row["exposure_min"] == 60)
    assert any(words in remark for remark in result.provenance["remarks"])


def test_sessions_that_were_not_noted_are_not_spoken_of(study):
    study.change(lambda row: row["role"] == "blank", session="")
    assert "measured in session" not in check_folder(study.folder)


@pytest.mark.parametrize(("role", "word"), [("exposed", "high"), ("blank", "low")])
def test_mockups_of_more_maps_than_those_they_are_compared_with_are_said(study, role, word):
    met: dict[tuple[str, str], int] = {}
    rows = study.rows()
    for row in (row for row in rows if row["role"] == role):
        arm = row["treatment"], row["exposure_min"]
        met[arm] = met.get(arm, -1) + 1
        row["mockup"] = f"{role} {' '.join(arm)} {met[arm] // 2}"
    study.write_rows(rows)
    said = check_folder(study.folder)
    assert f"the limits, which come from the blanks, are too {word}" in said


def test_a_balanced_study_needs_no_word(study):
    assert "note" not in check_folder(study.folder)
