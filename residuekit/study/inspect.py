"""What a folder is and whether it is fit: a study before its run, or a run after it."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import asdict, replace
from pathlib import Path
from random import SystemRandom
from typing import Any

import numpy as np
import xarray as xr

from .. import io
from ..decision.net import ENOUGH_MEANS
from ..decision.pairs import BEFORE
from ..errors import Fault, ReadError, ResiduekitError, StudyError, grouped
from ..io.opening import ZARR_MARKS
from ..markers import marker_weights
from ..results import PROVENANCE, SPECTRA, open_run, read_provenance
from ..schema import MAP_DIMS, WAVENUMBER, make_points
from ..spectra.arrays import mean_spectrum, same_axis
from ..spectra.quality import Quality
from ..spectra.twins import Imprint, imprint
from ..words.codes import Note, sentences
from ..words.quality import assumed, bridged_channel, flags_found, how_to_state, points_only
from ..words.scale import scale_line, thin_on_mirror
from .bad_channels import Asked, Spikes, shared_channels, spikes_of, without_channels
from .cache import code_version
from .controls import StudyControls
from .file_faults import file_faults
from .grids import Grid, grid_of
from .how_read import by_pattern, read_row, read_row_aloud
from .kept import kept_reading
from .left_out import with_consequence
from .loading_faults import doubted_loadings
from .manifest import Manifest, examine, load_manifest
from .measure import checked_for, measure, with_assumed
from .measurements import TABLE_NAMES, Key, Measurement
from .mixed import Kind, mixed_faults
from .mockups import MapSummary, comparator, films_of, map_partners, mockup_of
from .reading import Reading
from .same_spectra import twin_faults
from .settings import SETTINGS, read_settings
from .step_losses import normalisation_notes, survival_faults
from .system import one_thread
from .tables import apart_notes

_MOST_REMARKS = 5
#: How it is said that an option is lacking: perhaps the one that is wrong in [[reading]].
_NOT_STATED = re.compile(r"no \w+")
#: Mean spectra of a run that `check` computes again; how far they may differ, of the highest.
_SAMPLE, _EQUAL = 6, 1e-6
#: A film of less, in ug cm-2 (about 1 um), lies in the weak field at a mirror.
_THIN = 100.0
Progress = Callable[[int, int, str], None]


def check_folder(path: str | Path, progress: Progress | None = None) -> str:
    """Check a study, files included, or a run, or describe a folder of spectra.

    Parameters
    ----------
    path : the folder. Nothing is written.
    progress : called with (files done, files in all, file).

    Returns
    -------
    What was found, in words.

    Raises
    ------
    StudyError : everything that is wrong, in one message; a folder that is none of these.
    ReadError : a folder of spectra that cannot be read.

    >>> check_folder("no such folder")
    Traceback (most recent call last):
    ...
    residuekit.errors.StudyError: found no folder 'no such folder'; needed a study folder; ...
    """
    folder = Path(path)
    if (folder / PROVENANCE).is_file():
        with io.inside(folder.resolve().parent.parent):
            return _check_run(folder)
    if folder.is_dir() and not any((folder / name).is_file() for name in (SETTINGS, *TABLE_NAMES)):
        return _describe_spectra(folder)
    with io.inside(folder), one_thread():
        return _check_study(folder, progress)


def _check_study(folder: Path, progress: Progress | None) -> str:
    manifest, faults = examine(folder)
    _, place, unsettled = read_settings(folder)
    settled = not unsettled
    half_stated = any(way[0] == "reading" and line in {fault.line for fault in unsettled}
                      for way, line in place.lines.items())  # fmt: skip
    unread = {fault.line for fault in file_faults(folder, "", manifest.measurements)}
    rows = [row for row in manifest.measurements if row.line not in unread]
    controls: list[MapSummary] = []
    grids: dict[str, Grid | None] = {}
    anew = bool(faults) or manifest.second_procedure is not None
    with nullcontext() if anew else kept_reading(manifest) as kept:
        wrong, notes, flags = _faults_of_files(
            manifest, rows, settled, controls, grids, progress, kept
        )
    faults += (fault for fault in wrong if not (half_stated and _NOT_STATED.match(fault.found)))
    wrong, doubts = doubted_loadings(manifest, controls)
    faults, said = faults + wrong, ""
    if not faults:
        faults, said = survival_faults(manifest)
    if faults:
        raise StudyError(grouped(faults))
    notes += [
        *manifest.notes,
        *normalisation_notes(manifest),
        *doubts,
        *_control_notes(manifest, controls, grids),
    ]
    listed = "".join(f"\n  note: {note}" for note in notes)
    end = "Nothing is wrong"
    if notes:
        end = f"It can be run; {len(notes)} note{'s' * (len(notes) > 1)} above"
    scales = "".join(f"\n  {line}" for line in _scales(manifest, controls))
    return f"{manifest}\n  {said}{flags}{scales}{listed}\n{end}: residuekit run {folder}"


def _describe_spectra(folder: Path) -> str:
    if io.holds_spectra(folder):
        try:
            return str(io.describe(folder))
        except ReadError as problem:
            fix = f"if each file is a measurement of its own: residuekit new STUDY --from {folder}"
            raise ReadError([replace(fault, fix=f"{fix}; if they are one map: {fault.fix}")
                              if fault.file == str(folder) else fault
                              for fault in problem.faults]) from problem  # fmt: skip
    marks = f"{', '.join(ZARR_MARKS[:-1])} or {ZARR_MARKS[-1]}"
    raise StudyError(
        Fault(f"a folder with no {SETTINGS} and no {TABLE_NAMES[0]} (a study), no {PROVENANCE} (a "
              f"run), no {marks} (a Zarr store), no map.toml and no files of spectra (a map)",
              "one of these", f"residuekit new {folder} for a study; or name one file in it",
              str(folder))
    )  # fmt: skip


def _faults_of_files(
    manifest: Manifest,
    rows: Sequence[Measurement],
    settled: bool,
    controls: list[MapSummary],
    grids: dict[str, Grid | None],
    progress: Progress | None,
    kept: Reading | None,
) -> tuple[list[Fault], list[str], str]:
    """Read every file and, if the settings stand, put its axis through the procedure and check its
    quality as a run does: every fault, what is to be noted, the flags. `controls` takes the means
    of blanks, spiked mock-ups and references, `grids` where pixels lie. What a run has `kept` of a
    file that is as it was is not done again."""
    faults: list[Fault] = []
    axes: list[Any] = []
    spikes: list[Spikes] = []
    imprints: list[tuple[Measurement, Imprint]] = []
    lost: set[str] = set()
    are_maps: set[bool] = set()
    kinds: list[Kind] = []
    found: dict[str, Quality] = {}
    measured: dict[str, Mapping[str, Any]] = {}
    remarks: list[str] = []
    for number, row in enumerate(rows, start=1):
        try:
            known = None if kept is None else kept.known(row)
            if known is not None and not known[1].quality["failed"]:
                look, summary = known
                remarks += look.warnings
                imprints.append((row, look.imprint))
                spikes.append(look.spikes)
                if row.role == "exposed":
                    are_maps.add(look.is_map)
                else:
                    controls.append(summary)
                kinds.append(Kind(row, summary.quantity, summary.technique))
                grids[row.file] = summary.grid
                _one_axis(manifest, axes, [summary.wavenumber])
                measured[row.file] = summary.quality
                continue
            array, warned = read_row_aloud(manifest.folder, row)
            remarks += warned
            if not row.doubtful:
                imprints.append((row, imprint(array)))
            grids[row.file] = grid_of(array)
            if row.role == "exposed":
                are_maps.add(array.dims == MAP_DIMS)
            if not settled or row.doubtful:
                continue
            made = [p.pattern(array) for p in manifest.procedures]
            kinds.append(Kind(row, str(made[0].name), str(made[0].attrs["technique"])))
            _one_axis(manifest, axes, [each[WAVENUMBER].values for each in made])
            if row.role != "exposed":
                controls.append(_processed_mean(manifest, row, array))
            spikes.append(spikes_of(array, row, Asked.of(manifest)))
            found[row.file] = _quality_of(manifest, array)
        except ResiduekitError as problem:
            faults += [_placed(fault, row, manifest.folder) for fault in problem.faults]
            if all(fault.file != SETTINGS for fault in problem.faults):
                lost.add(row.file)
        finally:
            if progress is not None:
                progress(number, len(rows), row.file)
    faults = by_pattern(faults, [row.path for row in manifest.measurements])
    faults += [*twin_faults(manifest, imprints), *mixed_faults(manifest, kinds)]
    channels = shared_channels(spikes)
    if measured and kept is not None and channels != kept.channels:
        controls.clear()
        return _faults_of_files(manifest, rows, settled, controls, grids, None, None)
    if channels:
        places = [one.wavenumber for one in channels]
        by_file = {row.file: row for row in rows}
        for file in found:
            array = without_channels(read_row(manifest.folder, by_file[file]), places)
            found[file] = _quality_of(manifest, array)
    faults += [
        Fault(f"a file that is not fit to be judged: {one.failed}",
              "a file that passes the quality check",
              one.remedy.replace("[quality]", f"[quality] of {SETTINGS}"), file)
        for file, one in found.items() if one.failed
    ]  # fmt: skip
    lost |= {file for file, one in found.items() if one.failed}
    faults = with_consequence(faults, () if any(row.doubtful for row in rows) else rows, lost)
    notes = [bridged_channel(asdict(one)) for one in channels] + remarks[:_MOST_REMARKS]
    if are_maps == {False}:
        notes.append(points_only())
    if len(remarks) > _MOST_REMARKS:
        notes.append(f"and {len(remarks) - _MOST_REMARKS} more such remarks on files")
    checked = [*measured.values(), *map(with_assumed, found.values())]
    told = (*flags_found(checked), *assumed(checked), *how_to_state(checked))
    flags = "".join(f"\n  {said}" for said in told)
    return faults, notes, flags


def _one_axis(manifest: Manifest, axes: list[Any], own: Sequence[Any]) -> None:
    """Hold the axes of a file, one a procedure, against those of the first, which are taken in."""
    if not axes:
        axes += own
        _measurable(manifest, axes)
    for axis, other in zip(axes, own, strict=True):
        same_axis(axis, other)


def _measurable(manifest: Manifest, axes: Sequence[Any]) -> None:
    """Refuse markers that the axes do not hold."""
    try:
        for axis in axes:
            marker_weights(manifest.markers, axis)
    except ResiduekitError as problem:
        where = f"in [markers] of {SETTINGS}, or another step crop in it"
        raise StudyError([replace(fault, file=SETTINGS, fix=f"{fault.fix}: {where}")
                          for fault in problem.faults]) from problem  # fmt: skip


def _processed_mean(manifest: Manifest, row: Measurement, array: xr.DataArray) -> MapSummary:
    """The mean of a file, put through the procedure: near enough to compare shapes."""
    technique = str(array.attrs["technique"])
    plain = make_points(
        mean_spectrum(array), array[WAVENUMBER].values, quantity=str(array.name),
        technique=technique,
    )  # fmt: skip
    mean = manifest.procedure.apply(plain)
    return MapSummary(
        row, "", mean[WAVENUMBER].values, mean_spectrum(mean), int(array["valid"].sum()), {},
        str(mean.name), technique,
    )  # fmt: skip


def _control_notes(
    manifest: Manifest, controls: Sequence[MapSummary], grids: Mapping[str, Grid | None]
) -> list[str]:
    """What blanks, spiked mock-ups and references say before anything is judged, and which maps of
    paired arms do not lie on each other."""
    known = StudyControls(manifest, controls, lambda _: iter(()), None)
    notes: dict[str, None] = {}
    for stratum in known.strata:
        for residue in known.of_stratum(stratum):
            found = [*known.reference_notes(stratum, residue), *_scatter_notes(known, stratum)]
            notes |= dict.fromkeys(sentences(found))
            notes |= dict.fromkeys(
                thin_on_mirror(one.row.file) for one in known.references(residue)
                if one.technique == "transflection" and 0 < one.row.loading_ug_cm2 < _THIN
            )  # fmt: skip
    return [*notes, *sentences(_difference_notes(manifest, known, grids))]


def _difference_notes(
    manifest: Manifest, known: StudyControls, grids: Mapping[str, Grid | None]
) -> Iterator[Note]:
    """Why mock-ups of paired arms and their blanks will have no difference map, as far as their
    grids say it."""
    paired: dict[str, None] = {}
    for own in manifest.arms().values():
        if known.pairing(own)[0] == BEFORE:
            beside = known.compared(own[0].stratum, BEFORE)
            paired |= dict.fromkeys(row.file for row in own)
            paired |= dict.fromkeys(file for one in beside for file in one.files)
    rows = [row for row in manifest.measurements if row.file in paired and row.file in grids]
    befores = (row for row in manifest.of_role(BEFORE) if row.file in grids)
    apart = map_partners(rows, befores, grids)[1]
    yield from apart_notes(apart, {row.file: row.mockup for row in rows})


def _scales(manifest: Manifest, controls: Sequence[MapSummary]) -> list[str]:
    """What the loadings of each residue rest on, and what that allows."""
    known = StudyControls(manifest, controls, lambda _: iter(()), None)
    lines: dict[str, None] = {}
    for stratum in known.strata:
        for residue in known.of_stratum(stratum):
            spiked = sum(one.row.loading_ug_cm2 > 0 for one in known.spiked(stratum, residue))
            films = films_of(known.references(residue))
            count = 0 if films is None else len(films.loadings)
            said = scale_line(
                residue, stratum, spiked, count, manifest.scale_margin,
                accepted=manifest.residue(residue).acceptance_limit is not None,
            )  # fmt: skip
            lines[said] = None
    return [*lines]


def _scatter_notes(known: StudyControls, stratum: Key) -> Iterator[Note]:
    """That blanks of one spectrum each are too few for a net signal."""
    blanks = comparator(known.blanks(stratum))
    if blanks and all(one.n_pixels == 1 for one in blanks) and len(blanks) < ENOUGH_MEANS:
        yield Note("single-spectra", {"n": len(blanks), "needed": ENOUGH_MEANS})


def _quality_of(manifest: Manifest, array: xr.DataArray) -> Quality:
    return checked_for(manifest.procedure, array, manifest.quality_arguments)


def _placed(fault: Fault, row: Measurement, folder: Path) -> Fault:
    """Name the file as the table does, and one in it or beside it by its path; a fault of a step
    keeps its place in the settings."""
    if fault.file == SETTINGS:
        return replace(fault, found=f"{row.file}: {fault.found}")
    other = Path(fault.file)
    if other != folder / row.path and other.is_relative_to(folder):
        return replace(fault, file=other.relative_to(folder).as_posix())
    return replace(fault, file=row.file)


_OTHER_CODE = "\nThe code of residuekit is another one since: run again to see what it changes."


def _check_run(folder: Path) -> str:
    """Say whether the inputs of a run are still what they were."""
    record = read_provenance(folder)
    study = folder.resolve().parent.parent
    sheets = {one["file"]: one.get("sheet") for one in record["measurements"]}
    faults = []
    for file, sha256 in record["inputs"].items():
        path = study / (file.removesuffix(f"#{sheets[file]}") if sheets.get(file) else file)
        if not path.exists():
            found = "a file that is gone"
        elif io.sha256(path) != sha256:
            found = "a file whose content has changed since the run"
        else:
            continue
        faults.append(
            Fault(found, "the file the run was made from", f"residuekit run {study.name}", file)
        )
    if faults:
        raise StudyError(faults)
    same_code = record["code"] == code_version()
    again = _computed_again(folder, study) if same_code else _OTHER_CODE
    return (
        f"A run of {record['study']['title']!r}, {record['started']}, residuekit "
        f"{record['residuekit']}\n{len(record['inputs'])} input files, all as they were."
        f"{again}"
    )


def _computed_again(run: Path, study: Path) -> str:
    """Compute some mean spectra of a run from their files, and say that they are as they were.

    Raises
    ------
    StudyError : one that its files do not give.
    """
    result, manifest = open_run(run), load_manifest(study)
    files: dict[tuple[Any, ...], list[Measurement]] = defaultdict(list)
    for row in manifest.measurements:
        if row.file not in result.failures:
            files[mockup_of(row)].append(row)
    sample = SystemRandom().sample(list(files.values()), min(_SAMPLE, len(files)))
    kept = dict(zip(result.spectra["file"].values, result.spectra["spectrum"].values, strict=True))
    faults = []
    for rows in sample:
        means = [_mean(manifest, row) for row in rows]
        was = kept.get(rows[0].file)
        mean = np.mean(means, axis=0)
        if was is None or not np.allclose(was, mean, rtol=0, atol=_EQUAL * np.abs(mean).max()):
            faults.append(
                Fault(f"a mean spectrum that {' and '.join(row.file for row in rows)} do not give",
                      "what the procedure makes of its files", f"residuekit run {study.name}",
                      SPECTRA)
            )  # fmt: skip
    if faults:
        raise StudyError(faults)
    return f"\n{len(sample)} of {len(files)} mean spectra were computed again: as they were."


def _mean(manifest: Manifest, row: Measurement) -> Any:
    digest = io.sha256(manifest.folder / row.path)
    options = manifest.quality_arguments
    return measure(manifest.folder, row, manifest.procedure, options, digest, "")[0].mean
