"""How each row's file is read: the [[reading]] tables of study.toml, and where to type more."""

from __future__ import annotations

import re
import warnings
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

import xarray as xr

from .. import io
from ..errors import MOST_ALIKE, Fault, ReadError, ResiduekitWarning, did_you_mean
from ..io.checksum import FOLDER_OPTIONS
from ..io.formats import FORMATS
from ..io.options import every_field
from ..validator import Place, choice, flag, tables, text
from .measurements import Measurement

_OPTIONS = every_field()
#: What may stand in the [[reading]] tables.
READING = tables({
    "files": text("which files, as in the column file; * stands for any text",
                  '"data/partner/*.csv"', needed=True),
    "format": choice(FORMATS),
    **_OPTIONS,
    "percent": flag(),
})  # fmt: skip
_UNKNOWN = re.compile(r"the option '(\w+)'")
_LEFT_OUT = re.compile(rf"leave (?:(?:{'|'.join((*_OPTIONS, 'and'))})[, ]+)+out\b")
_FILES = re.compile(r"\bfiles='([^']*)'")
_AS_ARGUMENT = re.compile(
    rf"\b({'|'.join((*_OPTIONS, 'format'))})=(\([^)]*\)|\[[^]]*\]|'[^']*'|[\w.]+)"
)


def with_options(
    folder: Path, rows: Sequence[Measurement], stated: Sequence[Mapping[str, Any]], place: Place
) -> tuple[tuple[Measurement, ...], list[Fault]]:
    """Give each row the options of the [[reading]] tables whose pattern its file fits.

    Of two tables that both state an option the later one counts; the column sheet counts above all.
    A pattern of files in a folder fits the folder that is one map. A table that fits no file is a
    fault.
    """
    faults = []
    options: dict[str, dict[str, Any]] = {row.file: {} for row in rows}
    for number, one in enumerate(stated):
        pattern = one.get("files", "")
        fitting = [row for row in rows if _fits(folder, row.path, pattern)]
        for row in fitting:
            options[row.file] |= {name: value for name, value in one.items() if name != "files"}
        if pattern and rows and not fitting:
            faults.append(
                place.fault(f"files = {pattern!r}, which fits no file of the table",
                            "a pattern of paths as they stand in the column file",
                            did_you_mean(pattern, dict.fromkeys(row.path for row in rows)),
                            "reading", number, "files")
            )  # fmt: skip
    with_them = (replace(row, options={**options[row.file], **row.options}) for row in rows)
    return tuple(with_them), faults


def _fits(folder: Path, path: str, pattern: str) -> bool:
    within = pattern.rpartition("/")[0]
    return fnmatchcase(path, pattern) or (fnmatchcase(path, within) and (folder / path).is_dir())


def read_row_aloud(folder: Path, row: Measurement) -> tuple[xr.DataArray, list[str]]:
    """Read a row as `read_row` does, and return what the reader warned of, in words."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", ResiduekitWarning)
        array = read_row(folder, row)
    return array, [str(one.message) for one in caught]


def read_row(folder: Path, row: Measurement) -> xr.DataArray:
    """Read the file or the sheet of a row as study.toml says.

    Raises
    ------
    ReadError : as `residuekit.io.read`; what to type is said as it stands in study.toml.
    """
    try:
        return io.read(folder / row.path, **row.options)
    except ReadError as problem:
        raise ReadError([typed_in_study(fault, row.path) for fault in problem.faults]) from problem


def typed_in_study(fault: Fault, path: str) -> Fault:
    """Say of an option where it is typed in a study.

    >>> typed_in_study(Fault("no quantity", "one", "quantity='transmittance'"), "data/a.csv").fix
    'quantity = "transmittance", typed in study.toml below [[reading]] with files = "data/a.csv"'
    """
    other = _UNKNOWN.match(fault.found)
    if other and other[1] in _OPTIONS and not fault.file.endswith(".toml"):
        where = f"study.toml below the [[reading]] that fits {path}"
        return replace(fault, fix=f"no {other[1]} in {where}: its format takes none")
    fix = _LEFT_OUT.sub(r"\g<0> of [[reading]] in study.toml", fault.fix)
    fix = _FILES.sub(rf'files = "\1" on a line of {path}/{FOLDER_OPTIONS}', fix)
    if not _AS_ARGUMENT.search(fix):
        return replace(fault, fix=fix)
    fix = _AS_ARGUMENT.sub(_as_toml, fix)
    if "sheet = " in fix:
        fix = f"{fix}: a row for each, its name in the column sheet of the table"
    else:
        fix = f'{fix}, typed in study.toml below [[reading]] with files = "{path}"'
    return replace(fault, fix=fix)


def by_pattern(faults: Iterable[Fault], paths: Collection[str]) -> list[Fault]:
    """Make one fault of those that need the same mend in more than three files: the first, counted,
    with the pattern of their paths where it fits no other of `paths`.

    >>> fix = 'x_unit = "nm", typed in study.toml below [[reading]] with files = "data/{}.csv"'
    >>> names = [f"data/{name}.csv" for name in ("b1", "b2", "b3", "g1", "g2")]
    >>> faults = [Fault("no unit", "one", fix.format(n[5:7]), n) for n in names]
    >>> print(*by_pattern(faults, [*names, "data/g3.nc"]))
    data/b1.csv: found no unit, and the same in 4 more files (data/*.csv); needed one;
    to mend it: x_unit = "nm", typed in study.toml below [[reading]] with files = "data/*.csv"
    """
    alike: dict[tuple[str, ...], list[Fault]] = defaultdict(list)
    for fault in faults:
        own = re.compile(rf"(?<!\w){re.escape(Path(fault.file).stem)}(?!\w)")
        alike[own.sub("", fault.found), fault.needed, own.sub("", fault.fix)].append(fault)
    told = []
    for first, *others in alike.values():
        files = {fault.file for fault in (first, *others)}
        if len(files) < len(others) + 1 or len(others) < MOST_ALIKE:
            told += [first, *others]
            continue
        found = f"{first.found}, and the same in {len(others)} more files"
        place = Path(first.file)
        pattern = place.with_name(f"*{place.suffix}").as_posix()
        if files == {path for path in paths if fnmatchcase(path, pattern)}:
            fix = first.fix.replace(f'"{first.file}"', f'"{pattern}"')
            told.append(replace(first, found=f"{found} ({pattern})", fix=fix))
        else:
            told.append(replace(first, found=found))
    return told


def _as_toml(argument: re.Match[str]) -> str:
    name, value = argument.groups()
    value = value.replace("(", "[").replace(")", "]").replace("'", '"')
    return f"{name} = {value.lower() if value in ('True', 'False') else value}"
