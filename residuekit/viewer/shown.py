"""What a page shows: checked, scored, its spectra averaged; numbers only, no plotting."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..calibration import Limit
from ..decision.score_maps import Marks, band_score
from ..errors import ContractError, Fault, MarkerError, did_you_mean
from ..markers import Marker, marker_weights, resolve
from ..markers import markers as known_markers
from ..reprs import sentence_case
from ..spectra.arrays import mean_spectrum, same_axis
from ..words.common import counted, number, unit_words
from ..words.differences import difference_layer
from . import bins
from .bins import Counts, Floats
from .photo import Photo

if TYPE_CHECKING:
    from ..spectra.quality import Quality

VALID, KEPT, LEFT_OUT = 0, 1, 2
MEAN_LAYER = "mean over all wavenumbers"
#: How a run names the score of a band.
_BAND = "band: "
_POSITIONS = {"um": "µm", "pixel": "pixel"}
#: The pure gel is drawn this high, as a share of the span of the spectrum it stands beside.
_GEL_SHARE = 0.5
#: The colours of a score reach this many times the way from its lowest pixel to its limit.
_LIMIT_SPAN = 2.5


@dataclass(frozen=True, eq=False)
class Layer:
    """One score of every pixel, to be chosen as the map.

    `pixels` is (n_y, n_x), or (1, n) for points, NaN where a spectrum is left out; `limit` the
    pixel limit (NaN without one); `window` the band's place on the axis; `scale` the ends of the
    colours; `diverging` where they are those of differences around zero.
    """

    name: str
    unit: str
    pixels: Floats
    limit: float
    window: tuple[float, float] | None
    scale: tuple[float, float]
    diverging: bool = False

    @property
    def fade_limit(self) -> float:
        """What is not above this is faded; minus infinity without a limit."""
        return -np.inf if np.isnan(self.limit) else self.limit

    @property
    def words(self) -> str:
        """How many pixels stand above the pixel limit."""
        seen = self.pixels[np.isfinite(self.pixels)]
        if np.isnan(self.limit):
            return "No pixel limit was given for this score."
        above = int((seen > self.limit).sum())
        limit = f"{number(self.limit)} {unit_words(self.unit)}".strip()
        if self.diverging:
            return difference_layer(above, int((seen < -self.limit).sum()), seen.size, limit)
        return (
            f"Above the pixel limit {limit}: {above} of {seen.size} valid spectra; "
            "the others are paler."
        )


@dataclass(frozen=True, eq=False)
class Shown:
    """Everything that a page or a picture draws.

    Scores and states are those of every pixel, (n_y, n_x) from the lowest row; points are one row.
    `spectra` are means over squares of `space` x `space` pixels, in the order of their rows, and
    `weight` counts the valid spectra behind each. `state` is `VALID`, `KEPT` (flagged but used) or
    `LEFT_OUT`, and `said` the place of a pixel's state in `state_words`. `x`, `y` are the edges of
    the pixels, for a map alone, `names` those of points. `references` are lines (name, spectrum)
    that always stand beside the spectrum.
    """

    title: str
    quantity: str
    wavenumber: Floats
    spectra: npt.NDArray[np.float32]
    weight: Counts
    space: int
    state: Counts
    said: Counts
    state_words: tuple[str, ...]
    layers: tuple[Layer, ...]
    windows: tuple[tuple[str, float, float], ...]
    references: Mapping[str, tuple[str, Floats]]
    notes: tuple[str, ...]
    names: tuple[str, ...] = ()
    x: Floats | None = None
    y: Floats | None = None
    position_unit: str = ""
    photo: Photo | None = None

    @property
    def is_map(self) -> bool:
        """Whether the pixels have places."""
        return self.x is not None

    def mean(self) -> Floats:
        """The mean spectrum of all valid pixels; of all that can be read where none is valid."""
        return _mean(self.spectra, self.weight)


def colour_scale(scores: Iterable[Floats], limits: Iterable[float]) -> tuple[float, float]:
    """The ends of the colours for one score, over one map or several.

    From the 1st to the 99th percentile of what is known; a known limit lies inside the lower half,
    so that the noise below it does not take up all colours.
    """
    known = np.concatenate([one[np.isfinite(one)] for one in scores])
    low, high = map(float, np.quantile(known, (0.01, 0.99))) if known.size else (0.0, 1.0)
    high = max(high, *(low + _LIMIT_SPAN * (one - low) for one in limits if np.isfinite(one)), low)
    return (low, high) if high > low else (low, low + 1.0)


def gather(
    array: xr.DataArray,
    blanks: xr.DataArray | Iterable[xr.DataArray] | None,
    gel: xr.DataArray | Mapping[str, xr.DataArray] | None,
    markers: Marks | None,
    scores: xr.Dataset | None,
    limit: Mapping[str, float | Limit] | float | Limit | None,
    quality: Quality | None,
    title: str | None,
    scale: Mapping[str, tuple[float, float]] | None = None,
    photo: Photo | None = None,
    most_mb: float = bins.PAGE_MB,
    blank_words: str | None = None,
    diverging: Collection[str] = (),
) -> Shown:
    """Check what is given and make it ready to be drawn.

    The arguments are those of `view`; `blank_words` say what the blanks are, their number and that
    of their spectra when left out; `diverging` names the scores that are differences around zero.
    """
    array = _with_quality(schema.check(array), quality)
    if array.chunks is not None:
        array = array.chunk({schema.WAVENUMBER: -1})
    valid = _rows(array["valid"]) & _rows(_finite(array))
    axis = array[schema.WAVENUMBER].values
    chosen = _bands_on(axis) if markers is None else resolve(markers)
    raw = [*_given(scores, array, chosen), *_scored(array, chosen, scores)]
    raw.append((MEAN_LAYER, "", _mean_of_each(array), None))
    limits = _limits(limit, scores, [(name, unit) for name, unit, _, _ in raw])
    room = most_mb * 1e6 - (len(photo.url) if photo else 0)
    size = bins.choose_bins(array, len(raw), room, most_mb)
    layers = []
    for name, unit, values, window in raw:
        pixels, own = np.where(valid, values, np.nan), limits.get(name, np.nan)
        ends = (scale or {}).get(name) or colour_scale([pixels], [own])
        apart = name in diverging
        layers.append(Layer(quiet(name), quiet(unit), pixels, own, window, ends, apart))
    binned = bins.bin_spectra(array, valid, size).astype(np.float32)
    spectra = binned.reshape(-1, binned.shape[-1])
    weight = bins.bin_pixels(valid.astype(np.int64), size.space).ravel()
    flags = _rows(array["flag"]).astype(np.int64)
    state = np.where(~valid, LEFT_OUT, np.where(flags > 0, KEPT, VALID))
    kinds, said = np.unique(flags * 2 + valid, return_inverse=True)
    mean = _mean(spectra, weight)
    lines, notes = _references(axis, size.channels, mean, blanks, gel, blank_words)
    return Shown(
        title=quiet(title or str(schema.source(array).get("file", "")) or f"{array.name} spectra"),
        quantity=str(array.name).replace("_", " "),
        wavenumber=bins.bin_axis(axis, size.channels),
        spectra=spectra,
        weight=weight,
        space=size.space,
        state=state,
        said=said.reshape(valid.shape),
        state_words=tuple(_state_words(int(kind)) for kind in kinds),
        layers=tuple(layers),
        windows=() if markers is None else tuple((quiet(m.name), m.low, m.high) for m in chosen),
        references=lines,
        notes=(_size_words(array, size, most_mb), _counts(state), *notes),
        photo=photo,
        **_places(array),
    )


def _mean(spectra: npt.NDArray[np.float32], weight: Counts) -> Floats:
    used = weight > 0 if weight.any() else np.isfinite(spectra).all(axis=-1)
    if not used.any():
        return np.full(spectra.shape[-1], np.nan)
    means: Floats = np.average(spectra[used].astype(np.float64), axis=0,
                               weights=np.maximum(weight[used], 1))  # fmt: skip
    return means


def quiet(text: object) -> str:
    """A text from outside on one line, which no library takes for a formula.

    >>> quiet("a\\tb"), quiet("$$x$$").replace("\u200b", "_")
    ('a b', '$_$x$_$')
    """
    joined = " ".join(str(text).split())
    shown = "".join("\N{WHITE SQUARE}" if unicodedata.category(c) in ("Cc", "Cs") else c
                    for c in joined)  # fmt: skip
    return re.sub(r"\$(?=\$)|\\(?=[(\[])", "\\g<0>\u200b", shown)


def _rows(values: xr.DataArray) -> npt.NDArray[Any]:
    """The values with two dims for pixels; points are one row."""
    return values.values[None] if values.dims[0] == "spectrum" else values.values


def _with_quality(array: xr.DataArray, quality: Quality | None) -> xr.DataArray:
    if quality is None:
        return array
    state = {name: quality.array[name] for name in ("valid", "flag")}
    if state["valid"].shape != array.shape[:-1]:
        raise ContractError(
            Fault(f"the quality of {state['valid'].shape} pixels for {array.shape[:-1]}",
                  "the quality of the same map", "residuekit.check_quality(the map as measured)")
        )  # fmt: skip
    dims = schema.pixel_dims(array)
    return array.assign_coords({name: (dims, one.values) for name, one in state.items()})


def _finite(array: xr.DataArray) -> xr.DataArray:
    finite: xr.DataArray = xr.apply_ufunc(
        lambda block: np.isfinite(block).all(axis=-1), array.drop_vars(["valid", "flag"]),
        input_core_dims=[[schema.WAVENUMBER]], dask="parallelized", output_dtypes=[bool],
    )  # fmt: skip
    return finite


def _bands_on(axis: Floats) -> tuple[Marker, ...]:
    """The gel bands of the table whose windows lie on the axis."""
    found = []
    for one in known_markers().values():
        if one.group == "gel":
            try:
                marker_weights([one], axis)
            except MarkerError:
                continue
            found.append(one)
    return tuple(found)


_Raw = tuple[str, str, Floats, tuple[float, float] | None]


def _given(scores: xr.Dataset | None, array: xr.DataArray, chosen: Iterable[Marker]) -> list[_Raw]:
    """The scores that were given, each with the window of its band where it is known."""
    if scores is None:
        return []
    order = ("marker", *schema.pixel_dims(array))
    wanted = array.shape[:-1]
    if "score" not in scores or set(scores["score"].dims) != set(order):
        raise ContractError(
            Fault("scores without a `score` over marker and pixels", f"dims {order}",
                  "residuekit.band_score or net_signal_score of this very array")
        )  # fmt: skip
    values = scores["score"].transpose(*order)
    if values.shape[1:] != wanted:
        raise ContractError(
            Fault(f"scores of {values.shape[1:]} pixels for {wanted}", "scores of the same map",
                  "residuekit.band_score or net_signal_score of this very array")
        )  # fmt: skip
    windows = {one.name: (one.low, one.high) for one in (*known_markers().values(), *chosen)}
    return [
        (str(name), str(unit), _rows(values[k]).astype(np.float64),
         windows.get(str(name).rpartition(_BAND)[2]))
        for k, (name, unit) in enumerate(zip(scores["marker"].values, _units(scores), strict=True))
    ]  # fmt: skip


def _units(scores: xr.Dataset) -> Iterable[Any]:
    if "unit" in scores.coords:
        return list(scores["unit"].values)
    return [""] * scores.sizes["marker"]


def _scored(
    array: xr.DataArray, chosen: tuple[Marker, ...], scores: xr.Dataset | None
) -> list[_Raw]:
    """The band scores that were not given already."""
    given: set[str] = set()
    if scores is not None:
        given = {str(name).rpartition(_BAND)[2] for name in scores["marker"].values}
    absent = [one for one in chosen if one.name not in given]
    if not absent:
        return []
    found = band_score(array, absent)["score"]
    return [
        (one.name, one.unit, _rows(found[k]).astype(np.float64), (one.low, one.high))
        for k, one in enumerate(absent)
    ]


def _mean_of_each(array: xr.DataArray) -> Floats:
    means = array.mean(schema.WAVENUMBER, dtype=np.float64, skipna=False)
    return _rows(means).astype(np.float64)


def _limits(
    limit: Mapping[str, float | Limit] | float | Limit | None,
    scores: xr.Dataset | None,
    layers: list[tuple[str, str]],
) -> dict[str, float]:
    """Score -> its pixel limit: those that came with the scores, and those that were given."""
    found: dict[str, float] = {}
    if scores is not None and "pixel_limit" in scores.coords:
        pairs = zip(scores["marker"].values, scores["pixel_limit"].values, strict=True)
        found = {str(name): float(value) for name, value in pairs}
    if limit is None:
        return found
    if not isinstance(limit, Mapping):
        limit = {_only(layers): limit}
    units = dict(layers)
    faults = []
    for name, one in limit.items():
        if name not in units:
            faults.append(Fault(f"a limit for {name!r}", "the name of a score that is shown",
                                did_you_mean(name, units)))  # fmt: skip
        elif isinstance(one, Limit) and (one.level != "pixel" or one.unit != units[name]):
            faults.append(
                Fault(f"a {one.level} limit in {one.unit!r} for {name!r}",
                      f"a pixel limit in {units[name]!r}: limits of other levels are other numbers",
                      "residuekit.calibration.from_blanks(..., level='pixel') of this score")
            )  # fmt: skip
        else:
            found[name] = float(one.decision_limit if isinstance(one, Limit) else one)
    if faults:
        raise ContractError(faults)
    return found


def _only(layers: list[tuple[str, str]]) -> str:
    """The score that a limit without a name is for."""
    names = [name for name, _ in layers if name != MEAN_LAYER]
    if len(names) != 1:
        raise ContractError(
            Fault(f"a limit without a name and {counted(len(names), 'score')}",
                  "the name of its score", "limit={'net signal': 0.03}")
        )  # fmt: skip
    return names[0]


def _state_words(kind: int) -> str:
    """The state of a pixel whose flag, doubled, and validity make `kind`."""
    said, valid = schema.flag_words(kind // 2), kind % 2
    state = "left out" if not valid else "kept" if said else "valid"
    return f"{state}: {said}" if said else state


def _places(array: xr.DataArray) -> dict[str, Any]:
    if array.dims == schema.POINT_DIMS:
        names = array["spectrum"].values if "spectrum" in array.coords else range(array.shape[0])
        return {"names": tuple(quiet(name) for name in names)}
    sides = {name: bins.edges(array[name].values.astype(np.float64)) for name in ("x", "y")}
    return {**sides, "position_unit": _POSITIONS[array["x"].attrs["units"]]}


def _size_words(array: xr.DataArray, size: bins.Bins, most_mb: float) -> str:
    if array.dims == schema.POINT_DIMS:
        words = f"{array.shape[0]} point {'spectrum' if array.shape[0] == 1 else 'spectra'}"
    else:
        words = f"{array.shape[1]} x {array.shape[0]} pixels"
    averaged = []
    if size.space > 1:
        averaged.append(f"{size.space} x {size.space} pixels")
    if size.channels > 1:
        averaged.append(f"{size.channels} neighbouring channels")
    if not averaged:
        return f"{words}, each with its score and its spectrum."
    return (
        f"{words}, each with its score. Spectra are averaged, so that the page stays below "
        f"{number(most_mb)} MB: each is the mean of {' and '.join(averaged)}."
    )


def _counts(state: Counts) -> str:
    left_out, kept = (int((state == one).sum()) for one in (LEFT_OUT, KEPT))
    words = f"{left_out} of {state.size} spectra left out."
    return f"{words} Dots ({kept}): flagged, but used." if kept else words


def _references(
    axis: Floats,
    step: int,
    mean: Floats,
    blanks: xr.DataArray | Iterable[xr.DataArray] | None,
    gel: xr.DataArray | Mapping[str, xr.DataArray] | None,
    blank_words: str | None,
) -> tuple[dict[str, tuple[str, Floats]], list[str]]:
    """The blank mean and the pure gel, binned and scaled; and what is to be said of them."""
    lines: dict[str, tuple[str, Floats]] = {}
    notes = []
    beside = mean
    if blanks is not None:
        given = [blanks] if isinstance(blanks, xr.DataArray) else list(blanks)
        if not given:
            raise ContractError(Fault("no blanks", "at least one labelled array", "blanks=[...]"))
        for one in given:
            same_axis(axis, schema.check(one)[schema.WAVENUMBER].values)
        means = [mean_spectrum(one) for one in given]
        beside = bins.bin_axis(np.mean(means, axis=0), step)
        n_spectra = sum(int(schema.check(one)["valid"].sum()) for one in given)
        lines["blank"] = ("blank mean", beside)
        counts = f"{counted(len(given), 'blank')} ({n_spectra} valid spectra)"
        notes.append(f"Blank mean: {blank_words or counts}, each blank counting alike.")
    gels = {} if gel is None else gel if isinstance(gel, Mapping) else {"": gel}
    for name, one in gels.items():
        same_axis(axis, schema.check(one)[schema.WAVENUMBER].values)
        pure = bins.bin_axis(mean_spectrum(one), step)
        span = float(np.ptp(pure))
        factor = (
            _GEL_SHARE * float(np.ptp(beside)) / span
            if span > 0 and np.isfinite(beside).all()
            else 1.0
        )
        words = quiet(f"pure {name or 'gel'}")
        lines[f"gel {name}".strip()] = (f"{words} × {number(factor, 2)}", pure * factor)
        notes.append(f"{sentence_case(words)}: scaled by {number(factor, 2)} to be seen beside "
                     "the paint.")  # fmt: skip
    return lines, notes
