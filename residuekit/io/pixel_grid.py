"""From pixel positions in any order to a regular grid, with what is missing as NaN."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from .labelled import stored
from .opening import refuse

_MOST_EMPTY = 16


def upright(path: Path, x: Any, y: Any, values: Any) -> tuple[Any, Any, Any, dict[str, str]]:
    """Put spectra (n_pixels, n_wavenumber) at x and y, each (n_pixels,), on their grid.

    A grid that is full may have any spacing; one with gaps is evenly spaced.

    Returns
    -------
    The map (n_y, n_x, n_wavenumber), row 0 at the lowest y; x (n_x,) and y (n_y,), ascending; what
    there is to say of missing pixels.

    Raises
    ------
    ReadError : positions off any such grid, or two pixels at one place.
    """
    columns, rows, place = _grid(path, x, y)
    cube = stored(path, values)
    n_pixels = rows.size * columns.size
    if not np.array_equal(place, np.arange(n_pixels)):
        spectra, cube = cube, np.full((n_pixels, values.shape[-1]), np.nan, dtype=np.float32)
        cube[place] = spectra
    missing = n_pixels - len(x)
    notes = {"missing pixels": str(missing)} if missing else {}
    return cube.reshape(rows.size, columns.size, -1), columns, rows, notes


def _grid(path: Path, x: Any, y: Any) -> tuple[Any, Any, Any]:
    """The x (n_x,) and y (n_y,) of the grid; the place (n_pixels,) of each pixel, by rows."""
    columns, column = np.unique(x, return_inverse=True)
    rows, row = np.unique(y, return_inverse=True)
    if len(np.unique(row * columns.size + column)) != len(x):
        raise refuse(path, "two pixels at one place", "one row for each pixel (or, in a long map, "
                     "for each pixel and wavenumber)", "remove what stands twice")  # fmt: skip
    if columns.size * rows.size != len(x):
        columns, column = _even(path, "x", columns, column)
        rows, row = _even(path, "y", rows, row)
    if columns.size * rows.size > _MOST_EMPTY * len(x):
        raise refuse(path, f"{len(x)} pixels on a grid of {columns.size} x {rows.size}",
                     "x and y on a regular grid", "read the spectra as layout='points', or round "
                     "x and y to the grid")  # fmt: skip
    return columns, rows, row * columns.size + column


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


def whole_numbers(given: Any, count: int, least: int = 1) -> list[int] | None:
    """Return `count` whole numbers from `least`, or None where these are none.

    >>> whole_numbers((2, 3.0), 2), whole_numbers("23", 2), whole_numbers([True, 0], 2)
    ([2, 3], None, None)
    """
    try:
        sizes = [int(size) for size in given if not isinstance(size, bool)]
        fits = sizes == list(given) and len(sizes) == count and min(sizes) >= least
    except (TypeError, ValueError, OverflowError):
        return None
    return sizes if fits else None


def positions(path: Path, n_x: int, n_y: int, step: Any) -> tuple[Any, Any]:
    """Return the x (n_x,) and y (n_y,) of a grid with this step in um; None, None without one.

    Raises
    ------
    ReadError : a step that is not one or two numbers above zero.
    """
    if step is None:
        return None, None
    try:
        steps = np.broadcast_to(np.asarray(step, dtype=float), 2)
    except (TypeError, ValueError):
        steps = np.zeros(2)
    if not (np.isfinite(steps).all() and (steps > 0).all()):
        raise refuse(path, f"step={step!r}", "um from pixel to pixel: one number, or (x, y)",
                     "step=5.5")  # fmt: skip
    return np.arange(n_x) * steps[0], np.arange(n_y) * steps[1]
