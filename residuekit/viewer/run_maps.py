"""A map of a run as the run saw it: processed, with its scores, limits, blanks and gel."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from .. import io, schema
from ..decision.comparator import comparator_kind
from ..errors import Fault, ReadError, did_you_mean
from ..figures.stratum import in_stratum
from ..io import sha256
from ..results import StudyResult, open_run
from ..spectra.procedure import Procedure
from ..spectra.step_files import pinned
from ..words.common import blank_words, counted, stratum_of


def arguments_of(run: StudyResult | str | Path, file: str) -> dict[str, Any]:
    """What `gather` is given for one file of a run; the arguments are those of `view_run`."""
    result = run if isinstance(run, StudyResult) else open_run(run)
    record = result.provenance
    maps = {entry["file"]: entry["map"] for entry in record["maps"]}
    if file not in maps:
        raise ReadError(Fault(f"no score map of {file!r}", "a file that the run has scored",
                              did_you_mean(file, maps)))  # fmt: skip
    row = next(one for one in record["measurements"] if one["file"] == file)
    sheet = f"#{row['sheet']}" if row.get("sheet") else ""
    path = result.folder.parents[1] / file.removesuffix(sheet)
    if sha256(path) != record["inputs"][file]:
        raise ReadError(Fault("a file that has changed since the run", "the file as it was then",
                              "residuekit run DIR again", str(path)))  # fmt: skip
    scores = result.score_map(result.folder / maps[file])
    steps = [pinned(step, result.folder.parents[1]) for step in record["procedure"]]
    array = Procedure.from_steps(steps).apply(io.read(path, **row.get("options", {})))
    dims = schema.pixel_dims(array)
    state = {name: (dims, scores[name].values) for name in ("valid", "flag")}
    return {
        "array": array.assign_coords(state),
        "scores": scores,
        "markers": [{k: v for k, v in one.items() if v is not None} for one in record["markers"]],
        **_beside(result, scores.attrs),
        "limit": None,
        "quality": None,
        "title": f"{file}: {scores.attrs['role']} {scores.attrs['mockup']}. "
        f"{record['study']['title']}",
    }


def _beside(result: StudyResult, row: Mapping[Any, Any]) -> dict[str, Any]:
    """The comparator's mock-up means of the map's own stratum, and the gel in question."""
    spectra = result.spectra
    role, treatment = spectra["role"].values, spectra["treatment"].values
    own = np.array([stratum_of({name: spectra[name].values[k] for name in schema.STRATUM_COLUMNS})
                    == stratum_of(row) for k in range(role.size)])  # fmt: skip
    blank = own & (role == "blank")
    kind = comparator_kind(treatment[blank]) if blank.any() else ""
    blank &= treatment == kind
    gel = result.is_pure()
    axis, values = spectra[schema.WAVENUMBER].values, spectra["spectrum"].values
    quantity = str(spectra["spectrum"].attrs.get("quantity", "absorbance"))

    def points(rows: Any) -> xr.DataArray:
        return schema.make_points(rows, axis, quantity=quantity)

    return {
        "blanks": [points(mean) for mean in values[blank]] or None,
        "gel": points(values[gel]) if gel.any() else None,
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
