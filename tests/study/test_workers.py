"""Local processes, and a cluster in another process: the same tables; a dead worker is survived."""

from __future__ import annotations

import os
import pickle
import shutil
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from threadpoolctl import threadpool_info

from residuekit.errors import StudyError
from residuekit.figures import write_figure
from residuekit.io import checksum
from residuekit.kernels import netsignal
from residuekit.results import TABLES
from residuekit.spectra.arrays import valid_spectra
from residuekit.study import Study, work
from residuekit.study.work import Task, Workers

CLUSTER = """
from distributed import LocalCluster
with LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as cluster:
    print(cluster.scheduler_address, flush=True)
    input()
"""


def same(result, finished, folder=None):
    """The same bytes in tables and score maps; with a folder to draw in, in figure.json too."""
    ours, theirs = result.folder, finished.result.folder
    names = [f"{name}.csv" for name in TABLES] + [
        f"maps/{name}" for name in os.listdir(ours / "maps")
    ]
    for name in names:
        assert (ours / name).read_bytes() == (theirs / name).read_bytes(), name
    if folder is not None:
        drawn = []
        for place, run in (("ours", result), ("theirs", finished.result)):
            (folder / place).mkdir()
            write_figure(run, folder / place)
            drawn.append((folder / place / "figure.json").read_bytes())
        assert drawn[0] == drawn[1]
        assert b"not_drawn" not in drawn[0]


@pytest.fixture
def idle(study, monkeypatch):
    """This process sums no exposed file and no scatter."""
    digest, exposed = checksum._digest, {study.folder / name for name in study.files("exposed")}

    def not_of_exposed(path):
        assert path not in exposed
        return digest(path)

    def refused(*_given):
        raise AssertionError("the scatter of a map")

    monkeypatch.setattr(checksum, "_digest", not_of_exposed)
    monkeypatch.setattr(netsignal, "scatter", refused)


@pytest.mark.usefixtures("without_pictures", "idle")
def test_two_processes_are_started_once_and_give_the_same_results(
    study, finished, monkeypatch, tmp_path
):
    done, started, pool = [], [], work.ProcessPoolExecutor
    monkeypatch.setattr(
        work, "ProcessPoolExecutor", lambda *given: started.append(given[0]) or pool(*given)
    )
    result = Study.open(study.folder).run(lambda *given: done.append(given), workers=2)
    same(result, finished, tmp_path)
    assert started == [2]
    assert max(done)[0] == len(study.rows())
    assert len(result.maps()) == len(finished.result.maps())


@pytest.mark.usefixtures("without_pictures", "idle")
def test_a_cluster_in_another_process_gives_the_same_results(study, finished, tmp_path):
    pytest.importorskip("distributed")
    with subprocess.Popen(
        [sys.executable, "-c", CLUSTER], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL, text=True,
    ) as cluster:  # fmt: skip
        address = cluster.stdout.readline().strip()
        try:
            result = Study.open(study.folder).run(scheduler=address)
        finally:
            cluster.stdin.write("\n")
            cluster.stdin.flush()
            cluster.wait(60)
    same(result, finished, tmp_path)


def test_an_address_without_a_scheduler_is_refused(study, monkeypatch):
    distributed = pytest.importorskip("distributed")

    def nobody(address, **_given):
        raise OSError(f"timed out: {address}")

    monkeypatch.setattr(distributed, "Client", nobody)
    with pytest.raises(StudyError, match="no scheduler at"):
        Study.open(study.folder).run(scheduler="tcp://127.0.0.1:1")
    assert not [name for name in os.listdir(study.folder / "runs") if name != ".cache"]


