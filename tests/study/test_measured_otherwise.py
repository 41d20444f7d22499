"""Arms measured unlike their blanks: said with the verdict. All data are invented."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

import residuekit as rk
from residuekit import io
from residuekit.errors import StudyError
from residuekit.study.inspect import check_folder
from residuekit.study.measurements import Measurement
from residuekit.study.mixed import Kind, mixed_faults


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
    assert f"the more the limits are too {word}" in said


def test_a_balanced_study_needs_no_word(study):
    assert "note" not in check_folder(study.folder)


def test_a_column_that_parts_the_arm_from_its_blanks_is_confounded_with_the_treatment(study):
    rows = study.rows()
    for row in rows:
        row["operator"] = "B" if row["exposure_min"] == "60" and row["role"] == "exposed" else "A"
        row["place"] = row["file"]
    study.write_rows(rows)
    said = check_folder(study.folder)
    assert "Confounded with the treatment: operator (exposed: B; blanks: A)." in said
    assert said.count("Confounded") == 1
    assert "place (" not in said


def test_a_column_that_varies_alike_in_arm_and_blanks_is_pooled(study):
    rows = study.rows()
    for number, row in enumerate(rows):
        row["operator"] = "AB"[number % 2]
    study.write_rows(rows)
    said = check_folder(study.folder)
    assert "Pooled in this arm and in its blanks alike: operator (A, B)." in said
    assert "Confounded" not in said


@pytest.mark.parametrize("role", ["exposed", "blank"])
def test_quantities_mixed_in_a_stratum_are_refused_with_the_step_to_type(study, role):
    """By `check` and by `run`; with the step the same study passes."""
    file = study.files(role)[-1]
    array = io.read(study.folder / file)
    turned = array.copy(data=10.0**-array.values)
    turned.name = "transmittance"
    rk.write(turned, study.folder / file)
    for attempt in (lambda: check_folder(study.folder), study.run):
        with pytest.raises(StudyError) as caught:
            attempt()
        (fault,) = [one for one in caught.value.faults if "in transmittance" in one.found]
        assert file in fault.found
        assert fault.file == "measurements.csv"
        assert '{step = "to_absorbance"}' in fault.fix
    study.edit("steps = [", 'steps = [\n    {step = "to_absorbance"},')
    assert "transmittance" not in check_folder(study.folder)


def test_techniques_mixed_in_a_stratum_are_refused():
    rows = [Measurement(k, f"{k}.nc", "blank", f"b{k}", "alkyd") for k in range(4)]
    techniques = ("atr", "unknown", "reflection", "atr")
    kinds = [Kind(*one) for one in zip(rows, ["absorbance"] * 4, techniques, strict=True)]
    (fault,) = mixed_faults(SimpleNamespace(table="measurements.csv"), kinds)
    assert "1 file in reflection (2.nc for one)" in fault.found
    assert fault.line == 2
    assert "to_absorbance" not in fault.fix
