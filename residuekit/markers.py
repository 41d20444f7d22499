"""Marker bands with their sources; a user's own bands work alike.

The table is `residuekit/data/markers.toml`; its head says how to read it and how to add to it.
"""

from __future__ import annotations

import html
import math
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .errors import Fault, MarkerError, did_you_mean
from .kernels.bands import (
    Anchors,
    area_weights,
    height_weights,
    moment_weights,
    parabola_weights,
    window_anchors,
)
from .reprs import begins_as_formula
from .schema import LIST_SEPARATOR

if TYPE_CHECKING:
    import pandas as pd

GROUPS = ("gel", "load", "paint", "soiling")
MEASURES = {"area": "A cm-1", "height": "A", "second derivative": "A"}
#: Measures that are no linear functional of the spectrum, and what gives them.
_QUOTIENTS = {
    "centroid": "residuekit.band_centroid(array, markers)",
    "ratio": "residuekit.band_ratio(array, markers, standard)",
}
OWN_BAND = "own band"


@dataclass(frozen=True)
class Marker:
    """A band and how it is measured over [low, high].

    Parameters
    ----------
    name : material, assignment and position, as ``"pva C-O 1092"``.
    low, high : integration limits, cm-1.
    measure : ``"area"``, or ``"height"`` at `position`, both over a local straight line; or
        ``"second derivative"``, the height of a parabola fitted to the window above its own chord
        (common practice: a window no wider than the band), which no slow background enters. All
        three are linear in the spectrum, as a verdict needs; centroid and ratio are not.
    position : the band's place inside the window, cm-1; a height needs it.
    anchors : two intervals, cm-1, whose means carry the line; left out, the three channels nearest
        each end of the window. A second derivative has none.
    range : lowest and highest position that the sources and memory give, cm-1.
    material, group, assignment, strength, provenance, sources, note, caution : what is known of
        it, and whence; `caution` says where it is expected to be blind (from memory).

    Raises
    ------
    MarkerError : every value that does not fit.

    >>> band = Marker("own band", 1050, 1140)
    >>> band.measure, band.unit
    ('area', 'A cm-1')
    """

    name: str
    low: float
    high: float
    measure: str = "area"
    position: float | None = None
    anchors: Anchors | None = None
    range: tuple[float, float] | None = None
    material: str = ""
    group: str = ""
    assignment: str = ""
    strength: str = ""
    provenance: str = OWN_BAND
    sources: tuple[str, ...] = ()
    note: str = ""
    caution: str = ""

    def __post_init__(self) -> None:
        values = vars(self)
        faults = _value_faults(values) or _order_faults(values)
        if faults:
            raise MarkerError(faults)
        for name in ("low", "high", "position", "anchors", "range", "sources"):
            object.__setattr__(self, name, _plain(values[name]))

    @property
    def unit(self) -> str:
        """The unit of the score: ``"A cm-1"`` of an area, ``"A"`` of both heights."""
        return MEASURES[self.measure]

    def _rows(self) -> list[tuple[str, str]]:
        window = f"{self.measure}, {self.low:g} to {self.high:g} cm-1"
        place = "" if self.position is None else f"{self.position:g} cm-1"
        if self.range is not None and self.range[0] < self.range[1]:
            place += f" (given as {self.range[0]:g} to {self.range[1]:g})"
        line = (
            "" if self.anchors is None else " and ".join(f"{a:g} to {b:g}" for a, b in self.anchors)
        )
        known = sources()
        cited = LIST_SEPARATOR.join(
            _cite(known[key]) if key in known else key for key in self.sources
        )
        rows = [
            ("measured as", window), ("local line over", line), ("position", place),
            ("material", self.material), ("group", self.group), ("assignment", self.assignment),
            ("strength", self.strength), ("provenance", self.provenance), ("sources", cited),
            ("note", self.note), ("caution (from memory)", self.caution),
        ]  # fmt: skip
        return [(label, text) for label, text in rows if text]

    def __str__(self) -> str:
        return "\n".join([self.name, *(f"  {label}: {text}" for label, text in self._rows())])

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th>{html.escape(label)}</th><td>{html.escape(text)}</td></tr>"
            for label, text in self._rows()
        )
        return f"<table><caption>{html.escape(self.name)}</caption>{rows}</table>"


