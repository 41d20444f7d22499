"""The table of measurements: one row a measured file, read with every fault it has."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from ..errors import Fault, did_you_mean
from ..reprs import begins_as_formula
from ..schema import ARM_COLUMNS, MEASUREMENT_COLUMNS, NEEDED_CELLS, ROLES, STRATUM_COLUMNS

TABLE_NAMES = ("measurements.csv", "measurements.xlsx")
BLANK_TREATMENTS = ("water", "none")
_NUMBERS = ("exposure_min", "clearance_min", "ageing_h", "dose", "loading_ug_cm2")
_TEXTS = tuple(name for name in MEASUREMENT_COLUMNS if name not in _NUMBERS)
#: Names that the tables of a run repeat.
_NAMES = ("mockup", "paint", "soiling", "treatment")
#: What moves a cursor, ends a line, or turns the direction of what follows.
_UNSEEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")

Key = tuple[Any, ...]


@dataclass(frozen=True)
class Measurement:
    """One measured file and what it is; numbers that were left empty are NaN."""

    line: int
    file: str
    role: str
    mockup: str = ""
    paint: str = ""
    soiling: str = "none"
    treatment: str = ""
    exposure_min: float = math.nan
    clearance_min: float = math.nan
    ageing_h: float = 0.0
    dose: float = math.nan
    dose_unit: str = ""
    loading_ug_cm2: float = math.nan
    session: str = ""
    further: Mapping[str, str] = field(default_factory=dict)

    @property
    def stratum(self) -> Key:
        """Paint x soiling x ageing: what a comparator must share."""
        return tuple(getattr(self, name) for name in STRATUM_COLUMNS)

    @property
    def arm(self) -> Key:
        """Stratum x treatment x exposure x clearance; an empty number is None, so keys compare."""
        values = (getattr(self, name) for name in ARM_COLUMNS)
        return tuple(
            None if isinstance(value, float) and math.isnan(value) else value for value in values
        )


def read_measurements(folder: Path) -> tuple[str, tuple[Measurement, ...], list[Fault]]:
    """Read ``measurements.csv`` or ``measurements.xlsx`` of a study folder.

    Comma, semicolon or tab; a decimal comma is understood where the comma does not part cells.
    Returns the table's name, the rows that could be read, and every fault; it raises nothing of
    its own.
    """
    found = [folder / name for name in TABLE_NAMES if (folder / name).is_file()]
    if len(found) != 1:
        what = "both " + " and ".join(TABLE_NAMES) if found else f"no {TABLE_NAMES[0]}"
        return (
            TABLE_NAMES[0],
            (),
            [
                Fault(
                    what,
                    "one table of measurements",
                    f"keep {TABLE_NAMES[0]} alone",
                    file=folder.name,
                )
            ],
        )
    path = found[0]
    try:
        lines = list(_xlsx_rows(path) if path.suffix == ".xlsx" else _text_rows(path))
    except (OSError, ValueError, KeyError, csv.Error) as problem:
        return (
            path.name,
            (),
            [
                Fault(
                    f"a table that cannot be read ({problem})",
                    "a CSV or XLSX table",
                    "save it again as CSV with UTF-8 encoding",
                    file=path.name,
                )
            ],
        )
    if not lines:
        return (
            path.name,
            (),
            [
                Fault(
                    "an empty table",
                    "a header line and one row a file",
                    "residuekit new DIR writes a table to fill in",
                    file=path.name,
                )
            ],
        )
    header_line, header = lines[0]
    names, faults = _check_header(header, path.name, header_line)
    named = [name for name in names if name]
    if not {"file", "role"} <= set(named) or len(set(named)) < len(named):
        return path.name, (), faults
    rows = []
    for line, cells in lines[1:]:
        row, wrong = _read_row(names, cells, path.name, line)
        faults += wrong
        if row is not None:
            rows.append(row)
    if not rows and not faults:
        faults.append(
            Fault(
                "no rows",
                "one row a measured file",
                "add the files you measured",
                file=path.name,
                line=header_line + 1,
            )
        )
    return path.name, tuple(rows), faults


def _text_rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    raw = path.read_bytes()
    encodings = ("utf-16",) if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = raw.decode(encoding)
            break
        except UnicodeDecodeError:
            continue
    else:
        raise ValueError("neither UTF-8, UTF-16 nor a Western 8-bit encoding")
    head = next((line for line in text.splitlines() if line.strip()), "")
    delimiter = max(",;\t", key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    for cells in reader:
        stripped = [cell.strip() for cell in cells]
        if any(stripped) and not stripped[0].startswith("#"):
            yield reader.line_num, stripped


def _xlsx_rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    from zipfile import BadZipFile

    from openpyxl import load_workbook
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        book = load_workbook(path, read_only=True, data_only=True)
    except (BadZipFile, InvalidFileException) as problem:
        raise ValueError(f"not a workbook: {problem}") from problem
    try:
        for line, cells in enumerate(book.worksheets[0].iter_rows(values_only=True), start=1):
            stripped = ["" if cell is None else str(cell).strip() for cell in cells]
            if any(stripped) and not stripped[0].startswith("#"):
                yield line, stripped
    finally:
        book.close()


def _check_header(header: list[str], file: str, line: int) -> tuple[list[str], list[Fault]]:
    """Return the names of the columns and their faults; a misspelt one has the name it is near to,
    so that the rows are checked all the same."""
    names = list(header)
    faults = []
    for number, name in enumerate(header):
        if name in MEASUREMENT_COLUMNS:
            continue
        absent = [column for column in MEASUREMENT_COLUMNS if column not in names]
        hint = did_you_mean(name, absent, cutoff=0.75)
        if hint.startswith("did you mean"):
            names[number] = next(column for column in absent if repr(column) in hint)
            faults.append(
                Fault(
                    f"the column {name!r}",
                    "a column of the agreed table",
                    hint,
                    file=file,
                    line=line,
                )
            )
    for name in sorted({name for name in names if names.count(name) > 1 and name}):
        faults.append(
            Fault(
                f"the column {name!r} more than once",
                "each column once",
                "rename or remove one",
                file=file,
                line=line,
            )
        )
    for name in ("file", "role"):
        if name not in names:
            faults.append(
                Fault(
                    f"no column {name!r}",
                    "the columns file and role in every table",
                    f"a header such as {','.join(MEASUREMENT_COLUMNS)}",
                    file=file,
                    line=line,
                )
            )
    return names, faults


def _read_row(
    names: list[str], cells: list[str], file: str, line: int
) -> tuple[Measurement | None, list[Fault]]:
    faults: list[Fault] = []
    if len(cells) > len(names) and any(cells[len(names) :]):
        return None, [
            Fault(
                f"{len(cells)} cells",
                f"{len(names)}, as the header has",
                "put a cell that holds the delimiter in quotes, and see that a decimal "
                "comma is not the delimiter",
                file=file,
                line=line,
            )
        ]
    row = dict(zip(names, cells, strict=False))
    role = row.get("role", "").casefold()
    if role not in ROLES:
        hint = did_you_mean(role, ROLES) if role else "choose from " + ", ".join(ROLES)
        return None, [
            Fault(
                f"the role {row.get('role', '')!r}", " or ".join(ROLES), hint, file=file, line=line
            )
        ]
    for name in NEEDED_CELLS[role]:
        if not row.get(name):
            faults.append(
                Fault(
                    f"an empty {name} in a row of role {role}",
                    f"{', '.join(NEEDED_CELLS[role])} filled in",
                    f"the {name} of {row.get('file') or 'this file'}",
                    file=file,
                    line=line,
                )
            )
    faults += _text_faults(row, file, line)
    values: dict[str, Any] = {name: row[name] for name in _TEXTS if row.get(name)}
    values["role"] = role
    for name in _NUMBERS:
        if not row.get(name):
            continue
        number = _number(row[name])
        if number is None or number < 0:
            faults.append(
                Fault(
                    f"{name} {row[name]!r}",
                    "a finite number, zero or more",
                    f"{name} as digits, without a unit",
                    file=file,
                    line=line,
                )
            )
        else:
            values[name] = number
    if role == "blank" and row.get("treatment"):
        values["treatment"] = row["treatment"].casefold()
        if values["treatment"] not in BLANK_TREATMENTS:
            faults.append(
                Fault(
                    f"a blank with the treatment {row['treatment']!r}",
                    "water (the same handling without gel) or none (untreated)",
                    "treatment water or none; a gel makes the row exposed",
                    file=file,
                    line=line,
                )
            )
    if faults:
        return None, faults
    further = {
        name: value
        for name, value in row.items()
        if name and name not in MEASUREMENT_COLUMNS and value
    }
    return Measurement(line=line, further=further, **values), []


def _text_faults(row: Mapping[str, str], file: str, line: int) -> Iterator[Fault]:
    """Say which names would do harm in what a run writes: every output holds them as typed."""
    for name in _TEXTS:
        text = row.get(name, "")
        if _UNSEEN.search(text):
            yield Fault(
                f"{name} {text!r}, with a character that is not seen",
                "one line of plain text",
                f"{name} {_UNSEEN.sub(' ', text)!r}, typed anew",
                file=file,
                line=line,
            )
        elif name in _NAMES and begins_as_formula(text):
            yield Fault(
                f"{name} {text!r}, which a spreadsheet would compute as a formula",
                "a name that does not begin with = + - or @, at its start or after a semicolon",
                f"another {name} in all its rows, {text.lstrip('=+-@＝＋－＠ ')!r} say",
                file=file,
                line=line,
            )


def _number(text: str) -> float | None:
    try:
        value = float(text.replace(",", ".") if "." not in text else text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def as_rows(measurements: Iterable[Measurement]) -> list[dict[str, Any]]:
    """The measurements as plain dicts, further columns beside the agreed ones."""
    agreed = [item.name for item in fields(Measurement) if item.name != "further"]
    return [
        {**{name: getattr(row, name) for name in agreed}, **row.further} for row in measurements
    ]
