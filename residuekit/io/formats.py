"""The formats: one table of readers and one of writers, and which of them a file is for.

A format is added here: one line in `READERS`, and one in `WRITERS` if it can be written. Another
package adds a reader through the entry point group ``residuekit.readers``: an object of type
`Reader`. It is asked for the suffixes that no reader here takes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import xarray as xr

from ..errors import Fault, ReadError, WriteError, did_you_mean
from ..validator import choice, require
from . import (
    flat,
    folder,
    hdf5,
    jcamp,
    jcamp_writer,
    netcdf,
    numpy_file,
    table_writer,
    text_table,
    tiff,
    workbook,
    zarr_store,
)
from .checksum import FOLDER_OPTIONS
from .opening import is_zarr, opened, readable, refuse

#: The entry point group of readers of other packages.
GROUP = "residuekit.readers"
#: Bytes of a head that is looked at.
_HEAD = 4096


def _nothing(_head: bytes) -> bool:
    """What has no signature is chosen by its suffix alone."""
    return False


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


READERS = (
    Reader(netcdf.NAME, (".nc", ".nc4", ".cdf"), netcdf.read, netcdf.recognises),
    Reader(hdf5.NAME, (".h5", ".hdf5", ".nxs"), hdf5.read, hdf5.recognises),
    Reader(jcamp.NAME, (".jdx", ".dx", ".jcm"), jcamp.read, jcamp.recognises),
    Reader(text_table.NAME, (".csv", ".tsv", ".txt"), text_table.read, text_table.recognises),
    Reader(workbook.NAME, (".xlsx",), workbook.read, workbook.recognises),
    Reader(numpy_file.NAME, (".npy", ".npz"), numpy_file.read, numpy_file.recognises),
    Reader(tiff.NAME, (".tif", ".tiff"), tiff.read, tiff.recognises),
    Reader(flat.NAME, (".raw", ".bin", ".img"), flat.read, _nothing),
)
#: How near two suffixes must be to be a slip: .cvs and .csv are.
_NEAR = 0.7
#: What a user may state as `format`, where the suffix does not say it.
_NAMES = ("netcdf", "hdf5", "jcamp", "table", "workbook", "numpy", "tiff", "flat")
FORMATS = dict(zip(_NAMES, READERS, strict=True))
_ZARR = Reader(zarr_store.NAME, (".zarr",), zarr_store.read, _nothing)
WRITERS = (
    Writer(netcdf.NAME, (".nc", ".nc4"), netcdf.write),
    Writer(zarr_store.NAME, (".zarr",), zarr_store.write),
    Writer(jcamp.NAME, (".jdx", ".dx"), jcamp_writer.write),
    Writer(text_table.NAME, (".csv", ".tsv", ".txt"), table_writer.write),
    Writer(workbook.NAME, (".xlsx",), workbook.write),
)


def reader_of(
    path: Path, read_file: Callable[..., xr.DataArray], stated: str | None = None
) -> Reader:
    """Choose as `stated`; else by suffix and first bytes together, the first bytes, the suffix.

    `read_file` reads the files of a folder.

    Raises
    ------
    ReadError : a suffix that no reader takes, several of other packages; an unknown format.
    """
    if stated is not None:
        require(stated, "format", choice(FORMATS), ReadError)
    with readable(path):
        path.stat()
    if path.is_dir():
        if is_zarr(path) or path.suffix.lower() in _ZARR.suffixes:
            return _ZARR
        each = read_file if stated is None else partial(read_file, format=stated)
        return Reader(folder.NAME, (), folder.reader(each), _nothing)
    if stated is not None:
        return FORMATS[stated]
    suffix = path.suffix.lower()
    named = [reader for reader in READERS if suffix in reader.suffixes]
    if not named:
        return _added(path, suffix)
    with opened(path) as file, readable(path):
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
    known = f"{', '.join(reader.suffixes[0] for reader in (*READERS, _ZARR, *added))} or their like"
    beside = [other for other in READERS[-1].suffixes if path.with_suffix(other).is_file()]
    if beside:
        other = path.with_suffix(beside[0]).name
        raise refuse(path, f"the suffix {suffix!r}, beside {other}", f"one of {known}",
                     f"leave it out; what it says of {other} is stated as options of that "
                     "file")  # fmt: skip
    near = did_you_mean(suffix, suffixes, cutoff=_NEAR)
    near = f"{near} " if near.startswith("did you mean") else ""
    raise refuse(path, f"the suffix {suffix!r}", f"one of {known}",
                 f"{near}format='table' if it holds columns of text")  # fmt: skip


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


def writer_of(path: Path) -> Writer:
    """Choose by the suffix.

    Raises
    ------
    WriteError : a suffix that no writer takes.
    """
    suffix = path.suffix
    for writer in WRITERS:
        if suffix.lower() in writer.suffixes:
            return writer
    suffixes = [suffix for writer in WRITERS for suffix in writer.suffixes]
    raise WriteError(Fault(f"the suffix {suffix!r}", f"one of {', '.join(suffixes)}",
                           did_you_mean(suffix, suffixes), str(path)))  # fmt: skip


def is_known(suffix: str) -> bool:
    """Say whether a reader of this package takes a suffix."""
    return any(suffix.lower() in reader.suffixes for reader in (*READERS, _ZARR))


def holds_spectra(path: Path) -> bool:
    """Say whether a folder is a Zarr store or a map: `map.toml`, or files that a reader takes."""
    known = {suffix for reader in READERS for suffix in reader.suffixes}
    with readable(path):
        held = [found for found in path.iterdir() if found.is_file()]
    return is_zarr(path) or any(f.name == FOLDER_OPTIONS or f.suffix.lower() in known for f in held)
