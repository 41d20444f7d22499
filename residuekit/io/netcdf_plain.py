"""NetCDF 4 as it is written here, straight from HDF5 and to it: for small files five times as fast
as the way through xarray."""

from __future__ import annotations

import io
import math
import os
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ReadError
from .hdf5 import MOST_LINKS, texts_fit_in
from .labelled import COMPLETE, FINITE, in_rows, looked_through
from .opening import fits_in, opened, regular

_SCALE, _PLACES, _NUMBER = "CLASS", "_Netcdf4Coordinates", "_Netcdf4Dimid"
#: What NetCDF 4 keeps for itself among the attributes, and is not needed here.
_INTERNAL = {"NAME", "REFERENCE_LIST", "DIMENSION_LIST", "_NCProperties"}
#: The name and the type of a dimension that has no coordinate.
_BARE, _BARE_TYPE = b"This is a netCDF dimension but not a netCDF variable.", np.dtype(">f4")
#: Rows of 8192 numbers that are read and looked through at a time, so that they still are in the
#: cache; bytes up to which numbers are read at once.
_ROWS, _SMALL = 64, 2**21


def plain_dataset(path: Path) -> xr.Dataset | None:
    """The whole of an HDF5 file as a dataset, or None where it has another form or is damaged.

    The form: at the root, variables of numbers and texts of fixed shape, kept in this file, each of
    which names its dimensions by their numbers; attributes are numbers or one text.

    Raises
    ------
    ReadError : no regular file, or one that declares more than it can hold.
    """
    from h5py import h5f

    try:
        book = h5f.open(os.fsencode(regular(path)), h5f.ACC_RDONLY)
        try:
            return _whole(path, book)
        finally:
            book.close()
    except ReadError:
        raise
    except Exception:  # the library raises anything on damaged bytes; `hdf5.guard` says what it is
        return None


