"""What every format shares: faults with their file, checksums, writing aside, the labelled end."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import shutil
import time
import tomllib
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import xarray as xr

from ..errors import ContractError, Fault, ReadError, WriteError

#: The files one of which every Zarr store has.
ZARR_MARKS = ("zarr.json", ".zgroup", ".zarray")
#: The file that says how the files of a folder make a map.
FOLDER_OPTIONS = "map.toml"
_SMALL, _PIECE = 64 * 2**20, 2**19
_MOST_PACKED = 200


class Mark(NamedTuple):
    """What changes when a file does; the times are those of its content and of its state."""

    device: int
    inode: int
    size: int
    content_ns: int
    state_ns: int


#: Checksums of this session by the file's mark. A file that changed just now is left out: its next
#: change might leave the same times.
_KNOWN: dict[Mark, str] = {}
_SETTLED_S = 3.0


def refuse(path: Path, found: str, needed: str, fix: str, line: int | None = None) -> ReadError:
    """Make the `ReadError` of one fault in a file."""
    return ReadError(Fault(found, needed, fix, str(path), line))


def sha256(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 checksum (FIPS 180-4) of a file as 64 hexadecimal digits.

    That of a folder is the checksum of one line a file, `checksum  path below the folder`, sorted
    by path. So is that of a file with others beside it that say how it is read: a TOML file of
    options, and the wavenumbers it names. A file is read through once a session, and again when its
    size, its times or its place on the disk change.

    Raises
    ------
    ReadError : the file cannot be opened.
    """
    path = Path(path)
    if path.is_dir():
        return _checksum_of_all(path, [p for p in path.rglob("*") if p.is_file()])
    beside = _beside(path)
    if beside:
        return _checksum_of_all(path.parent, [path, *beside])
    return _digest(path)


def _digest(path: Path) -> str:
    mark = mark_of(path)
    if mark not in _KNOWN:
        with readable(path), path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        if (
            mark_of(path) != mark
            or time.time_ns() < max(mark.content_ns, mark.state_ns) + _SETTLED_S * 1e9
        ):
            return digest
        _KNOWN[mark] = digest
    return _KNOWN[mark]


def mark_of(path: Path) -> Mark:
    """Return the mark of a file or folder."""
    with readable(path):
        state = path.stat()
    return Mark(state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns, state.st_ctime_ns)


def _checksum_of_all(folder: Path, files: list[Path]) -> str:
    digests = [f"{_digest(p)}  {p.relative_to(folder).as_posix()}\n" for p in sorted(files)]
    return hashlib.sha256("".join(digests).encode("utf-8", "surrogateescape")).hexdigest()


def options_file(path: Path) -> Path:
    """The TOML file that may hold the options of a file, or of a folder."""
    return path / FOLDER_OPTIONS if path.is_dir() else path.with_name(path.name + ".toml")


def _beside(path: Path) -> list[Path]:
    """The files beside a file that say how it is read."""
    options = options_file(path)
    if not options.is_file():
        return []
    try:
        named = tomllib.loads(options.read_text(encoding="utf-8")).get("wavenumber")
    except (OSError, ValueError, RecursionError):  # the reader refuses it, and says why
        named = None
    if isinstance(named, str) and is_below(named) and (path.parent / named).is_file():
        return [options, path.parent / named]
    return [options]


def is_below(name: str) -> bool:
    """Say whether a name leads to a file in the same folder, or in one below it."""
    return not Path(name).is_absolute() and ".." not in Path(name).parts


@contextmanager
def readable(path: Path) -> Iterator[None]:
    """Turn what the operating system says about a file into a `ReadError`."""
    try:
        yield
    except FileNotFoundError as error:
        raise refuse(path, "no such file", "a file that exists", "check the path") from error
    except IsADirectoryError as error:
        raise refuse(path, "a folder", "a file", "name one file in it") from error
    except (OSError, ValueError) as error:
        if isinstance(error, ReadError):
            raise
        raise refuse(path, f"a file that cannot be opened ({error})", "a readable file",
                     "check the path and its permissions") from error  # fmt: skip


def damaged(path: Path, error: Exception) -> ReadError:
    """Make the `ReadError` of a file that a library below cannot read."""
    words = " ".join(str(error).split())[:200]
    return refuse(path, f"a damaged file ({type(error).__name__}: {words})", "a whole file",
                  "copy or export it again")  # fmt: skip


def size_of(path: Path) -> int:
    """The bytes of a file, or of all files in a folder."""
    if path.is_dir():
        return sum(p.stat().st_size for p in path.rglob("*") if p.is_file())
    return path.stat().st_size


def fits_in(path: Path, declared: int) -> None:
    """Refuse what declares more bytes than its file can hold, packed 200 times or below 64 MB.

    Raises
    ------
    ReadError : more than that.
    """
    if declared > max(_SMALL, _MOST_PACKED * size_of(path)):
        raise refuse(path, f"{declared / 2**20:.0f} MB declared in a file of "
                     f"{size_of(path) / 2**20:.3g} MB", "as much as the file holds",
                     "export it again: it is damaged")  # fmt: skip


