"""Run a study: measured files in, a run folder out, whole or not at all."""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from .. import io
from ..errors import Fault, ResiduekitError, WriteError
from ..marker_choice import Score
from ..results import PROVENANCE, SPECTRA, TABLES, StudyResult, open_run
from ..schema import ARM_COLUMNS, WAVENUMBER, WAVENUMBER_UNIT
from .bench import Bench, MapSummary, mockup_means
from .manifest import Manifest
from .measure import map_tail, measure, score_map
from .measurements import Measurement
from .provenance import as_json, record
from .tables import Found, make_tables, write_table

Progress = Callable[[int, int, str], None]
_BEFORE = ("reference", "blank", "spiked")


def run_study(manifest: Manifest, progress: Progress | None = None) -> StudyResult:
    """Compute everything a study asks and write its run folder.

    References, blanks and spiked mock-ups are read first; what each score can see and which one
    decides stands fixed before an exposed map is opened. A file that cannot be used is named and
    left out; the rest is done. The folder appears complete or not at all.

    Raises
    ------
    WriteError : the study folder cannot be written.
    """
    started = datetime.now(UTC)
    with _new_run(manifest.folder, started) as (part, final):
        work = _Work(manifest, part, progress)
        work.read_before()
        bench = Bench(manifest, work.summaries)
        work.score_stored(bench)
        work.read_exposed(bench)
        found = Found(work.exposed, work.failures, work.unfit, work.tails)
        for name, rows in make_tables(bench, found).items():
            write_table(part / f"{name}.csv", rows, TABLES[name])
        _spectra(bench, work).to_netcdf(part / SPECTRA, engine="h5netcdf")
        provenance = record(
            manifest, started.isoformat(timespec="seconds"), work.hashes, work.failures
        )
        provenance["maps"] = work.maps
        provenance["quality"] = work.quality
        provenance["remarks"] = sorted(set(bench.remarks.values()))
        text = json.dumps(provenance, indent=1, ensure_ascii=False, allow_nan=False, default=str)
        (part / PROVENANCE).write_text(text + "\n", encoding="utf-8")
        _present(part)
        os.replace(part, final)
    _point_to(manifest.folder / "runs", final.name)
    return open_run(final)


def _present(folder: Path) -> None:
    """Write what people read: the figure, the methods text, the report."""
    from ..figures import write_figure
    from ..report import write_methods, write_report

    result = open_run(folder)
    write_figure(result, folder)
    write_methods(result, folder)
    write_report(result, folder)


