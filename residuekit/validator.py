"""The one check of what is given by hand: tables of fields, and the function that applies them.

A field is declared once (`number`, `whole`, `text`, `flag`, `choice`, `listed`, `table`,
`tables`). `check` tries values of TOML, cells of a row and options of a call in one way
and returns all that is wrong; a `Place` says where they stand and how one writes there.
"""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from numbers import Integral, Real
from typing import Any

import numpy as np

from .errors import Fault, ResiduekitError, did_you_mean
from .toml_lines import Path


@dataclass(frozen=True)
class Field:
    """What one value must be.

    Parameters
    ----------
    words : what is needed. example : what to type, as it is typed. fill : what to write in a cell
        that is empty, in words: an example there would be taken for the answer.
    fits : the test of a value. read : makes it of the text of a cell, None where there is none.
    default : stands where nothing is given. needed : something must be given.
    choices : the words that are allowed, where they are few.
    fields : those of a table. each : what every item of a list, or value of a table, must be.
    """

    words: str
    example: str
    fits: Callable[[Any], bool]
    read: Callable[[str], Any] = str
    default: Any = None
    needed: bool = False
    choices: tuple[str, ...] = ()
    fields: Fields | None = None
    each: Field | None = None
    fill: str = ""


Fields = Mapping[str, Field]


def number(
    what: str = "a number", unit: str = "", *, example: str, least: float = -math.inf,
    above: float = -math.inf, most: float = math.inf, below: float = math.inf, **more: Any,
) -> Field:  # fmt: skip
    """A finite number: at least or above, at most or below."""

    def fits(value: Any) -> bool:
        return _is_number(value) and least <= value <= most and above < value < below

    words = " ".join(filter(None, (what, _span(least, above, most, below), unit)))
    return Field(words, example, fits, as_number, **more)


def whole(
    what: str = "a whole number", *, example: str, least: int = 0, most: float = math.inf,
    odd: bool = False, **more: Any,
) -> Field:  # fmt: skip
    def fits(value: Any) -> bool:
        is_whole = isinstance(value, Integral) and _is_number(value)
        return is_whole and least <= value <= most and not (odd and value % 2 == 0)

    return Field(f"{what} {_span(least, -math.inf, most)}", example, fits, _as_whole, **more)


def text(
    words: str = "a text in quotes", example: str = '"..."', least: int = 1, **more: Any
) -> Field:
    """A text of at least so many characters."""
    return Field(words, example, lambda v: isinstance(v, str) and len(v) >= least, **more)


def flag(example: str = "true", **more: Any) -> Field:
    words = "True or False" if example.istitle() else "true or false"
    return Field(words, example, lambda value: isinstance(value, bool | np.bool_), **more)


def choice(choices: Iterable[str], words: str = "", example: str = "", **more: Any) -> Field:
    """One of a few words; in a cell with capitals or without."""
    known = tuple(choices)
    return Field(words or f"one of {', '.join(map(repr, known))}", example or repr(known[0]),
                 lambda value: isinstance(value, str) and value in known, str.casefold,
                 choices=known, **more)  # fmt: skip


def listed(
    each: Field | None = None, words: str = "a list in []", example: str = "[]", least: int = 0,
    **more: Any,
) -> Field:  # fmt: skip
    """A list of at least so many items, each as `each` says."""
    return Field(words, example, lambda value: isinstance(value, list) and len(value) >= least,
                 each=each, **more)  # fmt: skip


def table(fields: Fields | None = None, each: Field | None = None) -> Field:
    """A table of these fields, or of free names with values of one kind, or of anything."""
    return Field("", "", lambda value: isinstance(value, dict), fields=fields, each=each)


def tables(fields: Fields, example: str = "[{ }]", **more: Any) -> Field:
    """An array of tables, each of these fields."""
    return listed(table(fields), "tables, each below its name in [[]]", example, **more)


@dataclass(frozen=True)
class Place:
    """Where values stand, and how one writes and speaks of them there.

    `lines` gives the line by the way to a value; what has no line stands where its table does. In
    `pair` a name and a value stand as they are typed. The other texts speak of a wrong value, a
    needed one that is absent, and an unknown name (empty: further names are let pass). In `cells`
    every value is given as text.
    """

    file: str = ""
    lines: Mapping[Path, int] = field(default_factory=dict)
    path: Path = ()
    pair: str = "{name} = {value}"
    wrong: str = "{pair}"
    absent: str = "no {name}{table}"
    unknown: str = "the unknown key {name!r}{table}"
    known: str = "one of {names}"
    cells: bool = False

    def fault(self, found: str, needed: str, fix: str, *path: str | int) -> Fault:
        """The fault of the value to which a path leads from here."""
        way = (*self.path, *path)
        while way and way not in self.lines:
            way = way[:-1]
        return Fault(found, needed, fix, self.file, self.lines.get(way))

    def inside(self, name: str | int) -> Place:
        return replace(self, path=(*self.path, name))

    def speak(self, template: str, **given: Any) -> str:
        where = " ".join(str(step + 1) if isinstance(step, int) else step for step in self.path)
        return template.format(table=f" in [{where}]" if where else "", **given)


#: The options of a call, and the cells of a row.
CALL = Place(pair="{name}={value}", absent="no {name}", unknown="the option {name!r}")
CELLS = Place(pair="{name} {value}", absent="an empty {name}", unknown="", cells=True)


