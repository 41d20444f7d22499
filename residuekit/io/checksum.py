"""Checksums of files, once a session and no sooner than needed, with the files beside them that say
how they are read."""

from __future__ import annotations

import hashlib
import os
import time
import tomllib
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import NamedTuple

from ..errors import ReadError
from ..labels import LATER, SUMS
from .opening import MOST_TOML, content, files_in, is_below, opened, readable

#: The file that says how the files of a folder make a map.
FOLDER_OPTIONS = "map.toml"


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
#: How long its times may stay the same: where the disk keeps them to less than a microsecond, they
#: follow the clock of the system's kernel; others go in steps of up to two seconds.
_FINE_S, _COARSE_S = 0.05, 3.0
#: Bytes up to which a file is summed when it is read; a larger one when its checksum is asked for.
SMALL_FILE = 2**22


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
    files = files_of(path)
    if path.is_dir() or len(files) > 1:
        return _checksum_of_all(path if path.is_dir() else path.parent, files)
    return _digest(path)


def files_of(path: Path) -> list[Path]:
    """The files that a measured file is: those of a folder; itself and what says how it is read."""
    return files_in(path) if path.is_dir() else [path, *_beside(path)]


def _digest(path: Path) -> str:
    mark = mark_of(path)
    if mark not in _KNOWN:
        with opened(path) as file, readable(path):
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        if mark_of(path) != mark or not _is_settled(mark):
            return digest
        _KNOWN[mark] = digest
    return _KNOWN[mark]


def mark_of(path: Path) -> Mark:
    """Return the mark of a file or folder."""
    with readable(path):
        state = path.stat()
    return Mark(state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns, state.st_ctime_ns)


def _is_settled(mark: Mark) -> bool:
    """Whether the next change of a file will leave another mark."""
    last = max(mark.content_ns, mark.state_ns)
    return time.time_ns() > last + (_FINE_S if last % 1000 else _COARSE_S) * 1e9


def marks_of(path: Path, *, alone: bool = False) -> dict[str, Mark]:
    """Return the marks of all files that a measured file is, or of this one `alone`, by their paths
    below its folder."""
    folder = path if path.is_dir() else path.parent
    files = [path] if alone else files_of(path)
    return {str(file.relative_to(folder)): mark_of(file) for file in files}


def sum_of(path: Path, marks: Mapping[str, Mark]) -> dict[str, str]:
    """What `source` holds of a file that was read as it had these marks: its checksum, or, of a
    large one, the key by which `labels.source` comes to it."""
    small = sum(mark.size for mark in marks.values()) <= SMALL_FILE
    if small or not all(map(_is_settled, marks.values())):
        return {"sha256": sha256(path)}
    path = path.absolute()
    key = hashlib.sha256(repr((path, sorted(marks.items()))).encode()).hexdigest()[:16]
    SUMS[key] = partial(_sum_of_same, path, marks)
    return {LATER: key}


def _sum_of_same(path: Path, marks: Mapping[str, Mark]) -> str | None:
    """The checksum of a file that has these marks before and after it is summed, else None."""
    try:
        digest = sha256(path) if marks_of(path) == marks else None
        return digest if marks_of(path) == marks else None
    except ReadError:
        return None


def _checksum_of_all(folder: Path, files: list[Path]) -> str:
    digests = [f"{_digest(p)}  {p.relative_to(folder).as_posix()}\n" for p in sorted(files)]
    return hashlib.sha256("".join(digests).encode("utf-8", "surrogateescape")).hexdigest()


def options_file(path: Path) -> Path:
    """The TOML file that may hold the options of a file, or of a folder."""
    return path / FOLDER_OPTIONS if path.is_dir() else path.with_name(path.name + ".toml")


def _beside(path: Path) -> list[Path]:
    """The files beside a file that say how it is read."""
    options = options_file(path)
    if not options.exists():
        return []
    try:
        named = tomllib.loads(content(options, MOST_TOML).decode()).get("wavenumber")
    except (ReadError, ValueError, RecursionError):  # the reader refuses it, and says why
        named = None
    if isinstance(named, str) and is_below(named) and (path.parent / named).is_file():
        return [options, path.parent / named]
    return [options]
