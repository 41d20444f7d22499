"""Workbooks (XLSX) of spectra, in and out: the same tables, in cells.

Read by openpyxl, cell by cell, on purpose: readers that give values alone are ten times faster, but
show a formula as an empty cell, and reserve memory for all cells up to the last one that is used.
"""

from __future__ import annotations

import io
import json
import re
import zipfile
from collections.abc import Iterator
from functools import lru_cache, partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import Fault, ReadError, WriteError
from .checksum import Mark, mark_of
from .opening import content, fits_in, json_of, refuse
from .options import SheetOptions, takes
from .own_files import state_of
from .table_head import Table, find_head, swallowed
from .table_layouts import from_table
from .table_writer import rows_of

NAME = "XLSX"
_STATE = "residuekit"
#: Cells of a workbook (openpyxl takes some 35 us for each, 60 for text in place); tags of its
#: sheets, and of the rest.
MOST_CELLS = 100_000
_MOST_TAGS, _MOST_OTHER_TAGS, _PIECE = 420_000, 200_000, 2**20
_ROW_NUMBER = re.compile(rb'<(?:\w+:)?row\s[^>]*?\br="(\d+)"')
_MOST_ROWS, _MOST_COLUMNS, _MOST_TEXT = 1_048_576, 16_384, 30_000


def recognises(head: bytes) -> bool:
    """Say whether the first bytes are those of a workbook: a zip file that lists content types."""
    return head.startswith(b"PK\x03\x04") and (b"[Content_Types]" in head or b"xl/" in head)


@takes(SheetOptions)
def read(path: Path, options: SheetOptions) -> xr.DataArray:
    """Read point spectra or a map from one sheet of a workbook; `SheetOptions` may be stated.

    Formulas are not computed and links not followed: both are refused.

    Raises
    ------
    ReadError : as for tables of text; a formula, with its row.
    """
    sheet = options.sheet
    sheets = _sheets(path)
    state = _state(path, sheets.pop(_STATE, []))
    sheets = {name: rows for name, rows in sheets.items() if rows}
    if (sheet is not None and sheet not in sheets) or (sheet is None and len(sheets) != 1):
        names = ", ".join(map(repr, sheets)) or "none"
        raise refuse(
            path,
            f"sheet={sheet!r}" if sheet else f"sheets with cells: {names}",
            f"one of {names}" if sheet else "one sheet with cells",
            " or ".join(f"sheet={name!r}" for name in sheets) or "a filled sheet",
        )
    name = sheet if sheet is not None else next(iter(sheets))
    table = _table(path, name, sheets[name], state)
    return from_table(table, options)


def sheet_names(path: Path) -> list[str]:
    """The names of the sheets of a workbook that hold anything, but for our own second one.

    Raises
    ------
    ReadError : as `read`.
    """
    return [name for name, rows in _sheets(path).items() if rows and name != _STATE]


def _sheets(path: Path) -> dict[str, list[tuple[int, list[Any]]]]:
    """The rows of each sheet that hold anything, each with its number from 1."""
    return dict(_parsed(path, mark_of(path)))


@lru_cache(maxsize=1)
def _parsed(path: Path, _mark: Mark) -> dict[str, list[tuple[int, list[Any]]]]:
    """The same, kept while sheet after sheet of one workbook is read."""
    try:
        book = open_book(path)
        left = MOST_CELLS
        sheets = {}
        for page in book.worksheets:
            page.reset_dimensions()
            sheets[page.title] = list(_rows(path, page, left))
            left -= sum(1 + len(cells) for _, cells in sheets[page.title])
    except ReadError:
        raise
    except Exception as error:  # the libraries below raise anything on damaged bytes
        raise refuse(path, f"a damaged file ({type(error).__name__}: {error})", "a whole workbook",
                     "save it again as .xlsx") from error  # fmt: skip
    return sheets


