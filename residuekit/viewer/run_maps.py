"""A map of a run as the run saw it: processed, with its scores, limits, blanks and gel."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from .. import io, schema
from ..decision.comparator import comparator_kind
from ..errors import Fault, ReadError, did_you_mean
from ..figures.map_panel import difference_scale
from ..figures.stratum import in_stratum
from ..io import sha256
from ..results import StudyResult, open_run
from ..spectra.procedure import Procedure
from ..spectra.step_files import pinned
from ..words.common import blank_words, counted, stratum_of
from .photo import Photo, photo_of
from .shown import colour_scale


def arguments_of(run: StudyResult | str | Path, file: str) -> dict[str, Any]:
    """What `gather` is given for one file of a run; the arguments are those of `view_run`."""
    result = run if isinstance(run, StudyResult) else open_run(run)
    record = result.provenance
    entries = [entry for entry in record["maps"] if entry["file"] == file]
    if not entries:
        known = {entry["file"] for entry in record["maps"]}
        raise ReadError(Fault(f"no score map of {file!r}", "a file that the run has scored",
                              did_you_mean(file, known)))  # fmt: skip
    row = next(one for one in record["measurements"] if one["file"] == file)
    sheet = f"#{row['sheet']}" if row.get("sheet") else ""
    path = result.folder.parents[1] / file.removesuffix(sheet)
    if sha256(path) != record["inputs"][file]:
        raise ReadError(Fault("a file that has changed since the run", "the file as it was then",
                              "residuekit run DIR again", str(path)))  # fmt: skip
    scores = xr.concat([_scores(result, entry) for entry in entries], "marker", coords="minimal",
                       compat="override", join="override", combine_attrs="override")  # fmt: skip
    steps = [pinned(step, result.folder.parents[1]) for step in record["procedure"]]
    array = Procedure.from_steps(steps).apply(io.read(path, **row.get("options", {})))
    dims = schema.pixel_dims(array)
    state = {name: (dims, scores[name].values) for name in ("valid", "flag")}
    return {
        "array": array.assign_coords(state),
        "scores": scores,
        "markers": [{k: v for k, v in one.items() if v is not None} for one in record["markers"]],
        **_beside(result, scores.attrs, entries),
        "limit": None,
        "quality": None,
        "title": f"{file}: {scores.attrs['role']} {scores.attrs['mockup']}. "
        f"{record['study']['title']}",
        "scale": _scales(result, scores["marker"].values),
        "diverging": _differences(result),
        "photo": _photo(result, scores.attrs["mockup"]),
    }


def _scores(result: StudyResult, entry: Mapping[str, str]) -> xr.Dataset:
    """The scores of a map, named with their residue where the run has several, and with what the
    map shows where that is no plain score: `layer` of its entry, such as a difference."""
    found = result.score_map(result.folder / entry["map"])
    found = found.drop_vars(["standard_error", "blank_change"], errors="ignore")
    several = len({one["residue"] for one in result.provenance["maps"]}) > 1
    start = [entry["residue"]] if several else []
    start += [entry["layer"]] if "layer" in entry else []
    names = [", ".join([*start, str(name)]) for name in found["marker"].values]
    return found.assign_coords(marker=("marker", names))


def _differences(result: StudyResult) -> set[str]:
    """The names of the scores that are differences around zero."""
    own = (_scores(result, entry) for entry in result.map_entries(schema.DIFFERENCE))
    return {str(name) for scores in own for name in scores["marker"].values}


def _scales(result: StudyResult, wanted: Any) -> dict[str, tuple[float, float]]:
    """One scale of colours a score for all the files of the run."""
    pixels: dict[str, list[Any]] = {str(name): [] for name in wanted}
    limits: dict[str, list[float]] = {name: [] for name in pixels}
    for entry in result.provenance["maps"]:
        scores = _scores(result, entry)
        known = scores["valid"].values
        for k, name in enumerate(map(str, scores["marker"].values)):
            if name in pixels:
                pixels[name].append(scores["score"].values[k][known].astype(np.float64))
                limits[name].append(float(scores["pixel_limit"].values[k]))
    apart = _differences(result)
    return {
        name: (difference_scale if name in apart else colour_scale)(pixels[name], limits[name])
        for name in pixels
    }


def _photo(result: StudyResult, mockup: str) -> Photo | None:
    """The visible image of the study's figure, where it shows the mock-up and is still there."""
    figure = result.provenance["study"]["figure"]
    path = result.folder.parents[1] / figure.get("image", "")
    if not path.is_file() or figure.get("image_mockup", mockup) != mockup:
        return None
    return photo_of(path, figure["image_affine"])


def _beside(
    result: StudyResult, row: Mapping[Any, Any], entries: Sequence[Mapping[str, str]]
) -> dict[str, Any]:
    """The comparator's mock-up means of the map's own stratum, and the pure residues asked for."""
    spectra = result.spectra
    role, treatment = spectra["role"].values, spectra["treatment"].values
    own = np.array([stratum_of({name: spectra[name].values[k] for name in schema.STRATUM_COLUMNS})
                    == stratum_of(row) for k in range(role.size)])  # fmt: skip
    blank = own & (role == "blank")
    kind = comparator_kind(treatment[blank]) if blank.any() else ""
    blank &= treatment == kind
    named = {entry["residue"] for entry in entries}
    residues = [name for name in result.residues if name in named]
    gels = {name: own for name in residues if (own := result.of_residue(name).is_pure()).any()}
    axis, values = spectra[schema.WAVENUMBER].values, spectra["spectrum"].values
    quantity = str(spectra["spectrum"].attrs.get("quantity", "absorbance"))

    def points(rows: Any) -> xr.DataArray:
        return schema.make_points(rows, axis, quantity=quantity)

    return {
        "blanks": [points(mean) for mean in values[blank]] or None,
        "gel": {name if len(gels) > 1 else "": points(values[own]) for name, own in gels.items()}
        or None,
        "blank_words": _blank_words(result, row, kind),
    }


def _blank_words(result: StudyResult, row: Mapping[Any, Any], kind: str) -> str:
    """How many mock-ups, maps and pixels stand behind the blank mean."""
    table = result.mockups
    own = table[in_stratum(table, stratum_of(row)) & (table["role"] == "blank").to_numpy()]
    own = own[own["treatment"] == kind].drop_duplicates("mockup")
    maps, pixels = int(own["n_maps"].sum()), int(own["n_pixels"].sum())
    return (
        f"the mean spectra of {counted(len(own), f'{blank_words(kind)} mock-up')} "
        f"({counted(maps, 'file')}, {counted(pixels, 'pixel')})"
    )
