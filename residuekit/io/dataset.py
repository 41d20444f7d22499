"""From an xarray Dataset of any origin to the labelled array: own ones back, foreign ones asked."""

from __future__ import annotations

import json
from collections.abc import Hashable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ReadError
from ..schema import MAP_DIMS, POINT_DIMS, WAVENUMBER
from .labelled import COMPLETE, FINITE, spectra, stored
from .opening import damaged, fits_in, json_of, refuse
from .options import DatasetOptions, kept
from .unit_words import (
    as_fraction,
    axis_unit_of,
    contradicts,
    is_axis_word,
    plain,
    position_unit_of,
    quantity_of,
    scaled,
    tell,
    to_wavenumber,
)

#: Chunks of a lazily opened map: whole spectra of 64 x 64 pixels (of 4096 where they are points).
CHUNKS = {"y": 64, "x": 64, "spectrum": 4096}
_Y_WORDS, _X_WORDS = (
    ("y", "row", "rows", "line", "lines"),
    ("x", "col", "cols", "column", "columns"),
)


def from_dataset(
    path: Path, dataset: xr.Dataset, reader: str, options: DatasetOptions
) -> xr.DataArray:
    """Make the labelled array of one variable of a dataset.

    Raises
    ------
    ReadError : no spectra, or more than one way to read them; damage that shows when loading.
    """
    _check_dims(path, options.dims)
    array = dataset[_variable(path, dataset, options.variable, options.dims)]
    if not options.lazy:
        fits_in(path, sum(one.size for one in dataset.variables.values()))
    try:
        array, origin = _chunked(array) if options.lazy else (_loaded(array), {})
    except ImportError as error:
        raise refuse(path, "lazy=True without dask", "dask", "pip install dask") from error
    except ReadError:
        raise
    except Exception as error:  # the libraries below raise anything on damaged bytes
        raise damaged(path, error) from error
    if _is_own(array):
        return _own(path, array, reader, options, origin)
    return _foreign(path, dataset, array, reader, options, origin)


def _loaded(array: xr.DataArray) -> xr.DataArray:
    for part in (array.variable, *array.coords.variables.values()):
        part.load()
    return array


def _chunked(array: xr.DataArray) -> tuple[xr.DataArray, dict[str, str]]:
    known = {dim: size for dim, size in CHUNKS.items() if dim in array.dims}
    sizes = {dim: known.get(str(dim), CHUNKS["y"]) for dim in array.dims}
    last = next((dim for dim in array.dims if is_axis_word(str(dim))), array.dims[-1])
    lazy = array.variable.chunk({**sizes, last: -1})
    loaded = {name: coord.load().variable for name, coord in array.coords.items()}
    return xr.DataArray(lazy, coords=loaded, name=array.name), {"opened": "lazily"}


def _check_dims(path: Path, dims: Any) -> None:
    known = ("spectrum", *MAP_DIMS)
    if dims is not None and not (isinstance(dims, Mapping) and set(dims) <= set(known)):
        raise refuse(path, f"dims={dims!r}", f"names for some of {', '.join(known)}",
                     "dims={'y': ..., 'x': ..., 'wavenumber': ...}")  # fmt: skip


def _is_own(array: xr.DataArray | xr.Variable) -> bool:
    return array.dims in (MAP_DIMS, POINT_DIMS) and {"source", "history"} <= array.attrs.keys()


def _own(
    path: Path,
    array: xr.DataArray,
    reader: str,
    options: DatasetOptions,
    origin: dict[str, str],
) -> xr.DataArray:
    kept(path, options, quantity=str(array.name), technique=array.attrs.get("technique"),
         percent=False)  # fmt: skip
    if "spectrum" in array.coords and array["spectrum"].dtype == object:
        array = array.assign_coords(spectrum=array["spectrum"].astype(str))
    before = json_of(str(array.attrs["source"]))
    source = {"file": path.name, "reader": reader, **origin, "variable": str(array.name)}
    array.attrs["source"] = json.dumps({**source, "origin": before}, ensure_ascii=False)
    values = array.data if array.encoding.get(FINITE) else stored(path, array.data)
    looked_at = options.lazy or array.encoding.get(COMPLETE)
    for part in (array, *array.coords.variables.values()):
        part.encoding = {}
    if not looked_at and "valid" in array.coords:
        _refuse_lost(path, array)
    return array if values is array.data else array.copy(deep=False, data=values)


