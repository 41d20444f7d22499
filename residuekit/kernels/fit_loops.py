# mypy: disable-error-code="no-untyped-def"
"""Bounded fits of pseudo-Voigt bands over a line, 16 spectra in lock-step, compiled.

`residuekit.kernels.band_fits` says what is fitted. Levenberg-Marquardt by normal equations
(Marquardt 1963, J. SIAM 11, 431; damping after Nielsen 1999, report IMM-REP-1999-05), steps
clipped to the bounds (Kanzow, Yamashita & Fukushima 2004, J. Comput. Appl. Math. 172, 375); a
parameter at a bound that the gradient would leave is held for that step. Each lane walks one
spectrum; a lane that is done takes the next. Arrays of lanes are (n, 16); a symmetric matrix holds
(p, q <= p) in row p (p + 1) / 2 + q.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from .baseline_loops import exponential
from .lanes import WIDTH, jit, load, lower, pick_less, store

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
def _keep(jacobian, slot, tile, values):
    if slot >= 0:
        store(jacobian, TILE * slot + tile, values)


@jit
def _derivatives(i, tile, y, place, theta, slots, jacobian, left):
    """Store what channel i leaves of y, and its derivatives by the free parameters."""
    x, last = place[i], theta.shape[0] - 2
    rest = load(y, i) - (load(theta, last + 1) * x + load(theta, last))
    for band in range(0, last, 4):
        height, centre = load(theta, band), load(theta, band + 1)
        width, share = load(theta, band + 2), load(theta, band + 3)
        per_width = 2.0 / width
        u = (x - centre) * per_width
        u2 = u * u
        lorentz = 1.0 / (u2 + 1.0)
        gauss = exponential(_upper(u2 * -_LN2, -700.0))
        mixed = lorentz - gauss
        shape = share * mixed + gauss
        rest = rest - height * shape
        fall = share * (lorentz * lorentz) + (1.0 - share) * (gauss * _LN2)
        moved = height * fall * (u * per_width)
        _keep(jacobian, slots[band], tile, shape)
        _keep(jacobian, slots[band + 1], tile, moved * 2.0)
        _keep(jacobian, slots[band + 2], tile, moved * u)
        _keep(jacobian, slots[band + 3], tile, height * mixed)
    _keep(jacobian, slots[last], tile, 1.0)
    _keep(jacobian, slots[last + 1], tile, x)
    store(left, tile, rest)


@jit
def _normal_equations(y, place, theta, slots, jacobian, left, matrix, gradient, cost):
    """Sum up J'J, J'r and r'r at theta."""
    size, n, squares = gradient.shape[0], place.size, 0.0
    matrix[:] = 0.0
    gradient[:] = 0.0
    for start in range(0, n, TILE):
        if start + TILE > n:
            jacobian[:] = 0.0
            left[:] = 0.0
        for tile in range(min(TILE, n - start)):
            _derivatives(start + tile, tile, y, place, theta, slots, jacobian, left)
        r0, r1, r2, r3 = load(left, 0), load(left, 1), load(left, 2), load(left, 3)
        squares = r0 * r0 + (r1 * r1 + (r2 * r2 + (r3 * r3 + squares)))
        for p in range(size):
            one, corner = TILE * p, p * (p + 1) // 2
            a0, a1 = load(jacobian, one), load(jacobian, one + 1)
            a2, a3 = load(jacobian, one + 2), load(jacobian, one + 3)
            s = a0 * r0 + load(gradient, p)
            store(gradient, p, a3 * r3 + (a2 * r2 + (a1 * r1 + s)))
            for q in range(p + 1):
                other = TILE * q
                s = a0 * load(jacobian, other) + load(matrix, corner + q)
                s = a1 * load(jacobian, other + 1) + s
                s = a2 * load(jacobian, other + 2) + s
                store(matrix, corner + q, a3 * load(jacobian, other + 3) + s)
    store(cost, 0, squares)


