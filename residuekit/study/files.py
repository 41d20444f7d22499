"""The files that the table of measurements names: are they there, below the folder, and apart?"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial
from pathlib import Path

from ..errors import Fault, did_you_mean
from .measurements import Measurement


def file_faults(folder: Path, table: str, rows: tuple[Measurement, ...]) -> Iterator[Fault]:
    """Say of each row whose file cannot be read, and why, under the name of the table."""
    root = folder.resolve()
    first: dict[Path, Measurement] = {}
    named = {Path(row.file).name for row in rows}
    for row in rows:
        fault = partial(Fault, file=table, line=row.line)
        path = place_of(folder, row.file)
        if path is None:
            yield fault(
                f"the file {row.file!r}, which no disk can hold",
                "the path of a file",
                "a shorter name, without links that go round",
            )
        elif not path.is_relative_to(root):
            yield fault(
                f"the file {row.file!r}, which leaves the study folder",
                "a path below the study folder",
                "copy the file into data/ and name it data/...",
            )
        elif not path.is_file():
            near = did_you_mean(Path(row.file).name, _names_near(path, named))
            yield fault(f"no file {row.file!r}", "a file that is there", near)
        elif path.stat().st_size == 0:
            yield fault(
                f"the empty file {row.file!r}",
                "a file that holds spectra",
                "copy it again from the instrument",
            )
        elif path in first:
            yield fault(
                f"{row.file!r} a second time (first in line {first[path].line})",
                "one row for one file",
                "remove one of the rows",
            )
        if path is not None:
            first.setdefault(path, row)


def place_of(folder: Path, file: str) -> Path | None:
    """Where a file lies once its links are followed; None for a name that cannot be followed."""
    try:
        path = (folder / file).resolve()
        path.is_file()
    except (OSError, RuntimeError, ValueError):
        return None
    return path


def _names_near(path: Path, named: set[str]) -> list[str]:
    folder = path.parent
    if not folder.is_dir():
        return [f"{folder.name}/ (there is no such folder)"]
    free = sorted(entry.name for entry in folder.iterdir() if entry.name not in named)
    return free[:200] or ["(no file there that the table does not name already)"]
