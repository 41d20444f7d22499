# mypy: disable-error-code="no-untyped-def"
"""Baselines compiled; `residuekit.kernels.baselines` says what they are.

Each fills `baselines` (n_spectra, n_channels, float64) from `block`, float32 or float64. The
reweighted ones walk 16 spectra in lock-step: a lane takes one spectrum through its own rounds, and
one that has converged writes its baseline and takes the next spectrum at once. Arrays of lanes are
(n, 16).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from .lanes import WIDTH, jit, least, load, lower, pick_less, power_of_two, store
from .row_loops import inner

_LOG2_E = 1.4426950408889634
_LN2_HIGH, _LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10
_SHIFT = 6755399441055744.0  # 1.5 * 2^52: adding it rounds to a whole number
#: Channels that are clipped before they are projected.
TILE = 4


@jit
def exponential(x: Any) -> Any:
    """e^x of each lane for -708 <= x <= 708, to two units in the last place.

    e^x = 2^k e^r with |r| <= ln 2 / 2, e^r by its Taylor series to r^13.
    """
    shifted = x * _LOG2_E + _SHIFT
    k = shifted - _SHIFT
    r = x - k * _LN2_HIGH - k * _LN2_LOW
    series = r * (1.0 / 6227020800.0) + 1.0 / 479001600.0
    series = series * r + 1.0 / 39916800.0
    series = series * r + 1.0 / 3628800.0
    series = series * r + 1.0 / 362880.0
    series = series * r + 1.0 / 40320.0
    series = series * r + 1.0 / 5040.0
    series = series * r + 1.0 / 720.0
    series = series * r + 1.0 / 120.0
    series = series * r + 1.0 / 24.0
    series = series * r + 1.0 / 6.0
    series = series * r + 0.5
    series = series * r + 1.0
    return (series * r + 1.0) * power_of_two(shifted)


@jit
def _needs_a_baseline(row, baseline):
    """Say whether a row needs a baseline; else it gets its own: NaN, or itself if it is flat."""
    finite = flat = True
    for value in row:
        finite &= np.isfinite(value)
        flat &= value == row[0]
    if not finite or flat:
        baseline[:] = row[0] if finite else np.nan
    return finite and not flat


@jit
def _next(block, baselines, row, y, lane):
    """Load the next row that needs a baseline into a lane; return it (the end if none is left)."""
    while row < block.shape[0] and not _needs_a_baseline(block[row], baselines[row]):
        row += 1
    if row < block.shape[0]:
        for i in range(block.shape[1]):
            y[i, lane] = block[row, i]
    return row


@jit
def _up(y, w, penalty, e, f, x, pivots):
    """Factorise and solve upward: W + penalty = L diag(d) L', L (x / f) = W y.

    The system is pentadiagonal; e, f are the bands of L, f = penalty / d.
    """
    second, smallest = penalty[2, 0], np.inf
    e1 = f1 = f2 = g1 = x1 = x2 = 0.0
    for i in range(y.shape[0]):
        weight = load(w, i)
        d = weight + penalty[0, i] - second * f2 - g1 * e1
        smallest = lower(smallest, d)
        inverse = 1.0 / d
        g = penalty[1, i] - g1 * f1
        value = weight * load(y, i) - f2 * x2 - e1 * x1
        e2, f_now = g * inverse, second * inverse
        store(e, i, e2)
        store(f, i, f_now)
        store(x, i, value * inverse)
        e1, g1 = e2, g
        f2, f1 = f1, f_now
        x2, x1 = x1, value
    store(pivots, 0, smallest)


@jit
def _down_and_flip(y, w, e, f, x, asymmetry, change, size):
    """Substitute downward and set the weights of asymmetric least squares."""
    moved = total = z1 = z2 = 0.0
    for i in range(y.shape[0] - 1, -1, -1):
        z = load(x, i) - load(f, i) * z2 - load(e, i) * z1
        store(x, i, z)
        old = load(w, i)
        new = pick_less(z, load(y, i), asymmetry, 1.0 - asymmetry)
        store(w, i, new)
        step = new - old
        moved, total = step * step + moved, old * old + total
        z2, z1 = z1, z
    store(change, 0, moved)
    store(size, 0, total)


@jit
def _down_and_sum(y, e, f, x, count, mean, square):
    """Substitute downward and sum up the residuals below the baseline."""
    n = s = q = z1 = z2 = 0.0
    for i in range(y.shape[0] - 1, -1, -1):
        z = load(x, i) - load(f, i) * z2 - load(e, i) * z1
        store(x, i, z)
        d = load(y, i) - z
        below = lower(d, 0.0)
        n, s, q = n + pick_less(d, 0.0, 1.0, 0.0), s + below, below * below + q
        z2, z1 = z1, z
    store(count, 0, n)
    store(mean, 0, s)
    store(square, 0, q)


@jit
def _spreads(count, mean, square, tops, stopped):
    """Turn sums into mean and standard deviation, in place; `stopped` where there is none."""
    for lane in range(WIDTH):
        n = count[lane]
        if n >= 2:
            mean[lane] /= n
            variance = (square[lane] - n * mean[lane] ** 2) / (n - 1)
            square[lane] = np.sqrt(max(variance, 0.0))
        stopped[lane] = n < 2 or square[lane] <= 2.220446049250313e-16 * tops[lane]
        if stopped[lane]:
            mean[lane], square[lane] = 0.0, 1.0


@jit
def _reweight(y, w, x, mean, spread, change, size):
    """Set the weights of Baek et al. (2015), eq. 9."""
    m, s = load(mean, 0), load(spread, 0)
    slope, middle = 2.0 / s, s + s - m
    moved = total = 0.0
    for i in range(y.shape[0]):
        power = slope * (load(y, i) - load(x, i) - middle)
        power = lower(pick_less(power, -708.0, -708.0, power), 708.0)
        new = 1.0 / (exponential(power) + 1.0)
        old = load(w, i)
        store(w, i, new)
        step = new - old
        moved, total = step * step + moved, old * old + total
    store(change, 0, moved)
    store(size, 0, total)


@jit
def penalised(block, penalty, asymmetry, tolerance, max_iterations, baselines):
    """Return False where a system cannot be solved.

    `penalty` (3, n_channels) is the smoothness times D'D in lower band form. The weights are those
    of asymmetric least squares, or with an asymmetry of 0 those of Baek et al. (2015).
    """
    n_rows, n = block.shape
    y, w = np.zeros((n, WIDTH), block.dtype), np.ones((n, WIDTH))
    e, f, x = np.empty((n, WIDTH)), np.empty((n, WIDTH)), np.empty((n, WIDTH))
    change, size, pivots = np.empty(WIDTH), np.empty(WIDTH), np.empty(WIDTH)
    count, mean, square = np.empty(WIDTH), np.empty(WIDTH), np.empty(WIDTH)
    stopped, tops = np.zeros(WIDTH, np.bool_), np.zeros(WIDTH)
    rows, rounds, following = np.full(WIDTH, -1), np.zeros(WIDTH, np.intp), 0
    while True:
        for lane in range(WIDTH):
            if rows[lane] < 0:
                rows[lane] = _next(block, baselines, following, y, lane)
                following, rounds[lane], w[:, lane] = rows[lane] + 1, 0, 1.0
                tops[lane] = np.abs(block[min(rows[lane], n_rows - 1)]).max() if n_rows else 0.0
        if rows.min() >= n_rows:
            return True
        _up(y, w, penalty, e, f, x, pivots)
        if asymmetry > 0:
            _down_and_flip(y, w, e, f, x, asymmetry, change, size)
        else:
            _down_and_sum(y, e, f, x, count, mean, square)
            _spreads(count, mean, square, tops, stopped)
            _reweight(y, w, x, mean, square, change, size)
        for lane in range(WIDTH):
            if rows[lane] < n_rows:
                if not pivots[lane] > 0:
                    return False
                rounds[lane] += 1
                still = change[lane] < tolerance**2 * size[lane]
                if still or stopped[lane] or rounds[lane] == max_iterations:
                    baselines[rows[lane]] = x[:, lane]
                    rows[lane] = -1


@jit
def _clip_and_project(y, basis, now, new):
    """Clip the spectra to the fits of `now`; fill `new` with the coefficients of what is left."""
    terms, n = basis.shape
    new[:] = 0.0
    for start in range(0, n, TILE):
        for i in range(start, start + TILE):
            fit = load(now, 0) * basis[0, i]
            for term in range(1, terms):
                fit = load(now, term) * basis[term, i] + fit
            store(y, i, lower(load(y, i), fit))
        y0, y1, y2, y3 = load(y, start), load(y, start + 1), load(y, start + 2), load(y, start + 3)
        for term in range(terms):
            s = y0 * basis[term, start] + load(new, term)
            s = y1 * basis[term, start + 1] + s
            s = y2 * basis[term, start + 2] + s
            store(new, term, y3 * basis[term, start + 3] + s)


@jit
def clipped_polynomials(block, basis, tolerance, max_iterations, baselines):
    """Iterated clipping by orthonormal polynomials, `basis` (order + 1, n padded with 0 to tiles).

    A fit is its coefficients: their lengths are those of the fits, so none is written out before
    the last.
    """
    n_rows, n = block.shape
    terms, padded = basis.shape
    y, now, new = np.zeros((padded, WIDTH)), np.zeros((terms, WIDTH)), np.zeros((terms, WIDTH))
    rows, rounds, following = np.full(WIDTH, -1), np.zeros(WIDTH, np.intp), 0
    while True:
        for lane in range(WIDTH):
            if rows[lane] < 0:
                rows[lane] = _next(block, baselines, following, y, lane)
                following, rounds[lane] = rows[lane] + 1, 0
                for term in range(terms if rows[lane] < n_rows else 0):
                    now[term, lane] = inner(block[rows[lane]], basis[term, :n])
        if rows.min() >= n_rows:
            return True
        if max_iterations > 0:
            _clip_and_project(y, basis, now, new)
        else:
            new[:] = now
        for lane in range(WIDTH):
            if rows[lane] < n_rows:
                moved = ((new[:, lane] - now[:, lane]) ** 2).sum()
                size = (now[:, lane] ** 2).sum()
                now[:, lane] = new[:, lane]
                rounds[lane] += 1
                if moved < tolerance**2 * size or rounds[lane] >= max_iterations:
                    line = baselines[rows[lane]]
                    line[:] = 0.0
                    for term in range(terms):
                        for i in range(n):
                            line[i] += now[term, lane] * basis[term, i]
                    rows[lane] = -1


@jit
def hulls(block, axis, baselines):
    """Lower convex hulls: between two corners the channel furthest below their chord is one too."""
    n = block.shape[1]
    y, depth = np.empty(n), np.empty(n)
    ends = np.empty(n, np.intp)
    for k in range(block.shape[0]):
        if not _needs_a_baseline(block[k], baselines[k]):
            continue
        y[:] = block[k]
        line = baselines[k]
        left, open_ends = 0, 1
        ends[0] = n - 1
        while open_ends > 0:
            right = ends[open_ends - 1]
            slope = (y[right] - y[left]) / (axis[right] - axis[left])
            deepest = _below_chord(y, axis, left, right, slope, depth)
            if deepest > left:
                ends[open_ends] = deepest
                open_ends += 1
            else:
                for i in range(left, right):
                    line[i] = y[left] + slope * (axis[i] - axis[left])
                left = right
                open_ends -= 1
        line[n - 1] = y[n - 1]
    return True


@jit
def _below_chord(y, axis, left, right, slope, depth):
    """Return the channel furthest below the chord from left to right, or left if there is none."""
    in_lanes, i = 0.0, left + 1
    while i + WIDTH <= right:
        d = load(y, i) - (slope * (load(axis, i) - axis[left]) + y[left])
        store(depth, i, d)
        in_lanes = lower(in_lanes, d)
        i += WIDTH
    bottom = least(in_lanes)
    while i < right:
        depth[i] = y[i] - (slope * (axis[i] - axis[left]) + y[left])
        bottom = min(bottom, depth[i])
        i += 1
    if bottom < 0:
        for channel in range(left + 1, right):
            if depth[channel] == bottom:
                return channel
    return left


@jit
def clipped_peaks(block, half_window, baselines):
    """Clip peaks by the mean of the channels m to each side, m = 1 ... half_window."""
    n = block.shape[1]
    y, z = np.empty(n), np.empty(n)
    for k in range(block.shape[0]):
        if not _needs_a_baseline(block[k], baselines[k]):
            continue
        y[:] = block[k]
        for m in range(1, min(half_window, (n - 1) // 2) + 1):
            z[:m] = y[:m]
            z[n - m :] = y[n - m :]
            done = m
            while done + WIDTH <= n - m:
                middle = (load(y, done - m) + load(y, done + m)) * 0.5
                store(z, done, lower(load(y, done), middle))
                done += WIDTH
            for i in range(done, n - m):
                z[i] = min(y[i], 0.5 * (y[i - m] + y[i + m]))
            y, z = z, y
        baselines[k] = y
    return True
