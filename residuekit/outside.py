"""What plain xarray makes of a labelled array: its dims brought back, changed numbers noticed."""

from __future__ import annotations

import zlib
from typing import Any, NamedTuple

import numpy as np
import xarray as xr

WAVENUMBER = "wavenumber"
MAP_DIMS = ("y", "x", WAVENUMBER)
POINT_DIMS = ("spectrum", WAVENUMBER)

#: The encoding goes with selections and copies, is lost in every computation, and no file keeps it.
_KEY = "residuekit"
_SAMPLE = 256


class _Mark(NamedTuple):
    """The numbers as the library made them: pixels, channels, checksum of a sample (None: lazy)."""

    pixels: int
    channels: int
    sample: int | None


def arranged(array: xr.DataArray) -> xr.DataArray:
    """Bring an array back to the dims of a map or of points wherever its meaning is clear.

    Dims are put in order and descending axes turned round. A row or a column of a map becomes
    points, one pixel or a mean over pixels one spectrum; positions stay as coordinates of these.

    >>> row = xr.DataArray(np.zeros((3, 2)), dims=("wavenumber", "x"), coords={"x": [0.0, 5.5]})
    >>> arranged(row).dims, arranged(row)["x"].values.tolist()
    (('spectrum', 'wavenumber'), [0.0, 5.5])
    """
    found = set(array.dims)
    if found in ({WAVENUMBER}, {"y", WAVENUMBER}, {"x", WAVENUMBER}):
        array = _as_points(array)
    for dims in (MAP_DIMS, POINT_DIMS):
        if set(array.dims) == set(dims) and array.dims != dims:
            array = array.transpose(*dims)
    for dim in array.dims:
        axis = array.coords.get(dim)
        numbers = axis is not None and dim != "spectrum" and axis.dtype.kind == "f"
        if axis is not None and numbers and axis.size > 1 and axis.values[0] > axis.values[-1]:
            array = array.isel({dim: slice(None, None, -1)})
    return array


def _as_points(array: xr.DataArray) -> xr.DataArray:
    pixels = [dim for dim in array.dims if dim != WAVENUMBER]
    if pixels:
        array = array.drop_vars("spectrum", errors="ignore").swap_dims({pixels[0]: "spectrum"})
    else:
        array = array.expand_dims("spectrum")
    count = array.sizes["spectrum"]
    if "spectrum" not in array.coords:
        array = array.assign_coords(spectrum=np.arange(count))
    single = {
        name: ("spectrum", np.repeat(array[name].values, count), array[name].attrs)
        for name in ("y", "x", "valid", "flag")
        if name in array.coords and array[name].ndim == 0
    }
    return array.assign_coords(single)


def marked(array: xr.DataArray) -> xr.DataArray:
    """Note that the numbers of an array are those its history tells of; return the same array."""
    array.encoding = {**array.encoding, _KEY: _mark_of(array)}
    return array


def is_changed(array: xr.DataArray) -> bool:
    """Say whether something else than this library has made or changed the numbers.

    An array straight from a file that xarray has opened counts as unchanged. Computations, means
    and joined arrays are always noticed, numbers written over in place where they meet a sample of
    256 values of an array that is still whole.
    """
    if _KEY not in array.encoding:
        return not array.encoding
    was, now = array.encoding[_KEY], _mark_of(array)
    if (now.pixels, now.channels) != (was.pixels, was.channels):
        return bool(now.pixels > was.pixels or now.channels > was.channels)
    return None not in (was.sample, now.sample) and was.sample != now.sample


def _mark_of(array: xr.DataArray) -> _Mark:
    pixels, channels = int(np.prod(array.shape[:-1])), array.shape[-1]
    if array.chunks is not None:
        return _Mark(pixels, channels, None)
    places = np.linspace(0, max(array.size - 1, 0), min(_SAMPLE, array.size)).astype(np.intp)
    values: Any = array.values[np.unravel_index(places, array.shape)]
    return _Mark(pixels, channels, zlib.crc32(values.astype(np.float64).tobytes()))
