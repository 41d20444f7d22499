"""Names in the table of measurements that mean one thing and are written in two ways."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import combinations

from ..errors import Fault
from .measurements import Measurement

_SHORT, _LONG = 4, 7


def spelling_faults(table: str, rows: tuple[Measurement, ...]) -> Iterator[Fault]:
    """Refuse names that differ by case, spaces, hyphens or underscores alone: surely one name.

    Two spellings of a paint part an arm from its blanks; two of a mock-up count it twice.
    """
    first: dict[tuple[str, ...], tuple[str, int]] = {}
    for row in rows:
        for column, value in _named(row):
            of_paint = row.paint.casefold() if column in ("mockup", "block") else ""
            place = (column, of_paint, _folded(value))
            name, line = first.setdefault(place, (value, row.line))
            if name != value:
                yield Fault(
                    f"the {column} {value!r}, in line {line} written {name!r}",
                    "one spelling for one name",
                    f"{name!r} in both, or names that differ by more than case and spaces",
                    table,
                    row.line,
                )


def near_names(rows: tuple[Measurement, ...]) -> Iterator[str]:
    """Ask about names that differ by a letter or two of a word; numbers and single letters may."""
    columns: dict[str, dict[str, int]] = {"paint": {}, "soiling": {}, "treatment": {}}
    for row in rows:
        for column, value in _named(row):
            if column in columns:
                columns[column].setdefault(value, row.line)
    for column, values in columns.items():
        for one, other in combinations(values, 2):
            if _is_near(one, other):
                yield (
                    f"The {column}s {one!r} (line {values[one]}) and {other!r} (line "
                    f"{values[other]}) differ by a letter or two: if they are one, give them one "
                    "name."
                )


def _named(row: Measurement) -> list[tuple[str, str]]:
    columns = ("paint", "soiling", "treatment", "mockup", "block")
    return [(column, value) for column in columns if (value := str(getattr(row, column)))]


def _folded(name: str) -> str:
    return re.sub(r"[\s_-]+", " ", name).strip().casefold()


def _is_near(one: str, other: str) -> bool:
    """Whether words of two names are a letter or two apart: one in words of four letters and more,
    two in words of seven and more."""
    pairs = [tuple(re.findall(r"\w+", _folded(name))) for name in (one, other)]
    if len(pairs[0]) != len(pairs[1]):
        return False
    apart = [(a, b) for a, b in zip(*pairs, strict=True) if a != b]
    return bool(apart) and all(_words_are_near(a, b) for a, b in apart)


def _words_are_near(one: str, other: str) -> bool:
    if re.search(r"\d", one + other):
        return False
    length = min(len(one), len(other))
    if length < _SHORT:
        return False
    return _steps(one, other) <= (2 if length >= _LONG else 1)


def _steps(one: str, other: str) -> int:
    """Letters to put in, leave out, change, or swap with their neighbour (optimal alignment)."""
    before: list[int] = []
    last = list(range(len(other) + 1))
    for i, a in enumerate(one, start=1):
        row = [i]
        for j, b in enumerate(other, start=1):
            steps = min(last[j] + 1, row[j - 1] + 1, last[j - 1] + (a != b))
            if i > 1 and j > 1 and a == other[j - 2] and one[i - 2] == b:
                steps = min(steps, before[j - 2] + 1)
            row.append(steps)
        before, last = last, row
    return last[-1]
