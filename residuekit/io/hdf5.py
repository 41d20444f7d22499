"""Any HDF5 file, by the paths of its datasets; NeXus NXdata by its own signposts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ReadError
from ..schema import MAP_DIMS, WAVENUMBER
from .dataset import from_dataset
from .opening import SMALL, damaged, fits_in, opened, readable, refuse, regular, size_of
from .options import DatasetOptions, PathOptions, takes

NAME = "HDF5"
_SIGNATURE = b"\x89HDF\r\n\x1a\n"
_DIMS = ("spectrum", *MAP_DIMS)
MOST_LINKS, _MOST_DEPTH = 10_000, 64


def recognises(head: bytes) -> bool:
    """Say whether the first bytes are those of an HDF5 file."""
    return head.startswith(_SIGNATURE)


@takes(PathOptions)
def read(path: Path, options: PathOptions) -> xr.DataArray:
    """Read a map or point spectra from HDF5, or from the default plot of a NeXus file.

    `PathOptions` says where everything lies.

    Raises
    ------
    ReadError : a damaged file, no such dataset, an axis that is absent or without a unit.
    """
    import h5py

    with opened(path) as file, readable(path):
        if not recognises(file.read(len(_SIGNATURE))):
            raise refuse(path, "a file without the HDF5 signature", "HDF5",
                         "give it the suffix of its true format")  # fmt: skip
    guard(path)
    try:
        with h5py.File(path, "r") as book:
            if options.dataset is None:
                found = _nexus(path, book, options.dims)
            else:
                found = _stated(path, book, options.dataset, options)
    except (OSError, RuntimeError, KeyError, TypeError, OverflowError, MemoryError) as error:
        raise damaged(path, error) from error
    names = {str(dim): str(dim) for dim in found.dims if dim in _DIMS}
    said = DatasetOptions(
        variable=str(found.name), dims=names if options.dims is not None else None,
        quantity=options.quantity, technique=options.technique, percent=options.percent,
    )  # fmt: skip
    return from_dataset(path, found.to_dataset(), NAME, said)


def _dataset(path: Path, book: Any, name: str) -> Any:
    import h5py

    found = book.get(name)
    if not isinstance(found, h5py.Dataset) or found.dtype.kind not in "fiu":
        held = [at for at, one in _objects(path, book) if isinstance(one, h5py.Dataset)]
        raise refuse(path, f"no numbers under {name!r}", "the path of a dataset of numbers",
                     "one of " + (", ".join(held[:12]) or "none in this file"))  # fmt: skip
    return found


def _stated(path: Path, book: Any, dataset: str, options: PathOptions) -> xr.DataArray:
    """The numbers and their axes where the options say they are."""
    dims = options.dims
    numbers = _dataset(path, book, dataset)
    if (
        dims is None or isinstance(dims, str) or len(dims) != numbers.ndim
        or not set(dims) <= set(_DIMS) or WAVENUMBER not in dims
    ):  # fmt: skip
        raise refuse(path, f"dims={dims!r} for a dataset of shape {numbers.shape}",
                     f"one of {', '.join(_DIMS)} for each dimension",
                     "dims=('y', 'x', 'wavenumber')")  # fmt: skip
    if options.wavenumber is None:
        raise refuse(path, "no path of the wavenumbers", "where they stand",
                     "wavenumber='entry/data/wavenumber'")  # fmt: skip
    axes = {WAVENUMBER: options.wavenumber, "x": options.x, "y": options.y}
    return _array(path, book, numbers, dims, [axes.get(dim) for dim in dims],
                  dataset.rpartition("/")[2])  # fmt: skip


def _array(
    path: Path, book: Any, numbers: Any, dims: Sequence[str], axes: Sequence[str | None], name: Any
) -> xr.DataArray:
    """The numbers with these dims, each with the axis under a path, or with none."""
    coords = {}
    for dim, size, axis in zip(dims, numbers.shape, axes, strict=True):
        if axis is None:
            continue
        found = _dataset(path, book, str(axis))
        if found.shape != (size,):
            raise refuse(path, f"{axis!r} of shape {found.shape}", f"{size} numbers, one for each "
                         f"{dim}", "the path of that axis")  # fmt: skip
        coords[dim] = (dim, found[()], _units(found))
    name = _text(numbers.attrs.get("long_name", name))
    return xr.DataArray(numbers[()], dims=tuple(dims), coords=coords, name=name,
                        attrs=_units(numbers))  # fmt: skip


def _units(numbers: Any) -> dict[str, str]:
    return {"units": _text(numbers.attrs.get("units", ""))}


def _text(value: Any) -> str:
    return value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value)


def _nexus(path: Path, book: Any, dims: Sequence[str] | None) -> xr.DataArray:
    """The default plot: ``default`` from group to group, then ``signal`` and ``axes`` of NXdata."""
    group = book
    for _ in range(8):
        if "signal" in group.attrs or "default" not in group.attrs:
            break
        group = book.get(f"{group.name}/{_text(group.attrs['default'])}")
        if not hasattr(group, "attrs"):
            break
    plots = [group] if hasattr(group, "attrs") and "signal" in group.attrs else _plots(path, book)
    if len(plots) != 1:
        raise refuse(path, f"{len(plots)} NXdata groups and no default among them"
                     if plots else "no NXdata group", "which numbers to read",
                     "dataset='entry/data/values', dims=('y', 'x', 'wavenumber'), "
                     "wavenumber='entry/data/wavenumber'")  # fmt: skip
    group = plots[0]
    signal = _text(group.attrs["signal"])
    numbers = _dataset(path, book, f"{group.name}/{signal}")
    axes = [_text(axis) for axis in np.atleast_1d(group.attrs.get("axes", []))]
    if len(axes) != numbers.ndim:
        raise refuse(path, f"axes {axes} for numbers of shape {numbers.shape}", "one axis for each "
                     "dimension", "dataset=..., dims=..., wavenumber=...")  # fmt: skip
    for place, axis in enumerate(axes):
        lies = np.atleast_1d(group.attrs.get(f"{axis}_indices", place)).tolist()
        if lies != [place]:
            raise refuse(path, f"{axis}_indices {lies}, and {axis!r} as number {place} of axes "
                         f"{axes}", "one order of the axes", "dataset=..., dims=..., "
                         "wavenumber=...")  # fmt: skip
    if dims is not None and len(dims) != len(axes):
        raise refuse(path, f"dims={dims!r} for axes {axes}", "one for each", "leave dims out")
    names = [f"axis {i}" if axis == "." else axis for i, axis in enumerate(axes)]
    paths = [None if axis == "." else f"{group.name}/{axis}" for axis in axes]
    return _array(path, book, numbers, names if dims is None else dims, paths, signal)


def _plots(path: Path, book: Any) -> list[Any]:
    return [
        one for _, one in _objects(path, book)
        if "signal" in one.attrs and _text(one.attrs.get("NX_class", "")) == "NXdata"
    ]  # fmt: skip


def _objects(path: Path, book: Any) -> Iterator[tuple[str, Any]]:
    """Every object of a file once, by its path; what links by name point to is met on its own.

    Raises
    ------
    ReadError : a link to another file; a file too large or too deep to be walked through.
    """
    import h5py

    needed, fix = "all of it in this one file", "export it as one whole file"
    ahead, seen, links = [("", 0, book)], {_address(book)}, 0
    while ahead:
        name, depth, group = ahead.pop()
        for key in group:
            at, link = f"{name}/{key}".removeprefix("/"), group.get(key, getlink=True)
            links += 1
            if links > MOST_LINKS or depth > _MOST_DEPTH:
                raise refuse(path, f"more than {MOST_LINKS} objects, or {_MOST_DEPTH} groups in "
                             "one another", needed, fix)  # fmt: skip
            if isinstance(link, h5py.ExternalLink):
                raise refuse(path, f"{at}, a link to the file {link.filename}", needed, fix)
            if not isinstance(link, h5py.HardLink):
                continue
            found = group[key]
            if _address(found) not in seen:
                seen.add(_address(found))
                yield at, found
                if isinstance(found, h5py.Group):
                    ahead.append((at, depth + 1, found))


def _address(found: Any) -> int:
    from h5py import h5o

    return int(h5o.get_info(found.id).addr)


def guard(path: Path, *, lazy: bool = False) -> None:
    """Refuse a file with links or storage in other files, or with more numbers than it can hold.

    Raises
    ------
    ReadError : any of these, or a file that h5py cannot walk through.
    """
    import h5py

    try:
        with h5py.File(regular(path), "r") as file:
            declared = _declared(path, file)
            if not lazy:
                fits_in(path, declared)
    except ReadError:
        raise
    except Exception as error:  # the library raises anything on damaged bytes
        raise damaged(path, error) from error


def _declared(path: Path, file: Any) -> int:
    """How many numbers of 8 bytes a file declares, its texts left out: these must fit in it."""
    import h5py

    n_numbers = n_attributes = 0
    for at, found in chain([("/", file)], _objects(path, file)):
        n_attributes += len(found.attrs)
        if n_attributes > MOST_LINKS:
            raise refuse(path, f"more than {MOST_LINKS} attributes", "fewer", "leave some out")
        for name in found.attrs:
            one = found.attrs.get_id(name)
            if one.dtype.kind == "O":
                fits_in(path, one.get_space().get_simple_extent_npoints() * size_of(path) // 8)
        if not isinstance(found, h5py.Dataset) or found.shape is None:
            continue
        if found.external or found.is_virtual:
            raise refuse(path, f"{at}, numbers kept in another file", "all of it in this one file",
                         "export it as one whole file")  # fmt: skip
        if found.dtype.kind == "O":
            texts_fit_in(path, found)
        n_numbers += -(-found.dtype.itemsize // 8) * found.size
    return n_numbers


def texts_fit_in(path: Path, found: Any) -> None:
    """Refuse texts that unpack to more than their file can hold: all may name one long text."""
    if found.ndim > 1:
        fits_in(path, found.size * size_of(path) // 8)
    size, step = 0, max(1, SMALL // size_of(path))
    for start in range(0, found.shape[0] if found.ndim else 0, step):
        size += sum(len(text) for text in np.ravel(found[start : start + step]))
        fits_in(path, size // 8)
