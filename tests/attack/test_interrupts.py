"""Ctrl-C stops a command, wherever it falls; what is written follows the umask."""

from __future__ import annotations

import os
import signal
import stat
import threading
import time

import numpy as np
import pytest

from residuekit import io
from residuekit.cli import main
from residuekit.errors import ResiduekitError
from residuekit.schema import make_points
from residuekit.study import work
from residuekit.study.cache import Cache
from residuekit.study.run_folder import new_run, point_to
from residuekit.study.template import new_study

posix = pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
pytestmark = pytest.mark.usefixtures("without_pictures")


@pytest.fixture(autouse=True)
def heard():
    """A shell that starts the tests in the background has them ignore Ctrl-C."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


class Dying:
    """An object in whose destructor the signal falls."""

    def __del__(self):
        signal.raise_signal(signal.SIGINT)
        time.sleep(0)


def in_a_destructor():
    Dying()
    for _ in range(500):
        time.sleep(0.01)
    raise RuntimeError("the signal did not come again")


def taken_for_an_error():
    """As a library with a bare `except:` does."""
    try:
        signal.raise_signal(signal.SIGINT)
    except BaseException as problem:
        raise ResiduekitError([]) from problem


@posix
@pytest.mark.parametrize("how", [in_a_destructor, taken_for_an_error])
def test_an_interrupt_that_is_dropped_stops_all_the_same(study, monkeypatch, capsys, how):
    calls, perform = [], work.perform

    def interrupted(task):
        calls.append(task.row.file)
        try:
            if len(calls) == 2:
                how()
        except ResiduekitError as problem:
            return work.Outcome(failure=repr(problem))
        return perform(task)

    monkeypatch.setattr(work, "perform", interrupted)
    assert main(["run", str(study.folder)]) == 130
    assert len(calls) == 2
    assert "Stopped" in capsys.readouterr().err
    assert os.listdir(study.folder / "runs") == [".cache"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@posix
def test_an_interrupt_leaves_the_tasks_that_no_worker_has_begun(study, monkeypatch):
    """Two of fifteen are at work; the others are not waited for."""
    begun = []

    class Pool(work.ThreadPoolExecutor):
        def __init__(self, workers, *_given):
            super().__init__(workers)

    def slow(task):
        begun.append(task.row.file)
        if len(begun) == 2:
            threading.Timer(0.1, signal.raise_signal, (signal.SIGINT,)).start()
        time.sleep(0.5)
        return work.Outcome(failure="late")

    monkeypatch.setattr(work, "ProcessPoolExecutor", Pool)
    monkeypatch.setattr(work, "perform", slow)
    assert main(["run", str(study.folder), "--workers", "2"]) == 130
    assert len(begun) <= 4


@posix
@pytest.mark.parametrize(("umask", "mode"), [(0o077, 0o700), (0o027, 0o750)])
def test_what_is_made_follows_the_umask(study, tmp_path, umask, mode):
    before = os.umask(umask)
    try:
        new_study(tmp_path / "new")
        with new_run(study.folder) as part:
            made = [part]
            Cache(study.folder / "runs" / ".cache").keep("a", {"x": np.arange(3)})
            point_to(study.folder / "runs", "none")
            io.write(make_points([0.5, 0.25], [1000, 1010]), part / "a.nc")
            made += [*(study.folder / "runs").rglob("*"), *(tmp_path / "new").rglob("*")]
            modes = {stat.S_IMODE(path.stat().st_mode) for path in made}
    finally:
        os.umask(before)
    assert len(made) > 15
    assert modes == {mode, mode & 0o666}