class _Work:
    """The files of one run: what was read, what failed, where the score maps lie."""

    def __init__(self, manifest: Manifest, part: Path, progress: Progress | None):
        self.manifest, self.part, self.progress = manifest, part, progress
        self.summaries: list[MapSummary] = []
        self.exposed: list[MapSummary] = []
        self.hashes: dict[str, str] = {}
        self.failures: dict[str, str] = {}
        self.unfit: dict[str, str] = {}
        self.quality: list[dict[str, Any]] = []
        self.maps: list[dict[str, str]] = []
        self.tails: dict[str, dict[str, tuple[float, float]]] = {}
        self._axis: Any = None
        self._done = 0
        self._store = part / ".stored"
        self._number = {row.file: k for k, row in enumerate(manifest.measurements, start=1)}
        (part / "maps").mkdir()
        self._store.mkdir()

    def read_before(self) -> None:
        """Read references, blanks and spiked mock-ups; keep the processed maps until scored."""
        for row in self.manifest.measurements:
            if row.role in _BEFORE:
                found = self._measure(row)
                if found is not None and row.role != "reference":
                    found[1].to_netcdf(self._stored(row), engine="h5netcdf")
                if found is not None:
                    self.summaries.append(found[0])

    def score_stored(self, bench: Bench) -> None:
        """Score the blanks and spiked mock-ups of every stratum that has scores."""
        name = self.manifest.treatment
        for one in self.summaries:
            if one.row.role == "reference":
                continue
            path = self._stored(one.row)
            if one.row.stratum in bench.strata:
                array = xr.load_dataarray(path, engine="h5netcdf")
                self._keep_map(array, one.row, bench.scores(one.row.stratum, name))
            path.unlink()
        self._store.rmdir()

    def read_exposed(self, bench: Bench) -> None:
        """Read each exposed map once: reduce it and score its pixels."""
        for row in self.manifest.of_role("exposed"):
            found = self._measure(row)
            if found is None:
                continue
            summary, array = found
            self.exposed.append(summary)
            if bench.blanks(row.stratum):
                scores = bench.scores(row.stratum, bench.residue(row.treatment))
                self._keep_map(array, row, scores)

    def _measure(self, row: Measurement) -> tuple[MapSummary, xr.DataArray] | None:
        found = None
        try:
            path = self.manifest.folder / row.file
            self.hashes[row.file] = io.sha256(path)
            found = measure(self.manifest.folder, row, self.manifest.procedure, self._axis)
        except (ResiduekitError, OSError) as problem:
            self.failures[row.file] = str(problem)
        self._done += 1
        if self.progress is not None:
            self.progress(self._done, len(self.manifest.measurements), row.file)
        if found is None:
            return None
        summary, _ = found
        if self._axis is None:
            self._axis = summary.wavenumber
        self.quality.append({"file": row.file, **as_json(summary.quality)})
        if summary.quality["failed"]:
            self.unfit[row.file] = self.failures[row.file] = str(summary.quality["failed"])
            return None
        return found

    def _keep_map(self, array: xr.DataArray, row: Measurement, scores: tuple[Score, ...]) -> None:
        scored = score_map(array, row, scores)
        self.tails[row.file] = map_tail(scored)
        stem = "".join(c if c.isalnum() or c in "-_" else "_" for c in Path(row.file).stem)[:60]
        name = f"maps/{self._number[row.file]:04d}-{stem}.nc"
        scored.to_netcdf(self.part / name, engine="h5netcdf")
        self.maps.append({"file": row.file, "map": name, "role": row.role, "mockup": row.mockup})

    def _stored(self, row: Measurement) -> Path:
        return self._store / f"{self._number[row.file]}.nc"


def _spectra(bench: Bench, work: _Work) -> xr.Dataset:
    """The mean spectra: a row a mock-up, and a row a reference file."""
    references = [one for one in work.summaries if one.row.role == "reference"]
    means = mockup_means(
        [one for one in (*work.summaries, *work.exposed) if one.row.role != "reference"]
    )
    rows = [*(mean.row for mean in means), *(one.row for one in references)]
    spectra = [*(mean.mean for mean in means), *(one.mean for one in references)]
    dataset = xr.Dataset(
        {"spectrum": (("row", WAVENUMBER), np.array(spectra).reshape(len(rows), -1))},
        coords={WAVENUMBER: (WAVENUMBER, bench.wavenumber, {"units": WAVENUMBER_UNIT})},
    )
    for name in ("role", "mockup", "file", *ARM_COLUMNS, "loading_ug_cm2"):
        dataset = dataset.assign_coords({name: ("row", [getattr(row, name) for row in rows])})
    return dataset


@contextmanager
def _new_run(folder: Path, started: datetime) -> Iterator[tuple[Path, Path]]:
    """Give the folder to write in and the name it takes when all is done; else remove it."""
    runs = folder / "runs"
    stamp = started.strftime("%Y-%m-%dT%H-%M-%SZ")
    try:
        runs.mkdir(exist_ok=True)
        part = Path(tempfile.mkdtemp(prefix=".writing-", dir=runs))
    except OSError as problem:
        raise WriteError(
            Fault(
                f"a study folder that cannot be written ({problem})",
                "a folder you may write",
                "copy the study to a place of your own",
                file=str(folder),
            )
        ) from problem
    final, number = runs / stamp, 1
    while final.exists():
        number += 1
        final = runs / f"{stamp}-{number}"
    try:
        part.chmod(0o755)
        yield part, final
    finally:
        shutil.rmtree(part, ignore_errors=True)


def _point_to(runs: Path, name: str) -> None:
    part = runs / f".latest-{os.getpid()}"
    part.write_text(name + "\n", encoding="utf-8")
    os.replace(part, runs / "latest")
