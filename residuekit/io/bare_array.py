"""Bare arrays of numbers, of NumPy files, TIFF and flat binary; what they cannot say is asked.

Such a file knows neither its quantity, its wavenumbers nor which way is up: all three are stated.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..schema import MAP_DIMS, POINT_DIMS
from .labelled import spectra
from .opening import content, is_below, refuse
from .options import BareOptions, need
from .pixel_grid import positions
from .unit_words import as_fraction, to_wavenumber


def from_numbers(
    path: Path,
    options: BareOptions,
    reader: str,
    values: Any,
    dims: Sequence[str] | None,
    notes: Mapping[str, Any],
) -> xr.DataArray:
    """Make the labelled array of numbers with these dims, a map or point spectra.

    Raises
    ------
    ReadError : dims that do not fit, what is not stated, wavenumbers that do not fit.
    """
    wanted = {2: POINT_DIMS, 3: MAP_DIMS}.get(values.ndim, ())
    if not (isinstance(dims, list | tuple) and wanted and sorted(map(str, dims)) == sorted(wanted)):
        raise refuse(path, f"dims={dims!r} for an array of shape {values.shape}",
                     f"{MAP_DIMS} in the order of the array, or {POINT_DIMS}",
                     "dims=('y', 'x', 'wavenumber')")  # fmt: skip
    need(path, options, "quantity", *(("first_row",) if wanted == MAP_DIMS else ()))
    axis = to_wavenumber(path, wavenumbers(path, options), options.x_unit)
    values = values.transpose([list(dims).index(dim) for dim in wanted])
    if axis.size != values.shape[-1]:
        raise refuse(path, f"{axis.size} wavenumbers for an array of shape {values.shape} {wanted}",
                     f"{values.shape[-1]} wavenumbers", "mend wavenumber or dims")  # fmt: skip
    values, scale = as_fraction(path, values, str(options.quantity), options.percent)
    notes = {**notes, **scale}
    x = y = None
    if wanted == MAP_DIMS:
        values = values[::-1] if options.first_row == "top" else values
        notes |= {"y order": f"the first row lies at the {options.first_row}, as stated"}
        x, y = positions(path, values.shape[1], values.shape[0], options.step)
    return spectra(path, reader, values, axis, notes, quantity=options.quantity,
                   technique=options.technique, x=x, y=y)  # fmt: skip


def wavenumbers(path: Path, options: BareOptions) -> Any:
    """Return the wavenumbers (n,), in their unit, from a list or a text file beside the data.

    Raises
    ------
    ReadError : none stated, or no list of finite numbers.
    """
    given: Any = options.wavenumber
    if given is None:
        raise refuse(path, "no wavenumbers", "one for each place along the spectra", "wavenumber="
                     "[...], or wavenumber='wavenumbers.txt' beside the file")  # fmt: skip
    where: Any = path
    if isinstance(given, str):
        if not is_below(given):
            raise refuse(path, f"wavenumber={given!r}", "the name of a file beside this one",
                         "put it there")  # fmt: skip
        where = path.parent / given
        given = content(where).decode("latin-1").replace(",", " ").split()
    try:
        axis = np.asarray(given, dtype=float)
    except (TypeError, ValueError) as error:
        raise refuse(where, f"wavenumbers that are no numbers ({error})", "numbers only",
                     "one number a line") from error  # fmt: skip
    if axis.ndim != 1 or axis.size == 0 or not np.isfinite(axis).all():
        raise refuse(where, f"wavenumbers of shape {axis.shape}", "a list of finite numbers",
                     "wavenumber=[...]")  # fmt: skip
    return axis
