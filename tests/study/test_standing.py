"""Run again with nothing changed: said, and no new folder. And what a run would compute."""

from __future__ import annotations

import re
import shutil

import numpy as np
import pytest

from residuekit import Study, check_folder, io
from residuekit.cli import main
from residuekit.errors import StudyError
from residuekit.study.how_read import read_row_aloud

pytestmark = pytest.mark.usefixtures("without_pictures")


def runs(study):
    return sorted(path.name for path in (study.folder / "runs").glob("2*Z*"))


@pytest.fixture(scope="module")
def _ran(finished, tmp_path_factory):
    folder = tmp_path_factory.mktemp("ran") / "study"
    shutil.copytree(finished.study.folder, folder)
    return folder


@pytest.fixture
def ran(_ran, finished, tmp_path):
    """A copy of the small study with its finished run."""
    return type(finished.study)(shutil.copytree(_ran, tmp_path / "ran"))


def standing(study):
    return Study.open(study.folder).standing()


def test_nothing_changed_is_said_and_makes_no_folder(ran, capsys):
    before = ran.snapshot()
    assert main(["run", str(ran.folder)]) == 0
    said = capsys.readouterr().out
    assert re.search(r"Nothing changed since 20\d\d-\d\d-\d\d \d\d:\d\d:\d\d UTC; --again", said)
    assert "DETECTED" in said
    assert ran.snapshot() == before


def test_again_makes_it_anew(ran):
    before = runs(ran)
    assert main(["run", str(ran.folder), "--again"]) == 0
    assert len(runs(ran)) == len(before) + 1
    assert standing(ran).folder.name not in before


def _another_input(study, _):
    array = io.read(study.folder / study.files("exposed")[0])
    io.write(array.assign_attrs(note="measured again"), study.folder / study.files("exposed")[0])


def _a_setting(study, _):
    study.edit("acceptance_limit_ug_cm2 = ", "acceptance_limit_ug_cm2 = 1")


def _an_edited_table(study, _):
    path = study.folder / "runs" / runs(study)[-1] / "verdicts.csv"
    path.write_text(path.read_text("utf-8").replace("detected", "not detected"), "utf-8")


def _a_lost_map(study, _):
    next((study.folder / "runs" / runs(study)[-1] / "maps").iterdir()).unlink()


def _other_code(_, monkeypatch):
    monkeypatch.setattr("residuekit.study.standing.whole_version", lambda: "another")


def _another_library(_, monkeypatch):
    monkeypatch.setattr("residuekit.study.standing.versions", lambda: {"numpy": "another"})


def _another_user(study, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(study.folder.parent / "state"))


def _no_cache(study, _):
    shutil.rmtree(study.folder / "runs" / ".cache")


@pytest.mark.parametrize(
    "change",
    [_another_input, _a_setting, _an_edited_table, _a_lost_map, _other_code, _another_library,
     _another_user, _no_cache],
)  # fmt: skip
def test_a_run_stands_only_as_long_as_nothing_changes(ran, monkeypatch, change):
    assert standing(ran) is not None
    change(ran, monkeypatch)
    assert standing(ran) is None


def test_executed_notebooks_are_the_users(ran):
    """A run with other notebooks beside it stands."""
    below = ran.folder / "runs" / runs(ran)[-1] / "notebooks"
    below.mkdir()
    (below / "01.ipynb").write_text("{}", "utf-8")
    assert standing(ran) is not None


def test_dry_says_what_would_be_computed_and_writes_nothing(ran, capsys):
    exposed, blank = ran.files("exposed")[0], ran.files("blank")[0]
    assert main(["run", str(ran.folder), "--dry"]) == 0
    assert "would compute nothing" in capsys.readouterr().out
    assert main(["run", str(ran.folder), "--dry", "--again"]) == 0
    said = capsys.readouterr().out
    assert re.search(r"would read 0 of \d+ files:\n  none: what they gave is kept", said)
    _another_input(ran, None)
    before = ran.snapshot()
    assert main(["run", str(ran.folder), "--dry"]) == 0
    said = capsys.readouterr().out
    assert re.search(r"would read 1 of \d+ files:\n  1 file changed: " + re.escape(exposed), said)
    assert re.search(r"About \d+ s: \d+ for the files, by one that was tried, and \d+", said)
    assert ran.snapshot() == before
    array = io.read(ran.folder / blank)
    io.write(array.assign_attrs(note="measured again"), ran.folder / blank)
    said = Study.open(ran.folder).foreseen()
    assert "2 files changed" in said
    assert "scored again, since controls of the same paint are" in said


def test_dry_of_a_study_that_never_ran(study):
    before = study.snapshot()
    said = Study.open(study.folder).foreseen()
    n = len(study.rows())
    assert f"would read {n} of {n} files:\n  {n} files new: " in said
    assert "the rest is not known" in said
    assert study.snapshot() == before


def test_dry_names_the_cause(ran, monkeypatch):
    ran.edit('{step = "crop", low = 910, high = 1840},', '{step = "crop", low = 920, high = 1840},')
    assert "under another procedure than before" in Study.open(ran.folder).foreseen()
    monkeypatch.setattr("residuekit.study.cache.code_version", lambda: "another")
    monkeypatch.setattr("residuekit.study.foreseen.code_version", lambda: "another")
    assert "computed by another version of residuekit" in Study.open(ran.folder).foreseen()


def _read_by_check(monkeypatch):
    """The files that a check looks through, as it goes on."""
    seen = []

    def read(folder, row):
        seen.append(row.file)
        return read_row_aloud(folder, row)

    monkeypatch.setattr("residuekit.study.inspect.read_row_aloud", read)
    return seen


def test_check_says_the_same_of_files_that_a_run_has_measured_and_reads_none(ran, monkeypatch):
    seen, before = _read_by_check(monkeypatch), ran.snapshot()
    said = check_folder(ran.folder)
    assert not seen
    assert ran.snapshot() == before
    shutil.rmtree(ran.folder / "runs" / ".cache")
    assert check_folder(ran.folder) == said
    assert len(seen) == len(ran.rows())


def test_check_reads_the_file_that_has_changed_and_all_under_another_procedure(ran, monkeypatch):
    seen = _read_by_check(monkeypatch)
    _another_input(ran, None)
    check_folder(ran.folder)
    assert seen == [ran.files("exposed")[0]]
    seen.clear()
    ran.edit('{step = "crop", low = 910, high = 1840},', '{step = "crop", low = 920, high = 1840},')
    check_folder(ran.folder)
    assert len(seen) == len(ran.rows())


def test_check_refuses_a_file_that_a_run_has_left_out_as_unfit(ran, monkeypatch):
    path = ran.folder / ran.files("exposed")[0]
    array = io.read(path)
    io.write(array.copy(data=np.full_like(array.values, 0.1)), path)
    with pytest.raises(StudyError, match="not fit to be judged"):
        check_folder(ran.folder)
    main(["run", str(ran.folder)])
    seen = _read_by_check(monkeypatch)
    with pytest.raises(StudyError, match="not fit to be judged"):
        check_folder(ran.folder)
    assert seen == [ran.files("exposed")[0]]
