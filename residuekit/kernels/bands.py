"""Band scores as linear functionals of the spectrum, and the white noise they carry.

A score is w'y: an area or a height over a local straight line, or the height of a fitted parabola.
Its standard error follows from the weights w and the noise of one channel alone. Centroids and
ratios are quotients of two scores; several bands are held against one amount of a reference.
"""

from __future__ import annotations

from statistics import NormalDist
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .compiled import contiguous_rows, over_blocks, run

Floats = NDArray[np.float64]
Anchors = tuple[tuple[float, float], tuple[float, float]]

ANCHOR_CHANNELS = 3
BLOCK_SPECTRA, _SORTED_SPECTRA = 4096, 256
#: A quotient is given where its denominator lies at least so many standard errors from zero.
LEAST_DENOMINATOR = 3.0

#: Differences beyond this many standard deviations are band flanks, not noise.
CUT = 2.5
_NORMAL = NormalDist()
#: The median of |z| for a standard normal z: of all of it (0.6745), and of |z| <= CUT (0.6642).
_MEDIAN = _NORMAL.inv_cdf(0.75)
_MEDIAN_CUT = _NORMAL.inv_cdf(0.5 + (_NORMAL.cdf(CUT) - 0.5) / 2)


def area_weights(
    wavenumber: ArrayLike, low: float, high: float, anchors: Anchors | None = None
) -> Floats:
    """Return the weights (n,) whose sum over the spectrum is the band area, A cm-1.

    The trapezoid integral over [low, high], its limits interpolated to the exact wavenumber, minus
    the integral of the line through the mean points of the two anchor intervals
    (`window_anchors` when left out).

    Raises
    ------
    ValueError : axis not ascending, window off the axis, anchors without a channel.

    >>> axis = np.arange(1000.0, 1200.0, 4.0)
    >>> weights = area_weights(axis, 1050.0, 1140.0)
    >>> float(np.round(weights @ (0.3 + 0.001 * axis), 9)) + 0.0
    0.0
    """
    axis = _axis(wavenumber)
    _within(axis, low, high)
    weights = _trapezoid(axis, low, high)
    middle = (low + high) / 2
    return weights - (high - low) * _line_at(
        axis, middle, anchors or window_anchors(axis, low, high)
    )


def height_weights(wavenumber: ArrayLike, position: float, anchors: Anchors) -> Floats:
    """Return the weights (n,) whose sum over the spectrum is the band height at `position`, A.

    The spectrum is interpolated linearly at `position`; the line as in `area_weights`, which also
    says what raises ValueError.
    """
    axis = _axis(wavenumber)
    _within(axis, position, position)
    return _value_at(axis, position) - _line_at(axis, position, anchors)


def parabola_weights(wavenumber: ArrayLike, low: float, high: float) -> Floats:
    """Return the weights (n,) whose sum over the spectrum is the second-derivative height, A.

    A parabola is fitted by least squares to the channels of the window [low, high] (Savitzky &
    Golay, Anal. Chem. 36 (1964) 1627, where they are evenly spaced). The score is its height at
    the middle of the window above its own chord, -(high - low)^2 / 8 times its second derivative:
    a straight line gives zero, a band narrower than the window the most.

    Raises
    ------
    ValueError : axis not ascending, window off the axis or with fewer than 4 channels.

    >>> axis = np.arange(1000.0, 1021.0, 4.0)
    >>> float(np.round(parabola_weights(axis, 1000.0, 1020.0) @ (axis - 1010.0) ** 2, 9))
    -100.0
    """
    axis = _axis(wavenumber)
    _within(axis, low, high)
    inside = (axis >= low) & (axis <= high)
    if inside.sum() < 4:
        raise ValueError(f"{inside.sum()} channels from {low:g} to {high:g} cm-1; at least 4")
    place = (axis[inside] - (low + high) / 2) / ((high - low) / 2)
    weights = np.zeros(axis.size)
    weights[inside] = -np.linalg.pinv(np.vander(place, 3, increasing=True))[2]
    return weights


