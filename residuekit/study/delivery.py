"""Delivered files, recognised: what each is, how they differ, the table begun from them."""

from __future__ import annotations

import csv
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from io import StringIO
from itertools import islice
from pathlib import Path
from typing import Any

from .. import io
from ..errors import Fault, ReadError
from ..io.formats import is_known
from ..io.hand_table import UNREADABLE, rows_of_text
from ..io.opening import ZARR_MARKS, inside
from ..io.pixel_grid import places_in
from ..io.workbook import sheet_names
from ..schema import MEASUREMENT_COLUMNS
from ..spectra.arrays import resample_step
from ..words.common import counted
from .how_read import by_pattern, typed_in_study
from .name_parts import NamePattern, cells_of, parts_of

Progress = Callable[[int, int, str], None]
#: Columns that help to fill the table and say nothing of a study.
HELPING = ("found_folder", "found_size", "found_quantity", "found_grid")
_LOW, _HIGH = 800.0, 3800.0
#: Files of one spectrum in one folder, from which on they may be one map.
_MANY = 9
#: Tables of other kinds are looked at in their first lines, if they have one of these suffixes.
_MOST_LISTED, _TABLES = 2000, (".xlsx", ".csv", ".tsv")


@dataclass(frozen=True)
class Delivered:
    """One file, or one sheet, of a delivery: what it is, or why it cannot be read.

    `name` is its path below the delivery; `options` are what its reader must be given.
    """

    name: str
    sheet: str = ""
    options: dict[str, Any] = field(default_factory=dict)
    what: io.Description | None = None
    fault: Fault | None = None

    @property
    def words(self) -> str:
        """The name without its suffix, and the sheet, as a pattern sees them."""
        path = Path(self.name)
        return "/".join(filter(None, (path.with_suffix("").as_posix(), self.sheet)))


def recognise(delivery: Path, progress: Progress | None = None) -> list[Delivered]:
    """Look at every file of a folder, at every sheet of a workbook, and at maps that are folders.

    A file under a suffix that no reader takes is tried as a table of text.
    """
    found: list[Delivered] = []
    with inside(delivery):
        paths = list(_files(delivery))
        for number, path in enumerate(paths, start=1):
            found += (_or_a_list(one, path, paths) for one in _recognised(delivery, path))
            if progress is not None:
                progress(number, len(paths), path.name)
    return found


def _files(folder: Path) -> Iterator[Path]:
    """The files below a folder; a folder that is one map, or a store, counts as one file."""
    inner = sorted(p for p in folder.iterdir() if not p.name.startswith("."))
    for path in inner:
        if path.is_dir():
            held = [p for p in path.iterdir() if p.is_file() and not p.name.startswith(".")]
            named = places_in(p.stem for p in held if p.name != "map.toml")
            if named is not None or any(p.name in (*ZARR_MARKS, "map.toml") for p in held):
                yield path
            else:
                yield from _files(path)
        elif path.suffix.lower() != ".toml":
            yield path


def _recognised(delivery: Path, path: Path) -> Iterator[Delivered]:
    name = path.relative_to(delivery).as_posix()
    try:
        sheets = sheet_names(path) if path.suffix.lower() == ".xlsx" else []
    except ReadError as problem:
        yield Delivered(name, fault=problem.faults[0])
        return
    for sheet in sheets if len(sheets) > 1 else [""]:
        options = {"sheet": sheet} if sheet else {}
        try:
            yield Delivered(name, sheet, what=io.describe(path, **options))
        except ReadError as problem:
            yield _as_table(path, name, sheet, _as_one(problem.faults))


def _as_one(faults: Sequence[Fault]) -> Fault:
    """All that is wrong with a file as one fault."""
    first, *others = faults
    if not others:
        return first
    found, fix = (", ".join(getattr(one, name) for one in faults) for name in ("found", "fix"))
    return replace(first, found=found, needed="; ".join(one.needed for one in faults), fix=fix)


