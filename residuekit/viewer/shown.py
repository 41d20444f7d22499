"""What a page shows: checked, scored, binned, and said in words; numbers only, no plotting."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
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
from ..spectra.arrays import mean_spectrum, same_axis
from ..words.common import counted, number, unit_words
from . import bins
from .bins import Counts, Floats

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
    """One number a pixel, to be chosen as the map.

    `values` (n_shown,) are means over bins; `pixels` keeps every pixel, (n_y, n_x) or (1, n), for
    the outline of the pixel `limit` (NaN without one); `window` is the band's place on the axis.
    """

    name: str
    unit: str
    values: Floats
    pixels: Floats
    limit: float
    window: tuple[float, float] | None

    @property
    def scale(self) -> tuple[float, float]:
        """From the 1st to the 99th percentile of the shown values; a known limit lies inside the
        lower half, so that the noise below it does not take up all colours."""
        known = self.values[np.isfinite(self.values)]
        low, high = np.quantile(known, (0.01, 0.99)) if known.size else (0.0, 1.0)
        if np.isfinite(self.limit):
            high = max(high, low + _LIMIT_SPAN * (self.limit - low))
        return (float(low), float(high)) if high > low else (float(low), float(low) + 1.0)

    @property
    def fade_limit(self) -> float:
        """What is not above this is faded; minus infinity without a limit, and where a shown pixel
        stands for several, which have limits of their own."""
        binned = self.values.size < self.pixels.size
        return -np.inf if binned or np.isnan(self.limit) else self.limit

    @property
    def words(self) -> str:
        """How many pixels stand above the pixel limit."""
        seen = self.pixels[np.isfinite(self.pixels)]
        if np.isnan(self.limit):
            return "No pixel limit was given for this score."
        above = int((seen > self.limit).sum())
        limit = f"{number(self.limit)} {unit_words(self.unit)}".strip()
        rest = "; the others are paler" if np.isfinite(self.fade_limit) else ""
        return f"Above the pixel limit {limit}: {above} of {seen.size} valid spectra{rest}."


@dataclass(frozen=True, eq=False)
class Shown:
    """Everything that a page or a picture draws.

    A map has n_y x n_x shown pixels in the order of its rows, from the lowest; points are one row.
    `weight` counts the valid spectra behind each, `state` is `VALID`, `KEPT` (flagged but used) or
    `LEFT_OUT`; `x`, `y` are the edges of the shown pixels and `centres` (x, y) those of all, for a
    map alone. `references` are lines (name, spectrum) that always stand beside the spectrum.
    """

    title: str
    quantity: str
    wavenumber: Floats
    spectra: npt.NDArray[np.float32]
    weight: Counts
    state: npt.NDArray[np.int64]
    places: tuple[str, ...]
    flags: tuple[str, ...]
    layers: tuple[Layer, ...]
    windows: tuple[tuple[str, float, float], ...]
    references: Mapping[str, tuple[str, Floats]]
    notes: tuple[str, ...]
    x: Floats | None = None
    y: Floats | None = None
    centres: tuple[Floats, Floats] | None = None
    position_unit: str = ""

    @property
    def is_map(self) -> bool:
        """Whether the pixels have places."""
        return self.x is not None

    @property
    def is_binned(self) -> bool:
        """Whether a shown pixel stands for several."""
        return self.layers[0].values.size < self.layers[0].pixels.size

    def mean(self) -> Floats:
        """The mean spectrum of all valid pixels; of all that can be read where none is valid."""
        return _mean(self.spectra, self.weight)


def gather(
    array: xr.DataArray,
    blanks: xr.DataArray | Iterable[xr.DataArray] | None,
    gel: xr.DataArray | None,
    markers: Marks | None,
    scores: xr.Dataset | None,
    limit: Mapping[str, float | Limit] | float | Limit | None,
    quality: Quality | None,
    title: str | None,
    blank_words: str | None = None,
) -> Shown:
    """Check what is given and make it ready to be drawn.

    The arguments are those of `view`; `blank_words` say what the blanks are, their number and that
    of their spectra when left out.
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
    size = bins.choose_bins(array, len(raw))
    layers = []
    for name, unit, values, window in raw:
        pixels = np.where(valid, values, np.nan)
        shown = bins.bin_mean(pixels, size.space).ravel()
        layers.append(Layer(quiet(name), quiet(unit), shown, pixels,
                            limits.get(name, np.nan), window))  # fmt: skip
    binned = bins.bin_spectra(array, valid, size).astype(np.float32)
    spectra = binned.reshape(-1, binned.shape[-1])
    weight = bins.bin_pixels(valid.astype(np.int64), size.space)
    of = bins.bin_pixels(np.ones(valid.shape, np.int64), size.space)
    flags = _flags(_rows(array["flag"]).astype(np.int64), size.space)
    state = np.where(weight == 0, LEFT_OUT, np.where((flags > 0) | (weight < of), KEPT, VALID))
    mean = _mean(spectra, weight.ravel())
    lines, notes = _references(axis, size.channels, mean, blanks, gel, blank_words)
    place = _places(array, size)
    return Shown(
        title=quiet(title or str(schema.source(array).get("file", "")) or f"{array.name} spectra"),
        quantity=str(array.name).replace("_", " "),
        wavenumber=bins.bin_axis(axis, size.channels),
        spectra=spectra,
        weight=weight.ravel(),
        state=state.ravel(),
        flags=tuple(map(_flag_words, flags.ravel(), weight.ravel(), of.ravel())),
        layers=tuple(layers),
        windows=() if markers is None else tuple((quiet(m.name), m.low, m.high) for m in chosen),
        references=lines,
        notes=(_size_words(array, size), _state_words(valid, state), *notes),
        **place,
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
         windows.get(str(name).removeprefix(_BAND)))
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
        given = {str(name).removeprefix(_BAND) for name in scores["marker"].values}
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