def moment_weights(
    wavenumber: ArrayLike, low: float, high: float, anchors: Anchors | None = None
) -> Floats:
    """Return the weights (n,) of the band's first moment about the middle of the window, A cm-2.

    The trapezoid integral of (wavenumber - middle) times the spectrum less its local line; limits,
    line and errors as in `area_weights`. Divided by the area it is centroid - middle.
    """
    axis = _axis(wavenumber)
    _within(axis, low, high)
    middle = (low + high) / 2
    line = anchors or window_anchors(axis, low, high)
    weights = _trapezoid(axis, low, high, moment=1)
    level = _line_at(axis, middle, line)
    slope = _line_at(axis, middle + 1, line) - level
    return np.asarray(weights - weights.sum() * level - (weights @ (axis - middle)) * slope)


def window_anchors(wavenumber: ArrayLike, low: float, high: float) -> Anchors:
    """Return the intervals of the three channels nearest each end of the window [low, high].

    Two channels equally far from an end are both taken. ValueError as in `area_weights`.
    """
    axis = _axis(wavenumber)
    _within(axis, low, high)
    if axis.size < 2 * ANCHOR_CHANNELS:
        raise ValueError(f"{axis.size} channels; a local line needs {2 * ANCHOR_CHANNELS}")
    return _nearest(axis, low), _nearest(axis, high)


def apply_weights(spectra: ArrayLike, weights: ArrayLike) -> Floats:
    """Return the scores (..., k) of spectra (..., n) by weights (k, n), summed in float64.

    Only the channels with a weight are read, for each score its own: a NaN elsewhere does no harm.
    """
    factors = np.atleast_2d(np.ascontiguousarray(weights, dtype=np.float64))
    values = np.asarray(spectra)
    if values.shape[-1] != factors.shape[-1]:
        raise ValueError(f"weights for {factors.shape[-1]} channels, spectra of {values.shape[-1]}")
    used = np.pad(factors != 0, [(0, 0), (1, 1)])
    score, start = np.nonzero(used[:, 1:-1] & ~used[:, :-2])
    _, last = np.nonzero(used[:, 1:-1] & ~used[:, 2:])
    runs = np.column_stack([score, start, last + 1])
    return _in_blocks("weighted", values, (len(factors),), factors, runs)


def noise_of_second_differences(spectra: ArrayLike, kernel: ArrayLike | None = None) -> Floats:
    """Return the standard deviation (...) of the white noise of each spectrum (..., n).

    The median absolute second difference over 0.6745 (the normal consistency factor), repeated
    without the differences beyond 2.5 standard deviations (the flanks of bands) until none is left
    to drop, with the factor of the cut normal distribution; then over the norm of (1, -2, 1),
    sqrt(6). For spectra that were smoothed by a symmetric `kernel` the norm of
    kernel * (1, -2, 1) takes its place, and the noise is that before the smoothing.

    A spectrum with NaN gets NaN. Curvature that fills many channels below the noise is read as
    noise: at a signal to noise of 500, three bands of 20 cm-1 in 800 channels add 1 % at a spacing
    of 4 cm-1, 3 % at 2 and 8 % at 1, ten of them 3 %, 14 % and 37 % (simulated).

    Raises
    ------
    ValueError : fewer than 3 channels.
    """
    values = np.asarray(spectra)
    if values.shape[-1] < 3:
        raise ValueError(f"{values.shape[-1]} channels; second differences need at least 3")
    difference = np.array([1.0, -2.0, 1.0])
    if kernel is not None:
        difference = np.convolve(np.asarray(kernel, dtype=np.float64), difference)
    gain = float(np.linalg.norm(difference))
    rows = contiguous_rows(values.reshape(-1, values.shape[-1]))
    found = np.empty(len(rows))

    def fill(part: slice) -> None:
        found[part] = _deviations(rows[part])

    over_blocks(fill, len(rows), _SORTED_SPECTRA)
    return found.reshape(values.shape[:-1]) / gain