def _refuse_lost(path: Path, array: xr.DataArray) -> None:
    """Refuse a file of our own with valid pixels that hold no number: a chunk of it was lost."""
    empty = np.isnan(array.values[..., :1]).any(axis=-1) & array["valid"].values
    if np.isnan(array.values[empty]).all(axis=-1).any():
        raise refuse(path, "pixels that are marked valid and hold no number", "a whole file",
                     "copy it again: a part of it was lost")  # fmt: skip


def _variable(
    path: Path, dataset: xr.Dataset, wanted: str | None, dims: Mapping[str, str] | None
) -> Hashable:
    held = {name: dataset.variables[name] for name in dataset.data_vars}
    names = [
        name for name, array in held.items()
        if array.dtype.kind in "fiu" and 1 <= array.ndim <= 3 and _spectral(dataset, array, dims)
    ]  # fmt: skip
    own = [name for name in names if _is_own(held[name])]
    names = own or names
    if wanted is None and len(names) == 1:
        return names[0]
    found = ", ".join(f"{name}{array.dims}" for name, array in held.items()) or "nothing"
    if wanted is not None:
        if wanted not in names:
            raise refuse(path, f"variable={wanted!r} among {found}",
                         "a variable of numbers with a spectral dimension",
                         " or ".join(f"variable={str(name)!r}" for name in names)
                         or "dims={'y': ..., 'x': ..., 'wavenumber': ...}")  # fmt: skip
        return wanted
    raise refuse(path, found, "one variable of numbers with a dimension of wavenumbers",
                 " or ".join(f"variable={str(name)!r}" for name in names)
                 or "variable=..., dims={'y': ..., 'x': ..., 'wavenumber': ...}")  # fmt: skip


def _spectral(
    dataset: xr.Dataset, array: xr.DataArray | xr.Variable, dims: Mapping[str, str] | None
) -> list[str]:
    """The dimensions that a name, a unit or the user calls spectral."""
    if dims and WAVENUMBER in dims:
        return [dims[WAVENUMBER]] if dims[WAVENUMBER] in array.dims else []
    return [str(dim) for dim in array.dims if _axis_name(dataset, str(dim)) is not None]


def _axis_name(dataset: xr.Dataset, dim: str) -> str | None:
    """The variable that holds the spectral axis of a dimension."""
    for name, axis in dataset.variables.items():
        if axis.dims != (dim,) or axis.dtype.kind not in "fiu":
            continue
        if is_axis_word(str(name)) or axis_unit_of(str(axis.attrs.get("units", ""))) == "cm-1":
            return str(name)
    return None


def _foreign(
    path: Path,
    dataset: xr.Dataset,
    array: xr.DataArray,
    reader: str,
    options: DatasetOptions,
    origin: dict[str, str],
) -> xr.DataArray:
    spectral = _spectral(dataset, array, options.dims)
    if len(spectral) != 1:
        raise refuse(path, f"the spectral dimensions {spectral}", "one of them",
                     "dims={'wavenumber': ..., ...}")  # fmt: skip
    order = _pixel_order(path, array, spectral[0], options.dims)
    axis, axis_notes = _axis(path, dataset, spectral[0], options.dims)
    array = array.transpose(*order, spectral[0])
    quantity, quantity_notes = _quantity(path, array, options.quantity)
    percent = _percent(array, options.percent)
    if options.lazy and percent is None and quantity in ("transmittance", "reflectance"):
        raise refuse(path, f"{quantity} opened lazily, so that its numbers are not looked at",
                     "a fraction of 1 or percent", "percent=True or percent=False")  # fmt: skip
    values, scale = scaled(path, array.data, {}, [str(array.attrs.get("units", ""))])
    values, percents = as_fraction(path, values, quantity, percent)
    technique = options.technique or str(array.attrs.get("technique", "unknown"))
    dims = list(map(str, array.dims))
    notes: dict[str, Any] = {**origin, "variable": str(array.name), "dims": dims, **axis_notes,
             **quantity_notes, **scale, **percents}  # fmt: skip
    said: dict[str, Any] = {"quantity": quantity, "technique": technique}
    if len(order) < 2:
        names = dataset[order[0]].values if order and order[0] in dataset.coords else None
        if names is not None and names.dtype == object:
            names = names.astype(str)
        values = values.reshape(-1, axis.size)
        return spectra(path, reader, values, axis, notes, names=names, **said)
    places, unit, order_notes = _positions(path, dataset, order)
    notes |= order_notes
    for place, name in enumerate(("y", "x")):
        if places[name].size > 1 and places[name][0] > places[name][-1]:
            places[name], values = places[name][::-1], np.flip(values, place)
            notes[f"{name} order"] = "descending in the file, turned round"
    return spectra(path, reader, values, axis, notes, **places, unit=unit, **said)