def markers() -> dict[str, Marker]:
    """Return the table of markers: name -> `Marker`, in the order of its file.

    >>> markers()["pva C-O 1092"].material
    'poly(vinyl alcohol), fully hydrolysed'
    """
    return dict(_listed())


def sources() -> dict[str, dict[str, str]]:
    """Return the sources: key -> citation, doi or address, what was read, why it is thin.

    >>> all("citation" in source for source in sources().values())
    True
    """
    return {key: dict(entry) for key, entry in _table()["sources"].items()}


def marker(name: str) -> Marker:
    """Return the marker of that name.

    Raises
    ------
    MarkerError : no marker has that name.
    """
    return resolve([name])[0]


def resolve(use: Iterable[Any]) -> tuple[Marker, ...]:
    """Return the markers that are asked for, in the order given.

    Parameters
    ----------
    use : names of the table, `Marker` objects, or tables with the fields of `Marker`, of which
        name, low and high are needed. One alone need not stand in a list.

    Raises
    ------
    MarkerError : everything that is wrong with any of them: unknown names and fields, values that
        do not fit, a name given twice or taken from the table for another band.

    >>> [one.unit for one in resolve(["pva C-O 1092", {"name": "own", "low": 900, "high": 950}])]
    ['A cm-1', 'A cm-1']
    """
    asked = [use] if isinstance(use, (str, Mapping, Marker)) else list(use)
    found: list[Marker] = []
    faults: list[Fault] = []
    for entry in asked:
        try:
            found.append(_resolve_one(entry))
        except MarkerError as error:
            faults.extend(error.faults)
    names = [one.name for one in found]
    faults += [
        Fault(f"the marker {name!r} {names.count(name)} times", "each name once",
              "leave out the repeats, or give an own band another name")
        for name in dict.fromkeys(names) if names.count(name) > 1
    ]  # fmt: skip
    if faults:
        raise MarkerError(faults)
    return tuple(found)


def marker_weights(use: Iterable[Marker], wavenumber: ArrayLike) -> NDArray[np.float64]:
    """Return the weights (k, n) of scores: score = weights @ spectrum.

    Parameters
    ----------
    use : k `Marker`s.
    wavenumber : (n,) ascending axis, cm-1.

    Raises
    ------
    MarkerError : every marker whose window leaves the axis or whose line finds no channels.

    >>> marker_weights([marker("pva C-O 1092")], np.arange(1000.0, 1200.0)).shape
    (1, 200)
    """
    return _rows_of(_weights, use, wavenumber)


