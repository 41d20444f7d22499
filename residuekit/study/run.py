"""Run a study: measured files in, a run folder out, whole or not at all.

Only what is new or changed is computed again: what was made from the same content, procedure and
code is kept in ``runs/.cache``.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..io.netcdf import write_own
from ..results import CHANGES, PROVENANCE, SECOND, SPECTRA, TABLES, StudyResult, open_run
from ..schema import ARM_COLUMNS, SECOND_COLUMNS, WAVENUMBER, WAVENUMBER_UNIT
from ..words.findings import made_elsewhere
from ..words.quality import bridged_channel
from .cache import Cache
from .changes import what_changed
from .controls import StudyControls
from .loading_faults import refuse_doubted
from .manifest import Manifest
from .measurements import as_rows
from .mixed import refuse_mixed
from .mockups import mockup_means
from .provenance import as_json, record
from .reading import Progress, Reading
from .registration import registered
from .run_folder import CACHE, alone, last_run, move_in, new_run, point_to
from .same_spectra import refuse_still
from .second import beside_each_other, second_verdicts, warn_of_differing
from .standing import keep_state
from .step_losses import normalisation_notes, refuse_eaten
from .system import give_memory_back
from .tables import Found, judge_arms, make_tables, write_table
from .work import Workers


def run_study(
    manifest: Manifest, progress: Progress | None = None, workers: Workers | None = None
) -> StudyResult:
    """Compute everything a study asks and write its run folder.

    Channels that are bad in file after file are the instrument's: looked for in all files, and
    bridged. Then references, blanks and spiked mock-ups are read; what each score can see and which
    one decides stands fixed before an exposed map is processed. A file that cannot be used is named
    and left out; the rest is done. The folder appears complete or not at all.

    Parameters
    ----------
    progress : called with (files done, files in all, file).
    workers : who reads and scores the files; this process if it is left out.

    Raises
    ------
    StudyError : quantities or techniques mixed in a stratum; a procedure that eats the gel's band;
        one measurement under two names; blanks that do not differ.
    WriteError : the study folder cannot be written.
    """
    started, clock = datetime.now(UTC), time.perf_counter()
    before = last_run(manifest.folder)
    with new_run(manifest.folder) as part:
        cache = Cache(manifest.folder / "runs" / CACHE)
        steps = _in_turn(progress, 1 if manifest.second_procedure is None else 2)
        work = Reading(manifest, part, cache, next(steps), workers)
        work.find_bad_channels()
        work.read_controls()
        refuse_mixed(manifest, work.controls)
        refuse_eaten(work.usable)
        refuse_doubted(manifest, work.controls)
        controls = work.study_controls()
        refuse_still(controls)
        work.score_controls(controls)
        work.read_exposed(controls)
        refuse_mixed(manifest, [*work.controls, *work.exposed])
        work.score_differences(controls)
        found = Found(work.exposed, work.failures, work.unfit, work.tails, work.apart)
        arms = list(judge_arms(controls, found))
        tables = make_tables(controls, found, arms)
        for name, rows in tables.items():
            write_table(part / f"{name}.csv", rows, TABLES[name])
        write_own(_spectra(controls, work), part / SPECTRA)
        remarks = [
            *(bridged_channel(asdict(one)) for one in work.channels),
            *controls.remarks,
            *manifest.notes,
            *normalisation_notes(work.usable),
        ]
        if manifest.second_procedure is not None:
            other, said = second_verdicts(work, next(steps))
            beside = beside_each_other(tables["verdicts"], other)
            write_table(part / SECOND, beside, SECOND_COLUMNS)
            remarks += said
        if cache.foreign:
            remarks.append(made_elsewhere(len(cache.foreign)))
        provenance = record(
            manifest, started.isoformat(timespec="seconds"), work.hashes, work.failures
        )
        provenance["measurements"] = [as_json(row) for row in as_rows(manifest.measurements)]
        provenance["notes"] = [one.notes() for one in arms]
        provenance["maps"] = work.maps
        provenance["quality"] = work.quality
        provenance["bad_channels"] = [asdict(one) for one in work.channels]
        provenance["remarks"] = remarks
        provenance["registration"] = registered(manifest)
        provenance["paint_variation"] = controls.paint_variation()
        provenance["computed"] = sorted(work.computed)
        if manifest.trial.rows:
            provenance["trial"] = _write_trial(manifest, tables["verdicts"], part)
        provenance["seconds"] = {"files": round(work.seconds, 1)}
        _write_record(provenance, part)
        (part / CHANGES).write_text(what_changed(before, open_run(part)), encoding="utf-8")
        del controls, found, arms  # with them go the metrics
        work.clear()
        _present(part, work.score_maps())
        rest = time.perf_counter() - clock - work.seconds
        provenance["seconds"]["rest"] = round(rest, 1)
        _write_record(provenance, part)
        final = move_in(part, started)
        point_to(manifest.folder / "runs", final.name)
        result = open_run(final)
        keep_state(manifest, work.hashes, cache, result)
        with alone(manifest.folder / "runs") as nobody_else:
            if nobody_else:
                cache.prune()
    warn_of_differing(result)
    return result


def _write_record(record: dict[str, Any], part: Path) -> None:
    text = json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False, default=str)
    (part / PROVENANCE).write_text(text + "\n", encoding="utf-8")


def _in_turn(progress: Progress | None, parts: int) -> Iterator[Progress | None]:
    """One progress for each of the parts of a run that go through all files."""
    for number in range(parts):
        if progress is None:
            yield None
        else:
            yield partial(_advance, progress, number, parts)


def _advance(progress: Progress, number: int, parts: int, done: int, total: int, what: str) -> None:
    progress(number * total + done, parts * total, what)


def _present(folder: Path, score_maps: dict[Path, xr.Dataset]) -> None:
    """Write what people read: figure and caption, methods text, tables, report."""
    from ..figures import write_figure
    from ..report import (
        write_caption,
        write_methods,
        write_panels,
        write_report,
        write_summary,
        write_tables,
    )

    result = open_run(folder)
    result.know_maps(score_maps)
    write_figure(result, folder)
    write_panels(result, folder)
    give_memory_back()
    write_caption(folder)
    write_methods(result, folder)
    write_tables(result, folder)
    write_summary(result, folder)
    write_report(result, folder)


def _write_trial(
    manifest: Manifest, verdicts: Sequence[dict[str, Any]], folder: Path
) -> dict[str, Any]:
    """Write the other criteria of the trial beside the verdicts, and return their record."""
    from ..trial import summarise, write_trial

    summary = summarise(
        manifest.trial,
        verdicts,
        working_exposure_min=manifest.working_exposures or manifest.working_exposure_min,
        alpha=manifest.alpha,
    )
    return {**summary.record(), "files": write_trial(summary, folder, manifest.title)}


def _spectra(controls: StudyControls, work: Reading) -> xr.Dataset:
    """The mean spectra: a row a mock-up, and a row a reference file."""
    everything = [*work.controls, *work.exposed]
    references = [one for one in everything if one.row.role == "reference"]
    means = mockup_means(one for one in everything if one.row.role != "reference")
    rows = [*(mean.row for mean in means), *(one.row for one in references)]
    spectra = [*(mean.mean for mean in means), *(one.mean for one in references)]
    axis = everything[0].wavenumber if everything else controls.wavenumber
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
    return dataset.assign_coords(material=("row", [row.carried for row in rows]))