def test_a_run_computes_on_one_thread_wherever_linear_algebra_is_done(study, monkeypatch):
    """On two its sums have another order, and the ninth digit another value."""
    seen = []

    def threads(*_given):
        seen.extend(one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas")
        raise KeyboardInterrupt

    monkeypatch.setattr("residuekit.study.run.run_study", threads)
    with pytest.raises(KeyboardInterrupt):
        Study.open(study.folder).run()
    assert seen
    assert set(seen) == {1}


def test_a_small_array_is_held_while_there_is_room_and_a_large_one_never():
    small, large = (xr.DataArray(np.zeros(n)) for n in (2**10, 2**20))
    held = work.Held(3 * small.nbytes // 2 + large.nbytes)
    assert held.hold("large", large) is False
    assert held.look("large") is None
    assert held.hold("small", small)
    assert held.give("small") is small
    assert pickle.loads(pickle.dumps(held)).hold("small", small) is False


class _Deadly(dict):
    """Kills the process that unpacks it, as want of memory would."""

    def __reduce__(self):
        return os._exit, (9,)


@pytest.fixture
def tasks(study, tmp_path):
    """Three blanks, of which the second kills the process that unpacks it."""
    manifest = Study.open(study.folder).manifest
    tasks = [
        Task(manifest.folder, row, manifest.procedure, {}, study.snapshot()[row.file][1], "key",
             tmp_path / f"{row.line}.nc")
        for row in manifest.of_role("blank")[:3]
    ]  # fmt: skip
    tasks[1] = replace(tasks[1], quality=_Deadly())
    return tasks


def test_a_worker_that_dies_costs_its_own_file_alone(tasks):
    with Workers(2) as two:
        outcomes = {task.row.file: outcome for task, outcome in two.perform(tasks)}
    assert [outcomes[task.row.file].failure for task in tasks] == [
        "", "the process that read it died", "",
    ]  # fmt: skip
    assert outcomes[tasks[0].row.file].summary.n_pixels == 64


def test_what_a_dead_worker_leaves_in_turn_is_done_by_the_process_that_started_it(tasks):
    with Workers(2) as two:
        found = list(two.in_turn(tasks, work.scatter_within))
    assert [work.is_stored(task) for task in tasks] == [True] * 3
    for task, one in zip(tasks, found, strict=True):
        own = netsignal.scatter(valid_spectra(work.stored(task)))
        assert one.products.tobytes() == own.products.tobytes()
        assert one.mean.tobytes() == own.mean.tobytes()


def test_in_turn_few_tasks_are_begun_before_they_are_asked_for(monkeypatch):
    begun = []

    class Pool(work.ThreadPoolExecutor):
        def __init__(self, workers, *_given):
            super().__init__(workers)

        def submit(self, call, task):
            begun.append(task)
            return super().submit(call, task)

    monkeypatch.setattr(work, "ProcessPoolExecutor", Pool)
    with Workers(2) as two:
        found = two.in_turn(range(20), lambda number: -number)
        assert next(found) == 0
        assert begun == [0, 1, 2, 3]
        assert list(found) == [-number for number in range(1, 20)]
    assert begun == list(range(20))


def test_a_fault_in_turn_is_an_outcome(tasks):
    lost = replace(tasks[0], sha256="another")
    with Workers(2) as two:
        found = [next(who.in_turn([lost], work.scatter_within)) for who in (two, Workers())]
    assert found[0] == found[1]
    assert "replaced while the study ran" in found[0].failure


@pytest.mark.usefixtures("without_pictures")
def test_a_run_with_a_dead_worker_does_the_rest_and_the_next_completes_it(
    warm_study, finished, monkeypatch
):
    """The cache is empty for the clean arm, whose first file kills its process."""
    victim = warm_study.files("exposed", exposure_min="2")[0]
    shutil.rmtree(warm_study.folder / "runs" / ".cache")

    whole = Workers.perform

    def deadly(self, tasks, *job):
        return whole(
            self,
            [replace(t, quality=_Deadly()) if t.row.file == victim else t for t in tasks],
            *job,
        )

    with monkeypatch.context() as patch:
        patch.setattr(Workers, "perform", deadly)
        result = Study.open(warm_study.folder).run(workers=2)
    assert dict(result.failures) == {victim: "the process that read it died"}
    rows = result.verdicts.set_index("exposure_min")
    assert rows.loc[60.0, "verdict"] == "detected"
    assert rows.loc[2.0, "n_mockups"] == 2
    assert f"Left out: {victim}" in rows.loc[2.0, "reason"]
    left = set(os.listdir(warm_study.folder / "runs"))
    assert left == {".cache", "latest", result.folder.name}
    again = warm_study.run()
    assert again.failures == {}
    same(again, finished)
