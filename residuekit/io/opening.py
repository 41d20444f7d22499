"""What may go wrong when a file is opened, and how it is said: the guards every format shares."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from ..errors import Fault, ReadError

#: The files one of which every Zarr store has.
ZARR_MARKS = ("zarr.json", ".zgroup", ".zarray")
_SMALL, _MOST_PACKED = 64 * 2**20, 200


def refuse(path: Path, found: str, needed: str, fix: str, line: int | None = None) -> ReadError:
    """Make the `ReadError` of one fault in a file."""
    return ReadError(Fault(found, needed, fix, str(path), line))


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
