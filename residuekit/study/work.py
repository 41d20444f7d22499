"""Many files, one after the other, in local processes or on a cluster: the same function."""

from __future__ import annotations

import signal
from collections import deque
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from concurrent.futures import (
    Executor,
    Future,
    ProcessPoolExecutor,
    ThreadPoolExecutor,
    as_completed,
)
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from functools import partial
from multiprocessing import active_children, get_context
from pathlib import Path
from typing import Any

import xarray as xr

from .. import io
from ..decision.scores import Score
from ..errors import Fault, ResiduekitError, StudyError
from ..io.netcdf import load_own, write_own
from ..kernels import netsignal
from ..spectra.arrays import valid_spectra
from ..spectra.procedure import Procedure
from .bad_channels import Asked
from .how_read import read_row_aloud
from .look import Look, look_at
from .measure import map_tail, measure, score_map
from .measurements import Measurement
from .mockups import MapSummary
from .pixel_pairs import difference_map
from .system import LARGE, one_thread, one_thread_each

_RESTARTS = 3
#: Results in turn that may wait in this process, one a worker and so many more, and at most.
_SPARE, _MOST_WAITING = 2, 16
#: Bytes of arrays that this process holds for a second look.
MOST_HELD = 96 * 2**20


class Held:
    """Small arrays that wait in this process for a second look, as long as they are few bytes: a
    large one is read again in less time than its share of the memory is worth.

    In another process there are none, and no room for any.
    """

    def __init__(self, room: int = 0):
        self._arrays: dict[Any, Any] = {}
        self._room = room

    def __reduce__(self) -> tuple[Any, ...]:
        return Held, ()

    def hold(self, key: Any, array: xr.DataArray | xr.Dataset) -> bool:
        """Keep an array if there is room for it."""
        fits = array.nbytes <= min(self._room, LARGE)
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


def look(task: Task, asked: Asked) -> Look | None:
    """How a file looks; None where it cannot be read, which is said when it is measured. It is then
    held for what follows."""
    try:
        with io.inside(task.folder):
            array, warned = read_row_aloud(task.folder, task.row)
        found = look_at(array, task.row, asked, warned)
    except (OSError, ResiduekitError):
        return None
    if not warned:
        task.held.hold(task.row.file, array)
    return found


def checksum(task: Task) -> str:
    """The SHA-256 of the file of a task; none where it cannot be read, which is said where its
    checksum is needed."""
    try:
        with io.inside(task.folder):
            return io.sha256(task.folder / task.row.path)
    except (OSError, ResiduekitError):
        return ""


def scatter_within(task: Task) -> netsignal.Scatter | Outcome:
    """The scatter within a map, which is then kept; a fault of the file is an outcome."""
    try:
        return netsignal.scatter(valid_spectra(_processed(replace(task, keep=True))[1]))
    except ResiduekitError as problem:
        return Outcome(failure=str(problem))


def is_stored(task: Task) -> bool:
    """Whether the processed array of a task was kept for a second look."""
    return task.held.look(task.stored) is not None or task.stored.is_file()


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


