"""Is this spectrum, this map fit to be judged? Flags a pixel, a table a map, and both in words."""

from __future__ import annotations

import inspect
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..kernels import faults
from ..kernels.bands import noise_of_second_differences
from ..reprs import as_frame, as_html, as_text
from ..words.quality import map_sentences, to_mend, too_few_valid

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]
#: Flags that take a pixel out of every mean; the others are counted and said. Saturation does so
#: where it touches a range that is scored.
EXCLUDING = ("missing", "dead", "noisy", "spike", "contact", "derivative")
#: Spectra that are measured at once, so few that they stay in a core's cache; of which a typical
#: one is made; that are summed at once.
_ROWS_AT_ONCE, _TYPICAL, _SUMMED = 256, 2048, 2048
#: A sinusoid counts as a fringe when it explains so much of the variance in its window; one of
#: 3 sigma explains 0.82 where there is white noise beside it.
_FRINGE_SHARE = 0.7
#: A channel hit in more than this share of the pixels holds a line, not a spike.
_SPIKES_A_CHANNEL = 0.02
#: A spectrum of which a larger share lies below is standardised, or a derivative.
_NO_ABSORBANCE, _STANDARDISED = -0.3, 0.05
_LOOKED_AT = 256


@dataclass(frozen=True)
class Quality:
    """What a check found: the array with its flags, and the numbers of the map.

    `numbers` holds what was measured (NaN where the axis does not allow it): noise_rms and
    noise_peak_to_peak (medians of the pixels) with noise_low, noise_high, noise_n; vapour, the RMS
    of sharp lines in 1800 to 1900 cm-1 in the mean spectrum, and vapour_excess, what is there over
    its noise; baseline_slope per 1000 cm-1 (median);
    contact, the tenth percentile of the signal against good contact; fringe_period (cm-1),
    fringe_amplitude, fringe_thickness_um of the pixels with fringes. `failed` says in words why the
    map is not fit to be judged, `remedy` what to do about it; both are empty when it is. `words`
    says all that was found.
    """

    array: xr.DataArray = field(repr=False)
    n_pixels: int
    n_valid: int
    counts: dict[str, int]
    noise: float
    failed: str
    numbers: dict[str, float] = field(default_factory=dict)
    words: tuple[str, ...] = ()
    remedy: str = field(default="", repr=False)

    def row(self) -> dict[str, Any]:
        """The numbers of the map as one row."""
        return {
            "n_pixels": self.n_pixels,
            "n_valid": self.n_valid,
            "noise": self.noise,
            **self.numbers,
            **{f"n_{name}": count for name, count in self.counts.items()},
            "failed": self.failed,
        }

    def to_frame(self) -> pd.DataFrame:
        """One row a map."""
        return as_frame([self.row()])

    def __str__(self) -> str:
        return "\n".join([as_text("Quality", self.row()), *self.words])

    def _repr_html_(self) -> str:
        return as_html("Quality", {**self.row(), "words": " ".join(self.words)})


