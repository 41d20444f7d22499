"""Tables of text: comments, delimiter, decimal mark, header, numbers, each with its line."""

from __future__ import annotations

import csv
import io
import warnings
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ReadError
from .labelled import is_finite
from .opening import content, decoded, json_of, opened, refuse, regular
from .options import TextOptions, takes
from .table_head import MISSING, Head, Table, find_head, is_missing, number_of, swallowed
from .table_layouts import KIND, from_table

NAME = KIND
#: First line of a table of our own; the comment lines below it hold what the numbers do not.
SIGNATURE = "# residuekit table"
_DELIMITERS = ("\t", ";", ",")
_SAMPLE_LINES = 50
#: Bytes above which a table is read at once; bytes of its head, with short and with long comments.
_LARGE, _TOPS = 2**21, (2**17, 2**20)
#: Bytes that are counted together: they fit in the cache, and no fresh memory is asked for each.
_PIECE = 2**16
#: Rows that are read cell by cell where one of them stumbles.
_ROWS = 4096
_MOST_COLUMNS = 20_000
_MISSING = {cased for word in MISSING for cased in (word, word.upper(), word.title(), "NaN")}


def recognises(head: bytes) -> bool:
    """Say whether the first bytes are those of a table of our own."""
    return head.startswith(SIGNATURE.encode())


@takes(TextOptions)
def read(path: Path, options: TextOptions) -> xr.DataArray:
    """Read point spectra or a map from a table of text; `TextOptions` says what may be stated.

    Columns are parted by tab, semicolon or comma; decimal point or comma; UTF-8, UTF-16 or Latin-1.
    A row of units may stand below the header.

    Raises
    ------
    ReadError : anything that cannot be read without guessing, with its line.
    """
    return from_table(parse(path, options.delimiter, options.decimal), options)


def parse(path: Path, delimiter: str | None, decimal: str | None) -> Table:
    """Split a file into header and numbers.

    Raises
    ------
    ReadError : nothing in it, no delimiter, rows of unequal length, text in a number cell, a cut
        file of our own; each with its line.
    """
    table = None
    if regular(path).stat().st_size > _LARGE:
        with suppress(OSError):  # said below, where the file is read again
            table = _at_once(path, delimiter, decimal)
    return table or _by_line(path, content(path), delimiter, decimal)


def _at_once(path: Path, delimiter: str | None, decimal: str | None) -> Table | None:
    """A large table: its head from its first lines, its numbers by pandas, in threads.

    None for all that takes a closer look, line by line: names, blank lines, damage.
    """
    top = _top(path, delimiter, decimal)
    if top is None or top.names is not None:
        return None
    first, width, mark = int(top.lines[0]), top.values.shape[1], top.form["delimiter"]
    with ThreadPoolExecutor(1) as pool:
        tally = pool.submit(_tally, path, first - 1, mark)
        values = _by_pandas(path, mark, top.decimal, first - 1)
        rows, marks = tally.result()
    if values is None or values.shape != (rows, width) or marks != rows * (width - 1):
        return None
    return replace(top, values=values, lines=np.arange(first, first + rows))


def _top(path: Path, delimiter: str | None, decimal: str | None) -> Table | None:
    """The first lines of a file as a table of their own, its numbers left out."""
    for size in _TOPS:
        with opened(path) as file, suppress(ReadError):
            head = file.read(size)
            return _begun(path, head[: head.rfind(b"\n") + 1], delimiter, decimal)[0]
    return None


def _tally(path: Path, skip: int, delimiter: str) -> tuple[int, int]:
    """How many rows and how many delimiters stand below the first lines; none where a NUL does."""
    rows = marks = 0
    last = b"\n"
    with opened(path) as file:
        for _ in range(skip):
            file.readline()
        while piece := file.read(_PIECE):
            if b"\0" in piece:
                return 0, 0
            codes = np.frombuffer(piece, np.uint8)
            rows += int(np.count_nonzero(codes == ord("\n")))
            marks += int(np.count_nonzero(codes == ord(delimiter)))
            last = piece
    return rows + (not last.endswith(b"\n")), marks


def _by_line(path: Path, data: bytes, delimiter: str | None, decimal: str | None) -> Table:
    table, body = _begun(path, data, delimiter, decimal)
    width = table.values.shape[1]
    values = _numbers(path, body, table.lines, width, table.form["delimiter"], table.decimal)
    return replace(table, values=values)