def _whole(path: Path, book: Any) -> xr.Dataset | None:
    from h5py import h5d, h5g, h5l, h5o

    root = h5g.open(book, b"/")
    links, found, numbered, declared, n_said = root.links, {}, {}, 0, 0
    for name in list(root):
        if links.get_info(name).type != h5l.TYPE_HARD:
            return None
        one = h5o.open(root, name)
        if not isinstance(one, h5d.DatasetID):
            return None
        stored = one.get_create_plist()
        shape = _shape(one, stored)
        said = None if shape is None else _said(one, stored)
        if shape is None or said is None:
            return None
        if said.pop(_SCALE, False) and _NUMBER in said:
            numbered[int(said[_NUMBER])] = name.decode()
        found[name.decode()] = one, shape, said
        declared += -(-one.dtype.itemsize // 8) * math.prod(shape)
        n_said += len(said)
    attributes = _said(book, book.get_create_plist())
    if attributes is None or max(len(found), n_said) > MOST_LINKS:
        return None
    fits_in(path, declared)
    variables, seen = {}, {}
    for name, (one, shape, said) in found.items():
        if _is_bare(one):
            continue
        said.pop(_NUMBER, None)
        dims = [numbered.get(place, "") for place in np.atleast_1d(said.pop(_PLACES, ())).tolist()]
        if [found[dim][1] for dim in dims if dim] != [(size,) for size in shape]:
            return None
        values, seen[name] = _values(path, one, shape)
        variables[name] = xr.Variable(dims, values, said)
    decoded, about, coords = xr.conventions.decode_cf_variables(
        variables, attributes, decode_times=False
    )
    for name, known in seen.items():
        if known and decoded[name].data is variables[name].data:
            decoded[name].encoding |= known
    return xr.Dataset(decoded, attrs=about).set_coords(coords & decoded.keys()).load()


def _shape(one: Any, stored: Any) -> tuple[int, ...] | None:
    """The shape of a dataset; None where it may grow, is no numbers and no texts, is stored in
    another file or stands under two names."""
    import h5py
    from h5py import h5d, h5o, h5s

    space = one.get_space()
    shape: tuple[int, ...] = space.get_simple_extent_dims()
    text = h5py.check_string_dtype(one.dtype)
    plain = (
        space.get_simple_extent_type() != h5s.NULL
        and space.get_simple_extent_dims(True) == shape
        and (one.dtype.kind in "fiu" or (text is not None and text.length is None))
        and stored.get_layout() != h5d.VIRTUAL
        and not stored.get_external_count()
        and h5o.get_info(one).rc == 1
    )
    return shape if plain else None


def _is_bare(one: Any) -> bool:
    from h5py import h5a

    return bool(
        one.dtype == _BARE_TYPE
        and h5a.exists(one, b"NAME")
        and bytes(_value(h5a.open(one, b"NAME"))).startswith(_BARE)
    )


def _said(one: Any, stored: Any) -> dict[str, Any] | None:
    """The attributes of an object in their order, or None where one is no number and no text."""
    from h5py import h5, h5a, h5p

    names: list[bytes] = []
    tracked = stored.get_attr_creation_order() & h5p.CRT_ORDER_TRACKED
    by = h5.INDEX_CRT_ORDER if tracked else h5.INDEX_NAME
    h5a.iterate(one, lambda name, *_: names.append(name), index_type=by)
    said: dict[str, Any] = {}
    for name in (name.decode() for name in names):
        if name not in _INTERNAL:
            said[name] = name == _SCALE or _value(h5a.open(one, name.encode()))
            if said[name] is None or isinstance(said[name], bytes):
                return None
    return said


def _value(found: Any) -> Any:
    """The number, numbers or text of an attribute; bytes where its length is fixed."""
    from h5py import h5t

    kind = found.get_type()
    form = kind.get_class()
    if form == h5t.STRING and kind.is_variable_str():
        text: Any = np.empty((), object)
        found.read(text, _text())
        return text[()].decode("utf-8", "surrogateescape")
    if form == h5t.STRING:
        fixed = np.empty((), kind.dtype)
        found.read(fixed)
        return bytes(fixed[()])
    shape = found.shape
    if form not in (h5t.INTEGER, h5t.FLOAT) or shape is None or 0 in shape:
        return None
    numbers = np.empty(shape, kind.dtype)
    found.read(numbers, _type(numbers.dtype.str))
    return numbers.reshape(-1)[0] if numbers.size == 1 else numbers


@lru_cache(maxsize=16)
def _type(kind: str) -> Any:
    """The type of HDF5 of a NumPy type, `|O` for texts; h5py would make it anew each time."""
    import h5py
    from h5py import h5t

    return h5t.py_create(h5py.string_dtype() if kind == "|O" else np.dtype(kind), logical=True)


@lru_cache(maxsize=1)
def _text() -> Any:
    """The type of HDF5 of texts in an array of objects."""
    import h5py
    from h5py import h5t

    return h5t.py_create(h5py.string_dtype())


def _values(path: Path, one: Any, shape: tuple[int, ...]) -> tuple[Any, dict[str, bool]]:
    """The values of a dataset, and what is known of them."""
    import h5py
    from h5py import h5s

    if one.dtype.kind not in "fiu":
        texts = h5py.Dataset(one)
        texts_fit_in(path, texts)
        return texts.asstr()[()], {}
    values = np.empty(shape, one.dtype)
    if values.dtype == np.float32 and one.get_storage_size() == values.nbytes > _SMALL:
        offset = one.get_offset()  # None where the numbers are in chunks
        if offset is not None:
            return values, _read_through(path, offset, values)
    if values.size:
        one.read(h5s.ALL, h5s.ALL, values)
    return values, {}


def _read_through(path: Path, offset: int, values: Any) -> dict[str, bool]:
    """Fill an array with what stands in a file from this byte on; what is known of its numbers."""
    rows, rest = in_rows(values)
    sums = np.empty(len(rows), values.dtype)
    with opened(path).detach() as file, np.errstate(over="ignore", invalid="ignore"):
        file.seek(offset)
        for start in range(0, len(rows), _ROWS):
            block = rows[start : start + _ROWS]
            if file.readinto(block) != block.nbytes:
                raise EOFError
            np.vecdot(block, block, out=sums[start : start + _ROWS])
        if file.readinto(rest) != rest.nbytes:
            raise EOFError
    finite, complete = looked_through(rows, rest, sums)
    return {FINITE: finite, COMPLETE: complete}


def plain_bytes(dataset: xr.Dataset) -> bytes:
    """A dataset in memory as a NetCDF 4 file."""
    import h5py
    from h5py import h5ds

    whole, said = xr.conventions.encode_dataset_coordinates(dataset)
    made = io.BytesIO()
    with h5py.File(made, "w", track_order=True) as book:
        numbers = {dim: number for number, dim in enumerate(dataset.sizes)}
        scales = {}
        for dim in numbers.keys() - whole.keys():
            bare = book.create_dataset(str(dim), (dataset.sizes[dim],), dtype=_BARE_TYPE)
            bare.make_scale(f"{_BARE.decode()}{dataset.sizes[dim]:10d}")
            bare.attrs[_NUMBER] = np.int32(numbers[dim])
            scales[dim] = bare
        for name in sorted(whole, key=lambda name: name not in numbers):
            variable = xr.conventions.encode_cf_variable(whole[name], name=name)
            one = _new(book, str(name), variable.values)
            if name in numbers:
                one.make_scale(str(name))
                _say(one, _NUMBER, np.int32(numbers[name]))
                scales[name] = one
            else:
                for place, dim in enumerate(variable.dims):
                    h5ds.attach_scale(one.id, scales[dim].id, place)
            _say(one, _PLACES, np.array([numbers[dim] for dim in variable.dims], np.int32))
            for key, value in variable.attrs.items():
                _say(one, key, value)
        for key, value in said.items():
            _say(book, key, value)
    return made.getvalue()


def _new(book: Any, name: str, values: Any) -> Any:
    """Write a new dataset; numbers on a shorter way than that of h5py, to the same bytes."""
    import h5py
    from h5py import h5d, h5p, h5s

    if values.dtype.kind in "OU":
        text = {"data": values.astype(object), "dtype": h5py.string_dtype()}
        return book.create_dataset(name, **text, track_order=True)
    values, properties = np.asarray(values, order="C"), h5p.create(h5p.DATASET_CREATE)
    properties.set_obj_track_times(False)
    properties.set_attr_creation_order(h5p.CRT_ORDER_TRACKED | h5p.CRT_ORDER_INDEXED)
    space = h5s.create_simple(values.shape)
    one = h5d.create(book.id, name.encode(), _type(values.dtype.str), space, properties)
    one.write(h5s.ALL, h5s.ALL, values)
    return h5py.Dataset(one)


def _say(one: Any, name: str, value: Any) -> None:
    """Give a new object an attribute; texts and numbers on a shorter way than that of h5py."""
    import h5py
    from h5py import h5a, h5s

    text = type(value) is str
    values = np.asarray(value, h5py.string_dtype() if text else None)
    if not text and values.dtype.kind not in "fiu":
        one.attrs[name] = value
        return
    kind = _type(values.dtype.str)
    made = h5a.create(one.id, name.encode(), kind, h5s.create_simple(values.shape))
    made.write(values, None if text else kind)
