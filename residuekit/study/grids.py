"""Whether a map before treatment and a map after it show the same pixels: what agrees means."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

Floats = npt.NDArray[np.float64]
#: Recorded centres of pixels that lie farther apart than this share of a pixel do not agree.
_SAME_PLACE = 0.1


@dataclass(frozen=True)
class Grid:
    """Where a map's pixels lie: their recorded centres, ascending, and the unit of these."""

    x: Floats
    y: Floats
    unit: str

    @property
    def pixel(self) -> float:
        """The distance of neighbouring pixels, the smaller of both ways; 1 of a single pixel."""
        steps = [float(np.diff(at).min()) for at in (self.x, self.y) if at.size > 1]
        return min(steps, default=1.0)


def grid_of(array: xr.DataArray) -> Grid | None:
    """The grid of a map; None of points."""
    if "y" not in array.dims:
        return None
    x, y = (array[name].values.astype(np.float64) for name in ("x", "y"))
    return Grid(x, y, str(array["x"].attrs["units"]))


def why_apart(after: Grid, before: Grid) -> str:
    """Why two grids do not agree; empty where they do.

    They agree when both state the size of a pixel, have as many pixels along x and along y, pixels
    of one size, and each recorded centre within a tenth of a pixel of the other's. A labelled array
    runs along ascending x and y, so that recorded positions hold its orientation; what they do not
    record, the paint's texture may show (`kernels.spatial.texture_match`).
    """
    if "pixel" in (after.unit, before.unit):
        return "unscaled"
    sides = ((after.x, before.x), (after.y, before.y))
    if any(one.size != other.size for one, other in sides):
        return "size"
    near = _SAME_PLACE * after.pixel
    if any(abs(np.ptp(one) - np.ptp(other)) > near for one, other in sides):
        return "step"
    if any(np.abs(one - other).max() > near for one, other in sides):
        return "place"
    return ""


_ORDER = ("unscaled", "size", "step", "place")


def partners(
    afters: Sequence[Grid | None], befores: Sequence[Grid | None]
) -> list[tuple[int | None, str]]:
    """For each file of a mock-up after treatment the place of its file before, or why there is
    none; neither where there is no file before, nor for points, unless one of the states is mapped.

    A grid that agrees with several of the other state is nobody's: which belong together is not
    known.
    """
    maps = [(place, grid) for place, grid in enumerate(befores) if grid is not None]
    apart = [[None if one is None else why_apart(one, grid) for _, grid in maps] for one in afters]
    shared = [sum(row[k] == "" for row in apart) for k in range(len(maps))]
    found: list[tuple[int | None, str]] = []
    for one, row in zip(afters, apart, strict=True):
        fits = [k for k, why in enumerate(row) if why == ""]
        if one is None or not maps:
            half = bool(befores) and (one is None) == bool(maps)
            found.append((None, "points" if half else ""))
        elif not fits:
            found.append((None, max(map(str, row), key=_ORDER.index)))
        elif len(fits) > 1 or shared[fits[0]] > 1:
            found.append((None, "several"))
        else:
            found.append((maps[fits[0]][0], ""))
    return found