class Workers:
    """Who performs the tasks of a run: this process, so many local processes, or the
    dask.distributed cluster at `scheduler`, which must see the study under the same path.

    Processes, or the way to the cluster, are opened with the first tasks and kept to the end.
    """

    def __init__(self, processes: int = 1, scheduler: str | None = None):
        self._processes, self._scheduler = processes, scheduler
        self._open: tuple[int, ProcessPoolExecutor] | None = None
        self._client: Any = None
        self._others: set[Any] = set()

    def __enter__(self) -> Workers:
        return self

    def __exit__(self, *_: object) -> None:
        self._close()
        if self._client is not None:
            self._client.close()

    @property
    def here(self) -> bool:
        """Whether this process performs all itself."""
        return self._scheduler is None and self._processes < 2

    def perform(
        self, tasks: Iterable[Task], job: Callable[[Task], Any] | None = None
    ) -> Iterator[tuple[Task, Any]]:
        """Do a job (`perform`) once for every task, in any order: the task and what the job gives,
        or an `Outcome` with the failure where its process dies."""
        job = job or perform
        if self.here:
            for task in tasks:
                yield task, job(task)
        elif self._scheduler is not None:
            yield from _gather(self._cluster(), tasks, partial(_apart, job=job))
        else:
            yield from self._in_processes(list(tasks), job)

    def in_turn(self, tasks: Iterable[Task], job: Callable[[Task], Any]) -> Iterator[Any]:
        """What a job gives of every task, in their order; few are begun before they are asked for,
        so that few results are in memory. What a process leaves that dies is done in this one."""
        left = deque(tasks)
        if self._scheduler is not None:
            cluster = self._cluster()
            n = sum(self._client.nthreads().values())
            yield from _few_at_once(cluster, left, partial(_apart, job=job), n)
        elif not self.here:
            with suppress(BrokenProcessPool), self._opened(self._processes, left) as pool:
                yield from _few_at_once(pool, left, job, self._processes)
            if left:
                self._close()
        while left:
            yield job(left.popleft())

    def _cluster(self) -> Executor:
        assert self._scheduler is not None
        self._client = self._client or _client(self._scheduler)
        executor: Executor = self._client.get_executor(pure=False)
        return executor

    def _in_processes(
        self, left: list[Task], job: Callable[[Task], Any]
    ) -> Iterator[tuple[Task, Any]]:
        """Start the processes anew when one dies. What they had in hand then is done last and in
        turn, in a single process, which shows the file that kills it: that file is given up."""
        last: list[Task] = []
        for _ in range(_RESTARTS):
            yield from self._through(left, self._processes, job)
            if not left:
                break
            last += left[: self._processes]
            del left[: self._processes]
        left = last + left
        while left:
            yield from self._through(left, 1, job)
            if left:
                yield left.pop(0), Outcome(failure="the process that read it died")

    def _through(
        self, tasks: list[Task], processes: int, job: Callable[[Task], Any]
    ) -> Iterator[tuple[Task, Any]]:
        """Perform tasks, and take off the list what is done, until one of the processes dies."""
        if not tasks:
            return
        with suppress(BrokenProcessPool), self._opened(processes, tasks) as pool:
            for task, outcome in _gather(pool, list(tasks), job):
                tasks.remove(task)
                yield task, outcome
        if tasks:
            self._close()

    @contextmanager
    def _opened(self, processes: int, left: Collection[Task]) -> Iterator[ProcessPoolExecutor]:
        """The processes; an interrupt above all ends them where tasks are left."""
        with one_thread_each():
            try:
                yield self._pool(processes)
            except BrokenProcessPool:
                raise
            except BaseException:
                if left:
                    for child in set(active_children()) - self._others:
                        child.terminate()
                    self._close(wait=False)
                raise

    def _pool(self, processes: int) -> ProcessPoolExecutor:
        if self._open is None or self._open[0] != processes:
            self._close()
            self._others = set(active_children())
            started = signal.signal, (signal.SIGINT, signal.SIG_IGN)
            pool = ProcessPoolExecutor(processes, get_context("spawn"), *started)
            self._open = processes, pool
        return self._open[1]

    def _close(self, *, wait: bool = True) -> None:
        if self._open is not None:
            self._open[1].shutdown(wait=wait, cancel_futures=not wait)
            self._open = None


def _apart(task: Task, job: Callable[[Task], Any]) -> Any:
    """Perform a task in a thread of its own: in that of a cluster's worker, xarray would ask the
    scheduler for a lock on every file."""
    with one_thread(), ThreadPoolExecutor(1) as own:
        return own.submit(job, task).result()


def _gather(
    executor: Executor, tasks: Iterable[Task], call: Callable[[Task], Any]
) -> Iterator[tuple[Task, Any]]:
    futures = {executor.submit(call, task): task for task in tasks}
    for future in as_completed(futures):
        if not isinstance(future.exception(), BrokenProcessPool):
            yield futures[future], _result_of(future)


def _few_at_once(
    executor: Executor, left: deque[Task], call: Callable[[Task], Any], workers: int
) -> Iterator[Any]:
    """The results in the order of the tasks, which are taken off as they are done."""
    begun: deque[Future[Any]] = deque()
    while left:
        while len(begun) < min(workers + _SPARE, _MOST_WAITING, len(left)):
            begun.append(executor.submit(call, left[len(begun)]))
        result = _result_of(begun.popleft())
        left.popleft()
        yield result


def _result_of(future: Future[Any]) -> Any:
    problem = future.exception()
    if isinstance(problem, OSError | KeyboardInterrupt | BrokenProcessPool):
        raise problem
    if problem is not None:
        return Outcome(failure=f"the worker that had it failed: {problem!r}"[:500])
    return future.result()


def _client(address: str) -> Any:
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
        return Client(address, timeout="20s", set_as_default=False)
    except (OSError, ValueError) as problem:
        raise StudyError(
            Fault(
                f"no scheduler at {address!r} ({problem})",
                "the address of a running dask.distributed scheduler",
                "--scheduler tcp://HOST:PORT",
            )
        ) from problem
