"""Flat binary: a file of numbers alone; all that it is must be stated."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import xarray as xr

from ..errors import Fault, ReadError
from ..schema import MAP_DIMS, WAVENUMBER
from .bare_array import from_numbers
from .opening import content, refuse, regular
from .options import FlatOptions, need, takes
from .pixel_grid import whole_numbers

NAME = "flat binary"
_INTERLEAVES = {"bsq": (WAVENUMBER, "y", "x"), "bil": ("y", WAVENUMBER, "x"), "bip": MAP_DIMS}


#: What is needed where they are lacking, and what to type.
_SHAPE = "3 whole numbers from 1: rows, columns, wavenumbers", "shape=(n_y, n_x, n_wavenumber)"
_NUMBERS = "one for each place along the spectra", "wavenumber='wavenumbers.txt' beside the file"


def _all_stated(path: Path, options: FlatOptions) -> None:
    """Refuse at once all that is not stated."""
    lacking = [Fault(f"no {name}", *said, str(path))
               for name, said in (("shape", _SHAPE), ("wavenumber", _NUMBERS))
               if getattr(options, name) is None]  # fmt: skip
    try:
        need(path, options, "quantity", "dtype", "byte_order", "interleave", "first_row")
    except ReadError as problem:
        lacking += problem.faults
    if lacking:
        raise ReadError(lacking)


@takes(FlatOptions)
def read(path: Path, options: FlatOptions) -> xr.DataArray:
    """Read a map from a file of numbers alone; `FlatOptions` says what must be stated.

    Raises
    ------
    ReadError : anything that is not stated; a size that does not fit.
    """
    _all_stated(path, options)
    sizes = whole_numbers(options.shape, 3)
    if sizes is None:
        raise refuse(path, f"shape={options.shape!r}", *_SHAPE)
    start = options.offset
    if whole_numbers([start], 1, least=0) is None:
        raise refuse(path, f"offset={start!r}", "a whole number from 0", "offset=0")
    kind = np.dtype(str(options.dtype)).newbyteorder(str(options.byte_order))  # type: ignore[arg-type]
    found = regular(path).stat().st_size
    wanted = start + sizes[0] * sizes[1] * sizes[2] * kind.itemsize
    if found != wanted:
        needed = f"{wanted} bytes for the shape {sizes} in {options.dtype} after {start} bytes"
        raise refuse(path, f"{found} bytes", needed, "mend shape, dtype or offset")
    dims = _INTERLEAVES[str(options.interleave)]
    ordered = [sizes[MAP_DIMS.index(dim)] for dim in dims]
    values = np.frombuffer(content(path), kind, offset=start).reshape(ordered)
    notes = {"layout": f"map, {options.interleave}",
             "numbers": f"{options.dtype}, {options.byte_order} endian"}  # fmt: skip
    return from_numbers(path, options, NAME, values, dims, notes)
