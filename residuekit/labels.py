"""The form of a labelled array, where it is from, and what plain xarray makes of it.

`residuekit.schema` gives these names to the rest of the house.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
import xarray as xr

from .errors import Fault, did_you_mean

WAVENUMBER = "wavenumber"
MAP_DIMS = ("y", "x", WAVENUMBER)
POINT_DIMS = ("spectrum", WAVENUMBER)
QUANTITIES = ("absorbance", "transmittance", "reflectance", "kubelka_munk", "absorption_index")
TECHNIQUES = ("transmission", "atr", "reflection", "transflection", "unknown")
WAVENUMBER_UNIT = "cm-1"
POSITION_UNITS = ("um", "pixel")

#: The encoding goes with selections and copies, is lost in every computation, and no file keeps it.
_KEY = "residuekit"
_SAMPLE = 256
#: In `source`, in the place of a checksum that was not needed yet, and how each of them is made:
#: None where the file is no longer as it was read.
LATER = "sha256 when asked"
#: In `source`, how a note begins that the file does not say.
ASSUMED = "assumed "
SUMS: dict[str, Callable[[], str | None]] = {}
_NOT_SUMMED = "the file is not as it was read, or another session read it"


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
        axis = array.coords.variables.get(dim)
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
    if isinstance(array, xr.DataArray):
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
    if hasattr(array.data, "dask"):
        return _Mark(pixels, channels, None)
    values: Any = array.values[_places(array.shape)]
    return _Mark(pixels, channels, zlib.crc32(values.astype(np.float64).tobytes()))


@lru_cache(maxsize=16)
def _places(shape: tuple[int, ...]) -> tuple[Any, ...]:
    """The places of the sample in an array."""
    size = int(np.prod(shape))
    places = np.linspace(0, max(size - 1, 0), min(_SAMPLE, size)).astype(np.intp)
    return np.unravel_index(places, shape)


def are_finite(values: Any) -> Any:
    """Whether each spectrum of an array (..., n_wavenumber) holds finite numbers alone (...).

    One whose squares have a finite sum does: no array of truths as large as the numbers is made.
    """
    if hasattr(values, "dask"):
        return np.isfinite(values).all(axis=-1)
    with np.errstate(over="ignore", invalid="ignore"):
        finite = np.isfinite(np.vecdot(values, values))
    finite[~finite] = np.isfinite(values[~finite]).all(axis=-1)
    return finite


def source(array: xr.DataArray) -> dict[str, Any]:
    """What the array came from: file name, sha256, reader, and what the reader recognised.

    A large file is summed when this is first asked of it. Where it changed after it was read, is
    not there or was read by another process, the sha256 is left out, and `no sha256` says so.
    """
    found: dict[str, Any] = json.loads(array.attrs["source"])
    if LATER in found:
        digest = SUMS.get(found.pop(LATER), lambda: None)()
        found |= {"sha256": digest} if digest else {"no sha256": _NOT_SUMMED}
    return found


def assumed(array: xr.DataArray) -> dict[str, str]:
    """What the file does not say and its reader assumed, as ``{"quantity": "absorbance"}``."""
    said = json.loads(array.attrs["source"])
    found: dict[str, str] = {}
    while isinstance(said, dict):
        found = {name: value.removeprefix(ASSUMED) for name, value in said.items()
                 if isinstance(value, str) and value.startswith(ASSUMED)} | found  # fmt: skip
        said = said.get("origin")
    return found


def summed(array: xr.DataArray) -> xr.DataArray:
    """The same array, its `source` complete for good, as a file or a record needs it."""
    if LATER not in json.loads(array.attrs["source"]):
        return array
    text = json.dumps(source(array), sort_keys=True, ensure_ascii=False)
    return array.assign_attrs(source=text)


def faults_of(array: xr.DataArray, quantity: str | Sequence[str] | None = None) -> list[Fault]:
    """Return a fault for each rule of the form that an array breaks; `quantity` as in `check`."""
    faults = _dim_faults(array)
    return faults or [*_axis_faults(array), *_attribute_faults(array, quantity)]


def _dim_faults(array: xr.DataArray) -> list[Fault]:
    if array.dims not in (MAP_DIMS, POINT_DIMS):
        return [
            Fault(f"dims {array.dims}", f"{MAP_DIMS} for a map or {POINT_DIMS} for points",
                  "array.rename(...).transpose('y', 'x', 'wavenumber')")
        ]  # fmt: skip
    absent = [dim for dim in array.dims if dim not in array.coords and dim != "spectrum"]
    return [
        Fault(f"no coordinate {dim!r}", f"one value of {dim} for each place along it",
              f"array.assign_coords({dim}=...)")
        for dim in absent
    ]  # fmt: skip


def _axis_faults(array: xr.DataArray) -> list[Fault]:
    faults = []
    for dim in array.dims:
        if dim == "spectrum":
            continue
        axis = array.coords.variables[dim]
        values, unit = axis.values, axis.attrs.get("units")
        needs = (WAVENUMBER_UNIT,) if dim == WAVENUMBER else POSITION_UNITS
        if unit not in needs:
            faults.append(
                Fault(f"{dim} with units {unit!r}", f"units {' or '.join(map(repr, needs))}",
                      f"array[{dim!r}].attrs['units'] = {needs[0]!r} after converting the values")
            )  # fmt: skip
        if values.dtype != np.float64:
            faults.append(
                Fault(f"{dim} as {values.dtype}", f"{dim} as float64",
                      f"array.assign_coords({dim}=array[{dim!r}].astype('float64'))")
            )  # fmt: skip
        elif values.size == 0:
            faults.append(Fault(f"an empty {dim}", f"at least one {dim}", "a file that holds data"))
        elif not np.isfinite(values).all() or (np.diff(values) <= 0).any():
            faults.append(
                Fault(f"{dim} that is not strictly ascending", f"finite, strictly ascending {dim}",
                      f"array.sortby({dim!r}) and remove what stands twice")
            )  # fmt: skip
    return faults


def _attribute_faults(array: xr.DataArray, wanted: str | Sequence[str] | None) -> list[Fault]:
    faults = []
    allowed = QUANTITIES if wanted is None else (wanted,) if isinstance(wanted, str) else wanted
    if array.name not in allowed:
        fix = did_you_mean(str(array.name), allowed)
        if array.name == "transmittance" and "absorbance" in allowed:
            fix = "residuekit.to_absorbance(array) first"
        faults.append(Fault(f"the quantity {array.name!r}", f"{' or '.join(allowed)}", fix))
    if array.dtype.kind != "f":
        faults.append(Fault(f"values as {array.dtype}", "floats", "array.astype('float32')"))
    if array.attrs.get("units") != "1":
        faults.append(
            Fault(f"units {array.attrs.get('units')!r}", "units '1' (percent divided by 100)",
                  "array.attrs['units'] = '1'")
        )  # fmt: skip
    technique = array.attrs.get("technique")
    if technique not in TECHNIQUES:
        fix = did_you_mean(str(technique), TECHNIQUES)
        faults.append(Fault(f"technique {technique!r}", "one of " + ", ".join(TECHNIQUES), fix))
    for name, kind in (("source", dict), ("history", list)):
        try:
            fits = isinstance(json.loads(array.attrs.get(name, "")), kind)
        except (TypeError, ValueError):
            fits = False
        if not fits:
            faults.append(
                Fault(f"the attribute {name} is {array.attrs.get(name)!r}",
                      f"JSON text of a {kind.__name__}", f"array.attrs[{name!r}] = '{kind()}'")
            )  # fmt: skip
    return faults