def _begun(
    path: Path, data: bytes, delimiter: str | None, decimal: str | None
) -> tuple[Table, list[str]]:
    """A table whose numbers, (0, n_columns), are still to be read, and the rows that hold them."""
    text, encoding = decoded(path, data)
    lines = _lines(text)
    first, comments = _comments(lines)
    if first == len(lines):
        raise refuse(path, "no numbers", "a table of spectra", "export it again")
    stated = _stated(path, comments, text)
    sample = [line for line in lines[first : first + _SAMPLE_LINES] if line.strip()]
    delimiter = delimiter or _delimiter(path, sample[-1:] if stated else sample, first + 1)
    widest = max(line.count(delimiter) for line in lines[first:])
    if not widest:
        raise refuse(path, f"no line with the delimiter {delimiter!r}", "columns parted by it",
                     "leave delimiter out, or state another", first + 1)  # fmt: skip
    if widest >= _MOST_COLUMNS:
        raise refuse(path, f"{widest + 1} columns", f"at most {_MOST_COLUMNS}", "a row a spectrum, "
                     "or NetCDF", first + 1)  # fmt: skip
    decimal = decimal or ("." if stated else _decimal(path, sample, delimiter, first + 1))
    head = _header(path, lines[first:], delimiter, decimal, first + 1)
    begin = first + head.used
    lost = swallowed(head, decimal)
    if lost is not None:
        raise refuse(path, f"{lost!r} where a row of numbers begins", "a number, with neither a "
                     "unit nor marks of thousands", "the number alone, in every row",
                     begin)  # fmt: skip
    places = np.array([i for i in range(begin, len(lines)) if lines[i] and not lines[i].isspace()],
                      dtype=int)  # fmt: skip
    body = lines[begin:]
    if len(places) != len(body):
        body = [lines[i] for i in places]
    if not body:
        raise refuse(path, "a header without numbers below it", "rows of numbers",
                     "export it again", first + 1)  # fmt: skip
    width = len(head.header) if head.header else body[0].count(delimiter) + 1
    names = None
    if head.named:
        names, body = _names_off(path, body, places + 1, delimiter)
        width -= 1
    if head.header is None and comments:
        head = Head(_commented_header(comments[-1], delimiter, width), None, "", 0, False)
    form = {"delimiter": delimiter, "decimal": decimal, "encoding": encoding}
    empty = np.empty((0, width))
    return Table(path, head, empty, places + 1, stated, form, decimal, names), body


def _lines(text: str) -> list[str]:
    if "\r" in text:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    lines = text.split("\n")
    while lines and not lines[-1].strip():
        lines.pop()
    return lines


def _names_off(
    path: Path, body: list[str], places: Any, delimiter: str
) -> tuple[tuple[str, ...], list[str]]:
    """The first cell of each row, and the rows without it."""
    names, rest = [], []
    for row, place in zip(body, places, strict=True):
        name, mark, numbers = row.partition(delimiter)
        if '"' in row:
            cells = _cells(path, row, delimiter, int(place))
            name, mark, numbers = cells[0], delimiter, delimiter.join(cells[1:])
        if not mark:
            raise refuse(path, "1 columns", "a name and numbers", "mend the row", int(place))
        names.append(name.strip())
        rest.append(numbers)
    return tuple(names), rest


def _comments(lines: list[str]) -> tuple[int, list[str]]:
    comments = []
    for place, line in enumerate(lines):
        if line.startswith("#"):
            comments.append(line)
        elif line.strip():
            return place, comments
    return len(lines), comments


def _stated(path: Path, comments: list[str], text: str) -> dict[str, Any]:
    """What the comment block of our own tables says: one JSON value a key."""
    if not comments or comments[0] != SIGNATURE:
        return {}
    if not text.endswith("\n"):
        raise refuse(path, "a last line without its end", "a whole file: it was cut",
                     "copy it again")  # fmt: skip
    stated = {}
    for line, comment in enumerate(comments[1:], start=2):
        key, _, value = comment.removeprefix("#").partition(":")
        stated[key.strip()] = json_of(value)
        if stated[key.strip()] is None:
            raise refuse(path, f"the comment {comment[:60]!r}", "# key: JSON value",
                         "write the file again", line)  # fmt: skip
    return stated


def _delimiter(path: Path, sample: list[str], line: int) -> str:
    """The first of tab, semicolon and comma that most lines hold: a comma may stand in numbers."""
    if 2 * sum(map(_by_spaces, sample)) > len(sample):
        raise refuse(path, "columns parted by spaces", "columns parted by tab, semicolon or comma",
                     "a tab in place of the spaces between two columns", line)  # fmt: skip
    for mark in _DELIMITERS:
        if 2 * sum(mark in row for row in sample) > len(sample):
            return mark
    raise refuse(path, f"the line {sample[0][:40]!r}", "columns of numbers parted by tab, "
                 "semicolon or comma", "columns parted anew by one of these; or delimiter='\\t' "
                 "(or ';' or ',') if it is there", line)  # fmt: skip


def _by_spaces(row: str) -> bool:
    """Whether a line holds numbers with spaces and no other mark between them."""
    cells = row.split() if "\t" not in row else []
    return len(cells) > 1 and any(
        all(number_of(cell, mark) is not None and cell.strip(",;") == cell for cell in cells)
        for mark in ",."
    )


