# mypy: disable-error-code="no-untyped-def"
"""Penalised baselines of 16 spectra in lock-step, compiled; see `residuekit.kernels.baseline`.

Each lane of `residuekit.kernels.lanes` walks one spectrum through its own rounds; a lane that has
converged writes its baseline and takes the next spectrum at once. The system of a round is
pentadiagonal: W + s D'D = L diag(d) L' is factorised and solved on the way up, substituted and
reweighted on the way down. Arrays of lanes hold channel i at [16 i : 16 i + 16].
"""

from __future__ import annotations

from typing import Any

import numpy as np

from .lanes import (
    WIDTH,
    add,
    divide,
    fma,
    jit,
    less_product,
    load,
    lower,
    multiply,
    pick_less,
    power_of_two,
    splat,
    store,
    subtract,
)

_LOG2_E = 1.4426950408889634
_LN2_HIGH, _LN2_LOW = 6.93147180369123816490e-01, 1.90821492927058770002e-10
_SHIFT = 6755399441055744.0  # 1.5 * 2^52: adding it rounds to a whole number


@jit
def exponential(x: Any) -> Any:
    """e^x of each lane for -708 <= x <= 708, to two units in the last place.

    e^x = 2^k e^r with |r| <= ln 2 / 2, e^r by its Taylor series to r^13.
    """
    shifted = fma(x, splat(_LOG2_E), splat(_SHIFT))
    k = subtract(shifted, splat(_SHIFT))
    r = fma(k, splat(-_LN2_HIGH), x)
    r = fma(k, splat(-_LN2_LOW), r)
    series = splat(1.0 / 6227020800.0)
    series = fma(series, r, splat(1.0 / 479001600.0))
    series = fma(series, r, splat(1.0 / 39916800.0))
    series = fma(series, r, splat(1.0 / 3628800.0))
    series = fma(series, r, splat(1.0 / 362880.0))
    series = fma(series, r, splat(1.0 / 40320.0))
    series = fma(series, r, splat(1.0 / 5040.0))
    series = fma(series, r, splat(1.0 / 720.0))
    series = fma(series, r, splat(1.0 / 120.0))
    series = fma(series, r, splat(1.0 / 24.0))
    series = fma(series, r, splat(1.0 / 6.0))
    series = fma(series, r, splat(0.5))
    series = fma(series, r, splat(1.0))
    series = fma(series, r, splat(1.0))
    return multiply(series, power_of_two(shifted))


@jit
def _up(y, w, penalty, e, f, x, pivots):
    """Factorise and solve upward: L (x / f) = W y; e, f are the bands of L, f = penalty / d."""
    n = penalty.shape[1]
    second = splat(penalty[2, 0])
    least = splat(np.inf)
    e1 = f1 = f2 = g1 = x1 = x2 = splat(0.0)
    for i in range(n):
        here = WIDTH * i
        weight = load(w, here)
        d = add(weight, splat(penalty[0, i]))
        d = less_product(d, second, f2)
        d = less_product(d, g1, e1)
        least = lower(least, d)
        inverse = divide(splat(1.0), d)
        g = less_product(splat(penalty[1, i]), g1, f1)
        value = multiply(weight, load(y, here))
        value = less_product(value, f2, x2)
        value = less_product(value, e1, x1)
        e2 = multiply(g, inverse)
        f_now = multiply(second, inverse)
        store(e, here, e2)
        store(f, here, f_now)
        store(x, here, multiply(value, inverse))
        e1, g1 = e2, g
        f2, f1 = f1, f_now
        x2, x1 = x1, value
    store(pivots, 0, least)


