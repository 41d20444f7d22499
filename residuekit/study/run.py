"""Run a study: measured files in, a run folder out, whole or not at all.

Only what is new or changed is computed again: what was made from the same content, procedure and
code is kept in ``runs/.cache``.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import io
from ..errors import Fault, ReadError, ResiduekitError
from ..marker_choice import Score
from ..results import CHANGES, PROVENANCE, SPECTRA, TABLES, StudyResult, open_run
from ..schema import ARM_COLUMNS, WAVENUMBER, WAVENUMBER_UNIT
from ..score import same_axis, valid_spectra
from .bench import Bench, MapSummary, mockup_means
from .cache import Cache, key_of
from .changes import what_changed
from .manifest import Manifest
from .measurements import Measurement, as_rows
from .provenance import as_json, record
from .run_folder import last_run, move_in, new_run, point_to
from .tables import Found, make_tables, write_table
from .work import Outcome, Task, perform, perform_all, write_netcdf

Progress = Callable[[int, int, str], None]
_BEFORE = ("reference", "blank", "spiked")


def run_study(
    manifest: Manifest,
    progress: Progress | None = None,
    workers: int = 1,
    scheduler: str | None = None,
) -> StudyResult:
    """Compute everything a study asks and write its run folder.

    References, blanks and spiked mock-ups are read first; what each score can see and which one
    decides stands fixed before an exposed map is opened. A file that cannot be used is named and
    left out; the rest is done. The folder appears complete or not at all.

    Parameters
    ----------
    progress : called with (files done, files in all, file).
    workers : local processes; 1 works in this one.
    scheduler : the address of a running dask.distributed cluster instead.

    Raises
    ------
    WriteError : the study folder cannot be written.
    """
    started = datetime.now(UTC)
    before = last_run(manifest.folder)
    with new_run(manifest.folder) as part:
        cache = Cache(manifest.folder / "runs" / ".cache")
        work = _Work(manifest, part, cache, progress, workers, scheduler)
        work.read_controls()
        bench = Bench(manifest, work.controls, work.spectra_of, cache)
        work.score_controls(bench)
        work.read_exposed(bench)
        found = Found(work.exposed, work.failures, work.unfit, work.tails)
        tables = make_tables(bench, found)
        for name, rows in tables.items():
            write_table(part / f"{name}.csv", rows, TABLES[name])
        write_netcdf(_spectra(bench, work), part / SPECTRA)
        provenance = record(
            manifest, started.isoformat(timespec="seconds"), work.hashes, work.failures
        )
        provenance["measurements"] = [as_json(row) for row in as_rows(manifest.measurements)]
        provenance["maps"] = work.maps
        provenance["quality"] = work.quality
        provenance["remarks"] = bench.remarks
        if manifest.trial.rows:
            provenance["trial"] = _write_trial(manifest, tables["verdicts"], part)
        text = json.dumps(provenance, indent=1, ensure_ascii=False, allow_nan=False, default=str)
        (part / PROVENANCE).write_text(text + "\n", encoding="utf-8")
        (part / CHANGES).write_text(what_changed(before, open_run(part)), encoding="utf-8")
        work.clear()
        _present(part)
        final = move_in(part, started)
        cache.prune()
    point_to(manifest.folder / "runs", final.name)
    return open_run(final)


def _present(folder: Path) -> None:
    """Write what people read: figure and caption, methods text, tables, report."""
    from ..figures import write_figure
    from ..report import write_caption, write_methods, write_report, write_tables

    result = open_run(folder)
    write_figure(result, folder)
    write_caption(folder)
    write_methods(result, folder)
    write_tables(result, folder)
    write_report(result, folder)


def _write_trial(
    manifest: Manifest, verdicts: Sequence[dict[str, Any]], folder: Path
) -> dict[str, Any]:
    """Write the other criteria of the trial beside the verdicts, and return their record."""
    from ..trial import summarise, write_trial

    summary = summarise(
        manifest.trial,
        verdicts,
        working_exposure_min=manifest.working_exposure_min,
        alpha=manifest.alpha,
    )
    return {**summary.record(), "files": write_trial(summary, folder)}


class _Work:
    """The files of one run: what was read, what failed, where the score maps lie."""

    def __init__(
        self,
        manifest: Manifest,
        part: Path,
        cache: Cache,
        progress: Progress | None,
        workers: int,
        scheduler: str | None,
    ):
        self.manifest, self.part, self.cache = manifest, part, cache
        self._progress, self._workers, self._scheduler = progress, workers, scheduler
        self.controls: list[MapSummary] = []
        self.exposed: list[MapSummary] = []
        self.hashes = {name: io.sha256(manifest.folder / name) for name in manifest.sources}
        self.failures: dict[str, str] = {}
        self.unfit: dict[str, str] = {}
        self.tails: dict[str, dict[str, tuple[float, float]]] = {}
        self._known: dict[str, MapSummary] = {}
        self._maps: dict[str, str] = {}
        self._axis: Any = None
        self._done: set[str] = set()
        self._store = part / ".stored"
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

    def read_controls(self) -> None:
        """Read references, blanks and spiked mock-ups."""
        rows = [row for row in self.manifest.measurements if row.role in _BEFORE]
        tasks = self._unknown(rows)
        for task, outcome in self._perform(
            replace(t, keep=t.row.role != "reference") for t in tasks
        ):
            self._keep(task.row, outcome)
        self.controls = self._fit(rows)

    def score_controls(self, bench: Bench) -> None:
        """Score the blanks and spiked mock-ups of every stratum that is judged."""
        fit = [one.row for one in self.controls if one.row.role != "reference"]
        rows = [row for row in fit if row.stratum in bench.strata and bench.blanks(row.stratum)]
        self._score(rows, bench)

    def read_exposed(self, bench: Bench) -> None:
        """Read each exposed map once: reduce it and score its pixels."""
        rows = self.manifest.of_role("exposed")
        self._unknown(rows)
        self._score([row for row in rows if bench.blanks(row.stratum)], bench)
        self.exposed = self._fit(rows)

    def spectra_of(self, summary: MapSummary) -> npt.NDArray[Any]:
        """The valid processed spectra of a file that was read before."""
        task = self._task(summary.row)
        if not task.stored.is_file():
            outcome = perform(replace(task, keep=True))
            if outcome.failure:
                raise ReadError(
                    Fault(outcome.failure, "a file that stays as it is", "run the study again")
                )
        return valid_spectra(xr.load_dataarray(task.stored, engine="h5netcdf"))

    def clear(self) -> None:
        """Remove the processed maps that were kept for a second look."""
        shutil.rmtree(self._store)

    def _task(self, row: Measurement) -> Task:
        if row.file not in self.hashes:
            self.hashes[row.file] = io.sha256(self.manifest.folder / row.file)
        sha256 = self.hashes[row.file]
        steps = [[name, parameters] for name, parameters in self.manifest.procedure.steps]
        quality = {
            **self.manifest.quality,
            "windows": [(marker.low, marker.high) for marker in self.manifest.markers],
        }
        return Task(
            folder=self.manifest.folder,
            row=row,
            procedure=self.manifest.procedure,
            quality=quality,
            sha256=sha256,
            key=key_of("map", sha256, steps, quality),
            stored=self._store / f"{self._order[row.file]}.nc",
        )

    def _unknown(self, rows: Iterable[Measurement]) -> list[Task]:
        """Tasks for the rows that neither this run nor the cache knows."""
        tasks = []
        for row in rows:
            if row.file in self._known or row.file in self.failures:
                continue
            try:
                task = self._task(row)
            except OSError as problem:
                self._take(row, Outcome(failure=f"{row.file}: {problem}"))
                continue
            arrays = self.cache.arrays(task.key)
            if arrays is None:
                tasks.append(task)
            else:
                self._take(row, Outcome(_summary_of(arrays, row, task.key)))
        return tasks

    def _perform(self, tasks: Iterable[Task]) -> Iterator[tuple[Task, Outcome]]:
        yield from perform_all(list(tasks), self._workers, self._scheduler)

    def _keep(self, row: Measurement, outcome: Outcome) -> None:
        """Keep what was computed for the next run, and take it in."""
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

    def _score(self, rows: Sequence[Measurement], bench: Bench) -> None:
        """Score the pixels of files, unless the cache holds their score maps."""
        tasks = []
        for row in rows:
            if row.file in self.failures:
                continue
            residue = self.manifest.treatment
            if row.role == "exposed":
                residue = bench.residue(row.treatment)
            scores = bench.scores(row.stratum, residue)
            if not scores:
                continue
            task = self._task(row)
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


def _spectra(bench: Bench, work: _Work) -> xr.Dataset:
    """The mean spectra: a row a mock-up, and a row a reference file."""
    everything = [*work.controls, *work.exposed]
    references = [one for one in everything if one.row.role == "reference"]
    means = mockup_means(one for one in everything if one.row.role != "reference")
    rows = [*(mean.row for mean in means), *(one.row for one in references)]
    spectra = [*(mean.mean for mean in means), *(one.mean for one in references)]
    axis = everything[0].wavenumber if everything else bench.wavenumber
    dataset = xr.Dataset(
        {"spectrum": (("row", WAVENUMBER), np.reshape(spectra, (len(rows), axis.size)))},
        coords={WAVENUMBER: (WAVENUMBER, axis, {"units": WAVENUMBER_UNIT})},
    )
    if everything:
        first = everything[0]
        dataset["spectrum"].attrs = {
            "units": "1", "quantity": first.quantity, "technique": first.technique
        }  # fmt: skip
    for name in ("role", "mockup", "file", *ARM_COLUMNS, "loading_ug_cm2"):
        dataset = dataset.assign_coords({name: ("row", [getattr(row, name) for row in rows])})
    return dataset
