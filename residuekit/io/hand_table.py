"""Tables that people keep by hand, CSV or XLSX: rows of text under named columns."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from itertools import islice
from pathlib import Path

from ..errors import Fault, ResiduekitError, did_you_mean
from ..reprs import begins_as_formula
from .opening import content
from .workbook import MOST_CELLS, open_book

#: Names that the tables of a run repeat.
NAMES = ("mockup", "paint", "soiling", "treatment", "material", "clearance")
#: What moves a cursor, ends a line, or turns the direction of what follows.
_UNSEEN = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")

_MOST_BYTES, _MOST_ROWS = 8 * 2**20, 20_000

#: Units that names of columns end with.
_UNITS = ("ug_cm2", "min", "h", "nm")
_MARKS = (",", ";", "\t")
#: What a file that is no such table makes its reader raise.
UNREADABLE = (OSError, ValueError, KeyError, csv.Error)
Cells = list[tuple[int, dict[str, str]]]


def read_cells(
    path: Path, columns: Sequence[str], needed: Sequence[str], a_row: str
) -> tuple[Cells, list[Fault]]:
    """Read a table whose first filled line names its columns; it raises nothing of its own.

    Comma, semicolon or tab; a decimal comma is understood where the comma does not part cells.
    Lines that start with # are remarks. `columns` are the names that mean something, `needed`
    those that must be there, `a_row` says what a row stands for. A misspelt column is a fault, and
    is taken for the one it is near to, so that the rows are checked all the same. So is a name that
    a spreadsheet would compute, and a character that is not seen in a column of `columns`.

    Returns
    -------
    (line, column -> text) of each row that fits the header, and every fault.
    """
    fault = partial(Fault, file=path.name)
    try:
        lines = list(islice(rows_of_text(path), _MOST_ROWS + 1))
    except UNREADABLE as problem:
        return [], [
            fault(f"a table that cannot be read ({problem})", "a CSV or XLSX table",
                  "save it again as CSV with UTF-8 encoding")
        ]  # fmt: skip
    if len(lines) > _MOST_ROWS:
        return [], [
            fault(f"more than {_MOST_ROWS} rows", f"one row {a_row}", "see that it is this table")
        ]
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
        more = cells[len(names) :]
        if any(more) or (more and path.suffix != ".xlsx"):
            faults.append(
                fault(f"{len(cells)} cells", f"{len(names)}, as the header has",
                      "put a cell that holds the delimiter in quotes, and see that a decimal "
                      "comma is not the delimiter", line=line)
            )  # fmt: skip
        else:
            row = dict(zip(names, cells, strict=False))
            rows.append((line, row))
            faults += _text_faults(
                {name: row[name] for name in columns if name in row}, partial(fault, line=line)
            )
    return rows, faults


def rows_of_text(path: Path, sheet: str = "") -> Iterator[tuple[int, list[str]]]:
    """The lines of a table that hold anything and are no remark, their cells as text; of a workbook
    those of a sheet, the first if none is named.

    Raises
    ------
    What `UNREADABLE` lists.
    """
    return _xlsx_rows(path, sheet) if path.suffix.lower() == ".xlsx" else _text_rows(path)


def _text_rows(path: Path) -> Iterator[tuple[int, list[str]]]:
    raw = content(path, _MOST_BYTES)
    encodings = ("utf-16",) if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else ("utf-8-sig", "cp1252")
    for encoding in encodings:
        try:
            text = raw.decode(encoding)
            break
        except UnicodeDecodeError:
            continue
    else:
        raise ValueError("neither UTF-8, UTF-16 nor a Western 8-bit encoding")
    lines = (line for line in text.splitlines() if not line.lstrip().startswith("#"))
    head = next((line for line in lines if any(mark in line for mark in _MARKS)), "")
    delimiter = max(_MARKS, key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    for cells in reader:
        stripped = [cell.strip() for cell in cells]
        if any(stripped) and not stripped[0].startswith("#"):
            yield reader.line_num, stripped


def _xlsx_rows(path: Path, sheet: str) -> Iterator[tuple[int, list[str]]]:
    left = MOST_CELLS
    try:
        book = open_book(path, data_only=True)
        page = book[sheet] if sheet else book.worksheets[0]
        for line, cells in enumerate(page.iter_rows(values_only=True), start=1):
            left -= 1 + len(cells)
            if left < 0:
                raise ValueError(f"more than {MOST_CELLS} cells")
            stripped = ["" if cell is None else str(cell).strip() for cell in cells]
            if any(stripped) and not stripped[0].startswith("#"):
                yield line, stripped
    except ResiduekitError:
        raise
    except Exception as problem:  # the libraries below raise anything on damaged bytes
        raise ValueError(f"not a workbook: {problem}") from problem


def _check_header(
    header: list[str], fault: partial[Fault], columns: Sequence[str], needed: Sequence[str]
) -> tuple[list[str], list[Fault]]:
    names = list(header)
    faults = []
    for number, name in enumerate(header):
        if name in columns:
            continue
        absent = [column for column in columns if column not in names]
        whole = {f"{name.casefold()}_{unit}" for unit in _UNITS} & {*absent}
        hint = did_you_mean(whole.pop() if whole else name, absent, cutoff=0.75)
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


def _text_faults(row: Mapping[str, str], fault: partial[Fault]) -> Iterator[Fault]:
    """Say which texts would do harm in what a run writes: every output holds names as typed."""
    for column, text in row.items():
        if _UNSEEN.search(text):
            yield fault(
                f"{column} {text!r}, with a character that is not seen",
                "one line of plain text",
                f"{column} {_UNSEEN.sub(' ', text)!r}, typed anew",
            )
        elif column in NAMES and begins_as_formula(text):
            yield fault(
                f"{column} {text!r}, which a spreadsheet would compute as a formula",
                "a name that does not begin with = + - or @, at its start or after a semicolon",
                f"another {column} in all its rows, {text.lstrip('=+-@＝＋－＠ ')!r} say",
            )


def _and(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))
