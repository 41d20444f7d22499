"""The table of measurements: one row a measured file, read with every fault it has."""

from __future__ import annotations

import math
import re
from calendar import monthrange
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from ..errors import Fault
from ..io.hand_table import read_cells
from ..schema import ARM_COLUMNS, MEASUREMENT_COLUMNS, NEEDED_CELLS, ROLES, STRATUM_COLUMNS
from ..validator import CELLS, Fields, check, choice, number, text

TABLE_NAMES = ("measurements.csv", "measurements.xlsx")
BLANK_TREATMENTS = ("water", "none")

_YEAR_FIRST = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[T ].*)?")
_YEAR_LAST = re.compile(r"(\d{1,2})[./](\d{1,2})[./](\d{4})(?: .*)?")
#: Columns begun by `residuekit new --from` that help to fill the others and say nothing themselves.
_HELPING = ("name_", "found_")
_EXAMPLES = {"file": "data/panel-1.csv", "mockup": "panel 1", "block": "panel A",
             "paint": "alkyd white", "treatment": "PVA cryogel", "material": "PVA"}  # fmt: skip
#: What to write in cells that must not be empty.
_FILL = {
    "file": "the path of the measured file below the study folder",
    "mockup": "the name of the physical sample, in all its rows alike",
    "paint": "the name of its paint, in all rows of this paint alike",
    "treatment": "the name of the gel, as in study.toml",
}
_ROLE = (
    "what was measured: blank (no gel), exposed (met the gel), spiked (a known loading), reference "
    "(the pure gel) or before (a mock-up before anything was done to it)"
)
_BLANK = "water if it was handled as the others but without gel, none if it was left untreated"
#: What may stand in a cell of each column.
FIELDS: Fields = {
    **{
        name: text(f"the {name} of this row", _EXAMPLES.get(name, "..."), fill=_FILL.get(name, ""))
        for name in MEASUREMENT_COLUMNS
    },
    "role": choice(ROLES, example="exposed", needed=True, fill=_ROLE),
    "exposure_min": number(least=0, example="2", fill="the minutes that the gel lay on it"),
    "clearance_min": number(
        least=0, example="2", fill="the minutes that it was cleared, 0 if it was not"
    ),
    "ageing_h": number(least=0, example="500"),
    "dose": number(least=0, example="1.5"),
    "loading_ug_cm2": number(least=0, example="0.5", fill="the ug cm-2 that were put on it"),
    "loading_error_percent": number(least=0, most=100, example="5"),
    "thickness_nm": number(above=0, example="50"),
}
_OF_BLANKS: Fields = {
    **FIELDS,
    "treatment": choice(
        BLANK_TREATMENTS,
        "water (the same handling without gel) or none (untreated)",
        "water",
        fill=_BLANK,
    ),
}

Key = tuple[Any, ...]


@dataclass(frozen=True)
class Measurement:
    """One measured file or sheet and what it is; numbers that were left empty are NaN.

    `file` names it alone: a sheet is ``book.xlsx#sheet``. `options` are what its reader is given.
    `doubtful` are the columns whose cells are wrong or lacking: a row that has any is never run.
    """

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
    loading_error_percent: float = math.nan
    thickness_nm: float = math.nan
    session: str = ""
    material: str = ""
    clearance: str = ""
    block: str = ""
    sheet: str = ""
    options: Mapping[str, Any] = field(default_factory=dict)
    further: Mapping[str, str] = field(default_factory=dict)
    doubtful: frozenset[str] = frozenset()

    def may_be(self, **cells: Any) -> bool:
        """Whether the row may have these cells, once those that are doubtful are mended."""
        return all(name in self.doubtful or getattr(self, name) == value
                   for name, value in cells.items())  # fmt: skip

    @property
    def carried(self) -> str:
        """The material that a reference is or a spiked mock-up carries: its treatment if unsaid."""
        return self.material or self.treatment

    @property
    def loading_error(self) -> float:
        """The declared relative error of the loading; 0 where none is declared."""
        return 0.0 if math.isnan(self.loading_error_percent) else self.loading_error_percent / 100

    @property
    def path(self) -> str:
        """Where the file lies below the study folder."""
        return self.file.removesuffix(f"#{self.sheet}") if self.sheet else self.file

    @property
    def stratum(self) -> Key:
        """Paint x soiling x ageing: what a comparator must share."""
        return tuple(getattr(self, name) for name in STRATUM_COLUMNS)

    @property
    def arm(self) -> Key:
        """Stratum x treatment x exposure x clearance time and way; an empty number is None, so keys
        compare."""
        values = (getattr(self, name) for name in ARM_COLUMNS)
        return tuple(
            None if isinstance(value, float) and math.isnan(value) else value for value in values
        )


