"""Text tables of spectra, written: comment lines for what numbers cannot say, then the numbers."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import Fault, WriteError, did_you_mean
from ..schema import MAP_DIMS, WAVENUMBER
from .labelled import float32
from .own_files import state_of
from .text_table import SIGNATURE


def write(
    array: xr.DataArray, path: Path, *, layout: str | None = None, delimiter: str = ","
) -> None:
    """Write a labelled array as text (comma, or tab for .tsv), float32 in its shortest digits.

    `layout` is ``points`` for point spectra, ``wide map`` (the default) or ``long map`` for a map.

    Raises
    ------
    WriteError : a layout that does not fit, or coordinates and attributes a table cannot keep.
    """
    layout, rows = rows_of(array, path, layout)
    state = {"layout": layout, **state_of(array, path)}
    with Path(path).open("w", encoding="utf-8", newline="") as file:
        file.write(SIGNATURE + "\n")
        for key, value in state.items():
            file.write(f"# {key}: {json.dumps(value, ensure_ascii=False)}\n")
        csv.writer(file, delimiter=delimiter, lineterminator="\n").writerows(rows)


def rows_of(array: xr.DataArray, path: Path, layout: str | None) -> tuple[str, Iterator[list[str]]]:
    """Return the layout and the rows of cells of a table, the header first.

    Raises
    ------
    WriteError : a layout that does not fit the dims of the array.
    """
    layouts = ("wide map", "long map") if array.dims == MAP_DIMS else ("points",)
    layout = layout or layouts[0]
    if layout not in layouts:
        raise WriteError(
            Fault(f"layout={layout!r}", f"{' or '.join(layouts)} for dims {array.dims}",
                  did_you_mean(str(layout), layouts), str(path))
        )  # fmt: skip
    return layout, {"points": _points, "wide map": _wide, "long map": _long}[layout](array)


def _points(array: xr.DataArray) -> Iterator[list[str]]:
    names = array["spectrum"].values if "spectrum" in array.coords else range(array.shape[0])
    yield ["wavenumber (cm-1)", *(" ".join(str(name).split()) for name in names)]
    for axis, row in zip(array[WAVENUMBER].values, _texts(array.values.T), strict=True):
        yield [repr(float(axis)), *row]


def _wide(array: xr.DataArray) -> Iterator[list[str]]:
    unit = array["x"].attrs["units"]
    yield [f"x ({unit})", f"y ({unit})", *(repr(float(v)) for v in array[WAVENUMBER].values)]
    for y, line in zip(array["y"].values, array.values, strict=True):
        for x, row in zip(array["x"].values, _texts(line), strict=True):
            yield [repr(float(x)), repr(float(y)), *row]


def _long(array: xr.DataArray) -> Iterator[list[str]]:
    unit = array["x"].attrs["units"]
    yield [f"x ({unit})", f"y ({unit})", "wavenumber (cm-1)", str(array.name)]
    axis = [repr(float(v)) for v in array[WAVENUMBER].values]
    for y, line in zip(array["y"].values, array.values, strict=True):
        for x, row in zip(array["x"].values, _texts(line), strict=True):
            place = [repr(float(x)), repr(float(y))]
            yield from ([*place, v, value] for v, value in zip(axis, row, strict=True))


def _texts(values: Any) -> Iterator[list[str]]:
    """Rows of the shortest digits that give the same float32 back; NaN is an empty cell."""
    for row in np.asarray(float32(values)):
        yield ["" if text == "nan" else text for text in row.astype(str)]