def _pixel_order(
    path: Path, array: xr.DataArray, spectral: str, dims: Mapping[str, str] | None
) -> list[str]:
    """The pixel dimensions of a variable: none, one, or y and x."""
    pixels = [str(dim) for dim in array.dims if dim != spectral]
    if dims:
        named = [dims[key] for key in ("spectrum", "y", "x") if key in dims]
        if sorted(named) == sorted(pixels):
            return named
    elif len(pixels) < 2:
        return pixels
    else:
        y = [dim for dim in pixels if plain(dim) in _Y_WORDS]
        x = [dim for dim in pixels if plain(dim) in _X_WORDS]
        if len(y) == len(x) == 1:
            return [*y, *x]
    raise refuse(path, f"the pixel dimensions {pixels}", "which is y (upward) and which is x",
                 f"dims={{'y': ..., 'x': ..., 'wavenumber': {spectral!r}}}")  # fmt: skip


def _axis(
    path: Path, dataset: xr.Dataset, dim: str, dims: Mapping[str, str] | None
) -> tuple[Any, dict[str, str]]:
    name = _axis_name(dataset, dim) or dim
    if name not in dataset.variables or dataset[name].dtype.kind not in "fiu":
        raise refuse(path, f"no numbers along {dim!r}", "a wavenumber for each place along it",
                     "write the axis into the file as a variable of that name")  # fmt: skip
    word = str(dataset[name].attrs.get("units", ""))
    unit = axis_unit_of(word) if word else axis_unit_of(name)
    if unit is None or (not dims and contradicts(name, unit)):
        raise refuse(path, f"the axis {name!r} with units {word!r}", "units cm-1, nm or um",
                     "set the attribute units of that variable")  # fmt: skip
    axis = to_wavenumber(path, dataset[name].values.astype(float), unit)
    notes = {"wavenumber from": f"{name} in {unit}"}
    return axis, notes if word else {**notes, "wavenumber units": "taken from the name"}


def _quantity(path: Path, array: xr.DataArray, quantity: str | None) -> tuple[str, dict[str, str]]:
    if quantity is not None:
        return quantity, {"quantity": "stated by the reader's user"}
    for word in (
        array.name,
        array.attrs.get("long_name", ""),
        array.attrs.get("standard_name", ""),
    ):
        known = quantity_of(str(word), short=True)
        if known is not None:
            return known[0], {}
    raise refuse(path, f"a variable called {array.name!r}", "the quantity it holds",
                 "quantity='absorbance' (or transmittance, reflectance, ...)")  # fmt: skip


def _percent(array: xr.DataArray, percent: bool | None) -> bool | None:
    if percent is not None:
        return percent
    units = str(array.attrs.get("units", "")).strip().casefold()
    words = f"{array.name} {units} {array.attrs.get('long_name', '')}".casefold()
    if "%" in words or "percent" in words:
        return True
    return False if units == "1" else None


def _positions(
    path: Path, dataset: xr.Dataset, order: list[str]
) -> tuple[dict[str, Any], str, dict[str, str]]:
    found: dict[str, Any] = {}
    units: set[str] = set()
    for name, dim in zip(("y", "x"), order, strict=True):
        if dim not in dataset.coords:
            found[name] = np.arange(dataset.sizes[dim], dtype=float)
            units.add("pixel")
            continue
        word = str(dataset[dim].attrs.get("units", ""))
        unit = position_unit_of(word)
        if unit is None or dataset[dim].dtype.kind not in "fiu":
            raise refuse(path, f"{dim} with units {word!r}", "positions in um, mm or pixel",
                         "set the attribute units of that variable")  # fmt: skip
        found[name] = dataset[dim].values.astype(float) * unit[1]
        units.add(unit[0])
    if len(units) > 1:
        raise refuse(path, "one position in um and the other in pixels", "both in the same unit",
                     "set the attribute units of both")  # fmt: skip
    if order[0] in dataset.coords:
        return found, units.pop(), {"y order": "by the y coordinate, upward"}
    tell(path, "no y coordinate: row 0 of the file is taken as the lowest y; look at the map")
    return found, units.pop(), {"y order": "row 0 of the file taken as the lowest y"}