def check_quality(
    array: xr.DataArray,
    *,
    saturation: float | None = None,
    noise_ratio: float = 5.0,
    least_valid: float = 0.5,
    spike_ratio: float = 8.0,
    vapour_ratio: float = 2.0,
    steepest_slope: float = 0.2,
    fringe_ratio: float = 3.0,
    least_contact: float = 0.5,
    most_dispersive: float = 0.5,
    refractive_index: float = 1.5,
    windows: Sequence[tuple[float, float]] = (),
    scored: tuple[float, float] | None = None,
    noise_window: tuple[float, float] = (2000.0, 2200.0),
    fringe_window: tuple[float, float] = (1900.0, 2700.0),
) -> Quality:
    """Flag the pixels that are not fit to be used and say whether the map is fit to be judged.

    Missing (NaN), dead (constant), noisy, spiked, badly touching and derivative-shaped pixels
    become invalid; the rest is flagged and counted. The thresholds are common practice without a
    source where no reason is given.

    Parameters
    ----------
    array : map or points, before the procedure.
    saturation : absorbance above which a detector no longer follows; 1.2 for a map and 2 for
        points when left out: with 0.1 % stray light a true 2 reads 1.96. Transmittance is turned
        into absorbance for this; spectra that were standardised (a twentieth of the values below
        -0.3) have no such scale.
    windows : the ranges (low, high) that are scored by bands. A pixel saturated in one of them is
        invalid: its band is too low there, and a residue on it would be missed.
    scored : (low, high), cm-1, the range that a procedure keeps: what lies outside takes no pixel
        out. Fringes, vapour and the noise in its window are looked for on the whole axis.
    noise_ratio : a pixel with more than this many times the map's median noise is `noisy` (white
        noise from second differences). Scores weigh pixels alike: at 5, one such pixel weighs in
        the error as 25 good ones.
    least_valid : the map fails when a smaller share of its pixels than this is valid.
    spike_ratio : a spike stands this many times above the local noise; Gaussian noise reaches 8
        sigma in one of 1e15 channels, 5.7 in one of 1e8. In points, which have no map to compare
        with, it must stand out of its flank too. See `residuekit.kernels.faults`.
    vapour_ratio : sharp lines in 1800 to 1900 cm-1, RMS of second differences over that of the
        noise; white noise in 26 channels stays below 2 in all but about one pixel of 1e5.
    steepest_slope : of the baseline, absorbance per 1000 cm-1. Of scattering that grows as the
        square of the wavenumber, 0.2 leaves 2e-4 under a local line of 90 cm-1 at 1100 cm-1:
        curvature 0.2 / 1000 / 1100, over 8, times 90^2.
    fringe_ratio : a fringe's amplitude over the pixel's noise, from which it rules the error; it
        must explain 0.7 of the variance in `fringe_window` too.
    least_contact : (ATR maps) the least signal against the map's 90th percentile. Half the signal
        is a gap of 0.35 penetration depths, which takes 0.9 of it at three times the wavenumber.
    most_dispersive : the phase of the bands over 90 degrees: 0 for absorption, 1 for derivative
        shapes, 2 for inverted bands; at 0.5 dispersion is as strong as absorption. Not asked of
        reflectance.
    refractive_index : of the layer, for the thickness 1 / (2 n period) behind fringes.
    noise_window, fringe_window : cm-1, free of bands; carbon dioxide is left out of the second.

    Returns
    -------
    A `Quality`: the `array` with its flags, counts and numbers, and in words why the map failed.

    Raises
    ------
    ContractError : not a labelled array.

    >>> import residuekit as rk
    >>> m, _ = rk.simulate_map(shape=(4, 4), seed=1)
    >>> quality = rk.check_quality(m)
    >>> quality.n_pixels, quality.n_valid, quality.failed
    (16, 16, '')
    """
    array = schema.check(array)
    if saturation is None:
        saturation = 1.2 if array.ndim == 3 else 2.0
    pixels = array.shape[:-1]
    axis = array[schema.WAVENUMBER].values
    inside = slice(None) if scored is None else slice(*_ends(axis, *scored))
    most_phase = 90 * most_dispersive
    m = _Measured(array, inside, spike_ratio, most_phase, noise_window, fringe_window)
    with np.errstate(invalid="ignore"):
        found = {
            "missing": m.missing,
            "dead": m.dead,
            "noisy": m.usable & (m.noise > noise_ratio * m.typical) & (m.typical > 0),
            "saturated": m.above(saturation),
            "over_range": m.over_range,
            "spike": m.usable & m.spiked,
            "vapour": m.usable & (m.lines > vapour_ratio),
            "baseline": m.usable & (np.abs(m.slope) > steepest_slope),
            "fringe": m.usable
            & (m.fringes.share > _FRINGE_SHARE)
            & (m.fringes.amplitude > fringe_ratio * m.own_noise),
            "contact": m.usable & (m.contact < least_contact),
            "derivative": m.usable & (m.phase > most_phase),
        }
    excluded = {name: found[name] for name in EXCLUDING}
    excluded["saturated"] = m.above(saturation, windows)
    flag = array["flag"].values.copy().ravel()
    valid = array["valid"].values.copy().ravel()
    for name, hit in found.items():
        flag[hit] |= np.uint16(schema.FLAGS[name][0])
    for hit in excluded.values():
        valid &= ~hit
    flagged = array.assign_coords(
        valid=(array["valid"].dims, valid.reshape(pixels)),
        flag=(array["flag"].dims, flag.reshape(pixels), schema.flag_attributes()),
    )
    share = float(valid.mean())
    removed = {name: int(hit.sum()) for name, hit in excluded.items()}
    failed = remedy = ""
    if share < least_valid:
        failed, remedy = too_few_valid(share, valid.size, removed), to_mend(removed)
    numbers = _numbers(m, found["fringe"], valid, refractive_index)
    counts = {name: int(hit.sum()) for name, hit in found.items()}
    return Quality(
        array=flagged,
        n_pixels=valid.size,
        n_valid=int(valid.sum()),
        counts=counts,
        noise=m.typical,
        failed=failed,
        remedy=remedy,
        numbers=numbers,
        words=tuple(map_sentences(counts, removed, valid.size, numbers, failed, vapour_ratio)),
    )


#: The thresholds that a study may set, with their defaults.
THRESHOLDS: dict[str, float | None] = {
    name: parameter.default
    for name, parameter in inspect.signature(check_quality).parameters.items()
    if name not in ("array", "scored") and "window" not in name
}