def _flags(flags: Counts, space: int) -> Counts:
    """Every flag that a pixel of a bin has."""
    joined = np.zeros_like(bins.bin_pixels(flags, space))
    for bit, _ in schema.FLAGS.values():
        joined |= bit * (bins.bin_pixels((flags & bit > 0).astype(np.int64), space) > 0)
    return joined


def _flag_words(flag: np.int64, weight: np.int64, of: np.int64) -> str:
    said = schema.flag_words(int(flag))
    if of > 1:
        share = f"{weight} of {of} pixels valid"
    else:
        share = "left out" if weight == 0 else "kept" if said else "valid"
    return f"{share}: {said}" if said else share


def _places(array: xr.DataArray, size: bins.Bins) -> dict[str, Any]:
    if array.dims == schema.POINT_DIMS:
        names = array["spectrum"].values if "spectrum" in array.coords else range(array.shape[0])
        return {"places": tuple(quiet(name) for name in names)}
    x, y = (array[name].values.astype(np.float64) for name in ("x", "y"))
    unit = _POSITIONS[array["x"].attrs["units"]]
    across, up = bins.edges(x, size.space), bins.edges(y, size.space)
    middles = [(side[1:] + side[:-1]) / 2 for side in (across, up)]
    places = tuple(
        f"x {number(one, 5)} {unit}, y {number(other, 5)} {unit}"
        for other in middles[1] for one in middles[0]
    )  # fmt: skip
    return {"places": places, "x": across, "y": up, "centres": (x, y), "position_unit": unit}


def _size_words(array: xr.DataArray, size: bins.Bins) -> str:
    if array.dims == schema.POINT_DIMS:
        words = f"{array.shape[0]} point {'spectrum' if array.shape[0] == 1 else 'spectra'}"
    else:
        words = f"{array.shape[1]} x {array.shape[0]} pixels"
    binned = []
    if size.space > 1:
        binned.append(f"{size.space} x {size.space} pixels averaged into one")
    if size.channels > 1:
        binned.append(f"{size.channels} channels averaged into one")
    if not binned:
        return f"{words}, every one shown."
    why = f"so that the page stays below {bins.PAGE_MB} MB and can be clicked through"
    return (
        f"{words}: {' and '.join(binned)}, {why}. Scores and outlines are those of single pixels."
    )


def _state_words(valid: npt.NDArray[np.bool_], state: npt.NDArray[np.int64]) -> str:
    words = f"{int((~valid).sum())} of {valid.size} spectra left out."
    if not (kept := int((state == KEPT).sum())):
        return words
    return f"{words} Circles ({kept}): flagged or partly left out, but used."


def _references(
    axis: Floats,
    step: int,
    mean: Floats,
    blanks: xr.DataArray | Iterable[xr.DataArray] | None,
    gel: xr.DataArray | None,
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
    if gel is not None:
        same_axis(axis, schema.check(gel)[schema.WAVENUMBER].values)
        pure = bins.bin_axis(mean_spectrum(gel), step)
        span = float(np.ptp(pure))
        factor = (
            _GEL_SHARE * float(np.ptp(beside)) / span
            if span > 0 and np.isfinite(beside).all()
            else 1.0
        )
        lines["gel"] = (f"pure gel × {number(factor, 2)}", pure * factor)
        notes.append(f"Pure gel: scaled by {number(factor, 2)} to be seen beside the paint.")
    return lines, notes
