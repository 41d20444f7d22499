"""The files that the table of measurements names: are they there, below the folder, and apart?

A measured file may be a folder (a Zarr store, single spectra with map.toml): all files in it count.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Iterator
from functools import partial
from pathlib import Path

from .. import io
from ..errors import Fault, ResiduekitError, did_you_mean
from ..io.opening import opened, regular
from .how_read import read_row
from .measurements import Measurement

_GLANCE = 4096
#: Where measured files lie in a study as it is begun; how many names there are looked through.
_DATA, _MOST_NAMES = "data", 200
_Placed = tuple[Path, Measurement]


def file_faults(folder: Path, table: str, rows: tuple[Measurement, ...]) -> Iterator[Fault]:
    """Say of each row whose file cannot be read, and why, under the name of the table."""
    first: dict[Path, Measurement] = {}
    taken: dict[tuple[Path, str], Measurement] = {}
    places = {row.line: place_of(folder, row.path) for row in rows}
    named = {Path(row.path).name for row in rows}
    above = {parent for path in places.values() if path is not None for parent in path.parents}
    for row in rows:
        fault = partial(Fault, file=table, line=row.line)
        path = places[row.line]
        if path is None:
            yield fault(
                f"the file {row.file!r}, which no disk can hold",
                "the path of a file",
                "a shorter name, without links that go round",
            )
        elif not _is_below(path, folder.resolve()):
            yield fault(
                f"the file {row.file!r}, which leaves the study folder",
                "a path below the study folder",
                "copy the file into data/ and name it data/...",
            )
        elif (path, row.sheet) in taken or (
            path in first and not (row.sheet and first[path].sheet)
        ):
            one = taken.get((path, row.sheet), first[path])
            yield fault(
                f"{row.file!r} a second time (first in line {one.line})",
                "one row for one file, or for one sheet of a workbook",
                "remove one of the rows, or name the sheet of each in the column sheet",
            )
        elif row.sheet and path.is_file() and not _may_have_sheets(row):
            yield fault(
                f"the sheet {row.sheet!r} of {row.path!r}, which is no workbook",
                "a sheet of a workbook (.xlsx)",
                "an empty cell in the column sheet",
            )
        elif path in above:
            yield fault(
                f"the folder {row.file!r}, which holds other measured files",
                "a file, or a folder that is one map",
                "the name of the file in it",
            )
        elif not path.exists():
            near = _near(path, folder, named)
            if not path.parent.is_dir():
                near = (f"copy the delivery there, or mend the path: there is no folder "
                        f"{path.parent.name}/")  # fmt: skip
            book, mark, sheet = row.path.rpartition("#")
            if mark and (folder / book).is_file():
                near = f"{book} in the column file and {sheet} in the column sheet"
            elif "\\" in row.path:
                near = f"{row.path.replace(chr(92), '/')}, with / between folders"
            yield fault(f"no file {row.file!r}", "a file that is there", near)
        else:
            try:
                empty = not io.size_of(path if path.is_dir() else regular(path))
            except ResiduekitError as problem:
                yield from (
                    fault(f"{row.file!r}, {one.found}", one.needed, one.fix)
                    for one in problem.faults
                )
                continue
            if empty:
                yield fault(
                    f"the empty {'folder' if path.is_dir() else 'file'} {row.file!r}",
                    "a file that holds spectra",
                    "copy it again from the instrument",
                )
            else:
                first.setdefault(path, row)
                taken[path, row.sheet] = row
    yield from _twins(folder, first, table)


def _twins(folder: Path, files: dict[Path, Measurement], table: str) -> Iterator[Fault]:
    """Name files with one content under two names: one measurement would count twice.

    Sizes first, then a glance at beginning and end, and only then the whole content. Files that
    cannot be read are no measurement: what is wrong with them is said when they are read.
    """
    groups: list[list[_Placed]] = [list(files.items())]
    tests: tuple[Callable[[Path], Hashable], ...] = (io.size_of, _glance, _content)
    for test in tests:
        groups = [part for group in groups for part in _alike(group, test)]
    for (_path, first), *others in groups:
        for _, row in others if _is_readable(folder, first) else ():
            yield Fault(
                f"{row.file!r} with the same content as {first.file!r} in line {first.line}",
                "one row for one measurement",
                "the file that was meant, or remove one of the rows",
                table,
                row.line,
            )


def _alike(group: Iterable[_Placed], test: Callable[[Path], Hashable]) -> list[list[_Placed]]:
    found: dict[Hashable, list[_Placed]] = defaultdict(list)
    for path, row in group:
        found[test(path)].append((path, row))
    return [part for part in found.values() if len(part) > 1]


def _glance(path: Path) -> Hashable:
    if path.is_dir():
        return b""
    try:
        with opened(path) as stream:
            head = stream.read(_GLANCE)
            stream.seek(max(path.stat().st_size - _GLANCE, 0))
            return head + stream.read(_GLANCE)
    except (OSError, ResiduekitError):
        return str(path)


def _content(path: Path) -> Hashable:
    """A file that cannot be opened is like no other; reading it says why."""
    try:
        return io.sha256(path)
    except ResiduekitError:
        return str(path)


def _is_readable(folder: Path, row: Measurement) -> bool:
    try:
        read_row(folder, row)
    except ResiduekitError:
        return False
    return True


def _is_below(path: Path, root: Path) -> bool:
    """Whether a file, or a folder with all that its links point to, lies below the study folder."""
    if path == root or not path.is_relative_to(root):
        return False
    return not path.is_dir() or all(
        inside.resolve().is_relative_to(path) for inside in path.rglob("*")
    )


def _may_have_sheets(row: Measurement) -> bool:
    return Path(row.path).suffix.lower() == ".xlsx" or "workbook" in row.options.values()


def place_of(folder: Path, file: str) -> Path | None:
    """Where a file lies once its links are followed; None for a name that cannot be followed."""
    try:
        path = (folder / file).resolve()
        path.is_file()
    except (OSError, RuntimeError, ValueError):
        return None
    return path


def _near(path: Path, folder: Path, named: set[str]) -> str:
    """What to type for a file that is not there: one beside it, or in data/, that no row names."""
    at_the_top = path.parent == folder.resolve()
    place = path.parent / _DATA if at_the_top else path.parent
    below = f"{_DATA}/" if at_the_top else ""
    if at_the_top and (place / path.name).exists():
        return f"{below} before its name in the column file: it lies there"
    entries = place.iterdir() if place.is_dir() else ()
    free = sorted(entry.name for entry in entries
                  if entry.name not in named and not entry.name.startswith("."))  # fmt: skip
    if not free:
        return f"copy it into {place.relative_to(folder.resolve()).as_posix()}/"
    return did_you_mean(f"{below}{path.name}", [f"{below}{name}" for name in free[:_MOST_NAMES]])
