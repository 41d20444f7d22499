"""Open formats in and out: one table of readers and writers, one file a format.

Another package adds a reader through the entry point group ``residuekit.readers``: an object of
type `Reader`. It is asked for the suffixes that no reader here takes.
"""

from __future__ import annotations

import dataclasses
import inspect
import json
import os
import tomllib
import warnings
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ContractError, Fault, ReadError, ResiduekitWarning, WriteError, did_you_mean
from ..schema import FLAGS, WAVENUMBER, check, marked, source
from . import (
    cube,
    folder,
    hdf5,
    jcamp_writer,
    jcampdx,
    netcdf,
    sheets,
    table_writer,
    tables,
    zarr_store,
)
from .description import Description, description_of
from .jcamp_peaks import read_peaks
from .opening import (
    FOLDER_OPTIONS,
    aside,
    is_zarr,
    mark_of,
    options_file,
    readable,
    refuse,
    sha256,
    size_of,
)
from .options import options_of, refuse_unknown

__all__ = ["GROUP", "READERS", "WRITERS", "Description", "Reader", "Writer", "describe",
           "holds_spectra", "read", "read_peaks", "sha256", "size_of", "write"]  # fmt: skip

#: The entry point group of readers of other packages.
GROUP = "residuekit.readers"
#: Bytes of a head that is looked at; bytes above which a thread sums a file while it is read.
_HEAD, _LARGE = 4096, 2**22


@dataclass(frozen=True)
class Reader:
    """A format that can be read: its suffixes, and whether the first bytes of a file are its own.

    `read(path, **options)` returns a labelled array or raises `ReadError`; its keyword arguments
    are the options a user may give.
    """

    name: str
    suffixes: tuple[str, ...]
    read: Callable[..., xr.DataArray]
    recognises: Callable[[bytes], bool]


@dataclass(frozen=True)
class Writer:
    """A format that can be written: `write(array, path, **options)`."""

    name: str
    suffixes: tuple[str, ...]
    write: Callable[..., None]


def read(path: str | os.PathLike[str], **options: Any) -> xr.DataArray:
    """Read spectra from a file of any open format, or a folder, as a labelled array.

    Spectra with transmittance or reflectance above 1 are kept, and flagged `over_range`.

    Parameters
    ----------
    path : the file; its suffix and its first bytes choose the reader.
    options : what that reader takes (its own docstring lists them). A file of the same name with
        ``.toml`` behind it, or ``map.toml`` in a folder, may hold them too.

    Returns
    -------
    The map or point spectra; `residuekit.schema.source` says where they come from.

    Raises
    ------
    ReadError : a file that is absent, damaged, of no known format, or open to guessing.

    >>> import tempfile
    >>> import residuekit as rk
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = rk.write(rk.make_points([0.5, 0.25], [1000, 1010]), f"{folder}/gel.csv")
    ...     m = rk.read(path)
    >>> m.dims, m.values.tolist()
    (('spectrum', 'wavenumber'), [[0.5, 0.25]])
    """
    path = Path(path)
    reader = _reader(path)
    known = options_of(reader.read)
    refuse_unknown(path, options, known)
    beside = options_file(path)
    if beside.is_file():
        options = {**_beside(beside, known), **options}
    mark = mark_of(path)
    with ThreadPoolExecutor(1) as pool:
        large = mark.size > _LARGE and not options.get("lazy")
        digest = pool.submit(sha256, path).result if large else partial(sha256, path)
        try:
            array = _over_range(check(marked(reader.read(path, **options))))
        except ContractError as error:
            faults = [dataclasses.replace(fault, file=str(path)) for fault in error.faults]
            raise ReadError(faults) from error
        found = source(array)
        if "opened" not in found:
            text = json.dumps({**found, "sha256": digest()}, sort_keys=True, ensure_ascii=False)
            array = array.assign_attrs(source=text)
    if mark_of(path) != mark:
        raise refuse(path, "a file that changed while it was read", "a file at rest",
                     "read it again once it is written")  # fmt: skip
    return array


READERS = (
    Reader(netcdf.NAME, (".nc", ".nc4", ".cdf"), netcdf.read, netcdf.recognises),
    Reader(hdf5.NAME, (".h5", ".hdf5", ".nxs"), hdf5.read, hdf5.recognises),
    Reader(jcampdx.NAME, (".jdx", ".dx", ".jcm"), jcampdx.read, jcampdx.recognises),
    Reader(tables.NAME, (".csv", ".tsv", ".txt"), tables.read, tables.recognises),
    Reader(sheets.NAME, (".xlsx",), sheets.read, sheets.recognises),
    Reader(cube.NUMPY, (".npy", ".npz"), cube.read_numpy, cube.recognises_numpy),
    Reader(cube.TIFF, (".tif", ".tiff"), cube.read_tiff, cube.recognises_tiff),
    Reader(cube.FLAT, (".raw", ".bin", ".img"), cube.read_flat, cube.recognises_nothing),
)
_ZARR = Reader(zarr_store.NAME, (".zarr",), zarr_store.read, cube.recognises_nothing)
_FOLDER = Reader(folder.NAME, (), folder.reader(read), cube.recognises_nothing)
WRITERS = (
    Writer(netcdf.NAME, (".nc", ".nc4"), netcdf.write),
    Writer(zarr_store.NAME, (".zarr",), zarr_store.write),
    Writer(jcampdx.NAME, (".jdx", ".dx"), jcamp_writer.write),
    Writer(tables.NAME, (".csv", ".tsv", ".txt"), table_writer.write),
    Writer(sheets.NAME, (".xlsx",), sheets.write),
)