def area_and_moment(
    use: Iterable[Marker], wavenumber: ArrayLike
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the weights (k, n) of the areas and of the first moments about the windows' middles.

    Whatever the markers' own measure is; errors as in `marker_weights`.
    """
    chosen = tuple(use)
    areas = _rows_of(lambda m, axis: area_weights(axis, m.low, m.high, m.anchors),
                     chosen, wavenumber)  # fmt: skip
    moments = _rows_of(lambda m, axis: moment_weights(axis, m.low, m.high, m.anchors),
                       chosen, wavenumber)  # fmt: skip
    return areas, moments


def _rows_of(
    weigh: Callable[[Marker, NDArray[np.float64]], NDArray[np.float64]],
    use: Iterable[Marker],
    wavenumber: ArrayLike,
) -> NDArray[np.float64]:
    axis = np.asarray(wavenumber, dtype=np.float64)
    rows: list[NDArray[np.float64]] = []
    faults: list[Fault] = []
    for one in use:
        try:
            rows.append(weigh(one, axis))
        except ValueError as error:
            faults.append(
                Fault(f"the marker {one.name!r} cannot be measured: {error}",
                      "a window and anchors with channels in the measured range",
                      "crop less, leave this marker out, or give an own band that fits")
            )  # fmt: skip
    if faults:
        raise MarkerError(faults)
    return np.stack(rows) if rows else np.empty((0, axis.size))


def to_frame(use: Iterable[Any] | None = None) -> pd.DataFrame:
    """Return a table of markers, a row each, with the fields of `Marker`.

    Parameters
    ----------
    use : as in `resolve`; the whole table when left out.

    Raises
    ------
    MarkerError : as `resolve`.

    >>> to_frame(["pva C-O 1092"])["name"].tolist()
    ['pva C-O 1092']
    """
    import pandas as pd

    shown = tuple(_listed().values()) if use is None else resolve(use)
    columns = [field.name for field in fields(Marker)]
    frame = pd.DataFrame([vars(one) for one in shown], columns=columns)
    return frame.assign(sources=[LIST_SEPARATOR.join(one.sources) for one in shown])


def _weights(one: Marker, axis: NDArray[np.float64]) -> NDArray[np.float64]:
    if one.measure == "second derivative":
        return parabola_weights(axis, one.low, one.high)
    anchors = one.anchors or window_anchors(axis, one.low, one.high)
    if one.measure == "height" and one.position is not None:
        return height_weights(axis, one.position, anchors)
    return area_weights(axis, one.low, one.high, anchors)


@cache
def _table() -> dict[str, Any]:
    text = files("residuekit").joinpath("data", "markers.toml").read_text(encoding="utf-8")
    return tomllib.loads(text)


@cache
def _listed() -> dict[str, Marker]:
    listed = [
        _from_file(entry, material)
        for material in _table()["material"]
        for entry in material["marker"]
    ]
    return {one.name: one for one in listed}


def _from_file(entry: Mapping[str, Any], material: Mapping[str, Any]) -> Marker:
    rest = {key: value for key, value in entry.items() if key != "window"}
    low, high = entry["window"]
    span = rest.pop("range", (entry["position"], entry["position"]))
    return Marker(
        **rest, low=low, high=high, range=span, material=material["name"], group=material["group"]
    )


def _resolve_one(entry: Any) -> Marker:
    if isinstance(entry, str):
        if entry not in _listed():
            raise MarkerError(
                Fault(f"the marker {entry!r}", "a marker of the table, or an own band as a table",
                      _suggest(entry))
            )  # fmt: skip
        return _listed()[entry]
    if not isinstance(entry, (Marker, Mapping)):
        raise MarkerError(
            Fault(f"{entry!r} for a marker", "a name, a Marker, or a table",
                  '"pva C-O 1092", or {name = "...", low = 1050, high = 1140}')
        )  # fmt: skip
    own = entry if isinstance(entry, Marker) else _from_table(entry)
    if own.name in _listed() and own != _listed()[own.name]:
        raise MarkerError(
            Fault(f"an own band named {own.name!r}", "a name the table of markers does not use",
                  f"another name, or {own.name!r} alone for the table's band")
        )  # fmt: skip
    return own


def _from_table(entry: Mapping[str, Any]) -> Marker:
    known = [field.name for field in fields(Marker)]
    label = f"the own band {entry.get('name', dict(entry))!r}"
    faults = [
        Fault(f"{label} with the key {key!r}", "a key of a marker", did_you_mean(key, known))
        for key in entry if key not in known
    ]  # fmt: skip
    faults += [
        Fault(f"{label} without {key!r}", "name, low and high", f"{key} = ...")
        for key in known[:3] if key not in entry
    ]  # fmt: skip
    given = {key: value for key, value in entry.items() if key in known}
    if faults:
        raise MarkerError([*faults, *_value_faults(given)])
    return Marker(**given)


def _suggest(name: str) -> str:
    fix = did_you_mean(name, _listed())
    if fix.startswith("did you mean"):
        return fix
    return "print(residuekit.markers.to_frame()) shows every name"


def _cite(source: Mapping[str, str]) -> str:
    place = source.get("doi") or source.get("address", "")
    thin = f" [{source['thin']}]" if "thin" in source else ""
    return f"{source['citation']}, {place}{thin}"


def _plain(value: Any) -> Any:
    if isinstance(value, (list, tuple)):
        return tuple(_plain(item) for item in value)
    return value if value is None or isinstance(value, str) else float(value)


def _value_faults(values: Mapping[str, Any]) -> list[Fault]:
    label = f"the marker {values.get('name', '')!r}"
    return [
        _quotient_fault(label, value)
        if key == "measure" and value in tuple(_QUOTIENTS)
        else Fault(f"{label} with {key} = {value!r}", needed, f"{key} = {example}")
        for key, value in values.items()
        for fits, needed, example in [_NEEDS.get(key, _TEXT)]
        if not fits(value)
    ]


def _quotient_fault(label: str, measure: str) -> Fault:
    return Fault(
        f"{label} with measure = {measure!r}, which is no linear functional of the spectrum",
        f"{_LINEAR}: a verdict rests on a linear score, whose mean over a mock-up is the score of "
        "the mean spectrum",
        f"{_QUOTIENTS[measure]} gives it for arrays, beside the verdict",
    )


def _order_faults(values: Mapping[str, Any]) -> list[Fault]:
    low, high, position, anchors = (values[k] for k in ("low", "high", "position", "anchors"))
    rules = [
        (low < high, f"the window {low} to {high}", "low below high", "exchange low and high"),
        (position is None or low <= position <= high or low >= high,
         f"the position {position} outside the window {low} to {high}",
         "a position inside the window", "another position, or a wider window"),
        (values["measure"] != "height" or position is not None, "a height without a position",
         "the wavenumber at which the height is read", "position = ..."),
        (values["measure"] != "second derivative" or anchors is None,
         f"a second derivative with the anchors {anchors}", "no anchors: it stands on no line",
         "leave out anchors, or measure = 'height'"),
        (anchors is None or anchors[0][1] < anchors[1][0], f"the anchors {anchors}",
         "the first interval below the second", "anchors = [[1040, 1050], [1140, 1150]]"),
    ]  # fmt: skip
    return [
        Fault(f"the marker {values['name']!r} with {found}", needed, fix)
        for holds, found, needed, fix in rules if not holds
    ]  # fmt: skip


def _is_number(value: Any) -> bool:
    real = isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool)
    return real and math.isfinite(value)


def _is_interval(value: Any) -> bool:
    pair = _is_pair(value) and all(map(_is_number, value))
    return pair and value[0] <= value[1]


def _is_pair(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str) and len(value) == 2


_LINEAR = " or ".join(map(repr, MEASURES))
_TEXT = (lambda value: isinstance(value, str), "text", '"..."')
_NEEDS: dict[str, tuple[Any, str, str]] = {
    "name": (
        lambda value: isinstance(value, str) and value.isprintable() and bool(value.strip())
        and ";" not in value and not begins_as_formula(value),
        "a name in one line, without a semicolon, that does not begin with = + - or @",
        '"pva C-O 1092"',
    ),
    "low": (_is_number, "a number, cm-1", "1050"),
    "high": (_is_number, "a number, cm-1", "1140"),
    "measure": (lambda value: value in tuple(MEASURES), _LINEAR, '"area"'),
    "group": (lambda value: value in ("", *GROUPS), " or ".join(map(repr, GROUPS)), '"gel"'),
    "position": (lambda value: value is None or _is_number(value), "a number, cm-1", "1092"),
    "anchors": (
        lambda value: value is None or (_is_pair(value) and all(map(_is_interval, value))),
        "two intervals [low, high], cm-1", "[[1040, 1050], [1140, 1150]]",
    ),
    "range": (
        lambda value: value is None or _is_interval(value), "[low, high], cm-1", "[1080, 1095]",
    ),
    "sources": (
        lambda value: isinstance(value, (list, tuple)) and all(isinstance(v, str) for v in value),
        "a list of texts", '["..."]',
    ),
}  # fmt: skip
