"""One measured file: read, checked, put through the procedure, reduced to what is kept of it."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from .. import io, schema
from ..decision.scores import Score
from ..errors import ContractError, Fault, ReadError
from ..kernels.spatial import largest_patch
from ..labels import assumed
from ..spectra.arrays import mean_spectrum, valid_spectra
from ..spectra.procedure import Procedure
from ..spectra.quality import Quality, check_quality
from .bad_channels import without_channels
from .grids import grid_of
from .how_read import read_row
from .measurements import Measurement
from .mockups import MapSummary

UPPER_TAIL = 0.99


def measure(
    folder: Path,
    row: Measurement,
    procedure: Procedure,
    quality: Mapping[str, Any],
    sha256: str,
    key: str,
    channels: Sequence[float] = (),
    read: xr.DataArray | None = None,
) -> tuple[MapSummary, xr.DataArray]:
    """Read one file and apply the procedure: what is kept of it, and the processed array.

    `quality` holds the arguments of `residuekit.check_quality`; `key` names what the summary is
    made from; `channels` are the instrument's bad ones, to be bridged; `read` is the file where it
    was read before. A map that fails the quality check keeps the reason in its summary's `quality`.

    Raises
    ------
    ResiduekitError : a file that cannot be read, is not the one with this sha256 any more, or does
        not fit the procedure.
    """
    with io.inside(folder):
        array = read_row(folder, row) if read is None else read
    array = schema.summed(array)
    if schema.source(array).get("sha256") != sha256:
        raise ReadError(
            Fault("a file that was replaced while the study ran", "files that stay as they are",
                  "run the study again", row.file)
        )  # fmt: skip
    if row.role == "reference":
        procedure = procedure.for_pure_materials()
    array = without_channels(array, channels)
    checked = checked_for(procedure, array, quality)
    state = {name: checked.array[name] for name in ("valid", "flag")}
    array = procedure.apply(array.assign_coords(state))
    spectra = valid_spectra(array)
    if not len(spectra):
        raise ContractError(
            Fault(checked.failed or "no valid pixel after the procedure",
                  "at least one valid pixel", "measure again, or leave the file out")
        )  # fmt: skip
    summary = MapSummary(
        row=row,
        key=key,
        wavenumber=array[schema.WAVENUMBER].values,
        mean=mean_spectrum(array),
        n_pixels=len(spectra),
        quality={**with_assumed(checked), "words": list(checked.words)},
        quantity=str(array.name),
        technique=str(array.attrs["technique"]),
        grid=grid_of(array),
    )
    return summary, array


def checked_for(procedure: Procedure, array: xr.DataArray, quality: Mapping[str, Any]) -> Quality:
    """Check a file where it matters: in the range that the procedure keeps, once it is mended."""
    mended = procedure.mending().apply(array)
    return check_quality(mended, scored=procedure.kept_range(array), **quality)


def with_assumed(checked: Quality) -> dict[str, Any]:
    """What the check of a file found, and what its reader assumed, where it did."""
    taken = assumed(checked.array)
    return {**checked.row(), **({"assumed": taken} if taken else {})}


def score_map(array: xr.DataArray, row: Measurement, scores: tuple[Score, ...]) -> xr.Dataset:
    """Score every pixel of a processed map, in loading units less the blank mean.

    Returns a Dataset with `score` (marker, y, x) or (marker, spectrum), NaN where a pixel is not
    valid, and the coordinates unit and pixel_limit (marker).
    """
    spectra = array.values.astype(np.float64)
    values = np.stack([score.loading(spectra) for score in scores])
    values[:, ~array["valid"].values] = np.nan
    dims = ("marker", *schema.pixel_dims(array))
    found = xr.Dataset(
        {"score": (dims, values.astype(np.float32))},
        coords={
            **{name: array[name] for name in (*schema.pixel_dims(array), "valid", "flag")},
            "unit": ("marker", [score.blindness.unit for score in scores]),
            "pixel_limit": ("marker", [score.pixel_limit for score in scores]),
        },
    ).assign_coords(marker=[score.name for score in scores])
    found.attrs = {
        "file": row.file,
        "role": row.role,
        "mockup": row.mockup,
        "paint": row.paint,
        "soiling": row.soiling,
        "ageing_h": row.ageing_h,
        "treatment": row.treatment,
        "exposure_min": row.exposure_min,
        "clearance_min": row.clearance_min,
        "clearance": row.clearance,
        "technique": array.attrs["technique"],
        "source": array.attrs["source"],
        "history": json.dumps([*schema.history(array), {"step": "score"}], ensure_ascii=False),
    }
    return found


def map_tail(scored: xr.Dataset) -> dict[str, tuple[float, float]]:
    """Score -> (99th percentile of the valid pixels, largest patch above the pixel limit as a share
    of them). Points have no patches: NaN."""
    tails = {}
    for number, name in enumerate(scored["marker"].values):
        values = scored["score"].values[number]
        seen = values[np.isfinite(values)]
        share = math.nan
        if values.ndim == 2:
            with np.errstate(invalid="ignore"):
                above = values > scored["pixel_limit"].values[number]
            share = largest_patch(above) / seen.size
        tails[str(name)] = (float(np.quantile(seen, UPPER_TAIL)), share)
    return tails
