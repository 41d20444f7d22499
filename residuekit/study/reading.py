"""The files of one run: read once, reduced, scored; what an earlier run has kept is taken in."""

from __future__ import annotations

import json
import shutil
import time
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from .. import io
from ..decision.scores import Score
from ..errors import Fault, ReadError, ResiduekitError, ResiduekitWarning
from ..spectra.arrays import same_axis, valid_spectra
from ..spectra.twins import Imprint, imprint
from .bad_channels import BadChannel, Spikes, shared_channels, spikes_of
from .cache import Cache, key_of, pack, unpack
from .controls import StudyControls
from .manifest import Manifest
from .measurements import Measurement
from .mockups import MapSummary
from .provenance import as_json, steps_of
from .same_spectra import refuse_twins
from .work import MOST_HELD, Held, Outcome, Task, perform, perform_all, stored

Progress = Callable[[int, int, str], None]
_BEFORE = ("reference", "blank", "spiked")


class Reading:
    """What was read, what failed, where the score maps lie."""

    def __init__(
        self,
        manifest: Manifest,
        part: Path,
        cache: Cache,
        progress: Progress | None = None,
        workers: int = 1,
        scheduler: str | None = None,
    ):
        self.manifest, self.part, self.cache = manifest, part, cache
        self._progress, self._workers, self._scheduler = progress, workers, scheduler
        self.controls: list[MapSummary] = []
        self.exposed: list[MapSummary] = []
        self.hashes = {name: io.sha256(manifest.folder / name) for name in manifest.sources}
        self.failures: dict[str, str] = {}
        self.unfit: dict[str, str] = {}
        self.computed: set[str] = set()
        self.seconds = 0.0
        self.channels: tuple[BadChannel, ...] = ()
        self.tails: dict[str, dict[str, tuple[float, float]]] = {}
        self._known: dict[str, MapSummary] = {}
        self._maps: dict[str, str] = {}
        self._axis: Any = None
        self._done: set[str] = set()
        self._store = part / ".stored"
        self._held = Held(MOST_HELD if workers == 1 and scheduler is None else 0)
        self._order = {row.file: number for number, row in enumerate(manifest.measurements, 1)}
        (part / "maps").mkdir()
        self._store.mkdir()

    @property
    def maps(self) -> list[dict[str, str]]:
        """The score maps in the order of the table of measurements."""
        return [
            {"file": row.file, "map": self._maps[row.file], "role": row.role, "mockup": row.mockup}
            for row in self.manifest.measurements
            if row.file in self._maps
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
        started = time.perf_counter()
        steps = [steps_of(one, self.manifest.folder) for one in self.manifest.procedures]
        found, imprints = [], []
        for row in self.manifest.measurements:
            try:
                task = self.task(row)
                ratio = self.manifest.quality.get("spike_ratio")
                key = key_of("spikes", task.sha256, row.role, steps, ratio)
                kept = self.cache.arrays(key)
                if kept is None:
                    with warnings.catch_warnings(record=True) as said:
                        warnings.simplefilter("always", ResiduekitWarning)
                        array = io.read(task.folder / row.file)
                    if not said:
                        self._held.hold(row.file, array)
                    spikes, own = spikes_of(array, row, self.manifest), imprint(array)
                    self.cache.keep(key, pack("spikes", spikes) | pack("imprint", own))
                else:
                    spikes = unpack("spikes", Spikes, kept)
                    own = unpack("imprint", Imprint, kept)
            except (OSError, ResiduekitError):
                continue  # what is wrong with the file is said when it is measured
            found.append(spikes)
            imprints.append((row, own))
        self.seconds += time.perf_counter() - started
        refuse_twins(self.manifest, imprints)
        self.channels = shared_channels(found)

    def read_controls(self) -> None:
        """Read references, blanks and spiked mock-ups."""
        rows = [row for row in self.manifest.measurements if row.role in _BEFORE]
        tasks = self._unknown(rows)
        for task, outcome in self._perform(
            replace(t, keep=t.row.role != "reference") for t in tasks
        ):
            self._keep(task.row, outcome)
        self.controls = self._fit(rows)

    def score_controls(self, controls: StudyControls) -> None:
        """Score the blanks and spiked mock-ups of every stratum that is judged."""
        fit = [one.row for one in self.controls if one.row.role != "reference"]
        rows = [
            row for row in fit if row.stratum in controls.strata and controls.blanks(row.stratum)
        ]
        self._score(rows, controls)

    def read_exposed(self, controls: StudyControls) -> None:
        """Read each exposed map once: reduce it and score its pixels."""
        rows = self.manifest.of_role("exposed")
        self._unknown(rows)
        self._score([row for row in rows if controls.blanks(row.stratum)], controls)
        self.exposed = self._fit(rows)

    def reduce_exposed(self) -> None:
        """Read each exposed map and keep its mean alone."""
        rows = self.manifest.of_role("exposed")
        for task, outcome in self._perform(self._unknown(rows)):
            self._keep(task.row, outcome)
        self.exposed = self._fit(rows)

    def study_controls(self) -> StudyControls:
        """What the controls say; it stands before an exposed map is opened."""
        return StudyControls(self.manifest, self.controls, self.spectra_of, self.cache)

    def spectra_of(self, summary: MapSummary) -> npt.NDArray[Any]:
        """The valid processed spectra of a file that was read before."""
        task = self.task(summary.row)
        array = stored(task)
        if array is None:
            self.computed.add(summary.row.file)
            outcome = perform(replace(task, keep=True))
            if outcome.failure:
                raise ReadError(
                    Fault(outcome.failure, "a file that stays as it is", "run the study again")
                )
            array = stored(task)
            assert array is not None
        return valid_spectra(array)

    @property
    def usable(self) -> Manifest:
        """The manifest without the files that failed."""
        rows = (row for row in self.manifest.measurements if row.file not in self.failures)
        return replace(self.manifest, measurements=tuple(rows))

    def clear(self) -> None:
        """Remove the processed maps that were kept for a second look."""
        shutil.rmtree(self._store)

    def task(self, row: Measurement) -> Task:
        """How a file is read and what it is kept as."""
        if row.file not in self.hashes:
            self.hashes[row.file] = io.sha256(self.manifest.folder / row.file)
        sha256 = self.hashes[row.file]
        steps = steps_of(self.manifest.procedure, self.manifest.folder)
        quality = self.manifest.quality_arguments
        channels = tuple(one.wavenumber for one in self.channels)
        return Task(
            folder=self.manifest.folder,
            row=row,
            procedure=self.manifest.procedure,
            quality=quality,
            sha256=sha256,
            key=key_of("map", sha256, steps, quality, channels),
            stored=self._store / f"{self._order[row.file]}.nc",
            channels=channels,
            held=self._held,
        )

    def holds(self, row: Measurement) -> bool:
        """Whether what a file gives is kept from an earlier run."""
        try:
            return self.cache.arrays(self.task(row).key) is not None
        except (OSError, ResiduekitError):
            return False

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
                self._take(row, Outcome(_summary_of(arrays, row, task.key)))
        return tasks

    def _perform(self, tasks: Iterable[Task]) -> Iterator[tuple[Task, Outcome]]:
        started = time.perf_counter()
        yield from perform_all(list(tasks), self._workers, self._scheduler)
        self.seconds += time.perf_counter() - started

    def _keep(self, row: Measurement, outcome: Outcome) -> None:
        """Keep what was computed for the next run, and take it in."""
        self.computed.add(row.file)
        if outcome.summary is not None:
            self.cache.keep(outcome.summary.key, _arrays_of(outcome.summary))
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

    def _score(self, rows: Sequence[Measurement], controls: StudyControls) -> None:
        """Score the pixels of files, unless the cache holds their score maps."""
        tasks = []
        for row in rows:
            if row.file in self.failures:
                continue
            residue = self.manifest.treatment
            if row.role == "exposed":
                residue = controls.residue(row.treatment)
            scores = controls.own_scores(row, residue)
            if not scores:
                continue
            task = self.task(row)
            key = _map_key(task, scores)
            tails = self.cache.file(key, self._map_path(row)) if row.file in self._known else None
            if tails is not None:
                self._keep_map(row, _tails_of(tails))
            else:
                tasks.append((key, replace(task, scores=scores, map_path=self._map_path(row))))
        keys = {task.row.file: key for key, task in tasks}
        for task, outcome in self._perform(task for _, task in tasks):
            self._keep(task.row, outcome)
            if outcome.tails is not None and task.row.file not in self.failures:
                tails = {name: np.array(pair) for name, pair in outcome.tails.items()}
                self.cache.keep_file(keys[task.row.file], self._map_path(task.row), tails)
                self._keep_map(task.row, outcome.tails)

    def _map_path(self, row: Measurement) -> Path:
        stem = "".join(c if c.isalnum() or c in "-_" else "_" for c in Path(row.file).stem)[:60]
        return self.part / "maps" / f"{self._order[row.file]:04d}-{stem}.nc"

    def _keep_map(self, row: Measurement, tails: dict[str, tuple[float, float]]) -> None:
        self.tails[row.file] = tails
        self._maps[row.file] = self._map_path(row).relative_to(self.part).as_posix()


def _arrays_of(summary: MapSummary) -> dict[str, Any]:
    return {
        "wavenumber": summary.wavenumber,
        "mean": summary.mean,
        "n_pixels": summary.n_pixels,
        "quantity": summary.quantity,
        "technique": summary.technique,
        "quality": json.dumps(dict(summary.quality)),
    }


def _summary_of(arrays: dict[str, Any], row: Measurement, key: str) -> MapSummary:
    return MapSummary(
        row=row,
        key=key,
        wavenumber=arrays["wavenumber"],
        mean=arrays["mean"],
        n_pixels=int(arrays["n_pixels"]),
        quality=json.loads(str(arrays["quality"])),
        quantity=str(arrays["quantity"]),
        technique=str(arrays["technique"]),
    )


def _tails_of(arrays: dict[str, Any]) -> dict[str, tuple[float, float]]:
    return {name: (float(pair[0]), float(pair[1])) for name, pair in arrays.items()}


def _map_key(task: Task, scores: tuple[Score, ...]) -> str:
    """A score map depends on the map, on how it is scored, and on the names it carries."""
    marks = [
        [s.name, s.weights.tobytes().hex(), s.blank_mean, s.scale, s.pixel_limit, s.blindness.unit]
        for s in scores
    ]
    return key_of("score map", task.key, marks, asdict(replace(task.row, line=0)))
