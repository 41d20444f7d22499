"""Marker bands with their sources; a user's own bands work alike.

The table is `residuekit/data/markers.toml`; its head says how to read it and how to add to it.
"""

from __future__ import annotations

import html
import tomllib
from collections.abc import Callable, Iterable, Mapping
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
from .marker_fields import MEASURES, order_faults, value_faults
from .schema import LIST_SEPARATOR

if TYPE_CHECKING:
    import pandas as pd

OWN_BAND = "own band"
UNSPECIFIC = "many materials absorb here: never the first choice"


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
    printed : what each source prints: (source, position, assignment); `position`, `low` and `high`
        are proposed here, for the `reason`.
    unspecific : many materials absorb here: never the first choice (`in_deciding_order`).
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
    reason: str = ""
    printed: tuple[tuple[str, str, str], ...] = ()
    unspecific: bool = False

    def __post_init__(self) -> None:
        values = vars(self)
        faults = value_faults(values) or order_faults(values)
        if faults:
            raise MarkerError(faults)
        for name in ("low", "high", "position", "anchors", "range", "sources", "printed"):
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
            ("why there", self.reason), ("printed", _printed_words(self.printed)),
            ("unspecific", UNSPECIFIC * self.unspecific),
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


def densities() -> dict[str, float]:
    """The densities of dry, pure gels in g cm-3, all from memory: a start for `density_g_cm3`.

    >>> densities()["PDMS"]
    0.97
    """
    return {
        one["name"]: float(one["density_g_cm3"])
        for one in _table()["material"]
        if "density_g_cm3" in one
    }


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


def in_deciding_order(use: Iterable[Marker]) -> tuple[Marker, ...]:
    """Return the markers as given, the unspecific ones after all others.

    >>> [one.name for one in in_deciding_order(resolve(["agar water 1645", "agar C-O 1040"]))]
    ['agar C-O 1040', 'agar water 1645']
    """
    return tuple(sorted(use, key=lambda one: one.unspecific))


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
    return frame.assign(
        sources=[LIST_SEPARATOR.join(one.sources) for one in shown],
        printed=[_printed_words(one.printed) for one in shown],
    )


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
    cited = tuple(dict.fromkeys(source for source, *_ in entry.get("printed", ())))
    return Marker(
        **rest, low=low, high=high, range=span, sources=cited,
        material=material["name"], group=material["group"],
    )  # fmt: skip


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
        raise MarkerError([*faults, *value_faults(given)])
    return Marker(**given)


def _suggest(name: str) -> str:
    fix = did_you_mean(name, _listed())
    if fix.startswith("did you mean"):
        return fix
    return "print(residuekit.markers.to_frame()) shows every name"


def _printed_words(printed: Iterable[tuple[str, str, str]]) -> str:
    return LIST_SEPARATOR.join(
        f"{source} {position} ({assignment or 'not assigned'})"
        for source, position, assignment in printed
    )


def _cite(source: Mapping[str, str]) -> str:
    place = source.get("doi") or source.get("address", "")
    thin = f" [{source['thin']}]" if "thin" in source else ""
    return f"{source['citation']}, {place}{thin}"


def _plain(value: Any) -> Any:
    if isinstance(value, (list, tuple)):
        return tuple(_plain(item) for item in value)
    return value if value is None or isinstance(value, str) else float(value)
