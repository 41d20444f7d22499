"""What may go wrong when a file is opened, and how it is said: the guards every format shares."""

from __future__ import annotations

import json
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from io import BufferedReader
from pathlib import Path
from typing import Any

from ..errors import Fault, ReadError

#: The files one of which every Zarr store has.
ZARR_MARKS = ("zarr.json", ".zgroup", ".zarray")
#: Bytes that every file may unpack to; how many times its own size a file may unpack to.
SMALL, _MOST_PACKED = 64 * 2**20, 50
_MOST_FILES = 100_000
#: Bytes of a file of settings.
MOST_TOML = 2**20
_KINDS = {stat.S_IFDIR: "a folder", stat.S_IFIFO: "a named pipe", stat.S_IFSOCK: "a socket",
          stat.S_IFCHR: "a device", stat.S_IFBLK: "a device"}  # fmt: skip
_STUDY: ContextVar[Path | None] = ContextVar("study", default=None)


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


@contextmanager
def inside(study: Path) -> Iterator[None]:
    """Refuse meanwhile every file that does not lie in this folder once its links are followed."""
    before = _STUDY.set(study.resolve())
    try:
        yield
    finally:
        _STUDY.reset(before)


def regular(path: Path) -> Path:
    """Return the path of a regular file: what every reader asks before it opens one.

    Raises
    ------
    ReadError : no file, a folder, a pipe, a device, a socket, a link that leaves the study folder.
    """
    with readable(path):
        kind = stat.S_IFMT(path.stat().st_mode)
    if kind != stat.S_IFREG:
        fix = "name one file in it" if kind == stat.S_IFDIR else "copy its content into a file"
        raise refuse(path, _KINDS.get(kind, "no regular file"), "a file", fix)
    study = _STUDY.get()
    if study is not None and not path.resolve().is_relative_to(study):
        raise refuse(path, "a link that leaves the study folder", "a file in the study folder",
                     "copy it into data/")  # fmt: skip
    return path


def opened(path: Path) -> BufferedReader:
    """Open a regular file; ReadError as `regular`."""
    regular(path)
    with readable(path):
        return path.open("rb")


def content(path: Path, most: int | None = None) -> bytes:
    """Return the bytes of a regular file, at most `most`; ReadError as `regular`."""
    with opened(path) as file, readable(path):
        data = file.read() if most is None else file.read(most + 1)
    if most is not None and len(data) > most:
        raise refuse(path, f"more than {most / 2**20:.3g} MB", "a file that people wrote by hand",
                     "see that it is the file that was meant")  # fmt: skip
    return data


def files_in(folder: Path) -> list[Path]:
    """Return every file in a folder and in those below it.

    Raises
    ------
    ReadError : one that is not regular, or a link out of the folder; more than 100,000 files.
    """
    found: list[Path] = []
    with readable(folder):
        root = folder.resolve()
        for path in folder.rglob("*"):
            if path.is_symlink() and not path.resolve().is_relative_to(root):
                raise refuse(path, "a link that leaves its folder", f"files in {folder.name}",
                             "copy what it points to")  # fmt: skip
            if not path.is_dir():
                found.append(regular(path))
            if len(found) > _MOST_FILES:
                raise refuse(folder, f"more than {_MOST_FILES} files", "fewer", "larger chunks")
    return found


def damaged(path: Path, error: Exception) -> ReadError:
    """Make the `ReadError` of a file that a library below cannot read."""
    words = " ".join(str(error).split())[:200]
    return refuse(path, f"a damaged file ({type(error).__name__}: {words})", "a whole file",
                  "copy or export it again")  # fmt: skip


def size_of(path: Path) -> int:
    """The bytes of a file, or of all files in a folder."""
    return sum(p.stat().st_size for p in (files_in(path) if path.is_dir() else [path]))


def fits_in(path: Path, n_numbers: int) -> None:
    """Refuse what declares more numbers (float64) than 64 MB, or 50 times its file, can hold.

    Raises
    ------
    ReadError : more than that.
    """
    declared = 8 * n_numbers
    if declared > max(SMALL, _MOST_PACKED * size_of(path)):
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
