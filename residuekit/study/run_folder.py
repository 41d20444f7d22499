"""The folder of a run: made aside, moved in place whole, swept away when its run was killed."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from ..errors import Fault, ReadError, WriteError
from ..io.atomic_write import new_folder
from ..io.opening import MOST_TOML, content
from ..results import StudyResult, open_run

_ASIDE = ".writing-"
#: The folder below `runs` of what runs keep for one another.
CACHE = ".cache"


def newest(folder: Path) -> str:
    """The name of the newest run of a study; empty where there is none."""
    try:
        return content(folder / "runs" / "latest", MOST_TOML).decode().strip()
    except (OSError, ReadError, UnicodeDecodeError):
        return ""


def last_run(folder: Path) -> StudyResult | None:
    """The newest run of a study, if there is one that can be read."""
    if not (folder / "runs" / "latest").is_file():
        return None
    try:
        return open_run(folder)
    except (ReadError, OSError, ValueError):
        return None


@contextmanager
def new_run(folder: Path) -> Iterator[Path]:
    """Give the folder to write in; what is left of it, or of a run that was killed, is removed.

    Raises
    ------
    WriteError : the study folder cannot be written, or its disk is full.
    """
    runs = folder / "runs"
    part = lock = None
    try:
        runs.mkdir(exist_ok=True)
        for place in (runs, runs / CACHE):
            if place.is_symlink():
                raise NotADirectoryError(f"{place.name} is a link; a folder is needed")
        part, lock = _place_aside(runs)
        yield part
    except OSError as problem:
        raise WriteError(
            Fault(f"a run that cannot be written ({problem})",
                  "a study folder you may write, with room on its disk",
                  "make room, or copy the study to a place of your own, and run it again: what was "
                  "computed is kept", file=str(folder))
        ) from problem  # fmt: skip
    finally:
        if part is not None:
            shutil.rmtree(part, ignore_errors=True)
        if lock is not None:
            os.close(lock)


def move_in(part: Path, started: datetime) -> Path:
    """Give a finished run its name; another run of the same second may have taken it already."""
    stamp = started.strftime("%Y-%m-%dT%H-%M-%SZ")
    final, number = part.with_name(stamp), 1
    while True:
        try:
            part.rename(final)
        except OSError:
            if not final.exists():
                raise
        else:
            return final
        number += 1
        final = part.with_name(f"{stamp}-{number}")


def point_to(runs: Path, name: str) -> None:
    """Let `runs/latest` name a run."""
    part = runs / f".latest-{os.getpid()}"
    try:
        part.write_text(name + "\n", encoding="utf-8")
        os.replace(part, runs / "latest")
    finally:
        part.unlink(missing_ok=True)


@contextmanager
def alone(runs: Path) -> Iterator[bool]:
    """Say whether no other run of the study is going on, and hold new ones back meanwhile.

    Where the file system knows no locks, every folder aside counts as a run that goes on.
    """
    guard = _locked(runs, wait=True)
    try:
        yield not any(_is_at_work(folder) for folder in runs.glob(f"{_ASIDE}*"))
    finally:
        if guard is not None:
            os.close(guard)


def _is_at_work(folder: Path) -> bool:
    free = _locked(folder)
    if free is not None:
        os.close(free)
    return free is None


def _place_aside(runs: Path) -> tuple[Path, int | None]:
    """A locked folder to write in. The lock ends with its process, however that ends."""
    guard = _locked(runs, wait=True)
    try:
        for left in runs.glob(f"{_ASIDE}*"):
            free = _locked(left)
            if free is not None:
                shutil.rmtree(left, ignore_errors=True)
                os.close(free)
        part = new_folder(runs, _ASIDE)
        return part, _locked(part)
    finally:
        if guard is not None:
            os.close(guard)


def _locked(folder: Path, *, wait: bool = False) -> int | None:
    """Lock a folder; None where another process has it, or the file system knows no locks."""
    if sys.platform == "win32":
        return None
    import fcntl

    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
    except OSError:
        os.close(handle)
        return None
    return handle
