"""From pixel positions in any order to a regular grid, with what is missing as NaN."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from .opening import refuse

_MOST_EMPTY = 16


def grid(path: Path, x: Any, y: Any) -> tuple[Any, Any, Any, Any]:
    """Find the grid that pixels at (x, y), each (n_pixels,), stand on.

    Returns x (n_x,) and y (n_y,), ascending, and the column and row (n_pixels,) of each pixel. A
    grid that is full may have any spacing; one with gaps is evenly spaced.

    Raises
    ------
    ReadError : positions off any such grid, or two pixels at one place.
    """
    columns, column = np.unique(x, return_inverse=True)
    rows, row = np.unique(y, return_inverse=True)
    if len(np.unique(row * columns.size + column)) != len(x):
        raise refuse(path, "two pixels at one place", "one row for each pixel (or, in a long map, "
                     "for each pixel and wavenumber)", "remove what stands twice")  # fmt: skip
    if columns.size * rows.size == len(x):
        return columns, rows, column, row
    columns, column = _even(path, "x", columns, column)
    rows, row = _even(path, "y", rows, row)
    if columns.size * rows.size > _MOST_EMPTY * len(x):
        raise refuse(path, f"{len(x)} pixels on a grid of {columns.size} x {rows.size}",
                     "x and y on a regular grid", "read the spectra as layout='points', or round "
                     "x and y to the grid")  # fmt: skip
    return columns, rows, column, row


def _even(path: Path, name: str, places: Any, index: Any) -> tuple[Any, Any]:
    """Evenly spaced places that hold the given ones, and the index into them."""
    if places.size < 2:
        return places, index
    step = np.diff(places).min()
    steps = (places - places[0]) / step
    whole = np.rint(steps)
    if np.abs(steps - whole).max() > 0.02 or whole[-1] > _MOST_EMPTY * index.size:
        raise refuse(path, f"{name} of uneven steps ({step:.6g} the smallest) with pixels missing",
                     "x and y on a regular grid", f"round {name} to the grid")  # fmt: skip
    whole = whole.astype(int)
    full = places[0] + step * np.arange(whole[-1] + 1)
    full[whole] = places
    return full, whole[index]
