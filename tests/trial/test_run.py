"""A trial in a study: checked before, written by the run, told by the report."""

from __future__ import annotations

import os

import pandas as pd
import pytest
from shelter import shelter_rows, table_text

from residuekit import open_run
from residuekit.errors import StudyError
from residuekit.study import Study
from residuekit.study.inspect import check_folder
from residuekit.trial import summary_of

GEL = "PVA cryogel"


def rows_for(study):
    """The invented trial, its paints named as the study's one paint."""
    (paint,) = {row["paint"] for row in study.rows() if row["paint"]}
    return [{**row, "paint": paint, "soiling": "none"} for row in shelter_rows(("alkyd",))]


def test_faults_of_the_trial_stand_beside_those_of_the_study(study):
    (study.folder / "trial.csv").write_text("treatment,mockup,paint,eas\ngel,,alkyd,9\n", "utf-8")
    study.edit('title = "', 'titel = "')
    with pytest.raises(StudyError) as refused:
        check_folder(study.folder)
    where = {(fault.file, fault.line) for fault in refused.value.faults}
    assert {("trial.csv", 1), ("trial.csv", 2)} < where
    assert any(file == "study.toml" for file, _ in where)


def test_a_study_without_a_trial_has_none(finished):
    assert summary_of(finished.result) is None
    assert not (finished.result.folder / "trial.csv").exists()


def test_the_run_writes_the_trial_beside_the_verdicts(warm_study):
    table = warm_study.folder / "trial.csv"
    table.write_text(table_text(rows_for(warm_study)), encoding="utf-8")
    result = Study.open(warm_study.folder).run()
    folder = result.folder
    assert {"trial.csv", "trial.pdf", "trial.svg", "trial.png"} < set(os.listdir(folder))
    summary = summary_of(open_run(folder))
    first = summary.candidates[0]
    (at_work,) = result.verdicts[result.verdicts["exposure_min"] == 2].to_dict("records")
    assert (first.treatment, first.residue) == (GEL, at_work["verdict"])
    assert first.detection_limit == pytest.approx(at_work["detection_limit"], rel=1e-6)
    assert first.standing == "no veto"
    others = [one for one in summary.candidates if one.treatment != GEL]
    assert {one.residue for one in others} == {"not measured"}
    assert all(one.standing != "no veto" for one in others)
    written = pd.read_csv(folder / "trial.csv")
    assert list(written["treatment"]) == [one.treatment for one in summary.candidates]
    assert list(written["standing"]) == [one.standing for one in summary.candidates]
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert 'id="trial"' in page
    assert "VETOED: pigment picked up" in page
    assert "safety data sheet" in page
    assert result.provenance["inputs"]["trial.csv"] == warm_study.snapshot()["trial.csv"][1]
    check_folder(folder)
    table.write_text(table.read_text("utf-8") + f"{GEL},late,x\n", encoding="utf-8")
    with pytest.raises(StudyError, match=r"trial\.csv: found a file whose content has changed"):
        check_folder(folder)


def test_the_same_trial_gives_the_same_bytes(tmp_path, warm_study):
    from residuekit.trial import read_trial, summarise, write_trial

    table = warm_study.folder / "trial.csv"
    table.write_text(table_text(rows_for(warm_study)), encoding="utf-8")
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        write_trial(summarise(read_trial(table)), tmp_path / name)
    for name in ("trial.csv", "trial.pdf", "trial.svg", "trial.png"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