def check(
    given: Mapping[str, Any], fields: Fields, place: Place, needed: Collection[str] = ()
) -> tuple[dict[str, Any], list[Fault]]:
    """Try values by a table of fields.

    Returns the values that are right, with the defaults of the others, and every fault. `needed`
    names fields that must be given beside those that always must.

    >>> limits = {"alpha": number(above=0, below=0.5, example="0.05"), "use": listed(text())}
    >>> for fault in check({"alpha": 5, "us": ["a"]}, limits, Place("study.toml", {("us",): 8}))[1]:
    ...     print(fault)
    study.toml, line 8: found the unknown key 'us'; needed one of alpha, use;
    to mend it: did you mean 'use'?
    study.toml: found alpha = 5; needed a number between 0 and 0.5; to mend it: alpha = 0.05
    """
    values = {name: one.default for name, one in fields.items() if one.default is not None}
    faults = unknown_faults(given, fields, place)
    for name, one in fields.items():
        if name in given or one.fields is not None:
            value, wrong = _try(name, given.get(name, {}), one, place)
            faults += wrong
            if value is None and one.fields is not None:
                value, _ = check({}, one.fields, place)
            if value is not None:
                values[name] = value
        elif one.needed or name in needed:
            found = place.speak(place.absent, name=name)
            faults.append(place.fault(found, one.words, _fix(name, None, one, place), name))
    return values, faults


def unknown_faults(given: Iterable[str], known: Collection[str], place: Place) -> list[Fault]:
    """Return a fault for each name that is not known, with the nearest that is."""
    needed = place.speak(place.known, names=", ".join(known) or "none")
    return [
        place.fault(place.speak(place.unknown, name=name), needed,
                    did_you_mean(name, known) if known else "leave it out", name)
        for name in given if place.unknown and name not in known
    ]  # fmt: skip


def require(value: Any, name: str, one: Field, error: type[ResiduekitError]) -> Any:
    """Return an argument that fits its field; raise `error` where it does not."""
    _, faults = _try(name, value, one, CALL)
    if faults:
        raise error(faults)
    return value


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


def _as_whole(text: str) -> int | None:
    value = as_number(text)
    return None if value is None or value != int(value) else int(value)


def _try(name: str | int, raw: Any, one: Field, place: Place) -> tuple[Any, list[Fault]]:
    """Return the value (of a table, and of each in a list, what is right in it; else None) and what
    is wrong with it."""
    value = one.read(raw) if place.cells else raw
    if not one.fits(value):
        pair = "{value} in {name}" if isinstance(name, int) else place.pair
        pair = pair.format(name=place.path[-1] if isinstance(name, int) else name, value=repr(raw))
        needed = one.words or f"a table {_head((*place.path, name))}"
        fault = place.fault(
            place.speak(place.wrong, pair=pair), needed, _fix(name, raw, one, place), name
        )
        return None, [fault]
    inside = place.inside(name)
    if one.fields is not None:
        return check(value, one.fields, inside)
    if one.each is None:
        return value, []
    items = value.items() if isinstance(value, dict) else enumerate(value)
    tried = {key: _try(key, item, one.each, inside) for key, item in items}
    faults = [fault for _, wrong in tried.values() for fault in wrong]
    right = {key: item for key, (item, _) in tried.items()}
    if one.each.fields is not None and isinstance(value, list):
        usable = [item for item in right.values() if item is not None]
        return (usable or None) if faults else usable, faults
    return None if faults else right if isinstance(value, dict) else list(right.values()), faults


def _fix(name: str | int, raw: Any, one: Field, place: Place) -> str:
    """What to type in place of a wrong or an absent value."""
    if one.choices and raw is not None:
        return did_you_mean(str(raw), one.choices)
    if not one.words:
        return f"{_head((*place.path, name))} on a line of its own"
    if isinstance(raw, dict) and one.each is not None and one.each.fields is not None:
        return f"{_head((*place.path, name, 0))} in place of {_head((*place.path, name))}"
    if isinstance(name, int):
        return place.pair.format(name=place.path[-1], value=f"[{one.example}]")
    if place.cells and raw is None and one.fill:
        return f"{name}: {one.fill}"
    if place.cells and one.read in (as_number, _as_whole):
        return f"the number alone in {name}, such as {one.example}, without a unit"
    return place.pair.format(name=name, value=one.example)


def _head(path: Path) -> str:
    names = [name for name in path if isinstance(name, str)]
    dotted = ".".join(n if re.fullmatch("[A-Za-z0-9_-]+", n) else f'"{n}"' for n in names)
    return f"[[{dotted}]]" if isinstance(path[-1], int) else f"[{dotted}]"


def _is_number(value: Any) -> bool:
    real = isinstance(value, Real) and not isinstance(value, bool | np.bool_)
    return real and abs(value) <= sys.float_info.max


def _span(least: float, above: float, most: float = math.inf, below: float = math.inf) -> str:
    """A range in words.

    >>> _span(0, -math.inf, below=1), _span(-math.inf, 0), _span(85, -math.inf, 260)
    ('from 0 to below 1', 'above 0', 'from 85 to 260')
    """
    if math.isfinite(above) and math.isfinite(below):
        return f"between {above:g} and {below:g}"
    parts = (("from", least), ("above", above), ("to", most), ("to below", below))
    return " ".join(f"{word} {value:g}" for word, value in parts if math.isfinite(value))


#: A rate of false or of missed detections, as low or as high as anybody decides by.
RATE = number(least=0.001, most=0.2, example="0.05", default=0.05)