def _decimal(path: Path, sample: list[str], delimiter: str, line: int) -> str:
    rows = [_cells(path, row, delimiter, line) for row in sample]
    cells = [cell.strip() for row in rows for cell in row]
    comma = any("," in cell and number_of(cell, ",") is not None for cell in cells)
    point = any("." in cell and number_of(cell, ".") is not None for cell in cells)
    if comma and point:
        raise refuse(path, "numbers with a decimal point and with a decimal comma", "one of them",
                     "one mark in every number; decimal=',' (or '.') if the other stands in names "
                     "of columns alone", line)  # fmt: skip
    whole = all(cell.lstrip("+-").isdigit() for cell in cells)
    if delimiter == "," and whole and len(rows[0]) >= 4 and len(rows[0]) % 2 == 0:
        raise refuse(path, "whole numbers parted by commas", "to know whether the comma parts "
                     "columns or is the decimal mark", "decimal='.' if it parts columns; else "
                     "write the file with semicolons", line)  # fmt: skip
    return "," if comma else "."


def _cells(path: Path, row: str, delimiter: str, line: int) -> list[str]:
    try:
        return next(csv.reader([row], delimiter=delimiter))
    except csv.Error as error:
        raise refuse(path, f"a row that cannot be split ({error})", "cells of numbers",
                     "mend the row", line) from error  # fmt: skip


def _header(path: Path, lines: list[str], delimiter: str, decimal: str, line: int) -> Head:
    reader = csv.reader((f"{row}\n" for row in lines), delimiter=delimiter, strict=True)

    def rows() -> Iterator[tuple[tuple[str, ...], int]]:
        for row in reader:
            yield tuple(cell.strip() for cell in row), reader.line_num

    try:
        return find_head(rows(), decimal)
    except csv.Error as error:
        raise refuse(path, f"a header that cannot be split ({error})", "closed quotes",
                     "mend the quotes", line) from error  # fmt: skip


def _commented_header(comment: str, delimiter: str, width: int) -> tuple[str, ...] | None:
    cells = tuple(cell.strip() for cell in comment.lstrip("# ").split(delimiter))
    return cells if len(cells) == width else None


def _numbers(
    path: Path, body: list[str], places: Any, width: int, delimiter: str, decimal: str
) -> Any:
    """The cells as float64 (n_rows, width): by pandas, and cell by cell where that stumbles."""
    counts = np.array([row.count(delimiter) for row in body]) + 1
    if (counts == width).all() and not any('"' in row for row in body):
        text = io.BytesIO("\n".join(body).encode())
        values = _by_pandas(text, delimiter, decimal)
        if values is not None and values.shape == (len(body), width):
            return values
    if len(body) > _ROWS:
        parts = (slice(at, at + _ROWS) for at in range(0, len(body), _ROWS))
        return np.concatenate(
            [_numbers(path, body[part], places[part], width, delimiter, decimal) for part in parts]
        )
    return _cell_by_cell(path, body, places, width, delimiter, decimal)


def _by_pandas(file: Path | io.BytesIO, delimiter: str, decimal: str, skip: int = 0) -> Any:
    """The numbers below the first `skip` lines, or None if the file holds not just such numbers."""
    import pandas as pd

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", pd.errors.DtypeWarning)
        try:
            frame = pd.read_csv(
                file, sep=delimiter, decimal=decimal, header=None, skiprows=skip,
                keep_default_na=False, na_values=list(_MISSING), compression=None,
                encoding_errors="replace",
            )  # fmt: skip
        except ValueError:
            return None
    if any(kind.kind not in "fiu" for kind in set(frame.dtypes)):
        return None
    values = frame.to_numpy(dtype=np.float64)
    return values if is_finite(values) else None


def _other_mark(text: str, delimiter: str) -> str:
    """What to type where another mark than the delimiter parts numbers; empty where none does."""
    for mark in _DELIMITERS[: _DELIMITERS.index(delimiter)]:
        if mark in text:
            return f"delimiter={mark!r}, if that parts the columns of the whole file"
    return ""


def _cell_by_cell(
    path: Path, body: list[str], places: Any, width: int, delimiter: str, decimal: str
) -> Any:
    rows = []
    for row, place in zip(body, places, strict=True):
        cells = _cells(path, row, delimiter, int(place))
        if len(cells) != width:
            fix = _other_mark(row, delimiter) or "a whole file, each row of one length"
            if delimiter == "," and len(cells) > width:
                fix = "semicolons between the columns, if the comma is the decimal mark"
            raise refuse(path, f"{len(cells)} columns", f"{width} columns as in the rows above",
                         fix, int(place))  # fmt: skip
        numbers = []
        for column, cell in enumerate(cells, start=1):
            number = np.nan if is_missing(cell) else number_of(cell, decimal)
            if number is None or np.isinf(number):
                other = "." if decimal == "," else ","
                fix = _other_mark(cell, delimiter) or f"mend the cell (decimal mark {decimal!r})"
                if number_of(cell, other) is not None:
                    fix = f"decimal={other!r}, if that is the mark of the whole file"
                raise refuse(path, f"{cell.strip()[:40]!r} in column {column}", "a finite number, "
                             "or an empty cell where it is missing", fix, int(place))  # fmt: skip
            numbers.append(number)
        rows.append(numbers)
    return np.array(rows, dtype=float)
