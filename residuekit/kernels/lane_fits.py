# mypy: disable-error-code="no-untyped-def"
"""Bounded fits of pseudo-Voigt bands over a line, 16 spectra in lock-step, compiled.

`residuekit.kernels.band_fits` says what is fitted. Levenberg-Marquardt by normal equations
(Marquardt 1963, J. SIAM 11, 431; damping after Nielsen 1999, report IMM-REP-1999-05), steps
clipped to the bounds (Kanzow, Yamashita & Fukushima 2004, J. Comput. Appl. Math. 172, 375); a
parameter at a bound that the gradient would leave is held for that step. Each lane of
`residuekit.kernels.lanes` walks one spectrum; a lane that is done takes the next. Arrays of lanes
hold element j at [16 j : 16 j + 16]; a symmetric matrix of P rows holds (p, q <= p) at
p (p + 1) / 2 + q.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from .lane_baselines import exponential
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
    splat,
    store,
    subtract,
)

#: Channels whose derivatives are summed up together.
TILE = 4
_LN2 = 0.6931471805599453
_TINY = 1e-290
_FIRST_DAMPING, _MOST_DAMPING = 1e-3, 1e16
_LEAST_PIVOT = 1e-14


@jit
def _upper(first: Any, second: Any) -> Any:
    """Return the larger of each pair."""
    return pick_less(first, second, second, first)


@jit
def _derivatives(i, tile, y, place, theta, bands, slots, jacobian, left):
    """Store what channel i leaves of y, and its derivatives by the free parameters."""
    x = splat(place[i])
    last = WIDTH * 4 * bands
    offset, slope = load(theta, last), load(theta, last + WIDTH)
    rest = subtract(load(y, WIDTH * i), fma(slope, x, offset))
    one, two = splat(1.0), splat(2.0)
    for band in range(bands):
        here = WIDTH * 4 * band
        height, centre = load(theta, here), load(theta, here + WIDTH)
        width, share = load(theta, here + 2 * WIDTH), load(theta, here + 3 * WIDTH)
        per_width = divide(two, width)
        u = multiply(subtract(x, centre), per_width)
        u2 = multiply(u, u)
        lorentz = divide(one, add(one, u2))
        gauss = exponential(_upper(multiply(u2, splat(-_LN2)), splat(-700.0)))
        mixed = subtract(lorentz, gauss)
        shape = fma(share, mixed, gauss)
        rest = less_product(rest, height, shape)
        fall = multiply(subtract(one, share), multiply(gauss, splat(_LN2)))
        fall = fma(share, multiply(lorentz, lorentz), fall)
        moved = multiply(multiply(height, fall), multiply(u, per_width))
        by_height, by_centre = slots[4 * band], slots[4 * band + 1]
        by_width, by_share = slots[4 * band + 2], slots[4 * band + 3]
        if by_height >= 0:
            store(jacobian, WIDTH * (TILE * by_height + tile), shape)
        if by_centre >= 0:
            store(jacobian, WIDTH * (TILE * by_centre + tile), multiply(two, moved))
        if by_width >= 0:
            store(jacobian, WIDTH * (TILE * by_width + tile), multiply(moved, u))
        if by_share >= 0:
            store(jacobian, WIDTH * (TILE * by_share + tile), multiply(height, mixed))
    if slots[4 * bands] >= 0:
        store(jacobian, WIDTH * (TILE * slots[4 * bands] + tile), one)
    if slots[4 * bands + 1] >= 0:
        store(jacobian, WIDTH * (TILE * slots[4 * bands + 1] + tile), x)
    store(left, WIDTH * tile, rest)


@jit
def _normal_equations(y, place, theta, bands, slots, jacobian, left, matrix, gradient, cost):
    """Sum up J'J, J'r and r'r at theta."""
    size, n = gradient.size // WIDTH, place.size
    matrix[:] = 0.0
    gradient[:] = 0.0
    squares = splat(0.0)
    for start in range(0, n, TILE):
        if start + TILE > n:
            jacobian[:] = 0.0
            left[:] = 0.0
        for tile in range(min(TILE, n - start)):
            _derivatives(start + tile, tile, y, place, theta, bands, slots, jacobian, left)
        r0, r1 = load(left, 0), load(left, WIDTH)
        r2, r3 = load(left, 2 * WIDTH), load(left, 3 * WIDTH)
        squares = fma(r0, r0, fma(r1, r1, fma(r2, r2, fma(r3, r3, squares))))
        for p in range(size):
            one = WIDTH * TILE * p
            a0, a1 = load(jacobian, one), load(jacobian, one + WIDTH)
            a2, a3 = load(jacobian, one + 2 * WIDTH), load(jacobian, one + 3 * WIDTH)
            s = fma(a0, r0, load(gradient, WIDTH * p))
            store(gradient, WIDTH * p, fma(a3, r3, fma(a2, r2, fma(a1, r1, s))))
            for q in range(p + 1):
                other, here = WIDTH * TILE * q, WIDTH * (p * (p + 1) // 2 + q)
                s = fma(a0, load(jacobian, other), load(matrix, here))
                s = fma(a1, load(jacobian, other + WIDTH), s)
                s = fma(a2, load(jacobian, other + 2 * WIDTH), s)
                store(matrix, here, fma(a3, load(jacobian, other + 3 * WIDTH), s))
    store(cost, 0, squares)


@jit
def _step(matrix, gradient, damping, moving, factor, scaled, pivots, step):
    """Solve (J'J + damping diag J'J) step = J'r among the parameters that are moving.

    The factorisation is L D L'; `factor` holds L, `scaled` L D, `pivots` 1 / D.
    """
    size = gradient.size // WIDTH
    one, more = splat(1.0), add(splat(1.0), load(damping, 0))
    for p in range(size):
        corner, here = p * (p + 1) // 2, load(moving, WIDTH * p)
        for q in range(p):
            s = multiply(load(matrix, WIDTH * (corner + q)), load(moving, WIDTH * q))
            s = multiply(s, here)
            for r in range(q):
                s = less_product(s, load(scaled, WIDTH * (corner + r)),
                                 load(factor, WIDTH * (q * (q + 1) // 2 + r)))  # fmt: skip
            store(scaled, WIDTH * (corner + q), s)
            store(factor, WIDTH * (corner + q), multiply(s, load(pivots, WIDTH * q)))
        whole = multiply(load(matrix, WIDTH * (corner + p)), more)
        whole = fma(here, whole, subtract(one, here))
        d = whole
        value = multiply(here, load(gradient, WIDTH * p))
        for r in range(p):
            low = load(factor, WIDTH * (corner + r))
            d = less_product(d, load(scaled, WIDTH * (corner + r)), low)
            value = less_product(value, low, load(step, WIDTH * r))
        d = _upper(d, multiply(whole, splat(_LEAST_PIVOT)))
        store(pivots, WIDTH * p, divide(one, d))
        store(step, WIDTH * p, value)
    for back in range(1, size + 1):
        p = size - back
        value = multiply(load(step, WIDTH * p), load(pivots, WIDTH * p))
        for q in range(p + 1, size):
            value = less_product(value, load(factor, WIDTH * (q * (q + 1) // 2 + p)),
                                 load(step, WIDTH * q))  # fmt: skip
        store(step, WIDTH * p, value)


@jit
def _move(theta, trial, step, columns, low, high, matrix, gradient, gain):
    """Step from theta to trial within the bounds; store the fall of the cost that is foreseen."""
    size = gradient.size // WIDTH
    for p in range(size):
        here = WIDTH * columns[p]
        now = load(theta, here)
        to = add(now, load(step, WIDTH * p))
        to = lower(_upper(to, splat(low[columns[p]])), splat(high[columns[p]]))
        store(trial, here, to)
        store(step, WIDTH * p, subtract(to, now))
    foreseen = splat(0.0)
    for p in range(size):
        corner, half = p * (p + 1) // 2, splat(0.0)
        for q in range(p):
            half = fma(load(matrix, WIDTH * (corner + q)), load(step, WIDTH * q), half)
        mine = load(step, WIDTH * p)
        bent = fma(load(matrix, WIDTH * (corner + p)), mine, add(half, half))
        slope = load(gradient, WIDTH * p)
        foreseen = fma(mine, subtract(add(slope, slope), bent), foreseen)
    store(gain, 0, foreseen)


@jit
def _free_to_move(lane, theta, columns, low, high, matrix, gradient, moving):
    """Set `moving` to 1, or 0 for a parameter without effect or held by its bound."""
    for p in range(columns.size):
        column, corner = columns[p], WIDTH * (p * (p + 1) // 2 + p)
        value, slope = theta[WIDTH * column + lane], gradient[WIDTH * p + lane]
        held = (value <= low[column] and slope <= 0) or (value >= high[column] and slope >= 0)
        still = held or not matrix[corner + lane] > _TINY
        moving[WIDTH * p + lane] = 0.0 if still else 1.0


@jit
def _take(block, start, following, lane, y, theta, trial, rows):
    """Load the following spectrum and its start into a lane; return the one after it."""
    rows[lane] = following
    if following < block.shape[0]:
        for i in range(block.shape[1]):
            y[WIDTH * i + lane] = block[following, i]
        for j in range(start.shape[1]):
            theta[WIDTH * j + lane] = trial[WIDTH * j + lane] = start[following, j]
    return following + 1


@jit
def _errors(matrix, moving, lane, work, column, errors):
    """Fill `errors` with the roots of the diagonal of (J'J)^-1; NaN for what is held."""
    size = errors.size
    for p in range(size):
        for q in range(p + 1):
            s = matrix[WIDTH * (p * (p + 1) // 2 + q) + lane]
            s *= moving[WIDTH * p + lane] * moving[WIDTH * q + lane]
            s += (1.0 - moving[WIDTH * p + lane]) * (p == q)
            for r in range(q):
                s -= work[p, r] * work[q, r]
            work[p, q] = np.sqrt(s) if p == q else s / work[q, q]
    for q in range(size):
        column[q] = 1.0 / work[q, q]
        s = column[q] ** 2
        for p in range(q + 1, size):
            column[p] = 0.0
            for r in range(q, p):
                column[p] -= work[p, r] * column[r]
            column[p] /= work[p, p]
            s += column[p] ** 2
        errors[q] = np.sqrt(s) if moving[WIDTH * q + lane] > 0 else np.nan


@jit
def _judge(cost, new_cost, gain, damping, growth, tolerance):
    """Take the trial or not, lane by lane, and set the damping; return whether it is the end."""
    fall, small = cost - new_cost, tolerance * cost
    hoped = abs(gain) * (1.0 + damping)
    if fall >= 0.0:
        share = 2.0 * fall / gain - 1.0 if gain > 0.0 else 0.0
        damping *= max(1.0 / 3.0, 1.0 - share**3)
        growth = 2.0
        done = fall <= small and hoped <= small
    else:
        damping *= growth
        growth *= 2.0
        done = hoped <= small or damping > _MOST_DAMPING
    return damping, growth, done


@jit
def bands_fitted(block, place, start, columns, slots, low, high, tolerance, rounds,
                 found, costs, errors):  # fmt: skip
    """Fill found (n_spectra, 4 bands + 2), costs (n_spectra,) and errors (n_spectra, free).

    `place` is the axis about its middle, on which `start`, `low` and `high` stand too; `columns`
    are the free parameters in ascending order, `slots` their numbers or -1. `errors` are for noise
    of 1.
    """
    n_rows, n = block.shape
    count, size = start.shape[1], columns.size
    bands = count // 4
    triangle = size * (size + 1) // 2
    y, theta, trial = np.zeros(WIDTH * n), np.ones(WIDTH * count), np.ones(WIDTH * count)
    jacobian, left = np.empty(WIDTH * TILE * size), np.empty(WIDTH * TILE)
    matrix, new_matrix = np.zeros(WIDTH * triangle), np.zeros(WIDTH * triangle)
    gradient, new_gradient = np.zeros(WIDTH * size), np.zeros(WIDTH * size)
    factor, scaled = np.empty(WIDTH * triangle), np.empty(WIDTH * triangle)
    pivots, step, moving = np.empty(WIDTH * size), np.zeros(WIDTH * size), np.ones(WIDTH * size)
    cost, new_cost, gain = np.full(WIDTH, np.inf), np.empty(WIDTH), np.zeros(WIDTH)
    damping, growth = np.full(WIDTH, _FIRST_DAMPING), np.full(WIDTH, 2.0)
    rows, turns = np.full(WIDTH, n_rows), np.zeros(WIDTH, np.intp)
    work, column = np.empty((size, size)), np.empty(size)
    following = 0
    for lane in range(WIDTH):
        following = _take(block, start, following, lane, y, theta, trial, rows)
    while rows.min() < n_rows:
        _normal_equations(y, place, trial, bands, slots, jacobian, left, new_matrix, new_gradient,
                          new_cost)  # fmt: skip
        for lane in range(WIDTH):
            row, done = rows[lane], turns[lane] == rounds
            if turns[lane] == 0:
                cost[lane], damping[lane], growth[lane] = np.inf, _FIRST_DAMPING, 2.0
            else:
                damping[lane], growth[lane], last = _judge(
                    cost[lane], new_cost[lane], gain[lane], damping[lane], growth[lane], tolerance
                )
                done |= last
            if new_cost[lane] <= cost[lane]:
                cost[lane] = new_cost[lane]
                theta[lane::WIDTH] = trial[lane::WIDTH]
                matrix[lane::WIDTH] = new_matrix[lane::WIDTH]
                gradient[lane::WIDTH] = new_gradient[lane::WIDTH]
            turns[lane] += 1
            _free_to_move(lane, theta, columns, low, high, matrix, gradient, moving)
            if done and row < n_rows:
                found[row] = theta[lane::WIDTH]
                costs[row] = cost[lane]
                _errors(matrix, moving, lane, work, column, errors[row])
                following = _take(block, start, following, lane, y, theta, trial, rows)
                moving[lane::WIDTH] = 0.0
                turns[lane] = 0
        _step(matrix, gradient, damping, moving, factor, scaled, pivots, step)
        _move(theta, trial, step, columns, low, high, matrix, gradient, gain)
    return True