@jit
def _step(matrix, gradient, damping, moving, factor, scaled, pivots, step):
    """Solve (J'J + damping diag J'J) step = J'r among the parameters that are moving.

    The factorisation is L D L'; `factor` holds L, `scaled` L D, `pivots` 1 / D.
    """
    size = gradient.shape[0]
    more = load(damping, 0) + 1.0
    for p in range(size):
        corner, here = p * (p + 1) // 2, load(moving, p)
        for q in range(p):
            s = load(matrix, corner + q) * load(moving, q) * here
            for r in range(q):
                s = s - load(scaled, corner + r) * load(factor, q * (q + 1) // 2 + r)
            store(scaled, corner + q, s)
            store(factor, corner + q, s * load(pivots, q))
        whole = here * (load(matrix, corner + p) * more) + (1.0 - here)
        d, value = whole, here * load(gradient, p)
        for r in range(p):
            low = load(factor, corner + r)
            d = d - load(scaled, corner + r) * low
            value = value - low * load(step, r)
        store(pivots, p, 1.0 / _upper(d, whole * _LEAST_PIVOT))
        store(step, p, value)
    for p in range(size - 1, -1, -1):
        value = load(step, p) * load(pivots, p)
        for q in range(p + 1, size):
            value = value - load(factor, q * (q + 1) // 2 + p) * load(step, q)
        store(step, p, value)


@jit
def _move(theta, trial, step, columns, low, high, matrix, gradient, gain):
    """Step from theta to trial within the bounds; store the fall of the cost that is foreseen."""
    foreseen = 0.0
    for p in range(columns.size):
        here, corner = columns[p], p * (p + 1) // 2
        now = load(theta, here)
        to = lower(_upper(now + load(step, p), low[here]), high[here])
        store(trial, here, to)
        mine, half = to - now, 0.0
        store(step, p, mine)
        for q in range(p):
            half = load(matrix, corner + q) * load(step, q) + half
        bent = load(matrix, corner + p) * mine + (half + half)
        slope = load(gradient, p)
        foreseen = mine * (slope + slope - bent) + foreseen
    store(gain, 0, foreseen)


@jit
def _free_to_move(lane, theta, columns, low, high, matrix, gradient, moving):
    """Set `moving` to 1, or 0 for a parameter without effect or held by its bound."""
    for p, column in enumerate(columns):
        value, slope = theta[column, lane], gradient[p, lane]
        held = (value <= low[column] and slope <= 0) or (value >= high[column] and slope >= 0)
        still = held or not matrix[p * (p + 3) // 2, lane] > _TINY
        moving[p, lane] = 0.0 if still else 1.0


@jit
def _errors(matrix, moving, work, errors):
    """Fill `errors` with the roots of the diagonal of (J'J)^-1; NaN for what is held."""
    size = errors.size
    column = np.empty(size)
    for p in range(size):
        for q in range(p + 1):
            s = matrix[p * (p + 1) // 2 + q] * moving[p] * moving[q]
            s += (1.0 - moving[p]) * (p == q)
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
        errors[q] = np.sqrt(s) if moving[q] > 0 else np.nan


@jit
def _judge(cost, new_cost, gain, damping, growth, tolerance):
    """Take the trial or not, and set the damping; return whether it is the end."""
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
    triangle = size * (size + 1) // 2
    y, theta, trial = np.zeros((n, WIDTH)), np.ones((count, WIDTH)), np.ones((count, WIDTH))
    jacobian, left = np.empty((TILE * size, WIDTH)), np.empty((TILE, WIDTH))
    matrix, new_matrix = np.zeros((triangle, WIDTH)), np.zeros((triangle, WIDTH))
    gradient, new_gradient = np.zeros((size, WIDTH)), np.zeros((size, WIDTH))
    factor, scaled = np.empty((triangle, WIDTH)), np.empty((triangle, WIDTH))
    pivots, step, moving = np.empty((size, WIDTH)), np.zeros((size, WIDTH)), np.ones((size, WIDTH))
    cost, new_cost, gain = np.full(WIDTH, np.inf), np.empty(WIDTH), np.zeros(WIDTH)
    damping, growth = np.full(WIDTH, _FIRST_DAMPING), np.full(WIDTH, 2.0)
    rows, turns, following = np.full(WIDTH, -1), np.zeros(WIDTH, np.intp), 0
    work = np.empty((size, size))
    while True:
        for lane in range(WIDTH):
            if rows[lane] < 0:
                rows[lane], turns[lane] = following, 0
                if following < n_rows:
                    y[:, lane] = block[following]
                    theta[:, lane] = trial[:, lane] = start[following]
                following += 1
        if rows.min() >= n_rows:
            return True
        _normal_equations(y, place, trial, slots, jacobian, left, new_matrix, new_gradient,
                          new_cost)  # fmt: skip
        for lane in range(WIDTH):
            done = turns[lane] == rounds
            if turns[lane] == 0:
                cost[lane], damping[lane], growth[lane] = np.inf, _FIRST_DAMPING, 2.0
            else:
                damping[lane], growth[lane], last = _judge(
                    cost[lane], new_cost[lane], gain[lane], damping[lane], growth[lane], tolerance
                )
                done |= last
            if new_cost[lane] <= cost[lane]:
                cost[lane] = new_cost[lane]
                theta[:, lane] = trial[:, lane]
                matrix[:, lane] = new_matrix[:, lane]
                gradient[:, lane] = new_gradient[:, lane]
            turns[lane] += 1
            _free_to_move(lane, theta, columns, low, high, matrix, gradient, moving)
            if done and rows[lane] < n_rows:
                found[rows[lane]], costs[rows[lane]] = theta[:, lane], cost[lane]
                _errors(matrix[:, lane], moving[:, lane], work, errors[rows[lane]])
                rows[lane] = -1
        _step(matrix, gradient, damping, moving, factor, scaled, pivots, step)
        _move(theta, trial, step, columns, low, high, matrix, gradient, gain)
