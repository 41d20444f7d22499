"""The table of measurements: one row a measured file, read with every fault it has."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

from ..errors import Fault, did_you_mean
from ..io.hand_table import as_number, read_cells
from ..schema import ARM_COLUMNS, MEASUREMENT_COLUMNS, NEEDED_CELLS, ROLES, STRATUM_COLUMNS

TABLE_NAMES = ("measurements.csv", "measurements.xlsx")
BLANK_TREATMENTS = ("water", "none")
_NUMBERS = ("exposure_min", "clearance_min", "ageing_h", "dose", "loading_ug_cm2")
_TEXTS = tuple(name for name in MEASUREMENT_COLUMNS if name not in _NUMBERS)

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
    cells, faults = read_cells(path, MEASUREMENT_COLUMNS, ("file", "role"), "a measured file")
    rows = []
    for line, row in cells:
        measurement, wrong = _read_row(row, path.name, line)
        faults += wrong
        if measurement is not None:
            rows.append(measurement)
    return path.name, tuple(rows), sorted(faults, key=lambda fault: fault.line or 0)


def _read_row(
    row: Mapping[str, str], file: str, line: int
) -> tuple[Measurement | None, list[Fault]]:
    faults: list[Fault] = []
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
    values: dict[str, Any] = {name: row[name] for name in _TEXTS if row.get(name)}
    values["role"] = role
    for name in _NUMBERS:
        if not row.get(name):
            continue
        number = as_number(row[name])
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


def as_rows(measurements: Iterable[Measurement]) -> list[dict[str, Any]]:
    """The measurements as plain dicts, further columns beside the agreed ones."""
    agreed = [item.name for item in fields(Measurement) if item.name != "further"]
    return [
        {**{name: getattr(row, name) for name in agreed}, **row.further} for row in measurements
    ]
