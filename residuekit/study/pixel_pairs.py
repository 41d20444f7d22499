"""What each pixel of a paired map differs by from the same pixel before treatment."""

from __future__ import annotations

import json
from collections.abc import Sequence

import numpy as np
import xarray as xr

from .. import schema
from ..decision.scores import Score
from ..kernels.spatial import texture_match
from ..words.differences import COMMENT
from .measure import score_map
from .measurements import Measurement


def difference_map(
    after: xr.DataArray, before: xr.DataArray, row: Measurement, scores: Sequence[Score]
) -> xr.Dataset | str:
    """Score what two processed maps of one grid differ by, or say why that is not done.

    Parameters
    ----------
    after, before : (y, x, wavenumber), pixels in the same order.
    row : that of the map after. scores : of a pixel less a pixel.

    Returns
    -------
    A Dataset as of `score_map`, valid where both maps are, with the standard error of a pixel's
    difference and what the blanks changed by (marker); or ``turned``, where the texture fits better
    another way round, or ``nothing in common``.
    """
    dims = schema.pixel_dims(after)
    valid = after["valid"].values & before["valid"].values
    if not valid.any():
        return "nothing in common"
    textures = [
        np.where(valid, one.values.mean(axis=-1, dtype=np.float64), np.nan)
        for one in (after, before)
    ]
    correlation, turned = texture_match(*textures)
    if turned:
        return "turned"
    source = schema.source(before)
    less = {"step": "less the map before", "file": source["file"], "sha256": source["sha256"]}
    apart = after.copy(data=after.values.astype(np.float64) - before.values).assign_coords(
        valid=(dims, valid), flag=(dims, after["flag"].values | before["flag"].values)
    )
    apart.attrs["history"] = json.dumps([*schema.history(after), less], ensure_ascii=False)
    found = score_map(apart, row, tuple(scores)).assign_coords(
        standard_error=("marker", [score.pixel_error for score in scores]),
        blank_change=("marker", [score.blank_mean / score.scale for score in scores]),
    )
    found.attrs |= {
        "layer": schema.DIFFERENCE,
        "before_source": before.attrs["source"],
        "texture_correlation": correlation,
        "comment": COMMENT,
    }
    return found