def _as_table(path: Path, name: str, sheet: str, fault: Fault) -> Delivered:
    if path.is_file() and not is_known(path.suffix):
        options = {"format": "table"}
        try:
            return Delivered(name, options=options, what=io.describe(path, **options))
        except ReadError:
            pass
    return Delivered(name, sheet, fault=fault)


def _or_a_list(one: Delivered, path: Path, paths: Sequence[Path]) -> Delivered:
    """The same; of a list of samples that it is one, and what to do with it."""
    if one.fault is None or path.is_dir():
        return one
    try:
        rows = [cells for _, cells in islice(rows_of_text(path, one.sheet), _MOST_LISTED)]
    except UNREADABLE:
        return one
    names = {name.casefold(): other for other in paths for name in (other.name, other.stem)}
    cells = {Path(cell.replace("\\", "/")).name.casefold() for row in rows for cell in row}
    named = {names[cell] for cell in cells & names.keys()}
    said = f"what looks like a list of samples (it names {len(named)} of the files)"
    if len(named) < 2:
        if path.suffix.lower() not in _TABLES or not _is_of_words(rows):
            return one
        said = "a table of words that looks like a list of samples"
    needed = "files of spectra: a list is read from the table of measurements alone"
    fix = "copy its cells into measurements.csv, below the names of its columns"
    return replace(one, fault=Fault(said, needed, fix))


def _is_of_words(rows: Sequence[Sequence[str]]) -> bool:
    """Whether most lines have several cells, and most cells hold words."""
    wide = [row for row in rows if sum(map(bool, row)) > 1]
    cells = [cell for row in wide[1:] for cell in row if cell]
    words = sum(any(map(str.isalpha, cell)) for cell in cells)
    return len(wide) > max(len(rows) / 2, 1) and 2 * words >= len(cells)


def table_text(
    found: Sequence[Delivered], below: str, patterns: Sequence[NamePattern]
) -> tuple[str, int]:
    """Write the table of measurements as far as it is sure; `below` is where the delivery lies.

    What cannot be read stands at the end as a remark. Roles stay empty unless a pattern holds them.
    Returns the text, and how many names fitted a pattern.
    """
    read = [one for one in found if one.what is not None]
    parts = {id(one): parts_of(one.words) for one in read}
    most = max((len(each) for each in parts.values()), default=0)
    names = [f"name_{number}" for number in range(1, most + 1)]
    out = StringIO()
    table = csv.DictWriter(out, [*MEASUREMENT_COLUMNS, *HELPING, *names], lineterminator="\n")
    table.writeheader()
    fitted = 0
    for one in read:
        cells = cells_of(one.words, patterns)
        fitted += cells is not None
        table.writerow({
            **(cells or {}), "file": f"{below}{one.name}", "sheet": one.sheet,
            "found_folder": one.words.rpartition("/")[0],
            **dict(zip(HELPING[1:], _facts(one.what) if one.what else (), strict=False)),
            **dict(zip(names, parts[id(one)], strict=False)),
        })  # fmt: skip
    out.write("".join(f"# {below}{one.name}{one.sheet and '#'}{one.sheet}: not read\n"
                      for one in found if one.fault is not None))  # fmt: skip
    return out.getvalue(), fitted


def example_rows(template: str, header: str) -> str:
    """The example rows of the empty table, as remarks under the columns of another."""
    out = StringIO()
    table = csv.DictWriter(out, header.split(","), lineterminator="\n")
    table.writerows(row for row in csv.DictReader(template.splitlines()) if row["role"])
    return f"# How a row of each role is filled in:\n{out.getvalue()}"


def _facts(what: io.Description) -> tuple[str, str, str]:
    size = (
        f"map of {what.grid.partition(';')[0]}" if what.grid else counted(what.n_spectra, "point")
    )
    return size, what.quantity, _span(what)


