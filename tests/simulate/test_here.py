"""A notebook works on the study it lies in, else on an invented one, and says which."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from residuekit.errors import StudyError
from residuekit.results import open_run
from residuekit.simulate import here, result_here, study_here
from residuekit.study.template import new_study

pytestmark = pytest.mark.usefixtures("without_pictures")


@pytest.fixture
def copy(finished, tmp_path):
    """A copy of the small study with its run and all that it has kept."""
    return Path(shutil.copytree(finished.study.folder, tmp_path / "study"))


@pytest.fixture
def invented(monkeypatch):
    """Instead of an invented study, its name."""
    monkeypatch.setattr(here, "_invented", lambda example: (Path(example), {"invented": True}))


@pytest.mark.usefixtures("invented")
def test_the_named_study_comes_first_then_the_one_around(copy, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert study_here() == (Path("demo"), {"invented": True})
    assert study_here(str(copy)) == (copy, None)
    (copy / "notebooks").mkdir()
    for place in (copy, copy / "notebooks"):
        monkeypatch.chdir(place)
        capsys.readouterr()
        folder, truth = study_here()
        assert truth is None
        assert os.path.samefile(folder, copy)
        assert "study" in capsys.readouterr().out
    with pytest.raises(StudyError, match="no folder 'elsewhere'"):
        study_here("elsewhere")


@pytest.mark.usefixtures("invented")
def test_a_study_without_rows_counts_as_none_and_a_broken_one_does_not(
    tmp_path, monkeypatch, capsys
):
    folder = new_study(tmp_path / "new")
    monkeypatch.chdir(folder / "notebooks")
    assert study_here(example="ageing")[0] == Path("ageing")
    assert "has no rows yet" in capsys.readouterr().out
    (folder / "measurements.csv").write_text("file,rol\na,b\n", encoding="utf-8")
    assert study_here()[1] is None


def test_the_newest_run_is_opened_while_its_inputs_stand(copy, capsys):
    newest = open_run(copy).folder
    assert result_here(str(copy)).folder == newest
    assert result_here(run_folder=str(newest)).folder == newest
    settings = copy / "study.toml"
    settings.write_text(settings.read_text("utf-8") + "\n# a remark\n", encoding="utf-8")
    capsys.readouterr()
    again = result_here(str(copy)).folder
    assert again != newest
    assert "run again" in capsys.readouterr().out


def test_an_example_that_is_not_there_is_answered_with_the_nearest(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(StudyError, match="did you mean 'ageing'"):
        study_here(example="agein")


def test_the_examples_hold_what_their_notebooks_speak_of():
    from residuekit.simulate import ageing_design, ladder_design, paired_design, specimens

    ladder = [one for one in specimens(ladder_design()) if one.role == "exposed"]
    loaded = {one.arm.exposure_min for one in ladder if one.nominal_ug_cm2 > 0}
    assert loaded == {240.0, 960.0}
    ageing = [one for one in specimens(ageing_design()) if one.role == "exposed"]
    foreign = {(one.arm.exposure_min, one.ageing_h) for one in ageing if one.arm.foreign}
    assert foreign == {(2.0, 500.0)}
    assert {(one.arm.exposure_min, one.ageing_h) for one in ageing} == {
        (minutes, hours) for minutes in (2.0, 60.0) for hours in (0.0, 500.0)
    }
    paired = list(specimens(paired_design()))
    before = {one.name for one in paired if one.before}
    assert before == {one.name for one in paired if not one.before}
    loaded = {one.arm.exposure_min for one in paired if one.arm and one.nominal_ug_cm2 > 0}
    assert loaded == {60.0}