def source_of(path: Path, reader: str, **recognised: Any) -> dict[str, Any]:
    """What the array came from: file name, reader, and what the reader recognised.

    `residuekit.io.read` adds the checksum; `opened="lazily"` says that there is none: such a file
    is not read through.
    """
    return {"file": path.name, "reader": reader, **recognised}


def float32(values: Any) -> Any:
    """Return the values as float32; a number beyond its range raises OverflowError."""
    if getattr(values, "dtype", None) == np.float32 or hasattr(values, "dask"):
        return values.astype(np.float32, copy=False)
    values = np.asarray(values, dtype=float)
    new = np.empty(values.shape, dtype=np.float32)
    with np.errstate(over="ignore"):
        for piece, into in zip(_pieces(values), _pieces(new, values.nbytes), strict=True):
            into[...] = _finite(piece.astype(np.float32))
    return new


def _pieces(values: Any, size: int = 0) -> list[Any]:
    """Views of some rows of an array each, such that a piece fits in the cache."""
    return np.array_split(values, max(1, min(len(values), (size or values.nbytes) // _PIECE)))


def _finite(piece: Any) -> Any:
    if np.isinf(piece).any():
        raise OverflowError("a number that is infinite or above 3.4e38")
    return piece


def labelled(
    path: Path, make: Callable[..., xr.DataArray], values: Any, *axes: Any, **options: Any
) -> xr.DataArray:
    """Make the labelled array of a file, or say what in the file breaks the contract."""
    try:
        return make(stored(path, values), *axes, **options)
    except ContractError as error:
        raise ReadError([dataclasses.replace(f, file=str(path)) for f in error.faults]) from error


def stored(path: Path, values: Any) -> Any:
    """Return the values of a file as float32, or say that one is beyond its range."""
    try:
        if getattr(values, "dtype", None) == np.float32 and not hasattr(values, "dask"):
            for piece in _pieces(values):
                _finite(piece)
            return values
        return float32(values)
    except OverflowError as error:
        raise refuse(path, str(error), "finite numbers (float32)",
                     "leave the cell empty where a value is missing") from error  # fmt: skip


def with_position_unit(array: xr.DataArray, unit: str) -> xr.DataArray:
    """Return a map whose x and y carry this unit."""
    return array.assign_coords(
        {name: (name, array[name].values, {"units": unit}) for name in ("y", "x")}
    )


@contextmanager
def aside(path: Path) -> Iterator[Path]:
    """Give a temporary path in the same folder; move it in place at the end, or remove it.

    Raises
    ------
    WriteError : the folder is absent or closed, or what is written does not fit the format.
    """
    part = path.with_name(f".{path.stem}.{uuid.uuid4().hex[:8]}.part{path.suffix}")
    try:
        yield part
        if part.is_dir() and is_zarr(path):
            old = part.with_name(part.name + ".old")
            os.replace(path, old)
            os.replace(part, path)
            shutil.rmtree(old)
        else:
            os.replace(part, path)
    except (OSError, OverflowError, TypeError, ValueError) as error:
        if isinstance(error, WriteError):
            raise
        raise WriteError(
            Fault(f"an array or a place that cannot be written ({error})",
                  "an existing, writable folder and attributes of text or numbers",
                  "check the path and array.attrs", str(path))
        ) from error  # fmt: skip
    finally:
        if part.is_dir():
            shutil.rmtree(part)
        else:
            part.unlink(missing_ok=True)


def is_zarr(path: Path) -> bool:
    """Say whether a folder is a Zarr store."""
    return any((path / mark).is_file() for mark in ZARR_MARKS)


def json_of(text: str) -> Any:
    """Return the value of JSON text, or None where it is none (`null` never stands in a file)."""
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def decoded(path: Path, data: bytes) -> tuple[str, str]:
    """Return the text of a file and its encoding: UTF-8, UTF-16 by its mark, else Latin-1.

    Raises
    ------
    ReadError : an empty file, NUL bytes, half a UTF-16 character.
    """
    blank = b" \t\r\n\x1a\x00"
    if not data[:4096].strip(blank) and not data.strip(blank):
        raise refuse(path, "an empty file", "a file that holds spectra", "export it again")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16"
    elif data.startswith(b"\xef\xbb\xbf"):
        encoding = "utf-8-sig"
    else:
        encoding = "utf-8"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        if encoding == "utf-16":
            raise refuse(path, "text cut inside a UTF-16 character", "whole UTF-16 text",
                         "export it again") from error  # fmt: skip
        text, encoding = data.decode("latin-1"), "latin-1"
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise refuse(path, "a NUL byte", "plain text", "export it again as text", line)
    return text, encoding
