"""Many files, one after the other, in local processes or on a cluster: the same function."""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import (
    Executor,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    as_completed,
)
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from multiprocessing import active_children, get_context
from pathlib import Path
from typing import Any

import xarray as xr

from ..decision.scores import Score
from ..errors import Fault, ResiduekitError, StudyError
from ..io.netcdf import load_own, write_own
from ..spectra.procedure import Procedure
from .measure import map_tail, measure, score_map
from .measurements import Measurement
from .mockups import MapSummary
from .pixel_pairs import difference_map

_RESTARTS = 3
#: Bytes of arrays that this process holds for a second look.
MOST_HELD = 96 * 2**20
#: Bytes of an array that are given back to the system at once, and that are kept when given back.
_LARGE, _MOST_FREE = 2**25, 2**27


class Held:
    """Arrays that wait in this process for a second look, as long as they are few bytes.

    In another process there are none, and no room for any.
    """

    def __init__(self, room: int = 0):
        self._arrays: dict[Any, Any] = {}
        self._room = room

    def __reduce__(self) -> tuple[Any, ...]:
        return Held, ()

    def hold(self, key: Any, array: xr.DataArray | xr.Dataset) -> bool:
        """Keep an array if there is room for it."""
        fits = array.nbytes <= self._room
        if fits:
            self._arrays[key] = array
            self._room -= array.nbytes
        return fits

    def look(self, key: Any) -> Any:
        """The array that is held, if it is."""
        return self._arrays.get(key)

    def give(self, key: Any) -> Any:
        """The array that was held, if it was; there is room in its place."""
        array = self._arrays.pop(key, None)
        self._room += 0 if array is None else array.nbytes
        return array


@dataclass(frozen=True)
class Task:
    """One file to process: where its processed map is kept, by what it is scored, where the score
    map goes, and what waits in memory; `before`, the map whose pixels are taken off first."""

    folder: Path
    row: Measurement
    procedure: Procedure
    quality: Mapping[str, Any]
    sha256: str
    key: str
    stored: Path
    channels: tuple[float, ...] = ()
    keep: bool = False
    scores: tuple[Score, ...] = ()
    map_path: Path | None = None
    before: Task | None = None
    held: Held = field(default_factory=Held, compare=False)


@dataclass(frozen=True)
class Outcome:
    """What came of a task: the summary, unless the processed map was at hand; the tails of the
    score map; or why there is neither; `apart`, why no difference was taken."""

    summary: MapSummary | None = None
    tails: dict[str, tuple[float, float]] | None = None
    failure: str = ""
    apart: str = ""


def perform(task: Task) -> Outcome:
    """Process one file and score it; a fault of the file is an outcome, not an error."""
    try:
        summary, array = _processed(task)
        before = None if task.before is None else _processed(task.before)[1]
    except ResiduekitError as problem:
        return Outcome(failure=str(problem))
    if task.map_path is None or (summary is not None and summary.quality["failed"]):
        return Outcome(summary)
    if before is None:
        scored = score_map(array, task.row, task.scores)
    else:
        made = difference_map(array, before, task.row, task.scores)
        if isinstance(made, str):
            return Outcome(summary, apart=made)
        scored = made
    write_own(scored, task.map_path)
    task.held.hold(task.map_path, scored)
    return Outcome(summary, map_tail(scored))


def stored(task: Task) -> xr.DataArray | None:
    """The processed array of a task that was kept for a second look, in memory or on the disk."""
    held: xr.DataArray | None = task.held.look(task.stored)
    if held is not None:
        return held
    if not task.stored.is_file():
        return None
    whole = load_own(task.stored)
    array: xr.DataArray = whole[next(iter(whole.data_vars))]
    return array


def _processed(task: Task) -> tuple[MapSummary | None, xr.DataArray]:
    kept = stored(task)
    if kept is not None:
        return None, kept
    summary, array = measure(
        task.folder, task.row, task.procedure, task.quality, task.sha256, task.key, task.channels,
        task.held.give(task.row.file),
    )  # fmt: skip
    if task.keep and not task.held.hold(task.stored, array):
        write_own(array.to_dataset(), task.stored)
    return summary, array


def perform_all(
    tasks: Sequence[Task], workers: int = 1, scheduler: str | None = None
) -> Iterator[tuple[Task, Outcome]]:
    """Perform every task once, in any order: here, in `workers` local processes, or on the
    dask.distributed cluster at `scheduler`, which must see the study under the same path."""
    if scheduler is not None:
        with _cluster(scheduler) as executor:
            yield from _gather(executor, tasks, _apart)
    elif workers > 1 and len(tasks) > 1:
        yield from _in_processes(tasks, workers)
    else:
        for task in tasks:
            yield task, perform(task)


