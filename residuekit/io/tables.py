"""Text tables of spectra, read: side by side, a row a pixel, or a row a number."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..schema import make_map, make_points
from .grid import grid
from .opening import labelled, refuse, source_of, stored, with_position_unit
from .options import TableOptions, TextOptions, kept, takes
from .state import as_kept, as_stated
from .table_text import SIGNATURE, Table, parse
from .vocabulary import (
    as_fraction,
    axis_unit_of,
    contradicts,
    is_axis_word,
    is_wavenumber_word,
    per_cm,
    plain,
    position_of,
    quantity_of,
    to_wavenumber,
)

NAME = "table"
_MOST_EMPTY = 16
#: Where an axis without a unit may lie, in cm-1, and the names of an axis that say nothing.
_LOWEST, _HIGHEST = 100, 15_000
_NEUTRAL = ("", "x")


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


def from_table(table: Table, options: TableOptions) -> xr.DataArray:
    """Make the labelled array of a table; the errors are those of `read`."""
    if not table.stated:
        table = _without_empty_end(table)
    else:
        options = as_kept(table.path, table.stated, options)
        options = kept(table.path, options, layout=str(table.stated.get("layout")))
    found = options.layout or _layout(table)
    readers = {"points": _points, "points in rows": _rows, "wide map": _wide, "long map": _long}
    array = readers[found](table, options)
    return _as_stated(table, array, found) if table.stated else array


def _without_empty_end(table: Table) -> Table:
    """Leave out the last column where it has neither a name nor a number: a mark ends each row."""
    head, values = table.head, table.values
    unnamed = not head.header or not head.header[-1]
    if values.shape[1] < 3 or not unnamed or not np.isnan(values[:, -1]).all():
        return table
    header = head.header and head.header[:-1]
    head = replace(head, header=header, units=head.units and head.units[: len(header or ())])
    form = {**table.form, "empty last column": "left out"}
    return replace(table, head=head, values=values[:, :-1], form=form)


def _layout(table: Table) -> str:
    """Recognise the layout, or ask for it."""
    header, values = table.header, table.values
    if table.names is not None:
        return "points in rows"
    if header is not None:
        positions = [position_of(cell) for cell in header]
        axes = {position[0] for position in positions if position}
        rest = [cell for cell, place in zip(header, positions, strict=True) if place is None]
        if axes == {"x", "y"} and rest:
            if len(header) == 4 and sum(is_axis_word(cell) for cell in rest) == 1:
                return "long map"
            if len(axes) + len(rest) == len(header) and all(
                table.number(cell) is not None for cell in rest
            ):
                return "wide map"
            raise _ask(table, f"the header {', '.join(header[:6])}")
        numbers = [table.number(cell) for cell in header[1:]]
        in_rows = len(header) > 2 and None not in numbers and _is_monotone(np.array(numbers))
        if in_rows and not is_axis_word(header[0]):
            raise _ask(table, "a first line of ascending numbers: wavenumbers (spectra in "
                       "rows) or names of spectra")  # fmt: skip
        if is_axis_word(header[0]):
            across = in_rows and _is_plausible(header[0], np.array(numbers))
            down = _is_plausible(header[0], values[:, 0])
            if across and down:
                raise _ask(table, "a first line and a first column that may both be "
                           f"{header[0]}")  # fmt: skip
            return "points in rows" if across else "points"
    if values.shape[1] < 2:
        raise refuse(table.path, "one column", "a column of wavenumbers and one of values",
                     "delimiter=... if the columns are parted by another mark")  # fmt: skip
    if values.shape[1] == 2 or _is_monotone(values[:, 0]):
        return "points"
    raise _ask(table, "a first column that neither ascends nor descends, and no names x and y")


def _ask(table: Table, found: str) -> Exception:
    return refuse(
        table.path,
        found,
        "a layout that can be recognised",
        "layout='points' (columns of spectra), 'points in rows', 'wide map' (x, y, "
        "then a column a wavenumber) or 'long map' (x, y, wavenumber, value)",
        1,
    )


def _is_monotone(axis: Any) -> bool:
    steps = np.diff(axis)
    return bool((steps > 0).all() or (steps < 0).all())


def _is_plausible(word: str, axis: Any) -> bool:
    """Say whether numbers under this word may be the axis of an infrared spectrum."""
    if not (_is_monotone(axis) and (axis > 0).all()):
        return False
    wavenumber = per_cm(axis, axis_unit_of(word) or "cm-1")
    return bool(wavenumber.min() >= _LOWEST and wavenumber.max() <= _HIGHEST)


def _points(table: Table, options: TableOptions) -> xr.DataArray:
    if table.values.shape[1] < 2 or table.names is not None:
        raise _ask(table, "one column" if table.names is None else "names in the first column")
    word = _axis_word(table, 0)
    axis, notes = _axis(table, table.values[:, 0], word, options, table.lines)
    words = table.header[1:] if table.header else ()
    values, quantity, said = _values(table, table.values[:, 1:].T, words, _units(table)[1:],
                                     options)  # fmt: skip
    names = None if not words or (len(words) == 1 and quantity_of(words[0], short=True)) else words
    source = _source(table, "points", {**notes, **said})
    return labelled(table.path, make_points, values, axis, names, quantity=quantity,
                    technique=options.technique or "unknown", source=source)  # fmt: skip


def _rows(table: Table, options: TableOptions) -> xr.DataArray:
    """Spectra in rows: the header is the axis; the first column names the spectra."""
    header = table.header
    numbers = [table.number(cell) for cell in header[1:]] if header else [None]
    if header is None or None in numbers:
        raise refuse(table.path, "a first row that is no axis", "a name and then wavenumbers",
                     "mend the first row", 1)  # fmt: skip
    values = table.values if table.names is not None else table.values[:, 1:]
    names = table.names if table.names is not None else table.values[:, 0]
    axis, notes = _axis(table, np.array(numbers, dtype=float), _axis_word(table, 0), options, None)
    values, quantity, said = _values(table, values, (), (), options)
    source = _source(table, "points in rows", {**notes, **said})
    return labelled(table.path, make_points, values, axis, names, quantity=quantity,
                    technique=options.technique or "unknown", source=source)  # fmt: skip


def _columns(table: Table, wanted: list[int]) -> Any:
    """These columns (n_rows, n_wanted): a view where they stand side by side."""
    first, last = wanted[0], wanted[-1] + 1
    return table.values[:, first:last] if last - first == len(wanted) else table.values[:, wanted]


def _units(table: Table) -> tuple[str, ...]:
    return table.head.units or ()


def _axis_word(table: Table, column: int) -> str:
    """The name of a column, and its unit from the row of units in brackets."""
    name = table.header[column] if table.header else ""
    return f"{name} ({_units(table)[column]})" if _units(table) else name


def _wide(table: Table, options: TableOptions) -> xr.DataArray:
    header = table.header
    if header is None:
        raise refuse(table.path, "no header", "a header of x, y and the wavenumbers",
                     "add that line", 1)  # fmt: skip
    places, unit, notes = _positions(table, header)
    rest = [column for column in range(len(header)) if column not in places]
    numbers = [table.number(header[column]) for column in rest]
    if None in numbers or not rest:
        wrong = [header[c] for c, number in zip(rest, numbers, strict=True) if number is None]
        raise refuse(table.path, f"columns called {wrong[:4]}", "x, y and then wavenumbers",
                     "mend the header", 1)  # fmt: skip
    word = _units(table)[rest[0]] if _units(table) else ""
    axis, said = _axis(table, np.array(numbers, dtype=float), word, options, None)
    values, quantity, more = _values(table, _columns(table, rest), (), (), options)
    x, y = (table.values[:, place] * factor for place, factor in places.items())
    columns, rows, column, row = grid(table.path, x, y)
    cube = stored(table.path, values)
    if not np.array_equal(row * columns.size + column, np.arange(rows.size * columns.size)):
        cube = np.full((rows.size * columns.size, axis.size), np.nan, dtype=np.float32)
        cube[row * columns.size + column] = stored(table.path, values)
    cube = cube.reshape(rows.size, columns.size, axis.size)
    source = _source(table, "wide map", {**notes, **said, **more, **_gaps(rows, columns, len(x))})
    array = labelled(table.path, make_map, cube, axis, columns, rows, quantity=quantity,
                     technique=options.technique or "unknown", source=source)  # fmt: skip
    return with_position_unit(array, unit)


def _long(table: Table, options: TableOptions) -> xr.DataArray:
    if table.values.shape[1] != 4:
        raise refuse(table.path, f"{table.values.shape[1]} columns", "x, y, wavenumber and value",
                     "a table of those four columns")  # fmt: skip
    header = table.header or ("x", "y", "wavenumber", "")
    places, unit, notes = _positions(table, header)
    rest = [column for column in range(4) if column not in places]
    rest.sort(key=lambda column: not is_axis_word(header[column]))
    if not is_axis_word(header[rest[0]]) and table.header:
        raise refuse(table.path, f"the columns {', '.join(header)}", "one called wavenumber",
                     "mend the header", 1)  # fmt: skip
    raw, which = np.unique(table.values[:, rest[0]], return_inverse=True)
    x, y = (table.values[:, place] * factor for place, factor in places.items())
    pixels, pixel = np.unique(np.stack([x, y], axis=1), axis=0, return_inverse=True)
    n_cells = len(pixels) * raw.size
    if n_cells > _MOST_EMPTY * len(x):
        raise refuse(table.path, f"{len(pixels)} pixels with {raw.size} different wavenumbers in "
                     f"{len(x)} rows", "the same wavenumbers for each pixel",
                     "interpolate the spectra to one axis first")  # fmt: skip
    cell = pixel.ravel() * raw.size + which
    if len(np.unique(cell)) != cell.size:
        order = np.argsort(cell, kind="stable")
        twice = order[1:][np.diff(cell[order]) == 0].min()
        raise refuse(table.path, "a pixel and wavenumber that stand twice", "one row for each",
                     "remove what stands twice", int(table.lines[twice]))  # fmt: skip
    axis, said = _axis(table, raw, _axis_word(table, rest[0]), options, None)
    units = _units(table)[rest[1] : rest[1] + 1]
    values, quantity, more = _values(table, table.values[:, rest[1]], (header[rest[1]],), units,
                                     options)  # fmt: skip
    flat = np.full(n_cells, np.nan)
    flat[cell] = values
    columns, rows, column, row = grid(table.path, pixels[:, 0], pixels[:, 1])
    cube = np.full((rows.size, columns.size, raw.size), np.nan)
    cube[row, column] = flat.reshape(len(pixels), raw.size)
    gaps = _gaps(rows, columns, len(pixels))
    source = _source(table, "long map", {**notes, **said, **more, **gaps})
    array = labelled(table.path, make_map, cube, axis, columns, rows, quantity=quantity,
                     technique=options.technique or "unknown", source=source)  # fmt: skip
    return with_position_unit(array, unit)


def _positions(
    table: Table, header: tuple[str, ...]
) -> tuple[dict[int, float], str, dict[str, str]]:
    """The columns of x and of y (in this order) with their factors, and their unit."""
    named = {place[0]: (column, *place[1:]) for column, cell in enumerate(header)
             if (place := position_of(_with_unit(table, column, cell)))}  # fmt: skip
    if set(named) != {"x", "y"}:
        raise refuse(table.path, f"the columns {', '.join(header[:6])}", "one called x and one y",
                     "mend the header", 1)  # fmt: skip
    (x, x_unit, x_factor), (y, y_unit, y_factor) = named["x"], named["y"]
    notes = {"y order": "by the y column, upward"}
    for column in (x, y):
        _complete(table, table.values[:, column], header[column])
    if x_unit != y_unit:
        raise refuse(table.path, f"x in {x_unit} and y in {y_unit}", "one unit for both",
                     "mend the header", 1)  # fmt: skip
    if x_unit is None:
        steps = [np.diff(np.unique(table.values[:, column])) for column in (x, y)]
        counted = all((step == 1).all() for step in steps)
        x_unit = "pixel" if counted else "um"
        notes["position unit"] = f"assumed {x_unit}"
    return {x: x_factor, y: y_factor}, x_unit, notes


def _with_unit(table: Table, column: int, cell: str) -> str:
    unit = _units(table)[column].strip("()[] ") if _units(table) else ""
    return f"{cell} ({unit})" if unit and position_of(f"{cell} ({unit})") else cell


def _complete(table: Table, column: Any, name: str) -> None:
    empty = np.isnan(column)
    if empty.any():
        line = int(table.lines[np.argmax(empty)])
        raise refuse(table.path, f"an empty cell in column {name or 1!r}", "a number in each row",
                     "fill the cell or remove the row", line)  # fmt: skip


def _axis(
    table: Table, axis: Any, word: str, options: TableOptions, lines: Any
) -> tuple[Any, dict[str, str]]:
    """The spectral axis in cm-1, as it stands in the file, and what was assumed about it."""
    if lines is not None:
        _complete(table, axis, word)
        _strictly(table, axis, lines)
    unit = options.x_unit or axis_unit_of(word)
    notes = {}
    if unit is None and table.stated:
        unit = "cm-1"
    elif unit is None:
        unsaid = is_axis_word(word) or (lines is not None and plain(word) not in _NEUTRAL)
        if unsaid or axis.min() < _LOWEST or axis.max() > _HIGHEST:
            named = f" called {word!r}" if unsaid else ""
            found = f"an axis{named} from {axis.min():g} to {axis.max():g} without a unit"
            raise refuse(table.path, found, "its unit", "x_unit='cm-1' (or nm, um)")
        unit, notes["wavenumber"] = "cm-1", "assumed cm-1"
    elif not options.x_unit and contradicts(word, unit):
        raise refuse(table.path, f"an axis called {word!r}", "wavenumbers in cm-1, or wavelengths "
                     "in nm or um", f"mend the header, or x_unit={unit!r}", 1)  # fmt: skip
    elif word and not options.x_unit and not is_wavenumber_word(word):
        notes["wavenumber from"] = f"{word} in {unit}"
    return to_wavenumber(table.path, axis, unit), notes


def _strictly(table: Table, axis: Any, lines: Any) -> None:
    steps = np.diff(axis)
    rising = np.count_nonzero(steps > 0) >= np.count_nonzero(steps < 0)
    wrong = steps <= 0 if rising else steps >= 0
    if wrong.any():
        at = int(np.argmax(wrong)) + 1
        what = "stands twice" if axis[at] == axis[at - 1] else "turns back"
        raise refuse(table.path, f"the wavenumber {axis[at]:g}, which {what}",
                     "wavenumbers that only rise or only fall", "mend or sort the rows",
                     int(lines[at]))  # fmt: skip


def _values(
    table: Table,
    values: Any,
    words: tuple[str, ...],
    units: tuple[str, ...],
    options: TableOptions,
) -> tuple[Any, str, dict[str, str]]:
    """The numbers as a fraction or absorbance, their quantity, and what was assumed or done."""
    short = all(quantity_of(word, short=True) for word in words)
    known = {found for word in words if (found := quantity_of(word, short=short))}
    known |= {found for unit in units if (found := quantity_of(unit, short=True))}
    quantities = {quantity for quantity, _ in known}
    quantity, percent, notes = options.quantity, options.percent, {}
    if quantity is None and len(quantities) > 1:
        both = f"columns of {' and '.join(sorted(quantities))}"
        fix = "part the columns into two files; quantity=... if these are names"
        raise refuse(table.path, both, "one quantity", fix, 1)
    if quantity is None and known:
        quantity = quantities.pop()
    if percent is None and any(said for _, said in known):
        percent = True
    if quantity is None:
        if percent or 2 * np.count_nonzero(values > 3) > np.count_nonzero(np.isfinite(values)):
            raise refuse(table.path, "numbers mostly above 3 without a name", "their quantity",
                         "quantity='transmittance' (or another)")  # fmt: skip
        quantity, notes["quantity"] = "absorbance", "assumed absorbance"
    values, scale = as_fraction(table.path, values, quantity, percent)
    return values, quantity, {**notes, **scale}


def _gaps(rows: Any, columns: Any, n_pixels: int) -> dict[str, str]:
    missing = rows.size * columns.size - n_pixels
    return {"missing pixels": str(missing)} if missing else {}


def _source(table: Table, layout: str, notes: dict[str, str]) -> dict[str, Any]:
    recognised = {"layout": layout, **table.form, **notes}
    if table.head.title:
        recognised["title"] = table.head.title
    if table.stated:
        recognised["origin"] = table.stated["source"]
    return source_of(table.path, NAME, **recognised)


def _as_stated(table: Table, array: xr.DataArray, layout: str) -> xr.DataArray:
    n_rows = {"points": array.shape[-1], "wide map": array[..., 0].size}.get(layout, array.size)
    if len(table.values) != n_rows:
        raise refuse(table.path, f"{len(table.values)} rows of an array of {list(array.shape)}",
                     f"{n_rows} rows", "copy it again: it was cut or changed",
                     int(table.lines[-1]))  # fmt: skip
    return as_stated(table.path, array, table.stated)