def _span(what: io.Description) -> str:
    return f"{what.first:.6g} to {what.last:.6g} cm-1 in {what.n_wavenumbers}"


def steps_for(found: Sequence[Delivered]) -> list[str]:
    """The steps, as they stand in study.toml, that bring the files of a delivery together."""
    read = [one.what for one in found if one.what is not None]
    if not read:
        return []
    quantities = {what.quantity.partition(" ")[0] for what in read}
    steps = ['{step = "to_absorbance"}'] if "transmittance" in quantities else []
    if len({_span(what) for what in read}) > 1:
        steps.append(resample_step((w.first, w.last, w.n_wavenumbers) for w in read))
    low, high = max(what.first for what in read), min(what.last for what in read)
    steps.append(f'{{step = "crop", low = {max(low, _LOW):.8g}, high = {min(high, _HIGH):.8g}}}')
    return steps


def reading_tables(found: Sequence[Delivered], below: str) -> str:
    """The [[reading]] tables without which some files cannot be read."""
    names = [Path(one.name) for one in found if one.options.get("format")]
    patterns = {f"*{path.suffix}" if path.suffix else path.as_posix() for path in names}
    return "".join(
        f'\n[[reading]]\nfiles = "{below}{pattern}"\nformat = "table"\n'
        for pattern in sorted(patterns)
    )


def differences(found: Sequence[Delivered], below: str, steps: Sequence[str]) -> list[str]:
    """Say in what the files of a delivery differ, what was assumed, and what to type."""
    read = [one for one in found if one.what is not None]
    said = [*_kinds(read, "quantity", lambda what: what.quantity), *_kinds(read, "axis", _span),
            *_kinds(read, "size", lambda what: _facts(what)[0])]  # fmt: skip
    said += [f"in [procedure] of study.toml: {step}" for step in steps]
    quantities = {one.what.quantity.partition(" ")[0] for one in read if one.what}
    if len(quantities - {"absorbance", "transmittance"}) and len(quantities) > 1:
        said.append(f"no step brings {' and '.join(sorted(quantities))} together: have them "
                    "exported alike, or judge them as two studies")  # fmt: skip
    gaps = [one.name for one in read if one.what and one.what.n_missing]
    if gaps:
        said.append(f"missing values in {_some(gaps)}: their spectra are left out, unless a step "
                    "crop leaves the gap out")  # fmt: skip
    alone = Counter(Path(one.name).parent.as_posix() for one in read
                    if one.what and one.what.n_spectra == 1)  # fmt: skip
    said += [f"{count} files of one spectrum in {below}{folder}: if they are one map, one row with "
             f"that folder as file, and shape, order and start in study.toml below [[reading]]"
             for folder, count in alone.items() if count >= _MANY and folder != "."]  # fmt: skip
    noticed: dict[str, list[str]] = defaultdict(list)
    for one in read:
        for text in one.what.warnings if one.what else ():
            noticed[text.partition(": ")[2]].append(one.name)
    said += [f"{_some(names)}: {text}" for text, names in noticed.items()]
    faults = [replace(typed_in_study(one.fault, f"{below}{one.name}"), file=f"{below}{one.name}")
              for one in found if one.fault is not None]  # fmt: skip
    every = [f"{below}{one.name}" for one in found]
    return said + [f"not read: {fault}" for fault in by_pattern(faults, every)]


def _kinds(
    read: Sequence[Delivered], name: str, kind_of: Callable[[io.Description], str]
) -> list[str]:
    kinds: dict[str, list[str]] = defaultdict(list)
    for one in read:
        if one.what is not None:
            kinds[kind_of(one.what)].append(one.name)
    return [f"{name}: {kind} in {_some(names)}" for kind, names in kinds.items()]


def _some(names: Sequence[str]) -> str:
    named = list(dict.fromkeys(names))
    return named[0] if len(named) == 1 else f"{len(names)} files or sheets, the first {named[0]}"
