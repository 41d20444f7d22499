"""From a table to the labelled array: spectra side by side, in rows, a row a pixel or a number."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import xarray as xr

from .labelled import spectra, undoubled
from .opening import refuse
from .options import TableOptions, kept, need
from .own_files import as_kept, as_stated
from .pixel_grid import (
    assumed_unit,
    places_in,
    positions,
    refuse_other_walk,
    upright,
    walk,
    whole_numbers,
)
from .table_head import Table
from .unit_words import (
    as_fraction,
    axis_unit_of,
    contradicts,
    doubt_absorbance,
    extremes,
    is_axis_word,
    is_wavenumber_word,
    per_cm,
    plain,
    position_of,
    quantity_of,
    scaled,
    tell,
    to_wavenumber,
)

#: What the reader of tables is called in `source`.
KIND = "table"
_MOST_EMPTY = 16
#: Where an axis without a unit may lie, in cm-1, and the names of an axis that say nothing.
_LOWEST, _HIGHEST = 100, 15_000
_NEUTRAL = ("", "x")
#: Where an axis begins at least, and ends, that may as well be nm (common practice, no source).
_NEAR_INFRARED = (350, (2000, 2600))


@dataclass(frozen=True)
class _Columns:
    """What a layout finds: the axis (n_wavenumber,), its name and its lines where it is a column.

    The values are (n_spectra, n_wavenumber); `words` and `units` name their quantity, `names` the
    spectra; a map has the `places` x and y of each in `place_unit`.
    """

    axis: Any
    word: str
    values: Any
    lines: Any = None
    words: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    names: Any = None
    places: tuple[Any, Any] | None = None
    place_unit: str = ""
    notes: Mapping[str, str] = field(default_factory=dict)


def from_table(table: Table, options: TableOptions) -> xr.DataArray:
    """Make the labelled array of a table of text or of a sheet.

    Raises
    ------
    ReadError : anything that cannot be read without guessing, with its line.
    """
    if not table.stated:
        table = _without_empty_end(table)
    else:
        options = as_kept(table.path, table.stated, options)
        options = kept(table.path, options, layout=str(table.stated.get("layout")))
    if any(
        "interferogram" in said.casefold() for said in (*(table.header or ()), table.head.title)
    ):
        raise refuse(table.path, "an interferogram", "a spectrum of it",
                     "export the spectrum that the instrument computed")  # fmt: skip
    layout = options.layout or _layout(table)
    layouts = {"points": _points, "points in rows": _rows, "wide map": _wide, "long map": _long}
    found = layouts[layout](table)
    if not table.stated and found.places is None:
        found = _placed(table, _undoubled(table, found), options)
    axis, axis_notes = _axis(table, found, options)
    values, quantity, value_notes = _values(table, found, options)
    x = y = None
    gaps: Mapping[str, str] = {}
    if found.places:
        values, x, y, gaps = upright(table.path, *found.places, values)
    if found.places and "map" not in layout:
        layout = f"map, a {'column' if layout == 'points' else 'row'} a pixel"
    notes = {"layout": layout, **table.form, **found.notes, **axis_notes, **value_notes, **gaps}
    notes |= {"title": table.head.title} if table.head.title else {}
    notes |= {"origin": table.stated["source"]} if table.stated else {}
    array = spectra(table.path, KIND, values, axis, notes, quantity=quantity, names=found.names,
                    technique=options.technique, x=x, y=y, unit=found.place_unit)  # fmt: skip
    if not table.stated:
        return array
    n_rows = {"points": array.shape[-1], "wide map": array[..., 0].size}.get(layout, array.size)
    if len(table.values) != n_rows:
        raise refuse(table.path, f"{len(table.values)} rows of an array of {list(array.shape)}",
                     f"{n_rows} rows", "copy it again: it was cut or changed",
                     int(table.lines[-1]))  # fmt: skip
    return as_stated(table.path, array, table.stated)


def _undoubled(table: Table, found: _Columns) -> _Columns:
    """The same with the mean of two rows of one wavenumber, where that is rare; it is told."""
    if found.lines is None:
        return found
    axis, values, doubled = undoubled(table.path, found.axis, found.values)
    lines = found.lines if axis.size == found.axis.size else found.lines[~doubled]
    return replace(found, axis=axis, values=values, lines=lines)


def _placed(table: Table, found: _Columns, options: TableOptions) -> _Columns:
    """The same with the places of its spectra, where their names or a stated shape say them."""
    names = () if found.names is None else found.names
    if options.shape is None:
        named = None if options.layout else places_in(names)
        if named is None:
            return found
        x, y, unit, notes = named
        notes = {"y order": "by the names of the spectra, upward", **notes}
        return replace(found, places=(x, y), place_unit=unit, names=None, notes=notes)
    sizes = whole_numbers(options.shape, 2)
    if sizes is None or sizes[0] * sizes[1] != len(found.values):
        raise refuse(table.path, f"{len(found.values)} spectra, and shape={options.shape!r}",
                     "the rows and columns of pixels that they fill",
                     "shape=(n_y, n_x) with n_y x n_x spectra")  # fmt: skip
    need(table.path, options, "order", "start")
    rows, columns = walk(sizes[0], sizes[1], str(options.order), str(options.start))
    refuse_other_walk(table.path, names, rows, columns)
    x, y = positions(table.path, sizes[1], sizes[0], options.step)
    unit = "pixel" if x is None else "um"
    places = (columns * 1.0, rows * 1.0) if x is None else (x[columns], y[rows])
    notes = {"y order": f"{options.order} from the {options.start}, as stated"}
    return replace(found, places=places, place_unit=unit, names=None, notes=notes)


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
    return refuse(table.path, found, "a layout that can be recognised", "layout='points' (columns "
                  "of spectra), 'points in rows', 'wide map' (x, y, then a column a wavenumber) or "
                  "'long map' (x, y, wavenumber, value)", 1)  # fmt: skip


def _is_monotone(axis: Any) -> bool:
    steps = np.diff(axis)
    return bool((steps > 0).all() or (steps < 0).all())


def _is_plausible(word: str, axis: Any) -> bool:
    """Say whether numbers under this word may be the axis of an infrared spectrum."""
    if not (_is_monotone(axis) and (axis > 0).all()):
        return False
    wavenumber = per_cm(axis, axis_unit_of(word) or "cm-1")
    return bool(wavenumber.min() >= _LOWEST and wavenumber.max() <= _HIGHEST)


def _points(table: Table) -> _Columns:
    """Columns of spectra; the first column is the axis."""
    if table.values.shape[1] < 2 or table.names is not None:
        raise _ask(table, "one column" if table.names is None else "names in the first column")
    words = table.header[1:] if table.header else ()
    named = words and not (len(words) == 1 and quantity_of(words[0], short=True))
    return _Columns(table.values[:, 0], _axis_word(table, 0), table.values[:, 1:].T, table.lines,
                    words, _units(table)[1:], words if named else None)  # fmt: skip


def _rows(table: Table) -> _Columns:
    """Spectra in rows: the header is the axis; the first column names the spectra."""
    header = table.header
    numbers = [table.number(cell) for cell in header[1:]] if header else [None]
    if None in numbers:
        raise refuse(table.path, "a first row that is no axis", "a name and then wavenumbers",
                     "mend the first row", 1)  # fmt: skip
    values = table.values if table.names is not None else table.values[:, 1:]
    names = table.names if table.names is not None else table.values[:, 0]
    return _Columns(np.array(numbers, dtype=float), _axis_word(table, 0), values, names=names)


def _wide(table: Table) -> _Columns:
    """A row a pixel: x, y, then a column a wavenumber."""
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
    side_by_side = rest[-1] - rest[0] + 1 == len(rest)
    values = table.values[:, slice(rest[0], rest[-1] + 1) if side_by_side else rest]
    x, y = (table.values[:, place] * factor for place, factor in places.items())
    return _Columns(np.array(numbers, dtype=float), word, values, places=(x, y), place_unit=unit,
                    notes=notes)  # fmt: skip


def _long(table: Table) -> _Columns:
    """A row a number: x, y, wavenumber, value."""
    if table.values.shape[1] != 4:
        raise refuse(table.path, f"{table.values.shape[1]} columns", "x, y, wavenumber and value",
                     "a table of those four columns")  # fmt: skip
    header = table.header or ("x", "y", "wavenumber", "")
    places, unit, notes = _positions(table, header)
    rest = [column for column in range(4) if column not in places]
    at_axis, at_value = sorted(rest, key=lambda column: not is_axis_word(header[column]))
    if not is_axis_word(header[at_axis]) and table.header:
        raise refuse(table.path, f"the columns {', '.join(header)}", "one called wavenumber",
                     "mend the header", 1)  # fmt: skip
    axis, which = np.unique(table.values[:, at_axis], return_inverse=True)
    x, y = (table.values[:, place] * factor for place, factor in places.items())
    pixels, pixel = np.unique(np.stack([x, y], axis=1), axis=0, return_inverse=True)
    n_cells = len(pixels) * axis.size
    if n_cells > _MOST_EMPTY * len(x):
        raise refuse(table.path, f"{len(pixels)} pixels with {axis.size} different wavenumbers in "
                     f"{len(x)} rows", "the same wavenumbers for each pixel",
                     "interpolate the spectra to one axis first")  # fmt: skip
    cell = pixel.ravel() * axis.size + which
    if len(np.unique(cell)) != cell.size:
        order = np.argsort(cell, kind="stable")
        twice = order[1:][np.diff(cell[order]) == 0].min()
        raise refuse(table.path, "a pixel and wavenumber that stand twice", "one row for each",
                     "remove what stands twice", int(table.lines[twice]))  # fmt: skip
    values = np.full(n_cells, np.nan)
    values[cell] = table.values[:, at_value]
    return _Columns(axis, _axis_word(table, at_axis), values.reshape(len(pixels), axis.size),
                    words=(header[at_value],), units=_units(table)[at_value : at_value + 1],
                    places=(pixels[:, 0], pixels[:, 1]), place_unit=unit,
                    notes=notes)  # fmt: skip


def _units(table: Table) -> tuple[str, ...]:
    return table.head.units or ()


def _axis_word(table: Table, column: int) -> str:
    """The name of a column, and its unit from the row of units in brackets."""
    name = table.header[column] if table.header else ""
    return f"{name} ({_units(table)[column]})" if _units(table) else name


def _positions(
    table: Table, header: tuple[str, ...]
) -> tuple[dict[int, float], str, dict[str, str]]:
    """The columns of x and of y (in this order) with their factors, and their unit."""
    named = {place[0]: (column, *place[1:]) for column, cell in enumerate(header)
             if (place := position_of(_with_unit(table, column, cell)))}  # fmt: skip
    if set(named) != {"x", "y"}:
        raise refuse(table.path, f"the columns {', '.join(header[:6])}", "one called x and one y",
                     "mend the header; or layout='points' where none is a place", 1)  # fmt: skip
    (x, x_unit, x_factor), (y, y_unit, y_factor) = named["x"], named["y"]
    notes = {"y order": "by the y column, upward"}
    for column in (x, y):
        _complete(table, table.values[:, column], header[column])
    if x_unit != y_unit:
        raise refuse(table.path, f"x in {x_unit} and y in {y_unit}", "one unit for both",
                     "mend the header", 1)  # fmt: skip
    if x_unit is None:
        x_unit = assumed_unit(*(table.values[:, column] for column in (x, y)))
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


def _axis(table: Table, found: _Columns, options: TableOptions) -> tuple[Any, dict[str, str]]:
    """The spectral axis in cm-1, as it stands in the file, and what was assumed about it."""
    axis, word, lines = found.axis, found.word, found.lines
    if lines is not None:
        _complete(table, axis, word)
        _strictly(table, axis, lines)
    said = (*filter(None, map(axis_unit_of, table.head.said)), None)
    unit = options.x_unit or axis_unit_of(word) or said[0]
    notes = {}
    if unit is None and table.stated:
        unit = "cm-1"
    elif unit is None:
        unsaid = is_axis_word(word) or (lines is not None and plain(word) not in _NEUTRAL)
        if unsaid or axis.min() < _LOWEST or axis.max() > _HIGHEST:
            named = f" called {word!r}" if unsaid else ""
            raise refuse(table.path, f"an axis{named} from {axis.min():g} to {axis.max():g} "
                         "without a unit", "its unit", _likely_unit(axis))  # fmt: skip
        if _may_be_nm(axis):
            _doubt_wavenumbers(table, found, axis)
        unit, notes["wavenumber"] = "cm-1", "assumed cm-1"
    elif not options.x_unit and contradicts(word, unit):
        raise refuse(table.path, f"an axis called {word!r}", "wavenumbers in cm-1, or wavelengths "
                     "in nm or um", f"mend the header, or x_unit={unit!r}", 1)  # fmt: skip
    elif word and not options.x_unit and not is_wavenumber_word(word):
        notes["wavenumber from"] = f"{word} in {unit}"
    return to_wavenumber(table.path, axis, unit), notes


def _likely_unit(axis: Any) -> str:
    """What to type for an axis without a unit, the likely one first (common practice)."""
    if axis.min() > 0.3 and axis.max() < _LOWEST:
        return "x_unit='um', which the numbers look like (or cm-1, nm)"
    return "x_unit='nm', which the numbers look like (or cm-1, um)" if _may_be_nm(axis) else (
        "x_unit='cm-1' (or nm, um)")  # fmt: skip


def _may_be_nm(axis: Any) -> bool:
    """Say whether an axis rises through the near infrared in nm and ends there."""
    low, high = _NEAR_INFRARED
    return bool(axis[-1] > axis[0] >= low and high[0] <= axis[-1] <= high[1])


def _doubt_wavenumbers(table: Table, found: _Columns, axis: Any) -> None:
    """Refuse reflectance on such an axis; warn of another quantity."""
    said = f"an axis without a unit that rises from {axis[0]:g} to {axis[-1]:g}"
    if any((quantity_of(word) or ("",))[0] == "reflectance" for word in found.words):
        raise refuse(table.path, f"reflectance over {said}", "wavenumbers in cm-1, or wavelengths",
                     "x_unit='nm', which it looks like, or x_unit='cm-1'")  # fmt: skip
    tell(table.path, f"{said} is taken for cm-1: if it is nm, x_unit='nm'")


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
    table: Table, found: _Columns, options: TableOptions
) -> tuple[Any, str, dict[str, str]]:
    """The numbers as a fraction or absorbance, their quantity, and what was assumed or done."""
    values = found.values
    short = all(quantity_of(word, short=True) for word in found.words)
    known = {said for word in found.words if (said := quantity_of(word, short=short))}
    above = (*found.units, *table.head.said)
    known |= {said for unit in above if (said := quantity_of(unit, short=True))}
    quantities = {quantity for quantity, _ in known}
    quantity, percent, notes = options.quantity, options.percent, {}
    if quantity is None and len(quantities) > 1:
        both = f"columns of {' and '.join(sorted(quantities))}"
        fix = (
            "part the columns into two files; quantity='absorbance' (or another) if these are names"
        )
        raise refuse(table.path, both, "one quantity", fix, 1)
    if quantity is None and known:
        quantity = quantities.pop()
    if percent is None and any(said for _, said in known):
        percent = True
    if quantity is None:
        lowest, highest = extremes(values)
        if percent or (
            highest > 3 and 2 * np.count_nonzero(values > 3) > np.count_nonzero(np.isfinite(values))
        ):
            raise refuse(table.path, "numbers mostly above 3 without a name", "their quantity",
                         "quantity='transmittance' (or another)")  # fmt: skip
        quantity, notes["quantity"] = "absorbance", "assumed absorbance"
        doubt_absorbance(table.path, values, lowest, highest)
    values, notes = scaled(table.path, values, notes, [w for w in found.words if quantity_of(w)],
                           above)  # fmt: skip
    values, scale = as_fraction(table.path, values, quantity, percent)
    return values, quantity, {**notes, **scale}
