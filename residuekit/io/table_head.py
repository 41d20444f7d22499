"""A table of numbers and its head: which rows of text stand above, and what each says."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice, pairwise
from pathlib import Path
from typing import Any

from .unit_words import is_axis_word, is_unit_word, position_of, said_above

MISSING = ("", "nan", "na", "n/a")
#: Rows of text that may stand above the numbers.
_MOST_ABOVE = 10_000
_OPENS_AS_NUMBER = re.compile(r"[+-]?[.,]?\d")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


@dataclass(frozen=True)
class Head:
    """The names of the columns, their units, the text above, and the number of rows they take.

    `named` says that the rows below open with a name; `said` is what rows such as ``unit;%T`` say.
    """

    header: tuple[str, ...] | None
    units: tuple[str, ...] | None
    title: str
    used: int
    named: bool
    said: tuple[str, ...] = ()


@dataclass(frozen=True)
class Table:
    """A table of numbers: its header and what stands round it, values (n_rows, n_columns), lines.

    `names` are those of the rows, where the first column is text; `units` those of the columns;
    `form` says how the file was written (delimiter, decimal mark, encoding, sheet).
    """

    path: Path
    head: Head
    values: Any
    lines: Any
    stated: dict[str, Any]
    form: dict[str, str]
    decimal: str = "."
    names: tuple[str, ...] | None = None

    @property
    def header(self) -> tuple[str, ...] | None:
        """The names of the columns."""
        return self.head.header

    def number(self, cell: str) -> float | None:
        """Return the number in a header cell, or None."""
        return number_of(cell, self.decimal)


def number_of(cell: str, decimal: str) -> float | None:
    """Return the number in a cell, or None.

    >>> number_of(" 1e3", "."), number_of("0,5", ","), number_of("n.d.", ".")
    (1000.0, 0.5, None)
    """
    cell = cell.strip()
    if decimal == ",":
        if "." in cell:
            return None
        cell = cell.replace(",", ".")
    return float(cell) if _NUMBER.fullmatch(cell) else None


def is_missing(cell: str) -> bool:
    """Say whether a cell stands for a missing number: empty, NaN, NA, n/a."""
    return cell.strip().casefold() in MISSING


def find_head(rows: Iterable[tuple[tuple[str, ...], int]], decimal: str) -> Head:
    """Find where the numbers begin in rows of (cells, number of lines read so far)."""
    above: list[tuple[str, ...]] = []
    used, width, named = 0, 0, False
    for cells, line in islice(rows, _MOST_ABOVE):
        if not cells:
            used = line
            continue
        numbers = [number_of(cell, decimal) is not None for cell in cells]
        filled = [n or is_missing(c) for n, c in zip(numbers, cells, strict=True)]
        named = (
            bool(above) and all(filled[1:]) and any(numbers[1:]) and not filled[0]
            and len(cells) == len(above[-1]) and _is_axis(above[-1][1:], decimal)
        )  # fmt: skip
        if numbers[0] or (above and all(filled)) or named:
            width = len(cells)
            break
        above.append(cells)
        used = line
    units = None
    if len(above) > 1 and is_unit_word(above[-1][0]) and _covers(above[-2], above[-1]):
        units = above.pop()
    said = tuple(filter(None, map(said_above, above)))
    if above and said_above(above[-1]):
        above = [row for row in above if not said_above(row)]
        named_axis = bool(above) and is_axis_word(above[-1][0])
        above = above if named_axis else [*above, ()]
    name, *rest = (above[-1] if above else ()) or ("",)
    if width > 1 and name and not any(rest) and not is_axis_word(name):
        above = [*above, ()]  # a title, no name of a column
    header = (above[-1] or None) if above else None
    title = " | ".join(" ".join(filter(None, row))[:80] for row in above[:-1])
    return Head(header, units, title, used, named, said)


def swallowed(head: Head, decimal: str) -> str | None:
    """Return the first cell of a header that is a row of numbers but for that cell, else None."""
    if not head.header or head.units or is_axis_word(head.header[0]):
        return None
    first, *rest = head.header
    numbers = all(number_of(cell, decimal) is not None or is_missing(cell) for cell in rest)
    return first if rest and numbers and _OPENS_AS_NUMBER.match(first) else None


def _covers(names: tuple[str, ...], units: tuple[str, ...]) -> bool:
    """Say whether each unit stands below a name, and the first below one of an axis or a place."""
    axis = is_axis_word(names[0]) or position_of(names[0]) is not None
    return (
        axis
        and len(names) == len(units)
        and all(name for name, unit in zip(names, units, strict=True) if unit)
    )


def _is_axis(cells: tuple[str, ...], decimal: str) -> bool:
    numbers = [number_of(cell, decimal) for cell in cells]
    axis = [number for number in numbers if number is not None]
    rising = [a < b for a, b in pairwise(axis)]
    return len(axis) == len(cells) > 1 and len(set(rising)) == 1