def _deviations(block: NDArray[Any]) -> Floats:
    """The robust deviation (n,) of the second differences; NaN for a row that is not finite."""
    rows = block.astype(np.float64)
    with np.errstate(invalid="ignore", over="ignore"):
        sizes = np.abs(rows[:, 2:] - 2 * rows[:, 1:-1] + rows[:, :-2])
    sizes.sort(axis=1)
    asked = np.flatnonzero(np.isfinite(rows).all(axis=1))
    found, kept = np.full(len(rows), np.nan), np.full(len(rows), sizes.shape[1])
    factor = _MEDIAN
    while asked.size:
        middle = sizes[asked, (kept[asked] - 1) // 2] + sizes[asked, kept[asked] // 2]
        found[asked] = 0.5 * middle / factor
        within = np.count_nonzero(sizes[asked] <= CUT * found[asked, None], axis=1)
        fewer = within < kept[asked]
        asked, factor = asked[fewer], _MEDIAN_CUT
        kept[asked] = within[fewer]
    return found


def standard_error(noise: ArrayLike, weights: ArrayLike, smoothing: Any = None) -> Floats:
    """Return the standard errors (..., k) of scores by weights (k, n), for white noise (...).

    noise x ||w||; for spectra smoothed as y = M y0 with the matrix `smoothing` M (n, n; dense or
    sparse), noise x ||M'w||, where noise is that of y0.
    """
    norms = np.linalg.norm(weights_before(weights, smoothing), axis=-1)
    return np.asarray(np.multiply.outer(np.asarray(noise, dtype=np.float64), norms))


def weights_before(weights: ArrayLike, smoothing: Any = None) -> Floats:
    """Return the weights (k, n) that give the same scores on the spectra before smoothing: M'w."""
    rows = np.atleast_2d(np.asarray(weights, dtype=np.float64))
    return rows if smoothing is None else np.asarray((smoothing.T @ rows.T).T)


def quotient(
    top: ArrayLike,
    bottom: ArrayLike,
    noise: ArrayLike,
    top_weights: ArrayLike,
    bottom_weights: ArrayLike,
) -> tuple[Floats, Floats]:
    """Return quotients r (..., k) of scores t = u'y by b = v'y, and their standard errors (..., k).

    First-order propagation of white noise, noise x ||u - r v|| / |b|: right while b lies many
    standard errors from zero. Nearer than `LEAST_DENOMINATOR` of them r and error are NaN.
    `top`, `bottom` (..., k); `noise` (...) of one channel; weights u, v (k, n), those before any
    smoothing (`weights_before`).

    >>> r, error = quotient([[2.0]], [[4.0]], [0.1], [[1.0, 0.0]], [[0.0, 1.0]])
    >>> float(r[0, 0]), float(error[0, 0].round(6))
    (0.5, 0.027951)
    """
    u, v = (np.asarray(rows, dtype=np.float64) for rows in (top_weights, bottom_weights))
    below = np.asarray(bottom, dtype=np.float64)
    each = np.asarray(noise, dtype=np.float64)[..., None]
    known = np.abs(below) >= LEAST_DENOMINATOR * each * np.linalg.norm(v, axis=-1)
    divisor = np.where(known & (below != 0), below, np.nan)
    ratio: Floats = np.asarray(top, dtype=np.float64) / divisor
    squared = np.vecdot(u, u) - 2 * ratio * np.vecdot(u, v) + ratio**2 * np.vecdot(v, v)
    return ratio, each * np.sqrt(np.maximum(squared, 0.0)) / np.abs(divisor)


class CommonAmount(NamedTuple):
    """One amount of a reference in several bands: `p_value` of their ratio; are all `present`."""

    amount: Floats
    standard_error: Floats
    p_value: Any
    present: Any


def common_amount(
    scores: ArrayLike,
    covariance: ArrayLike,
    reference: ArrayLike,
    reference_covariance: ArrayLike,
    *,
    degrees_of_freedom: float,
    alpha: float,
) -> CommonAmount:
    """Fit one amount a of a reference r to the scores s of k bands; test the ratio that is left.

    With the covariance C of s and C_r of r, S = C + a^2 C_r (a from C alone),
    a = r'S^-1 s / r'S^-1 r. The misfit Q = (s - a r)'S^-1 (s - a r) is chi-square with p = k - 1
    degrees of freedom where C is known; estimated on nu degrees of freedom, it is Hotelling's T^2,
    and Q (nu - p + 1) / (nu p) is F(p, nu - p + 1) (Hotelling, Ann. Math. Stat. 2 (1931) 360), to
    first order in C_r. `present`: each band above t(1 - alpha, nu) of its standard error.

    Parameters
    ----------
    scores : (..., k); covariance : (k, k) or (..., k, k); reference : (k,), reference_covariance
        (k, k). degrees_of_freedom : nu, infinite where C is known.

    Returns (...) each; NaN and False where a score or its covariance is NaN.
    """
    from scipy.special import chdtrc, fdtrc, ndtri, stdtrit

    s, r = np.asarray(scores, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    own = np.broadcast_to(np.asarray(covariance, dtype=np.float64), (*s.shape, r.size))

    def fitted(matrix: Floats) -> tuple[Floats, Floats]:
        inverse_r = np.linalg.solve(matrix, np.broadcast_to(r, s.shape)[..., None])[..., 0]
        precision = inverse_r @ r
        return np.vecdot(inverse_r, s) / precision, 1 / np.sqrt(precision)

    first, _ = fitted(own)
    whole = own + (first**2)[..., None, None] * np.asarray(reference_covariance)
    amount, error = fitted(whole)
    rest = s - amount[..., None] * r
    misfit = np.vecdot(rest, np.linalg.solve(whole, rest[..., None])[..., 0])
    nu, p = degrees_of_freedom, r.size - 1
    exact = np.isinf(nu)
    p_value = chdtrc(p, misfit) if exact else fdtrc(p, nu - p + 1, misfit * (nu - p + 1) / (nu * p))
    quantile = ndtri(1 - alpha) if exact else stdtrit(nu, 1 - alpha)
    spread = np.sqrt(np.diagonal(own, axis1=-2, axis2=-1))
    return CommonAmount(amount, error, p_value, (s > quantile * spread).all(axis=-1))


def _axis(wavenumber: ArrayLike) -> Floats:
    axis = np.asarray(wavenumber, dtype=np.float64)
    if axis.ndim != 1 or axis.size < 2 or not (np.diff(axis) > 0).all():
        raise ValueError("the wavenumber axis is not one ascending row of at least two channels")
    return axis


def _within(axis: Floats, low: float, high: float) -> None:
    if not axis[0] <= low <= high <= axis[-1]:
        raise ValueError(
            f"the window {low:g} to {high:g} cm-1 leaves the axis, {axis[0]:g} to {axis[-1]:g} cm-1"
        )


def _trapezoid(axis: Floats, low: float, high: float, moment: int = 0) -> Floats:
    if not low < high:
        raise ValueError(f"a window from {low:g} to {high:g} cm-1 has no width")
    inside = axis[(axis > low) & (axis < high)]
    nodes = np.concatenate([[low], inside, [high]])
    steps = np.diff(nodes)
    at_nodes = (np.append(steps, 0.0) + np.insert(steps, 0, 0.0)) / 2
    at_nodes *= (nodes - (low + high) / 2) ** moment
    weights: Floats = at_nodes[0] * _value_at(axis, low) + at_nodes[-1] * _value_at(axis, high)
    weights[np.searchsorted(axis, inside)] += at_nodes[1:-1]
    return weights


def _value_at(axis: Floats, position: float) -> Floats:
    right = int(np.clip(np.searchsorted(axis, position), 1, axis.size - 1))
    share = (position - axis[right - 1]) / (axis[right] - axis[right - 1])
    weights = np.zeros(axis.size)
    weights[right - 1 : right + 1] = 1 - share, share
    return weights


def _line_at(axis: Floats, position: float, anchors: Anchors) -> Floats:
    left, right = (_mean_over(axis, *anchor) for anchor in anchors)
    x_left, x_right = left @ axis, right @ axis
    if (left * right).any() or x_left >= x_right:
        raise ValueError(f"the anchors {anchors} overlap or stand in the wrong order on this axis")
    share = (position - x_left) / (x_right - x_left)
    return np.asarray((1 - share) * left + share * right)


def _mean_over(axis: Floats, low: float, high: float) -> Floats:
    inside = (axis >= low) & (axis <= high)
    if not inside.any():
        raise ValueError(f"the anchor {low:g} to {high:g} cm-1 holds no channel")
    return np.asarray(inside / inside.sum())


def _nearest(axis: Floats, position: float) -> tuple[float, float]:
    distance = np.abs(axis - position)
    farthest = np.sort(distance)[ANCHOR_CHANNELS - 1]
    near = axis[distance <= farthest * (1 + 1e-9)]
    return float(near[0]), float(near[-1])


def _in_blocks(kernel: str, values: Any, tail: tuple[int, ...], *arguments: Any) -> Floats:
    """Fill one result (..., *tail) a spectrum by a kernel of `row_loops`, on all cores."""
    rows = contiguous_rows(values.reshape(-1, values.shape[-1]))
    result = np.empty((len(rows), *tail))

    def fill(part: slice) -> None:
        run("row_loops", kernel, rows[part], *arguments, result[part])

    over_blocks(fill, len(rows), BLOCK_SPECTRA)
    return result.reshape((*values.shape[:-1], *tail))