def read_measurements(folder: Path) -> tuple[str, tuple[Measurement, ...], list[Fault]]:
    """Read ``measurements.csv`` or ``measurements.xlsx`` of a study folder.

    Comma, semicolon or tab; a decimal comma is understood where the comma does not part cells.
    Returns the table's name, the rows, those with faults among them, and every fault; it raises
    nothing of its own.
    """
    found = [folder / name for name in TABLE_NAMES if (folder / name).is_file()]
    if len(found) != 1:
        what, fix = f"both {' and '.join(TABLE_NAMES)}", f"keep {TABLE_NAMES[0]} alone"
        if not found:
            what = f"no {TABLE_NAMES[0]}"
            fix = "residuekit new DIR --from DELIVERY begins one; or save yours under this name"
        return TABLE_NAMES[0], (), [Fault(what, "one table of measurements", fix, folder.name)]
    path = found[0]
    cells, faults = read_cells(path, MEASUREMENT_COLUMNS, ("file", "role"), "a measured file")
    rows = []
    if cells:
        unread = {fault.line for fault in faults if fault.line} - {line for line, _ in cells}
        rows = [Measurement(line, "", "", doubtful=frozenset(FIELDS)) for line in sorted(unread)]
    for line, row in cells:
        measurement, wrong = _read_row(row, path.name, line)
        faults += wrong
        rows.append(measurement)
    return path.name, tuple(rows), sorted(faults, key=lambda fault: fault.line or 0)


def _read_row(row: Mapping[str, str], file: str, line: int) -> tuple[Measurement, list[Fault]]:
    role = row.get("role", "").casefold()
    swapped = []
    if role not in ROLES and row.get("file", "").casefold() in ROLES:
        found = f"the role {row['file']!r} in the column file"
        needed = "a path in the column file, a role in the column role"
        swapped = [Fault(found, needed, "the two names in the header swapped", file, line)]
        row = {**row, "file": row["role"], "role": row["file"]}
        role = row["role"].casefold()
    place = replace(CELLS, file=file, lines={(): line})
    if role in ROLES:
        place = replace(place, wrong=f"{{pair}} in a row of role {role}",
                        absent=f"an empty {{name}} in a row of role {role}")  # fmt: skip
    given = {name: cell for name, cell in row.items() if name and cell}
    columns = _OF_BLANKS if role == "blank" else FIELDS
    needs = NEEDED_CELLS.get(role, ("file",))
    values, faults = check(given, columns, place, needs)
    asked = {*given, *needs} if role in ROLES else set(columns)
    doubtful = {name for name in columns if name in asked and name not in values}
    faults += [
        place.fault(f"{name} {cell!r}, a day that no calendar has", "a day, or a name for it",
                    "2026-11-24", name)
        for name, cell in given.items()
        if (name == "session" or name not in FIELDS) and _is_no_day(cell)
    ]  # fmt: skip
    if role == "reference" and not (given.keys() & {"treatment", "material"}):
        faults.append(place.fault("a reference without material and without treatment",
                                  "the material that it is",
                                  "material: the name of the pure material",
                                  "material"))  # fmt: skip
        doubtful |= {"material", "treatment"}
    values = {"file": "", "role": "", **values, "doubtful": frozenset(doubtful)}
    further = {
        name: cell
        for name, cell in given.items()
        if name not in FIELDS and not name.startswith(_HELPING)
    }
    if sheet := values.get("sheet"):
        values |= {"file": f"{values['file']}#{sheet}", "options": {"sheet": sheet}}
    return Measurement(line=line, further=further, **values), swapped + faults


def _is_no_day(cell: str) -> bool:
    """Say whether a cell is written as a day, year first or last, that there cannot be."""
    if first := _YEAR_FIRST.fullmatch(cell):
        year, month, day = map(int, first.groups())
        ways = [(month, day)]
    elif last := _YEAR_LAST.fullmatch(cell):
        one, two, year = map(int, last.groups())
        ways = [(one, two), (two, one)]
    else:
        return False
    return not any(
        year >= 1 and 1 <= month <= 12 and 1 <= day <= monthrange(year, month)[1]
        for month, day in ways
    )


def as_rows(measurements: Iterable[Measurement]) -> list[dict[str, Any]]:
    """The measurements as plain dicts, further columns beside the agreed ones."""
    agreed = [item.name for item in fields(Measurement) if item.name not in ("further", "doubtful")]
    return [
        {**row.further, **{name: getattr(row, name) for name in agreed}} for row in measurements
    ]
