"""Marks of a bad measurement in blocks of spectra (n_spectra, n_channels).

Every function treats each spectrum alone unless it says otherwise; a spectrum with a value that is
not finite gives NaN (or no spike). Wavenumbers in cm-1, ascending.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from .smooth import savitzky_golay_matrix

__all__ = [
    "Fringes",
    "LineNoise",
    "band_phase",
    "baseline_slope",
    "contact_strength",
    "find_spikes",
    "fit_fringes",
    "line_noise",
    "second_difference_excess",
    "stands_out",
    "without_spikes",
]

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
_NORMAL, _NORMAL_075 = 0.6744897501960817, 1.1503493803760079
_SEGMENT, _ROWS = 32, 256
#: Carbon dioxide in cm-1: never part of a test.
_GAS = (2250.0, 2420.0)


class LineNoise(NamedTuple):
    """Noise about a straight line, each (n_spectra,), and the number of points in the window."""

    rms: Floats
    peak_to_peak: Floats
    n: int


def line_noise(
    block: npt.ArrayLike, wavenumber: npt.ArrayLike, low: float, high: float
) -> LineNoise:
    """Return RMS and peak-to-peak noise from `low` to `high`, a straight line removed.

    RMS = sqrt(sum r^2 / (n - 2)). Peak-to-peak grows with n (for Gaussian noise 3.93, 4.50, 5.02
    RMS at 25, 50, 100 points, the d2 of control charts, from memory): it means nothing without n.
    NaN with fewer than 3 points.

    >>> noise = line_noise([[0.0, 1.0, 0.0, 1.0]], [1.0, 2.0, 3.0, 4.0], 1, 4)
    >>> noise.rms.round(4), noise.peak_to_peak.round(4), noise.n
    (array([0.6325]), array([1.2]), 4)
    """
    axis, inside = _window(wavenumber, low, high)
    rows = np.asarray(block)[..., inside].astype(np.float64)
    n = rows.shape[-1]
    if n < 3:
        nothing = np.full(rows.shape[:-1], np.nan)
        return LineNoise(nothing, nothing, n)
    line = np.linalg.qr(np.vander(axis[inside] - axis[inside].mean(), 2))[0]
    left = rows - (rows @ line) @ line.T
    return LineNoise(np.sqrt((left**2).sum(axis=-1) / (n - 2)), np.ptp(left, axis=-1), n)


def _window(wavenumber: npt.ArrayLike, low: float, high: float) -> tuple[Floats, Mask]:
    axis = np.asarray(wavenumber, dtype=np.float64)
    return axis, (axis >= low) & (axis <= high)


def find_spikes(block: npt.ArrayLike, threshold: float = 8.0) -> Mask:
    """Say which channels hold a single-channel spike, (n_spectra, n_channels).

    A channel's difference d from the cubic through its four neighbours,
    (4 (y-1 + y+1) - (y-2 + y+2)) / 6, must exceed `threshold` times the local noise of d, and both
    neighbours must have a d of the other sign and at least 0.45 as large: the trace of one wrong
    channel (1/6, -2/3, 1, -2/3, 1/6), which no band two channels wide leaves. Local noise is the
    median |d| / 0.6745 of 32 channels, the highest of the segment and the two beside it, and not
    below the smallest step of the spectrum (rounded files). The first and last three channels are
    never spikes.
    """
    rows = np.asarray(block, dtype=np.float64)
    found = np.zeros(rows.shape, dtype=bool)
    for start in range(0, len(rows) if rows.shape[1] >= 7 else 0, _ROWS):
        part = slice(start, start + _ROWS)
        with np.errstate(invalid="ignore"):
            found[part, 2:-2] = _spiked(rows[part], threshold)
    return found


def _spiked(rows: Floats, threshold: float) -> Mask:
    """The spikes of `find_spikes`, (n_spectra, n_channels - 4); the last segment is up to half as
    long again. What few segments hold is asked of these alone."""
    near, far = rows[:, 1:-3] + rows[:, 3:-1], rows[:, :-4] + rows[:, 4:]
    near *= 4
    near -= far
    near /= 6
    d = np.subtract(rows[:, 2:-2], near, out=near)
    sizes = np.abs(d)
    n = sizes.shape[1]
    count = max(1, -(-(n - _SEGMENT // 2) // _SEGMENT))
    last = (count - 1) * _SEGMENT
    parts = sizes[:, :last].reshape(len(rows), count - 1, _SEGMENT), sizes[:, None, last:]
    ordered = [np.sort(part, axis=-1) for part in parts]
    own = np.column_stack([_quantile(part, 0.5) for part in ordered]) / _NORMAL
    noise = own.copy()
    np.maximum(noise[:, 1:], own[:, :-1], out=noise[:, 1:])
    np.maximum(noise[:, :-1], own[:, 1:], out=noise[:, :-1])
    level = threshold * noise
    high = []
    for first, part, sort in zip((0, count - 1), parts, ordered, strict=True):
        limit = level[:, first : first + part.shape[1]]
        row, segment = np.nonzero(sort[..., -1] > limit)
        some, place = np.nonzero(part[row, segment] > limit[row, segment, None])
        high.append((row[some], (first + segment[some]) * _SEGMENT + place))
    row, channel = np.concatenate(high, axis=1)
    inner = (channel > 0) & (channel < n - 1)
    row, channel = row[inner], channel[inner]
    size, sign = sizes[row, channel], np.sign(d[row, channel])
    before, after = d[row, channel - 1] * sign, d[row, channel + 1] * sign
    shaped = (before < -0.45 * size) & (after < -0.45 * size)
    row, channel, size = row[shaped], channel[shaped], size[shaped]
    some, again = np.unique(row, return_inverse=True)
    steps = np.abs(np.diff(rows[some], axis=1))
    smallest = np.where(steps > 0, steps, np.inf).min(axis=1)
    least = threshold * np.where(np.isinf(smallest), 0.0, smallest)
    found = np.zeros(sizes.shape, dtype=bool)
    found[row, channel] = size > least[again]
    return found


def _quantile(ordered: Floats, share: float) -> Floats:
    """A quantile of values that are sorted along the last axis by linear interpolation; NaN where
    a value is NaN.

    numpy sorts vectors many times as fast as it selects from them.
    """
    place = share * (ordered.shape[-1] - 1)
    low = ordered[..., int(place)]
    high = ordered[..., min(int(place) + 1, ordered.shape[-1] - 1)]
    found = low + (place - int(place)) * (high - low)
    return np.where(np.isnan(ordered[..., -1]), np.nan, found)


def stands_out(block: npt.ArrayLike, spikes: Mask, threshold: float = 8.0) -> Mask:
    """Say which of the spikes of `find_spikes` stand out of a spectrum that stands alone.

    Those above a fifth of the step between their neighbours (a smaller one is a kink in a steep
    flank) and above 1.5 `threshold` times the noise just beside them: the 0.75 quantile of |d| over
    1.15 in the twelve channels on either side of the trace.
    """
    rows, seen = np.asarray(block, dtype=np.float64), spikes.copy()
    row, channel = np.nonzero(spikes)
    if row.size:
        padded = np.pad(rows[row], ((0, 0), (16, 16)), mode="reflect")
        near = np.take_along_axis(padded, channel[:, None] + np.arange(33), axis=1)
        d = np.abs(near[:, 2:-2] - _from_neighbours(near, np.arange(2, 31)))
        noise = np.nanquantile(np.delete(d, np.s_[12:17], axis=1), 0.75, axis=1) / _NORMAL_075
        step = np.abs(near[:, 17] - near[:, 15])
        seen[row, channel] = (d[:, 14] > 1.5 * threshold * noise) & (d[:, 14] > 0.2 * step)
    return seen


def _from_neighbours(rows: Floats, channel: Any) -> Floats:
    """The values of a cubic through the two channels on either side."""
    near = rows[..., channel - 1] + rows[..., channel + 1]
    far = rows[..., channel - 2] + rows[..., channel + 2]
    return np.asarray((4 * near - far) / 6)


def without_spikes(block: npt.ArrayLike, threshold: float = 8.0) -> tuple[Floats, Mask]:
    """Return the block with every spike replaced from its neighbours, and the spikes.

    The cubic of `find_spikes` takes the channel's place; what stood in it is lost. Bands must be at
    least two channels wide at half height.
    """
    rows = np.array(block, dtype=np.float64)
    found = find_spikes(rows, threshold)
    for number in np.flatnonzero(found.any(axis=1)):
        channel = np.flatnonzero(found[number])
        rows[number, channel] = _from_neighbours(rows[number], channel)
    return rows, found


def baseline_slope(block: npt.ArrayLike, wavenumber: npt.ArrayLike) -> Floats:
    """Return the slope of the baseline, units of the spectrum per 1000 cm-1, (n_spectra,).

    The median of the slopes between all pairs of eight points (Theil 1950, Sen 1968), each the
    lowest tenth of an eighth of the axis. NaN with fewer than 16 channels.
    """
    rows, axis = np.asarray(block, np.float64), np.asarray(wavenumber, np.float64)
    if axis.size < 16:
        return np.full(len(rows), np.nan)
    ends = np.cumsum([0, *map(len, np.array_split(axis, 8))])
    parts = [slice(first, last) for first, last in pairwise(ends)]
    heights = np.stack([_quantile(np.sort(rows[:, part], axis=-1), 0.1) for part in parts])
    places = np.array([axis[part].mean() for part in parts])
    i, j = np.triu_indices(8, 1)
    slopes = (heights[j] - heights[i]) / (places[j] - places[i])[:, None]
    return np.asarray(1000 * np.median(slopes, axis=0))


class Fringes(NamedTuple):
    """Amplitude (units of the spectrum), period (cm-1) and explained share, each (n_spectra,)."""

    amplitude: Floats
    period: Floats
    share: Floats


def fit_fringes(
    block: npt.ArrayLike, wavenumber: npt.ArrayLike, low: float = 1900.0, high: float = 2700.0
) -> Fringes:
    """Fit the strongest sinusoid to each spectrum between `low` and `high`, free of bands.

    A quartic is fitted along; carbon dioxide (2250 to 2420) is left out; the frequencies reach
    from 2 periods in the window to 6 channels a period, in steps of a quarter of the window's
    resolution. `share` is what the sinusoid explains of the variance about the quartic. Longer
    periods cannot be told from a curved baseline. NaN where fewer than 32 channels lie within.
    """
    rows = np.asarray(block, dtype=np.float64)
    axis, inside = _window(wavenumber, low, high)
    inside &= (axis < _GAS[0]) | (axis > _GAS[1])
    nothing = np.full(len(rows), np.nan)
    if inside.sum() < 32:
        return Fringes(nothing, nothing, nothing)
    places = axis[inside]
    frequency, quartic, waves, scale = _sinusoids(places.tobytes())
    left = rows[:, inside]
    left = left - (left @ quartic) @ quartic.T
    along = left @ waves
    energy = along[:, ::2] ** 2
    energy += along[:, 1::2] ** 2
    best = np.argmax(energy, axis=1)
    top = energy[np.arange(len(rows)), best]
    total = np.maximum((left**2).sum(axis=1), np.finfo(float).tiny)
    projected = along.reshape(len(rows), -1, 2)[np.arange(len(rows)), best]
    weights = np.linalg.solve(scale[best], projected[:, :, None])[:, :, 0]
    return Fringes(
        np.sqrt((weights**2).sum(axis=1)),
        np.where(np.isfinite(top), 1 / frequency[best], np.nan),
        top / total,
    )


@lru_cache(maxsize=8)
def _sinusoids(axis: bytes) -> tuple[Floats, Floats, Floats, Floats]:
    """Frequencies (f,), quartic (n, 5), and cosine and sine of each free of it as Q (n, 2 f) and
    R (f, 2, 2); `axis` are the bytes of the channels."""
    places = np.frombuffer(axis)
    span, spacing = np.ptp(places), float(np.median(np.diff(places)))
    frequency = np.arange(2 / span, 1 / (6 * spacing), 0.25 / span)
    angle = 2 * np.pi * frequency[:, None] * (places - places.mean())
    waves = np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    quartic = np.linalg.qr(np.vander((places - places.mean()) / span, 5))[0]
    waves -= quartic @ (quartic.T @ waves)
    own, scale = np.linalg.qr(waves)
    return frequency, quartic, own.transpose(1, 0, 2).reshape(places.size, -1), scale


def second_difference_excess(
    block: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    noise: npt.ArrayLike,
    low: float = 1800.0,
    high: float = 1900.0,
) -> Floats:
    """Return the RMS of the second differences from `low` to `high` over that of white noise.

    1 is noise alone (its RMS is sqrt(6) sigma); sharp lines raise it. A cubic is taken off the
    differences first, for the tails of bands outside; it takes next to nothing of noise, whose
    differences have no slow part. `noise` is the sigma of each spectrum. NaN with fewer than 12
    channels within.
    """
    rows = np.asarray(block, dtype=np.float64)
    _, inside = _window(wavenumber, low, high)
    if inside.sum() < 12:
        return np.full(len(rows), np.nan)
    second = np.diff(rows[:, inside], n=2, axis=1)
    tails = np.linalg.qr(np.vander(np.linspace(-1, 1, second.shape[1]), 4))[0]
    second = second - (second @ tails) @ tails.T
    expected = np.sqrt(6.0) * np.asarray(noise, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.sqrt((second**2).mean(axis=1)) / expected)


def band_phase(
    block: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    noise: npt.ArrayLike,
    widths: tuple[float, ...] = (20.0, 40.0, 80.0),
    enough: float = 0.0,
) -> Floats:
    """Return the phase in which the bands of each spectrum stand, 0 to 180 degrees, (n_spectra,).

    0 is absorption, 90 its dispersive (derivative-shaped) partner of either sign, 180 an inverted
    band. With z = c + i H(c), c the second derivative over a width in cm-1 (Savitzky & Golay 1964,
    order 2) and H the Hilbert transform, it is the angle of -sum z |z| over the channels with |z|
    above 5 times the noise of c, which turns with the phase of the bands, whatever their shape.
    Crowded bands of one width can look dispersive at that width, a dispersive spectrum does at
    each: the least of the `widths` is returned, or the first of at most `enough` degrees. A width
    at which the sum is below a tenth of sum |z|^2 counts as 0: its bands (the lines of a gas, say)
    have no one phase. NaN where fewer than 10 channels rise above the noise, the axis is shorter
    than two windows, or 20 cm-1 are less than a channel. In float32: a phase to 0.01 degrees.
    """
    rows, axis = np.asarray(block, np.float32), np.asarray(wavenumber, np.float64)
    phase = np.full(len(rows), np.nan)
    spacing = float(np.median(np.diff(axis))) if axis.size > 1 else np.inf
    for width in widths if spacing <= min(widths) else ():
        window = max(5, 2 * round(width / spacing / 2) + 1)
        asked = ~(phase <= enough)
        if axis.size >= 2 * window and asked.any():
            least = _phase(rows[asked], axis, np.asarray(noise, np.float64)[asked], window)
            phase[asked] = np.fmin(phase[asked], least)
    return phase


def _phase(rows: npt.NDArray[np.float32], axis: Floats, noise: Floats, window: int) -> Floats:
    from scipy.fft import irfft, next_fast_len, rfft

    matrix, gain = _second_derivative(axis.size, window)
    half = window // 2
    kept = ((axis < _GAS[0]) | (axis > _GAS[1])).astype(rows.dtype)
    kept[:half] = kept[axis.size - half :] = 0
    curvature = np.multiply((matrix @ rows.T).T, -kept, order="C")
    size = next_fast_len(2 * axis.size, real=True)
    turned = rfft(curvature, size)
    turned *= np.complex64(-1j)
    partner = irfft(turned, size)[:, : axis.size] * kept
    weight = curvature * curvature
    weight += partner * partner
    np.sqrt(weight, out=weight)
    floor = 5 * gain * noise[:, None]
    weight *= weight > floor
    along, across, power = (np.einsum("ij,ij->i", x, weight) for x in (curvature, partner, weight))
    one_phase = np.hypot(along, across) > 0.1 * power
    phase = np.where(one_phase, np.degrees(np.arctan2(np.abs(across), along)), 0.0)
    return np.where(np.count_nonzero(weight, axis=1) >= 10, phase, np.nan)


@lru_cache(maxsize=8)
def _second_derivative(n: int, window: int) -> tuple[Any, float]:
    """The matrix (n, n) in float32, and what it makes of white noise of 1."""
    matrix = savitzky_golay_matrix(n, window, 2, 2)
    return matrix.astype(np.float32), float(np.sqrt((matrix[[window // 2]] ** 2).sum()))


def contact_strength(
    block: npt.ArrayLike, wavenumber: npt.ArrayLike, typical: npt.ArrayLike
) -> Floats:
    """Return the strength of each spectrum against a typical one (n_channels,), (n_spectra,).

    Both less their own straight line; the factor of the typical one by least squares. NaN where the
    typical one is straight.
    """
    rows, axis = np.asarray(block, np.float64), np.asarray(wavenumber, np.float64)
    line = np.linalg.qr(np.vander((axis - axis.mean()) / max(np.ptp(axis), 1.0), 2))[0]
    pattern = np.asarray(typical, dtype=np.float64)
    pattern = pattern - line @ (line.T @ pattern)
    power = float(pattern @ pattern)
    return rows @ pattern / power if power > 0 else np.full(len(rows), np.nan)