@contextmanager
def one_thread() -> Iterator[None]:
    """Let linear algebra use one thread meanwhile: its sums then have one order on every machine
    of a kind, whatever the number of its cores."""
    import scipy.linalg  # noqa: F401 - what is not loaded yet cannot be limited
    from threadpoolctl import threadpool_limits

    _keep_memory()
    with threadpool_limits(1, user_api="blas"):
        yield


def _keep_memory() -> None:
    """Let glibc keep what arrays give back for the next ones: fetched anew, page by page, those of
    a map of some hundred spectra take up to twice the time."""
    import ctypes

    trim_threshold, mmap_threshold = -1, -3  # M_TRIM_THRESHOLD, M_MMAP_THRESHOLD of <malloc.h>
    with suppress(AttributeError, OSError, TypeError):  # another library, another system
        mallopt = ctypes.CDLL(None).mallopt
        mallopt(mmap_threshold, _LARGE)
        mallopt(trim_threshold, _MOST_FREE)


def _apart(task: Task) -> Outcome:
    """Perform a task in a thread of its own: in that of a cluster's worker, xarray would ask the
    scheduler for a lock on every file."""
    with one_thread(), ThreadPoolExecutor(1) as own:
        return own.submit(perform, task).result()


def _gather(
    executor: Executor, tasks: Iterable[Task], call: Callable[[Task], Outcome] = perform
) -> Iterator[tuple[Task, Outcome]]:
    futures = {executor.submit(call, task): task for task in tasks}
    for future in as_completed(futures):
        problem = future.exception()
        if isinstance(problem, BrokenProcessPool):
            continue
        if isinstance(problem, OSError | KeyboardInterrupt):
            raise problem
        outcome = (
            future.result()
            if problem is None
            else Outcome(failure=f"the worker that had it failed: {problem!r}"[:500])
        )
        yield futures[future], outcome


def _in_processes(tasks: Sequence[Task], workers: int) -> Iterator[tuple[Task, Outcome]]:
    """Start the processes anew when one dies; a file that kills its process alone is given up."""
    left = list(tasks)
    for _ in range(_RESTARTS):
        for task, outcome in _one_pool(left, workers):
            left.remove(task)
            yield task, outcome
        if not left:
            return
    for task in left:
        alone = list(_one_pool([task], 1))
        yield alone[0] if alone else (task, Outcome(failure="the process that read it died"))


def _one_pool(tasks: Sequence[Task], workers: int) -> Iterator[tuple[Task, Outcome]]:
    others = set(active_children())
    with (
        _one_thread_each(),
        ProcessPoolExecutor(
            workers, get_context("spawn"), signal.signal, (signal.SIGINT, signal.SIG_IGN)
        ) as pool,
    ):
        try:
            yield from _gather(pool, list(tasks))
        except BrokenProcessPool:
            return
        except BaseException:  # an interrupt above all: what is not done is left
            for child in set(active_children()) - others:
                child.terminate()
            pool.shutdown(wait=False, cancel_futures=True)
            raise


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Let processes that start now use one thread for linear algebra, for they share the cores, and
    keep memory as `_keep_memory` does."""
    given = dict.fromkeys(("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"), "1")
    given |= {"MALLOC_MMAP_THRESHOLD_": str(_LARGE), "MALLOC_TRIM_THRESHOLD_": str(_MOST_FREE)}
    before = {name: os.environ.get(name) for name in given}
    os.environ.update(given)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


@contextmanager
def _cluster(address: str) -> Iterator[Any]:
    try:
        from distributed import Client
    except ImportError as problem:
        raise StudyError(
            Fault(
                f"--scheduler {address} without dask.distributed",
                "the extra 'cluster'",
                'python -m pip install "residuekit[cluster]"',
            )
        ) from problem
    try:
        client = Client(address, timeout="20s", set_as_default=False)
    except (OSError, ValueError) as problem:
        raise StudyError(
            Fault(
                f"no scheduler at {address!r} ({problem})",
                "the address of a running dask.distributed scheduler",
                "--scheduler tcp://HOST:PORT",
            )
        ) from problem
    try:
        yield client.get_executor(pure=False)
    finally:
        client.close()