class _Measured:
    """What is measured of each spectrum (n_pixels, n_channels), in blocks of rows.

    `inside` are the channels that are scored: what takes a pixel out is asked of them alone.
    """

    def __init__(
        self,
        array: xr.DataArray,
        inside: slice,
        spike_ratio: float,
        most_phase: float,
        noise_window: tuple[float, float],
        fringe_window: tuple[float, float],
    ):
        values = self.values = array.values.reshape(-1, array.shape[-1])
        axis = self.axis = array[schema.WAVENUMBER].values
        quantity = self.quantity = str(array.name)
        self.points = array.ndim == 2
        self.noise_window, self.most_phase = noise_window, most_phase
        self.inside = inside
        self.scored, self.scored_axis = values[:, inside], axis[inside]
        self.missing = ~np.isfinite(self.scored).all(axis=1)
        self.dead = ~self.missing & (self.scored == self.scored[:, :1]).all(axis=1)
        self.usable = ~(self.missing | self.dead)
        count = len(values)
        self.noise, self.own_noise, self.lines, self.slope, self.phase = (
            np.full(count, np.nan) for _ in range(5)
        )
        self.fringes = faults.Fringes(*(np.full(count, np.nan) for _ in range(3)))
        self.line = faults.LineNoise(np.full(count, np.nan), np.full(count, np.nan), 0)
        spikes = np.zeros(values.shape, dtype=bool)
        rows = np.flatnonzero(self.usable)
        for start in range(0, rows.size, _ROWS_AT_ONCE):
            part = rows[start : start + _ROWS_AT_ONCE]
            self._measure(part, spikes, spike_ratio, fringe_window)
        shared = spikes.sum(axis=0) > max(2.0, _SPIKES_A_CHANNEL * count)
        self.spiked = (spikes & ~shared & ~_bridged(array))[:, inside].any(axis=1)
        self.typical = float(np.median(self.noise[rows])) if rows.size else math.nan
        with np.errstate(invalid="ignore"):
            over = (self.scored > 1.0).any(axis=1)
        self.over_range = over & (quantity in ("transmittance", "reflectance"))
        self.contact = self._contact(array)

    def _measure(
        self,
        part: npt.NDArray[np.intp],
        spikes: npt.NDArray[np.bool_],
        spike_ratio: float,
        fringe_window: tuple[float, float],
    ) -> None:
        raw, block, axis = self.values[part], self.absorbance(self.values[part]), self.axis
        inside, own_axis = self.inside, self.scored_axis
        noise = np.full(part.size, np.nan)
        if own_axis.size >= 3:
            self.noise[part] = noise_of_second_differences(raw[:, inside])
            noise = self.noise[part]
            if self.quantity == "transmittance":
                noise = noise_of_second_differences(block[:, inside])
            self.own_noise[part] = noise
        line = faults.line_noise(raw, axis, *self.noise_window)
        self.line.rms[part], self.line.peak_to_peak[part] = line.rms, line.peak_to_peak
        self.line = self.line._replace(n=line.n)
        mended, found = faults.without_spikes(raw, spike_ratio)
        spikes[part] = faults.stands_out(raw, found, spike_ratio) if self.points else found
        mended = self.absorbance(mended)
        self.lines[part] = faults.second_difference_excess(block, axis, noise)
        self.slope[part] = faults.baseline_slope(block[:, inside], own_axis)
        fringes = faults.fit_fringes(mended, axis, *fringe_window)
        for kept, new in zip(self.fringes, fringes, strict=True):
            kept[part] = new
        if self.quantity != "reflectance":
            self.phase[part] = faults.band_phase(
                mended[:, inside], own_axis, noise, enough=self.most_phase
            )

    def absorbance(self, raw: npt.NDArray[Any]) -> Floats:
        """Transmittance as absorbance, at most 2: the logarithm of an opaque band is noise."""
        block = raw.astype(np.float64)
        return -np.log10(np.maximum(block, 0.01)) if self.quantity == "transmittance" else block

    def above(
        self, saturation: float, windows: Sequence[tuple[float, float]] | None = None
    ) -> npt.NDArray[np.bool_]:
        """The pixels saturated in one of the windows, or anywhere when none is given."""
        axis = self.scored_axis
        chosen = np.full(axis.size, windows is None)
        for low, high in windows or ():
            chosen |= (axis >= low) & (axis <= high)
        if self.quantity not in ("absorbance", "transmittance") or not chosen.any():
            return np.zeros(len(self.values), dtype=bool)
        with np.errstate(invalid="ignore"):
            if self.quantity == "transmittance":
                return np.asarray((self.scored[:, chosen] < 10.0**-saturation).any(axis=1))
            hit = np.asarray((self.scored[:, chosen] > saturation).any(axis=1))
            below = np.count_nonzero(self.scored[hit] < _NO_ABSORBANCE, axis=1)
        hit[hit] = below <= _STANDARDISED * axis.size
        return hit

    def _contact(self, array: xr.DataArray) -> Floats:
        """The signal of each pixel against that in good contact; NaN but for maps by ATR."""
        strength = np.full(len(self.values), np.nan)
        if array.attrs["technique"] != "atr" or array.ndim != 3 or not self.usable.any():
            return strength
        rows = np.flatnonzero(self.usable)
        some = rows[:: max(1, rows.size // _TYPICAL)]
        typical = np.median(self.absorbance(self.scored[some]), axis=0)
        for start in range(0, rows.size, _ROWS_AT_ONCE):
            part = rows[start : start + _ROWS_AT_ONCE]
            block = self.absorbance(self.scored[part])
            strength[part] = faults.contact_strength(block, self.scored_axis, typical)
        strong = float(np.nanquantile(strength, 0.9))
        return strength / strong if strong > 0 else np.full_like(strength, np.nan)


def _bridged(array: xr.DataArray) -> npt.NDArray[np.bool_]:
    """The channels that a step has bridged, and two on either side: its corners are no spikes."""
    axis = array[schema.WAVENUMBER].values
    joined = np.zeros(axis.size, dtype=bool)
    for step in schema.history(array):
        if step.get("step") == "bridge":
            first, last = _ends(axis, step["low"], step["high"])
            joined[max(first - 2, 0) : last + 2] = True
    return joined


def _ends(axis: Floats, low: float, high: float) -> tuple[int, int]:
    return int(np.searchsorted(axis, low)), int(np.searchsorted(axis, high, "right"))


def spiked_channels(
    array: xr.DataArray, scored: tuple[float, float], spike_ratio: float = 8.0
) -> list[float]:
    """The wavenumbers in a range at which more than half of the spectra of a file have a spike.

    Of a large map 256 spectra are looked at, spread evenly. Kinks in a flank count: what repeats
    in file after file at one channel is no accident (see `residuekit.study.bad_channels`).
    """
    values = array.values.reshape(-1, array.shape[-1])
    values = values[np.isfinite(values).any(axis=1)]
    values = values[:: max(1, len(values) // _LOOKED_AT)]
    axis = array[schema.WAVENUMBER].values
    often = faults.find_spikes(values, spike_ratio).sum(axis=0) > len(values) / 2
    often &= (axis >= scored[0]) & (axis <= scored[1])
    return [float(place) for place in axis[often]]


def _numbers(
    m: _Measured,
    fringed: npt.NDArray[np.bool_],
    valid: npt.NDArray[np.bool_],
    refractive_index: float,
) -> dict[str, float]:
    def middle(values: Floats, of: npt.NDArray[np.bool_] = m.usable, share: float = 0.5) -> float:
        chosen = values[of & np.isfinite(values)]
        return float(np.quantile(chosen, share)) if chosen.size else math.nan

    period = middle(m.fringes.period, fringed)
    return {
        "noise_rms": middle(m.line.rms),
        "noise_peak_to_peak": middle(m.line.peak_to_peak),
        "noise_low": m.noise_window[0] if m.line.n else math.nan,
        "noise_high": m.noise_window[1] if m.line.n else math.nan,
        "noise_n": float(m.line.n),
        **_mean_lines(m, valid),
        "baseline_slope": middle(m.slope),
        "contact": middle(m.contact, share=0.1),
        "fringe_period": period,
        "fringe_amplitude": middle(m.fringes.amplitude, fringed),
        "fringe_thickness_um": 1e4 / (2 * refractive_index * period),
    }


def _mean_lines(m: _Measured, valid: npt.NDArray[np.bool_]) -> dict[str, float]:
    """Sharp lines in the mean spectrum: their RMS less that of the noise, and over the noise."""
    nothing = {"vapour": math.nan, "vapour_excess": math.nan}
    if not valid.any() or m.axis.size < 3:
        return nothing
    total = np.zeros(m.axis.size)
    for start in range(0, valid.size, _SUMMED):
        part = slice(start, start + _SUMMED)
        total += m.absorbance(m.values[part][valid[part]]).sum(axis=0)
    noise = float(np.median(m.own_noise[valid])) / math.sqrt(valid.sum())
    if not noise > 0:
        return nothing
    excess = faults.second_difference_excess(total[None] / valid.sum(), m.axis, [noise])[0]
    lines = noise * math.sqrt(max(excess**2 - 1, 0.0)) if math.isfinite(excess) else math.nan
    return {"vapour": lines, "vapour_excess": float(excess)}
