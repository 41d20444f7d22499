"""What a real run says beside its verdicts. All data are invented."""

from __future__ import annotations

import re
from dataclasses import replace

import pandas as pd
import pytest

from residuekit import trends
from residuekit.errors import StudyError
from residuekit.reprs import to_error
from residuekit.study.inspect import check_folder


def by_heading(result):
    return {finding.heading: finding for finding in trends.findings(result)}


def test_a_run_with_two_exposures_has_a_series_margins_and_their_numbers(finished):
    result = finished.result
    found = by_heading(result)
    assert list(found) == [
        "Does residue rise with exposure?",
        "Exposure margin",
        "Equivalence against the acceptance limit",
        "Do the controls depend on the session?",
        "What the pixels of a map are worth",
    ]
    for finding in found.values():
        assert finding.sentences
        assert all(re.fullmatch(r".*[.)]", said) for said in finding.sentences)
        assert not any("nan" in said for said in finding.sentences)
        assert isinstance(finding.to_frame(), pd.DataFrame)
        assert finding.heading in str(finding)
        assert finding.heading in finding._repr_html_()
    row = result.verdicts.set_index("exposure_min").loc[2.0]
    margin = found["Exposure margin"]
    assert "exposure margin 1, 2 min not detected over 2 min" in margin.sentences[0]
    limit = to_error(row["detection_limit"], row["standard_error"])
    assert f"detection limit {limit}, " in margin.sentences[0]
    assert margin.table["n_mockups"].tolist() == [3]
    assert margin.table["share_upper_bound"].iloc[0] == pytest.approx(1 - 0.05 ** (1 / 3))
    rising = found["Does residue rise with exposure?"]
    assert rising.table["mean"].tolist() == pytest.approx(
        result.verdicts.sort_values("exposure_min")["estimate"].tolist()
    )
    assert rising.table["test"].unique().tolist() == ["Jonckheere"]


def test_equivalence_follows_the_bound_and_says_nothing_of_one_mockup(finished):
    found = by_heading(finished.result)["Equivalence against the acceptance limit"]
    rows = found.table.set_index("exposure_min")
    assert rows.loc[2.0, "below"]
    assert not rows.loc[60.0, "below"]
    assert (found.table["below"] == (found.table["upper_bound"] < 4.0)).all()
    assert "says nothing of a single mock-up" in found.sentences[-1]


def test_what_a_study_did_not_set_beforehand_is_left_out(finished):
    study = {**finished.result.provenance["study"], "working_exposure_min": None,
             "acceptance_limit_ug_cm2": None}  # fmt: skip
    record = {**finished.result.provenance, "study": study}
    headings = by_heading(replace(finished.result, provenance=record))
    assert "Exposure margin" not in headings
    assert "Equivalence against the acceptance limit" not in headings


@pytest.mark.parametrize(
    ("unit", "words", "caution"),
    [
        ("lx h", "aged 500 h: 25000 lx h (50 lx on average)", "No years of display"),
        ("kJ m-2", "(13.9 W m-2 on average)", "No years of display"),
        ("h", "aged 500 h: 25000 h.", "stand for no other time"),
    ],
)
def test_doses_stand_with_what_does_not_follow_from_them(finished, unit, words, caution):
    listed = [
        {**row, "dose": 25000.0, "dose_unit": unit, "ageing_h": 500.0}
        for row in finished.result.provenance["measurements"]
        if row["role"] == "exposed"
    ]
    record = {**finished.result.provenance, "measurements": listed}
    found = by_heading(replace(finished.result, provenance=record))["Dose of the ageing"]
    assert words in found.sentences[0]
    assert caution in found.sentences[-1]
    assert len(found.table) == 1


@pytest.mark.usefixtures("without_pictures")
def test_a_run_over_two_ages_compares_them(study):
    """The aged mock-ups are the young ones again: paired throughout."""
    from residuekit import io

    rows, aged = study.rows(), []
    for number, row in enumerate(rows):
        if row["role"] in ("blank", "exposed"):
            array = io.read(study.folder / row["file"])
            file = f"data/aged-{number}.nc"
            io.write(array.copy(data=array.values * 1.001), study.folder / file)
            aged.append({**row, "file": file, "ageing_h": "500"})
    study.write_rows([*rows, *aged])
    found = by_heading(study.run())
    changes = found["Residue before and after ageing"]
    assert changes.table["paired"].all()
    assert changes.table["difference"].abs().max() < 0.5
    assert found["Does residue rise with ageing?"].table["test"].unique().tolist() == ["Page"]
    growth = found["New absorption where gel was applied"]
    assert growth.table["n_gel"].tolist() == [3, 3]
    assert growth.table["low"].isna().all()


def test_a_run_of_other_code_says_so(finished, monkeypatch):
    assert "another one since" not in check_folder(finished.result.folder)
    monkeypatch.setattr("residuekit.study.inspect.code_version", lambda: "another")
    assert "The code of residuekit is another one since" in check_folder(finished.result.folder)


@pytest.mark.usefixtures("without_pictures")
def test_a_run_whose_settings_changed_names_them(warm_study):
    result = warm_study.run()
    warm_study.edit("acceptance_limit_ug_cm2 = 4.0", "acceptance_limit_ug_cm2 = 5.0")
    with pytest.raises(StudyError, match=r"study\.toml: found a file whose content has changed"):
        check_folder(result.folder)
