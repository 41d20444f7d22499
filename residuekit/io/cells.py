"""Tables that people keep by hand, CSV or XLSX: rows of text under named columns."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path

from ..errors import Fault, did_you_mean

Cells = list[tuple[int, dict[str, str]]]


def read_cells(
    path: Path, columns: Sequence[str], needed: Sequence[str], a_row: str
) -> tuple[Cells, list[Fault]]:
    """Read a table whose first filled line names its columns; it raises nothing of its own.

    Comma, semicolon or tab; a decimal comma is understood where the comma does not part cells.
    Lines that start with # are remarks. `columns` are the names that mean something, `needed`
    those that must be there, `a_row` says what a row stands for. A misspelt column is a fault, and
    is taken for the one it is near to, so that the rows are checked all the same.

    Returns
    -------
    (line, column -> text) of each row that fits the header, and every fault.
    """
    fault = partial(Fault, file=path.name)
    try:
        lines = list(_xlsx_rows(path) if path.suffix == ".xlsx" else _text_rows(path))
    except (OSError, ValueError, KeyError, csv.Error) as problem:
        return [], [
            fault(f"a table that cannot be read ({problem})", "a CSV or XLSX table",
                  "save it again as CSV with UTF-8 encoding")
        ]  # fmt: skip
    if not lines:
        return [], [
            fault("an empty table", f"a header line and one row {a_row}",
                  f"a header such as {','.join(columns)}")
        ]  # fmt: skip
    header_line, header = lines[0]
    names, faults = _check_header(header, partial(fault, line=header_line), columns, needed)
    named = [name for name in names if name]
    if not set(needed) <= set(named) or len(set(named)) < len(named):
        return [], faults
    if len(lines) == 1 and not faults:
        faults.append(
            fault("no rows", f"one row {a_row}", "add what you measured", line=header_line + 1)
        )
    rows = []
    for line, cells in lines[1:]:
        if any(cells[len(names) :]):
            faults.append(
                fault(f"{len(cells)} cells", f"{len(names)}, as the header has",
                      "put a cell that holds the delimiter in quotes, and see that a decimal "
                      "comma is not the delimiter", line=line)
            )  # fmt: skip
        else:
            rows.append((line, dict(zip(names, cells, strict=False))))
    return rows, faults


def as_number(text: str) -> float | None:
    """The finite number that a cell holds, decimal comma or point; None where there is none.

    >>> as_number("0,5"), as_number("1.5"), as_number("two"), as_number("inf")
    (0.5, 1.5, None, None)
    """
    try:
        value = float(text.replace(",", ".") if "." not in text else text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None


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
    reader = csv.reader(text.splitlines(keepends=True), delimiter=delimiter)
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


def _check_header(
    header: list[str], fault: partial[Fault], columns: Sequence[str], needed: Sequence[str]
) -> tuple[list[str], list[Fault]]:
    names = list(header)
    faults = []
    for number, name in enumerate(header):
        if name in columns:
            continue
        absent = [column for column in columns if column not in names]
        hint = did_you_mean(name, absent, cutoff=0.75)
        if hint.startswith("did you mean"):
            names[number] = next(column for column in absent if repr(column) in hint)
            faults.append(fault(f"the column {name!r}", "a column of the agreed table", hint))
    for name in sorted({name for name in names if names.count(name) > 1 and name}):
        faults.append(
            fault(f"the column {name!r} more than once", "each column once", "rename or remove one")
        )
    for name in needed:
        if name not in names:
            faults.append(
                fault(f"no column {name!r}", f"the columns {_and(needed)} in every table",
                      f"a header such as {','.join(columns)}")
            )  # fmt: skip
    return names, faults


def _and(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))
