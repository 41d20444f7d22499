"""Killed, full, replaced, broken: it is said, the rest is done, the next run completes it."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from residuekit.cli import main
from residuekit.results import TABLES, open_run

FULL = """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]),) * 2)
from residuekit.cli import main
sys.exit(main(["run", sys.argv[2]]))
"""
posix = pytest.mark.skipif(os.name != "posix", reason="signals and limits of POSIX")


@pytest.fixture
def warm_study(warm_study, finished):
    """The study with all that the earlier run has kept."""
    kept = Path("runs") / ".cache"
    shutil.copytree(finished.study.folder / kept, warm_study.folder / kept, dirs_exist_ok=True)
    return warm_study


def left_in(study):
    return sorted(set(os.listdir(study.folder / "runs")) - {".cache"})


def completes(study, finished):
    result = study.run()
    assert left_in(study) == [result.folder.name, "latest"]
    for name in TABLES:
        table = f"{name}.csv"
        assert (result.folder / table).read_bytes() == (finished.result.folder / table).read_bytes()
    return result


@posix
@pytest.mark.usefixtures("without_pictures")
def test_a_run_that_is_killed_leaves_no_run_and_is_taken_up_again(study, finished, monkeypatch):
    from residuekit.study import work

    kept = study.folder / "runs" / ".cache"
    looked_through = len(list((study.folder / "data").iterdir()))
    with subprocess.Popen(
        [sys.executable, "-m", "residuekit", "run", str(study.folder)],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    ) as process:  # fmt: skip
        while process.poll() is None and len(list(kept.glob("*.npz"))) < looked_through + 10:
            time.sleep(0.002)
        process.send_signal(signal.SIGKILL)
    assert process.returncode == -signal.SIGKILL
    assert all(name.startswith(".writing-") for name in left_in(study))
    files, perform = [], work.perform

    def counted(task):
        files.append(task.row.file)
        return perform(task)

    monkeypatch.setattr(work, "perform", counted)
    completes(study, finished)
    assert files
    assert not set(study.files("reference")) & set(files)


@posix
def test_a_run_that_goes_on_elsewhere_is_not_swept_away(study):
    from residuekit.study.run_folder import new_run

    with new_run(study.folder) as first:
        with new_run(study.folder) as second:
            assert first.is_dir()
            assert second != first
        assert first.is_dir()
    assert left_in(study) == []


@posix
@pytest.mark.parametrize("size", [2000, 60000])
@pytest.mark.usefixtures("without_pictures")
def test_a_full_disk_is_said_and_leaves_nothing_half_written(study, finished, size):
    done = subprocess.run(
        [sys.executable, "-c", FULL, str(size), str(study.folder)],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 1, done.stderr
    assert "cannot be written" in done.stderr
    assert "Traceback" not in done.stderr
    assert left_in(study) == []
    completes(study, finished)


@pytest.mark.usefixtures("without_pictures")
def test_no_space_in_the_cache_is_said(study, monkeypatch):
    def full(*_given, **_more):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("numpy.savez", full)
    assert main(["run", str(study.folder)]) == 1
    assert left_in(study) == []
    assert not list((study.folder / "runs" / ".cache").iterdir())


@pytest.mark.usefixtures("without_pictures")
@pytest.mark.parametrize("large", [False, True])
def test_a_map_that_is_replaced_while_the_study_runs(study, finished, monkeypatch, large):
    """A large one is not summed as it is read, but before and after."""
    from residuekit.io import checksum
    from residuekit.study import work

    monkeypatch.setattr(checksum, "_is_settled", lambda _mark: True)
    if large:
        monkeypatch.setattr(checksum, "SMALL_FILE", 0)
    victim = study.files("exposed", exposure_min="2")[0]
    path = study.folder / victim
    content, perform = path.read_bytes(), work.perform

    def replaced(task):
        if task.row.file == victim:
            path.write_bytes((study.folder / study.files("blank")[0]).read_bytes())
        return perform(task)

    with monkeypatch.context() as patch:
        patch.setattr(work, "perform", replaced)
        patch.setattr(work.Held, "hold", lambda *_: False)  # read again, as a worker does
        result = study.run()
    assert list(result.failures) == [victim]
    assert "replaced while the study ran" in result.failures[victim]
    assert result.verdicts.set_index("exposure_min").loc[60.0, "verdict"] == "detected"
    path.write_bytes(content)
    again = study.run()
    assert again.failures == {}
    assert dict(again.verdicts["verdict"]) == dict(finished.result.verdicts["verdict"])


@pytest.mark.usefixtures("without_pictures")
def test_a_broken_map_among_good_ones_is_completed_once_it_is_mended(
    warm_study, finished, monkeypatch
):
    from residuekit.study import work

    broken = warm_study.files("exposed", exposure_min="2")[1]
    path = warm_study.folder / broken
    content = path.read_bytes()
    path.write_bytes(content[: len(content) // 2])
    assert list(warm_study.run().failures) == [broken]
    path.write_bytes(content)
    files, perform = [], work.perform

    def counted(task):
        files.append(task.row.file)
        return perform(task)

    monkeypatch.setattr(work, "perform", counted)
    mended = warm_study.run()
    assert files == [broken]
    assert "inconclusive -> not detected" in mended.changes
    assert list(mended.verdicts["verdict"]) == list(finished.result.verdicts["verdict"])


@posix
@pytest.mark.skipif(os.name == "posix" and os.geteuid() == 0, reason="root writes anywhere")
def test_a_folder_of_runs_that_cannot_be_written_keeps_the_last_run(warm_study, capsys):
    runs = warm_study.folder / "runs"
    (runs / "latest").write_text("none\n", encoding="utf-8")
    runs.chmod(0o555)
    try:
        assert main(["run", str(warm_study.folder)]) == 1
    finally:
        runs.chmod(0o755)
    assert "a study folder you may write" in capsys.readouterr().err
    assert left_in(warm_study) == ["latest"]


@pytest.mark.parametrize("refused", ["pathlib.Path.mkdir", "pathlib.Path.rename", "os.replace"])
@pytest.mark.usefixtures("without_pictures")
def test_a_folder_that_refuses_to_be_written_is_said_and_the_next_run_completes(
    warm_study, finished, monkeypatch, capsys, refused
):
    """At the first write, when the run is moved in, when it is named the latest; as root too."""

    def no(*_given, **_more):
        raise PermissionError(13, "Permission denied")

    with monkeypatch.context() as patch:
        patch.setattr(refused, no)
        assert main(["run", str(warm_study.folder)]) == 1
    said = capsys.readouterr().err
    assert "Permission denied" in said
    assert "a study folder you may write" in said
    left = left_in(warm_study)
    assert "latest" not in left
    assert not [name for name in left if name.startswith(".")]
    for name in left:
        assert open_run(warm_study.folder / "runs" / name).failures == {}
        shutil.rmtree(warm_study.folder / "runs" / name)
    completes(warm_study, finished)


@posix
@pytest.mark.usefixtures("without_pictures")
def test_the_cache_is_not_swept_while_another_run_goes_on(warm_study):
    from residuekit.study.run_folder import new_run

    cache = warm_study.folder / "runs" / ".cache"
    others = [cache / "of-another-run.npz", cache / ".being-written.part"]
    for path in others:
        path.write_bytes(b"in use")
    with new_run(warm_study.folder):
        warm_study.run()
        assert all(path.exists() for path in others)
    warm_study.run()
    assert not any(path.exists() for path in others)


@pytest.mark.usefixtures("without_pictures")
def test_a_last_run_that_cannot_be_read_is_passed_over(warm_study):
    first = warm_study.run()
    (first.folder / "provenance.json").write_text("{", encoding="utf-8")
    second = warm_study.run()
    assert "first run" in second.changes
    assert open_run(warm_study.folder).folder == second.folder