@jit
def _down_and_flip(y, w, e, f, x, asymmetry, change, size):
    """Substitute downward and set the weights of asymmetric least squares."""
    above, below = splat(asymmetry), splat(1.0 - asymmetry)
    moved = total = z1 = z2 = splat(0.0)
    for back in range(1, y.size // WIDTH + 1):
        here = y.size - WIDTH * back
        z = less_product(load(x, here), load(f, here), z2)
        z = less_product(z, load(e, here), z1)
        store(x, here, z)
        old = load(w, here)
        new = pick_less(z, load(y, here), above, below)
        step = subtract(new, old)
        moved = fma(step, step, moved)
        total = fma(old, old, total)
        store(w, here, new)
        z2, z1 = z1, z
    store(change, 0, moved)
    store(size, 0, total)


@jit
def _down_and_sum(y, e, f, x, count, mean, square):
    """Substitute downward and sum up the residuals below the baseline."""
    one, zero = splat(1.0), splat(0.0)
    n = s = q = z1 = z2 = zero
    for back in range(1, y.size // WIDTH + 1):
        here = y.size - WIDTH * back
        z = less_product(load(x, here), load(f, here), z2)
        z = less_product(z, load(e, here), z1)
        store(x, here, z)
        d = subtract(load(y, here), z)
        n = add(n, pick_less(d, zero, one, zero))
        below = lower(d, zero)
        s = add(s, below)
        q = fma(below, below, q)
        z2, z1 = z1, z
    store(count, 0, n)
    store(mean, 0, s)
    store(square, 0, q)


@jit
def _reweight(y, w, x, mean, spread, change, size):
    """Set the weights of Baek et al. (2015), eq. 9."""
    m, s = load(mean, 0), load(spread, 0)
    slope = divide(splat(2.0), s)
    middle = subtract(add(s, s), m)
    one, lowest, highest = splat(1.0), splat(-708.0), splat(708.0)
    moved = total = splat(0.0)
    for here in range(0, y.size, WIDTH):
        d = subtract(load(y, here), load(x, here))
        power = multiply(slope, subtract(d, middle))
        power = lower(pick_less(power, lowest, lowest, power), highest)
        new = divide(one, add(one, exponential(power)))
        old = load(w, here)
        step = subtract(new, old)
        moved = fma(step, step, moved)
        total = fma(old, old, total)
        store(w, here, new)
    store(change, 0, moved)
    store(size, 0, total)


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
def ready(row, baseline):
    """Say whether a row needs a baseline; else it gets its own: NaN, or itself if it is flat."""
    finite = True
    flat = True
    first = row[0]
    for value in row:
        finite &= np.isfinite(value)
        flat &= value == first
    if not finite:
        baseline[:] = np.nan
    elif flat:
        baseline[:] = first
    return finite and not flat


@jit
def _next(block, baselines, row, y, w, lane):
    """Load the next row that needs a baseline into a lane; return it (the end if none is left)."""
    while row < block.shape[0] and not ready(block[row], baselines[row]):
        row += 1
    top = 0.0
    if row < block.shape[0]:
        for i in range(block.shape[1]):
            y[WIDTH * i + lane] = block[row, i]
            w[WIDTH * i + lane] = 1.0
            top = max(top, abs(block[row, i]))
    return row, top


@jit
def penalised(block, penalty, asymmetry, tolerance, max_iterations, baselines):
    """Fill `baselines` (n_spectra, n_channels); return False where a system cannot be solved.

    `penalty` (3, n_channels) is the smoothness times D'D in lower band form. The weights are those
    of asymmetric least squares, or with an asymmetry of 0 those of Baek et al. (2015).
    """
    n_rows, n = block.shape
    y = np.zeros(WIDTH * n, block.dtype)
    w, e, f, x = np.ones(WIDTH * n), np.empty(WIDTH * n), np.empty(WIDTH * n), np.empty(WIDTH * n)
    change, size, pivots = np.empty(WIDTH), np.empty(WIDTH), np.empty(WIDTH)
    count, mean, square = np.empty(WIDTH), np.empty(WIDTH), np.empty(WIDTH)
    stopped, tops = np.zeros(WIDTH, np.bool_), np.zeros(WIDTH)
    rows, rounds = np.empty(WIDTH, np.intp), np.zeros(WIDTH, np.intp)
    following = 0
    for lane in range(WIDTH):
        rows[lane], tops[lane] = _next(block, baselines, following, y, w, lane)
        following = rows[lane] + 1
    while rows.min() < n_rows:
        _up(y, w, penalty, e, f, x, pivots)
        if asymmetry > 0:
            _down_and_flip(y, w, e, f, x, asymmetry, change, size)
        else:
            _down_and_sum(y, e, f, x, count, mean, square)
            _spreads(count, mean, square, tops, stopped)
            _reweight(y, w, x, mean, square, change, size)
        for lane in range(WIDTH):
            if rows[lane] >= n_rows:
                continue
            if not pivots[lane] > 0:
                return False
            rounds[lane] += 1
            still = change[lane] < tolerance**2 * size[lane]
            if still or stopped[lane] or rounds[lane] == max_iterations:
                for i in range(n):
                    baselines[rows[lane], i] = x[WIDTH * i + lane]
                rows[lane], tops[lane] = _next(block, baselines, following, y, w, lane)
                following = rows[lane] + 1
                rounds[lane] = 0
    return True