def write(array: xr.DataArray, path: str | os.PathLike[str], **options: Any) -> Path:
    """Write a labelled array in the format of the suffix; nothing half-written ever stands there.

    Parameters
    ----------
    array : map or points.
    path : where to; its suffix chooses the format: .nc, .nc4, .zarr, .jdx, .dx, .csv, .tsv, .txt or
        .xlsx. What stands there is replaced.
    options : what that writer takes.

    Returns
    -------
    The path.

    Raises
    ------
    WriteError : no such format, an array that breaks the contract, or would lose what it holds.

    >>> import tempfile
    >>> import residuekit as rk
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     print(rk.write(rk.make_points([0.5, 0.25], [1000, 1010]), f"{folder}/gel.nc").name)
    gel.nc
    """
    path = Path(path)
    writers = [writer for writer in WRITERS if path.suffix.lower() in writer.suffixes]
    if not writers:
        suffixes = [suffix for writer in WRITERS for suffix in writer.suffixes]
        raise WriteError(
            Fault(f"the suffix {path.suffix!r}", f"one of {', '.join(suffixes)}",
                  did_you_mean(path.suffix, suffixes), str(path))
        )  # fmt: skip
    known = list(inspect.signature(writers[0].write).parameters)[2:]
    refuse_unknown(path, options, known, WriteError)
    try:
        array = check(array)
    except ContractError as error:
        raise WriteError([dataclasses.replace(f, file=str(path)) for f in error.faults]) from error
    with aside(path) as part:
        writers[0].write(array, part, **options)
    return path


def describe(path: str | os.PathLike[str], **options: Any) -> Description:
    """Say what a file is: format, layout, quantity, axis, grid, pixel order, warnings.

    Parameters
    ----------
    path, options : as in `read`.

    Returns
    -------
    A `Description`, which prints as a list; warnings of the reader are part of it.

    Raises
    ------
    ReadError : as `read`.

    >>> import tempfile
    >>> import residuekit as rk
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = rk.write(rk.make_points([0.5, 0.25], [1000, 1010]), f"{folder}/gel.csv")
    ...     found = rk.describe(path)
    >>> found.quantity, found.n_spectra, found.n_wavenumbers
    ('absorbance', 1, 2)
    """
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        array = read(path, **options)
    ours = [w for w in caught if issubclass(w.category, ResiduekitWarning)]
    return description_of(array, tuple(str(warning.message) for warning in ours))


def holds_spectra(path: Path) -> bool:
    """Say whether a folder is a Zarr store or a map: `map.toml`, or files that a reader takes."""
    known = {suffix for reader in READERS for suffix in reader.suffixes}
    with readable(path):
        held = [found for found in path.iterdir() if found.is_file()]
    return is_zarr(path) or any(f.name == FOLDER_OPTIONS or f.suffix.lower() in known for f in held)


def _reader(path: Path) -> Reader:
    """Choose by suffix and first bytes together; else by the first bytes; else by the suffix."""
    with readable(path):
        path.stat()
    if path.is_dir():
        return _ZARR if is_zarr(path) or path.suffix.lower() in _ZARR.suffixes else _FOLDER
    suffix = path.suffix.lower()
    named = [reader for reader in READERS if suffix in reader.suffixes]
    if not named:
        return _added(path, suffix)
    with readable(path), path.open("rb") as file:
        head = file.read(_HEAD)
    by_content = [reader for reader in (*named, *READERS) if reader.recognises(head)]
    return (by_content or named)[0]


def _added(path: Path, suffix: str) -> Reader:
    """The reader another installed package brings for a suffix."""
    added = [_load(path, point) for point in entry_points(group=GROUP)]
    named = [reader for reader in added if suffix in reader.suffixes]
    if len(named) == 1:
        return named[0]
    suffixes = [s for reader in (*READERS, _ZARR, *added) for s in reader.suffixes]
    if named:
        raise refuse(path, f"the suffix {suffix!r}, which {len(named)} installed readers take "
                     f"({', '.join(reader.name for reader in named)})", "one reader for it",
                     "uninstall the other")  # fmt: skip
    raise refuse(path, f"the suffix {suffix!r}", f"one of {', '.join(suffixes)}",
                 did_you_mean(suffix, suffixes))  # fmt: skip


def _load(path: Path, point: Any) -> Reader:
    try:
        reader = point.load()
    except Exception as error:  # another package's code may raise anything
        raise refuse(path, f"the reader {point.name!r} ({point.value}), which cannot be loaded "
                     f"({type(error).__name__}: {error})", "a reader that can be imported",
                     "mend or uninstall the package that brings it") from error  # fmt: skip
    if not isinstance(reader, Reader):
        raise refuse(path, f"the entry point {point.name!r} ({point.value}), a "
                     f"{type(reader).__name__}", "a residuekit.io.Reader",
                     "mend or uninstall the package that brings it")  # fmt: skip
    return reader


def _beside(path: Path, known: list[str]) -> dict[str, Any]:
    with readable(path):
        data = path.read_bytes()
    try:
        options = tomllib.loads(data.decode())
    except (ValueError, RecursionError) as error:
        raise refuse(path, f"TOML that cannot be read ({error})", "key = value",
                     "mend the line") from error  # fmt: skip
    refuse_unknown(path, options, known)
    return options


def _over_range(array: xr.DataArray) -> xr.DataArray:
    """Flag transmittance and reflectance above 1; files of our own keep their flags."""
    if array.name not in ("transmittance", "reflectance") or "origin" in source(array):
        return array
    flag = array["flag"]
    above = (array.variable > 1).any(WAVENUMBER)
    bit = np.uint16(FLAGS["over_range"][0])
    return array.assign_coords(
        flag=(flag.dims, (flag.variable | above.astype(np.uint16) * bit).data, flag.attrs)
    )