def open_book(path: Path, **how: bool) -> Any:
    """Open a workbook by openpyxl, once its parts are counted; it raises anything on damage.

    Raises
    ------
    ReadError : more in it than `MOST_CELLS` cells take.
    """
    import openpyxl

    data = content(path)
    if not data.startswith(b"PK"):
        raise refuse(path, "a file that is no workbook inside", "a workbook (.xlsx)",
                     "save it as .xlsx; or format='table' if it is text")  # fmt: skip
    tags, others = 0, 0
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        members = archive.infolist()
        fits_in(path, sum(member.file_size for member in members) // 8)
        for member in members if len(members) < _MOST_OTHER_TAGS else ():
            with archive.open(member) as part:
                found = sum(piece.count(b"<") for piece in iter(partial(part.read, _PIECE), b""))
            if "worksheets/" in member.filename:
                tags += found
                if tags <= _MOST_TAGS:
                    _refuse_turned(path, archive.read(member))
            else:
                others += found
    if tags > _MOST_TAGS or others > _MOST_OTHER_TAGS or len(members) >= _MOST_OTHER_TAGS:
        raise _too_large(path)
    return openpyxl.load_workbook(io.BytesIO(data), read_only=True, keep_links=False, **how)


def _refuse_turned(path: Path, page: bytes) -> None:
    """Refuse a sheet whose rows stand in another order than their numbers: some would be lost."""
    rows = [int(number) for number in _ROW_NUMBER.findall(page)]
    for above, below in pairwise(rows):
        if below <= above:
            raise refuse(path, f"row {below} below row {above} in the file of a sheet", "rows in "
                         "order", "open the workbook and save it again as .xlsx")  # fmt: skip


def _too_large(path: Path, row: int | None = None) -> ReadError:
    return refuse(path, f"more than a workbook of {MOST_CELLS} cells holds", "a smaller table",
                  "write NetCDF or CSV instead", row)  # fmt: skip


def _rows(path: Path, page: Any, left: int) -> Iterator[tuple[int, list[Any]]]:
    for number, row in enumerate(page.iter_rows(), start=1):
        left -= 1 + len(row)
        if left < 0 or number > _MOST_ROWS:
            raise _too_large(path, number)
        cells = [_cell(path, cell, number) for cell in row]
        while cells and cells[-1] is None:
            cells.pop()
        if cells:
            yield number, cells


def _cell(path: Path, cell: Any, row: int) -> Any:
    value = cell.value
    if value is None or (isinstance(value, str) and not value.strip()):
        return None
    if cell.data_type == "f":
        raise refuse(path, f"the formula {str(value)[:40]!r}", "values", "copy the cells and paste "
                     "them as values", row)  # fmt: skip
    if cell.data_type not in ("n", "s", "inlineStr") or isinstance(value, bool):
        raise refuse(path, f"a cell that holds {value!r}"[:60], "numbers and text",
                     "mend the cell", row)  # fmt: skip
    return float(value) if isinstance(value, int | float) else str(value)


def _state(path: Path, rows: list[tuple[int, list[Any]]]) -> dict[str, Any]:
    """What our own second sheet says: a key and its JSON, over as many cells as it takes."""
    state = json_of("".join(str(cells[0]) for _, cells in rows)) if rows else {}
    if not isinstance(state, dict):
        raise refuse(path, f"a sheet {_STATE!r} that was changed", "JSON as it was written",
                     f"write the file again, or remove the sheet {_STATE!r}")  # fmt: skip
    return state


def _table(
    path: Path, name: str, rows: list[tuple[int, list[Any]]], state: dict[str, Any]
) -> Table:
    width = max(len(cells) for _, cells in rows)
    before = min(next(i for i, cell in enumerate(cells) if cell is not None) for _, cells in rows)
    rows = [(number, (cells + [None] * (width - len(cells)))[before:]) for number, cells in rows]
    width -= before
    head = find_head((_texts(rows, at) for at in range(len(rows))), ".")
    body = rows[head.used :]
    lost = swallowed(head, ".")
    if lost is not None:
        raise refuse(path, f"{lost!r} where a row of numbers begins", "a number", "mend the cell",
                     rows[head.used - 1][0])  # fmt: skip
    if not body:
        raise refuse(path, "a header without numbers below it", "rows of numbers",
                     "export it again", rows[0][0])  # fmt: skip
    names = tuple(_name(cells[0]) for _, cells in body) if head.named else None
    values = np.full((len(body), width), np.nan)
    for at, (number, cells) in enumerate(body):
        for column, cell in enumerate(cells):
            if cell is not None and not (names and column == 0):
                values[at, column] = _number(path, cell, before + column, number)
    lines = np.array([number for number, _ in body])
    return Table(path, head, values[:, 1:] if names else values, lines, state, {"sheet": name},
                 names=names)  # fmt: skip


def _texts(rows: list[tuple[int, list[Any]]], at: int) -> tuple[tuple[str, ...], int]:
    _, cells = rows[at]
    return tuple(_name(cell).strip() for cell in cells), at + 1


def _name(cell: Any) -> str:
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    return "" if cell is None else str(cell)


def _number(path: Path, cell: Any, column: int, row: int) -> float:
    if isinstance(cell, float) and np.isfinite(cell):
        return cell
    if isinstance(cell, str) and cell.strip().casefold() in ("nan", "na", "n/a"):
        return float("nan")
    raise refuse(path, f"the text {str(cell)[:40]!r} in column {column + 1}", "a number, or an "
                 "empty cell where it is missing", "mend the cell", row)  # fmt: skip


def write(array: xr.DataArray, path: Path, *, layout: str | None = None) -> None:
    """Write a labelled array as a workbook: the table in one sheet, what it cannot say in another.

    `layout` is that of a table of text. The values keep their float32 exactly, the axes 16 digits.

    Raises
    ------
    WriteError : a layout that does not fit, a table larger than a sheet, what would be lost.
    """
    import openpyxl

    layout, rows = rows_of(array, path, layout)
    state = {"layout": layout, **state_of(array, path)}
    sizes = {"points": array.shape[::-1], "long map": (array.size, 4)}
    n_rows, n_columns = sizes.get(layout, (array[..., 0].size, array.shape[-1] + 2))
    if n_rows >= _MOST_ROWS or n_columns >= _MOST_COLUMNS:
        raise WriteError(
            Fault(f"a table of {n_rows} rows and {n_columns} columns", f"fewer than {_MOST_ROWS} "
                  f"rows and {_MOST_COLUMNS} columns", "write NetCDF or CSV", str(path))
        )  # fmt: skip
    book = openpyxl.Workbook(write_only=True)
    page = book.create_sheet("spectra")
    for at, row in enumerate(rows):
        page.append([_stored(page, cell, as_text=at == 0 and layout != "wide map") for cell in row])
    notes = book.create_sheet(_STATE)
    text = json.dumps(state)
    for at in range(0, len(text), _MOST_TEXT):
        notes.append([_stored(notes, text[at : at + _MOST_TEXT], as_text=True)])
    book.save(path)


def _stored(page: Any, cell: str, *, as_text: bool) -> Any:
    """A cell for openpyxl: a number, nothing, or text that is never taken for a formula."""
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE

    if cell == "":
        return None
    try:
        number = None if as_text else float(cell)
    except ValueError:
        number = None
    if number is not None:
        return number
    stored = WriteOnlyCell(page, ILLEGAL_CHARACTERS_RE.sub(" ", cell))
    stored.data_type = "s"
    return stored
