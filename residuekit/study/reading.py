"""The files of one run: read once, reduced, scored; what an earlier run has kept is taken in."""

from __future__ import annotations

import shutil
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from .. import io
from ..decision.pairs import BEFORE
from ..errors import Fault, ReadError, ResiduekitError
from ..kernels.netsignal import Scatter
from ..schema import DIFFERENCE
from ..spectra.arrays import same_axis
from .bad_channels import Asked, BadChannel, shared_channels
from .cache import Cache, key_of, pack, unpack
from .controls import StudyControls
from .look import Look
from .manifest import Manifest
from .measurements import Measurement
from .mockups import MapSummary, from_arrays, map_partners, to_arrays
from .provenance import as_json, steps_of
from .same_spectra import refuse_twins
from .system import give_memory_back
from .work import (
    MOST_HELD,
    Held,
    Outcome,
    Task,
    Workers,
    checksum,
    is_stored,
    look,
    scatter_within,
)

Progress = Callable[[int, int, str], None]
_CONTROLS = ("reference", "blank", "spiked", "before")
#: The name of why a map was not made, in an entry of the cache.
_APART = "apart"


class Reading:
    """What was read, what failed, where the score maps lie; `apart` says of the files of paired
    mock-ups that have no difference map why."""

    def __init__(
        self,
        manifest: Manifest,
        part: Path,
        cache: Cache,
        progress: Progress | None = None,
        workers: Workers | None = None,
    ):
        self.manifest, self.part, self.cache = manifest, part, cache
        self._progress, self.workers = progress, workers or Workers()
        self.controls: list[MapSummary] = []
        self.exposed: list[MapSummary] = []
        self.hashes = {name: io.sha256(manifest.folder / name) for name in manifest.sources}
        self.failures: dict[str, str] = {}
        self.unfit: dict[str, str] = {}
        self.computed: set[str] = set()
        self.seconds = 0.0
        self.channels: tuple[BadChannel, ...] = ()
        self.tails: dict[tuple[str, str], dict[str, tuple[float, float]]] = {}
        self._known: dict[str, MapSummary] = {}
        self.apart: dict[str, str] = {}
        self._maps: dict[tuple[str, str, str], str] = {}
        self._paired: list[tuple[Measurement, str]] = []
        self._before: dict[str, Measurement] = {}
        self._axis: Any = None
        self._done: set[str] = set()
        self._store = part / ".stored"
        self._held = Held(MOST_HELD if self.workers.here else 0)
        self._order = {row.file: number for number, row in enumerate(manifest.measurements, 1)}
        (part / "maps").mkdir()
        self._store.mkdir()

    @property
    def maps(self) -> list[dict[str, str]]:
        """The score maps in the order of the table of measurements, one a residue, each followed
        by the difference map where there is one."""
        return [
            {
                "file": row.file,
                "map": place,
                "role": row.role,
                "mockup": row.mockup,
                "residue": material,
                **({"layer": layer, "before": self._before[row.file].file} if layer else {}),
            }
            for row in self.manifest.measurements
            for material in (one.material for one in self.manifest.asked)
            for layer in ("", DIFFERENCE)
            if (place := self._maps.get((row.file, material, layer)))
        ]

    @property
    def quality(self) -> list[dict[str, Any]]:
        """What the quality check found of each file that could be read."""
        return [
            {"file": row.file, **as_json(self._known[row.file].quality)}
            for row in self.manifest.measurements
            if row.file in self._known
        ]

    def find_bad_channels(self) -> None:
        """Look through every file, exposed ones too, for channels that all share as bad.

        Raises
        ------
        StudyError : files of two mock-ups that hold one measurement.
        """
        looks = self._looks()
        rows = [row for row in self.manifest.measurements if row.file in looks]
        refuse_twins(self.manifest, [(row, looks[row.file].imprint) for row in rows])
        self.channels = shared_channels([looks[row.file].spikes for row in rows])

    def _looks(self) -> dict[str, Look]:
        """How the files look, by the cache or as they are; those that cannot be read have none:
        what is wrong with them is said when they are measured."""
        looks: dict[str, Look] = {}
        unknown = []
        self._sum_files()
        for row in self.manifest.measurements:
            try:
                task = self.task(row)
            except (OSError, ResiduekitError):
                continue
            kept = self._kept_look(task)
            if kept is None:
                unknown.append(task)
            else:
                looks[row.file] = kept
        job = partial(look, asked=Asked.of(self.manifest))
        for task, found in self._perform(unknown, job):
            if isinstance(found, Look):
                looks[task.row.file] = found
                self.cache.keep(self._look_key(task), pack("look", found))
        return looks

    def _sum_files(self) -> None:
        """Let other processes make the checksums of the files; this one makes each when it needs
        it."""
        rows = [] if self.workers.here else self.manifest.measurements
        tasks = {row.path: self._task(row, "") for row in rows}
        found = {
            task.row.path: digest
            for task, digest in self.workers.perform(tasks.values(), checksum)
            if isinstance(digest, str) and digest
        }
        self.hashes |= {row.file: found[row.path] for row in rows if row.path in found}

    def _kept_look(self, task: Task) -> Look | None:
        arrays = self.cache.arrays(self._look_key(task))
        return None if arrays is None else unpack("look", Look, arrays)

    def _look_key(self, task: Task) -> str:
        steps = [steps_of(one, self.manifest.folder) for one in self.manifest.procedures]
        ratio = self.manifest.quality.get("spike_ratio")
        return key_of("look", task.sha256, task.row.options, task.row.role, steps, ratio)

    def read_controls(self) -> None:
        """Read references, blanks, spiked mock-ups, and all mock-ups before treatment."""
        rows = [row for row in self.manifest.measurements if row.role in _CONTROLS]
        tasks = self._unknown(rows)
        for task, outcome in self._perform(
            replace(t, keep=t.row.role != "reference") for t in tasks
        ):
            self._keep(task.row, outcome)
        self.controls = self._fit(rows)
        give_memory_back()

    def score_controls(self, controls: StudyControls) -> None:
        """Score the blanks and spiked mock-ups of every stratum that is judged."""
        rows = [one.row for one in self.controls if one.row.role in ("blank", "spiked")]
        self._score(
            [(row, material, paired) for row in rows if row.stratum in controls.judged
             for material, paired in controls.of_stratum(row.stratum).items()
             if row.role == "blank" or self.manifest.residue(material).holds(row)],
            controls,
        )  # fmt: skip

    def read_exposed(self, controls: StudyControls) -> None:
        """Read each exposed map once: reduce it and score its pixels."""
        rows = self.manifest.of_role("exposed")
        self._unknown(rows)
        self._score(
            [(row, material, controls.pairing(own)[0])
             for own in self.manifest.arms().values() for row in own
             if controls.blanks(row.stratum)
             for material in self.manifest.materials(row.treatment)],
            controls,
        )  # fmt: skip
        self.exposed = self._fit(rows)

    def score_differences(self, controls: StudyControls) -> None:
        """Score what the pixels of paired maps differ by from the same pixels before, where a map
        before has the same grid; else `apart` says why not."""
        scored = [(row, name) for row, name in self._paired if (row.file, name, "") in self._maps]
        self._before, self.apart = map_partners(
            {row.file: row for row, _ in scored}.values(),
            (one.row for one in self.controls if one.row.role == BEFORE),
            {file: one.grid for file, one in self._known.items()},
        )
        self._make_maps([
            (replace(self.task(row), scores=controls.difference_scores(row, material),
                     map_path=self._map_path(row, material, DIFFERENCE),
                     before=self.task(self._before[row.file])), material)
            for row, material in scored if row.file in self._before
        ])  # fmt: skip

    def reduce_exposed(self) -> None:
        """Read each exposed map and keep its mean alone."""
        rows = self.manifest.of_role("exposed")
        for task, outcome in self._perform(self._unknown(rows)):
            self._keep(task.row, outcome)
        self.exposed = self._fit(rows)

    def study_controls(self) -> StudyControls:
        """What the controls say; it stands before an exposed map is opened."""
        return StudyControls(self.manifest, self.controls, self._scatters_of, self.cache)

    def _scatters_of(self, summaries: Iterable[MapSummary]) -> Iterator[Scatter]:
        """The scatter within each of the maps that were read before, made as they are asked for."""
        tasks = [self.task(one.row) for one in summaries]
        self.computed |= {task.row.file for task in tasks if not is_stored(task)}
        for found in self.workers.in_turn(tasks, scatter_within):
            if isinstance(found, Outcome):
                raise ReadError(
                    Fault(found.failure, "a file that stays as it is", "run the study again")
                )
            yield found

    @property
    def usable(self) -> Manifest:
        """The manifest without the files that failed."""
        rows = (row for row in self.manifest.measurements if row.file not in self.failures)
        return replace(self.manifest, measurements=tuple(rows))

    def score_maps(self) -> dict[Path, xr.Dataset]:
        """Those of this run that are in memory, by their files."""
        files = [self.part / name for name in self._maps.values()]
        return {file: held for file in files if (held := self._held.give(file)) is not None}

    def clear(self) -> None:
        """Remove the processed maps that were kept for a second look, and what memory they took."""
        shutil.rmtree(self._store)
        give_memory_back()

    def task(self, row: Measurement) -> Task:
        """How a file is read and what it is kept as."""
        if row.file not in self.hashes:
            self.hashes[row.file] = io.sha256(self.manifest.folder / row.path)
        return self._task(row, self.hashes[row.file])

    def _task(self, row: Measurement, sha256: str) -> Task:
        steps = steps_of(self.manifest.procedure, self.manifest.folder)
        quality = self.manifest.quality_arguments
        channels = tuple(one.wavenumber for one in self.channels)
        return Task(
            folder=self.manifest.folder,
            row=row,
            procedure=self.manifest.procedure,
            quality=quality,
            sha256=sha256,
            key=key_of("map", sha256, row.options, steps, quality, channels),
            stored=self._store / f"{self._order[row.file]}.nc",
            channels=channels,
            held=self._held,
        )

    def known(self, row: Measurement) -> tuple[Look, MapSummary] | None:
        """How a file looks and what was measured of it, where both are kept from an earlier run."""
        try:
            task = self.task(row)
            look, arrays = self._kept_look(task), self.cache.arrays(task.key)
        except (OSError, ResiduekitError):
            return None
        if look is None or arrays is None:
            return None
        return look, from_arrays(arrays, row, task.key)

    def _unknown(self, rows: Iterable[Measurement]) -> list[Task]:
        """Tasks for the rows that neither this run nor the cache knows."""
        tasks = []
        for row in rows:
            if row.file in self._known or row.file in self.failures:
                continue
            try:
                task = self.task(row)
            except (OSError, ResiduekitError) as problem:
                self._take(row, Outcome(failure=f"{row.file}: {problem}"))
                continue
            arrays = self.cache.arrays(task.key)
            if arrays is None:
                tasks.append(task)
            else:
                self._take(row, Outcome(from_arrays(arrays, row, task.key)))
        return tasks

    def _perform(
        self, tasks: Iterable[Task], job: Callable[[Task], Any] | None = None
    ) -> Iterator[tuple[Task, Any]]:
        started = time.perf_counter()
        yield from self.workers.perform(tasks, job)
        self.seconds += time.perf_counter() - started

    def _keep(self, row: Measurement, outcome: Outcome) -> None:
        """Keep what was computed for the next run, and take it in."""
        self.computed.add(row.file)
        if outcome.summary is not None:
            self.cache.keep(outcome.summary.key, to_arrays(outcome.summary))
        self._take(row, outcome)

    def _take(self, row: Measurement, outcome: Outcome) -> None:
        """Take in what came of a file."""
        summary = outcome.summary
        if outcome.failure:
            self.failures[row.file] = outcome.failure
        elif summary is not None and row.file not in self._known:
            self._known[row.file] = summary
            self._check(summary)
        self._done.add(row.file)
        if self._progress is not None:
            self._progress(len(self._done), len(self.manifest.measurements), row.file)

    def _check(self, summary: MapSummary) -> None:
        file = summary.row.file
        if summary.quality["failed"]:
            self.unfit[file] = self.failures[file] = str(summary.quality["failed"])
            return
        if self._axis is None and summary.row.role != "reference":
            self._axis = summary.wavenumber
        try:
            if self._axis is not None:
                same_axis(self._axis, summary.wavenumber)
        except ResiduekitError as problem:
            self.failures[file] = str(replace(problem.faults[0], file=file))

    def _fit(self, rows: Iterable[Measurement]) -> list[MapSummary]:
        """The summaries of the files that can be used, on the axis of the blanks."""
        for row in rows:
            if row.role == "reference" and row.file in self._known:
                self._check(self._known[row.file])
        return [self._known[r.file] for r in rows
                if r.file in self._known and r.file not in self.failures]  # fmt: skip

    def _score(
        self, cases: Iterable[tuple[Measurement, str, str]], controls: StudyControls
    ) -> None:
        """Score the pixels of files, each for a material and as its mock-up is paired."""
        tasks = []
        for row, material, paired in cases:
            scores = controls.own_scores(row, material, paired)
            if row.file in self.failures or not scores:
                continue
            place = self._map_path(row, material)
            task = replace(self.task(row), scores=scores, map_path=place, keep=paired == BEFORE)
            tasks.append((task, material))
            if paired == BEFORE:
                self._paired.append((row, material))
        self._make_maps(tasks)

    def _make_maps(self, wanted: Iterable[tuple[Task, str]]) -> None:
        """Make the score maps of tasks, each for a material, unless the cache holds them."""
        turns: dict[str, list[Task]] = defaultdict(list)
        keys: dict[Path, str] = {}
        for task, material in wanted:
            assert task.map_path is not None
            key = _map_key(task)
            kept = self.cache.arrays(key) if task.before is not None else None
            tails = self.cache.file(key, task.map_path) if task.row.file in self._known else None
            if kept is not None and _APART in kept:
                self.apart[task.row.file] = str(kept[_APART])
            elif tails is not None:
                self._keep_map(task, material, _tails_of(tails))
            else:
                keys[task.map_path] = key
                turns[material].append(task)
        for material, tasks in turns.items():
            for task, outcome in self._perform(tasks):
                self._keep(task.row, outcome)
                assert task.map_path is not None
                key = keys[task.map_path]
                if outcome.apart:
                    self.apart[task.row.file] = outcome.apart
                    self.cache.keep(key, {_APART: np.array(outcome.apart)})
                elif outcome.tails is not None and task.row.file not in self.failures:
                    tails = {name: np.array(pair) for name, pair in outcome.tails.items()}
                    self.cache.keep_file(key, task.map_path, tails)
                    self._keep_map(task, material, outcome.tails)

    def _map_path(self, row: Measurement, material: str, layer: str = "") -> Path:
        stem = "".join(c if c.isalnum() or c in "-_" else "_" for c in Path(row.file).stem)[:60]
        number = [one.material for one in self.manifest.asked].index(material)
        mark = f"-{number + 1}" if self.manifest.residues and number else ""
        mark += f"-{layer}" if layer else ""
        return self.part / "maps" / f"{self._order[row.file]:04d}-{stem}{mark}.nc"

    def _keep_map(self, task: Task, material: str, tails: dict[str, tuple[float, float]]) -> None:
        assert task.map_path is not None
        file, place = task.row.file, task.map_path.relative_to(self.part)
        if task.before is None:
            self.tails[file, material] = tails
        layer = "" if task.before is None else DIFFERENCE
        self._maps[file, material, layer] = place.as_posix()


def _tails_of(arrays: dict[str, Any]) -> dict[str, tuple[float, float]]:
    return {name: (float(pair[0]), float(pair[1])) for name, pair in arrays.items()}


def _map_key(task: Task) -> str:
    """A score map depends on the map, on how it is scored, on the names it carries, and on the map
    whose pixels are taken off it."""
    marks = [
        [s.name, s.weights.tobytes().hex(), s.blank_mean, s.scale, s.pixel_limit, s.blindness.unit]
        for s in task.scores
    ]
    before = None if task.before is None else [task.before.key, task.before.row.file]
    return key_of("score map", task.key, marks, asdict(replace(task.row, line=0)), before)
