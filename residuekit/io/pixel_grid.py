"""From pixel positions in any order to a regular grid, with what is missing as NaN."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import numpy as np

from .labelled import stored
from .opening import refuse
from .unit_words import position_unit_of

_MOST_EMPTY = 16
_NUMBER = r"([+-]?\d+(?:[.,]\d+)?)"
_UNIT = r"\s*(um|µm|μm|mm|px|pixels?)?"
_PLACES = (
    re.compile(rf"(?<![a-z])x[ _=:]*{_NUMBER}{_UNIT}[ _,;/|-]*y[ _=:]*{_NUMBER}{_UNIT}(?![a-z\d])",
               re.IGNORECASE),
    re.compile(rf"\(\s*{_NUMBER}{_UNIT}\s*[,;/| ]\s*{_NUMBER}{_UNIT}\s*\)", re.IGNORECASE),
)  # fmt: skip


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
        places = np.stack([np.asarray(x), np.asarray(y)], axis=1)
        each, count = np.unique(places, axis=0, return_counts=True)
        twice = each[np.argmax(count)]
        raise refuse(path, f"two pixels at one place, x {twice[0]:g} and y {twice[1]:g}",
                     "one spectrum for each pixel (in a long map, one row for each pixel and "
                     "wavenumber)", "remove what stands twice")  # fmt: skip
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


def places_in(names: Iterable[Any]) -> tuple[Any, Any, str, dict[str, str]] | None:
    """Return x and y (n,), their unit and what was assumed, where every name holds its place.

    >>> places_in(["pt_x0000_y0200", "pt_x0025_y0200"])[:3]
    (array([ 0., 25.]), array([200., 200.]), 'um')
    >>> places_in(["(0, 5 mm)", "(1, 5 mm)"])[1], places_in(["x1 y1", "dark"])
    (array([5000., 5000.]), None)
    """
    found = []
    for name in names:
        place = next(filter(None, (one.search(str(name)) for one in _PLACES)), None)
        if place is None:
            return None
        x, x_unit, y, y_unit = place.groups()
        unit = y_unit or x_unit
        found.append((float(x.replace(",", ".")), float(y.replace(",", ".")), unit))
    units = {unit for _, _, unit in found}
    if len(found) < 2 or len(units) > 1:
        return None
    x, y = (np.array([place[axis] for place in found]) for axis in (0, 1))
    known = position_unit_of(units.pop() or "")
    if known is None:
        unit = assumed_unit(x, y)
        return x, y, unit, {"position unit": f"assumed {unit}"}
    return x * known[1], y * known[1], known[0], {}


def assumed_unit(x: Any, y: Any) -> str:
    """Return the unit of places that state none: pixels where they are counted, else um."""
    steps = [np.diff(np.unique(places)) for places in (x, y)]
    return "pixel" if all((step == 1).all() for step in steps) else "um"


def walk(n_y: int, n_x: int, order: str, start: str) -> tuple[Any, Any]:
    """The row and column (n_y * n_x,) of each place in the order of measuring, row 0 lowest."""
    by_rows = order.startswith("rows")
    outer, inner = (n_y, n_x) if by_rows else (n_x, n_y)
    line, place = (part.ravel() for part in np.indices((outer, inner)))
    if order.endswith("snake"):
        place = np.where(line % 2 == 1, inner - 1 - place, place)
    row, column = (line, place) if by_rows else (place, line)
    if start.startswith("top"):
        row = n_y - 1 - row
    if start.endswith("right"):
        column = n_x - 1 - column
    return row, column


def refuse_other_walk(path: Path, names: Iterable[Any], rows: Any, columns: Any) -> None:
    """Refuse a stated order that puts spectra elsewhere than their names do, but for a flip."""
    named = places_in(names)
    if named is None:
        return
    for places, stated in ((named[0], columns), (named[1], rows)):
        rank = np.unique(places, return_inverse=True)[1]
        if not (np.array_equal(rank, stated) or np.array_equal(rank.max() - rank, stated)):
            raise refuse(path, "names that say other places than the stated shape and order",
                         "one of the two", "leave shape, order and start out: the names make the "
                         "map")  # fmt: skip


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
