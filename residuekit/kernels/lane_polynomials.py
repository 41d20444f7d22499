# mypy: disable-error-code="no-untyped-def"
"""Iterated polynomial baselines of 16 spectra in lock-step; see `residuekit.kernels.baseline`.

Lanes and their turns as in `lane_baselines`: each value of the basis is read once for 16 spectra.
"""

from __future__ import annotations

import numpy as np

from .lane_baselines import ready
from .lanes import WIDTH, fma, jit, load, lower, splat, store
from .row_filters import inner

#: Channels that are clipped before they are projected.
TILE = 4


@jit
def _next(block, basis, baselines, row, lane, y, now):
    """Load the next row that needs a baseline into a lane, and its fit; return the row."""
    n = block.shape[1]
    while row < block.shape[0] and not ready(block[row], baselines[row]):
        row += 1
    if row < block.shape[0]:
        for i in range(n):
            y[WIDTH * i + lane] = block[row, i]
        for term in range(basis.shape[0]):
            now[WIDTH * term + lane] = inner(block[row], basis[term, :n])
    return row


@jit
def _clip_and_project(y, basis, now, new):
    """Clip the spectra to the fits of `now`; fill `new` with the coefficients of what is left."""
    terms, n = basis.shape
    new[:] = 0.0
    for start in range(0, n, TILE):
        for i in range(start, start + TILE):
            fit = splat(0.0)
            for term in range(terms):
                fit = fma(load(now, WIDTH * term), splat(basis[term, i]), fit)
            store(y, WIDTH * i, lower(load(y, WIDTH * i), fit))
        here = WIDTH * start
        y0, y1 = load(y, here), load(y, here + WIDTH)
        y2, y3 = load(y, here + 2 * WIDTH), load(y, here + 3 * WIDTH)
        for term in range(terms):
            s = fma(y0, splat(basis[term, start]), load(new, WIDTH * term))
            s = fma(y1, splat(basis[term, start + 1]), s)
            s = fma(y2, splat(basis[term, start + 2]), s)
            store(new, WIDTH * term, fma(y3, splat(basis[term, start + 3]), s))


@jit
def clipped_polynomials(block, basis, tolerance, max_iterations, baselines):
    """Iterated clipping by orthonormal polynomials, `basis` (order + 1, n padded with 0 to tiles).

    A fit is its coefficients: their lengths are those of the fits, so none is written out before
    the last.
    """
    n_rows, n = block.shape
    terms, padded = basis.shape
    y, now, new = np.zeros(WIDTH * padded), np.zeros(WIDTH * terms), np.zeros(WIDTH * terms)
    rows, rounds = np.empty(WIDTH, np.intp), np.zeros(WIDTH, np.intp)
    following = 0
    for lane in range(WIDTH):
        rows[lane] = _next(block, basis, baselines, following, lane, y, now)
        following = rows[lane] + 1
    while rows.min() < n_rows:
        if max_iterations > 0:
            _clip_and_project(y, basis, now, new)
        else:
            new[:] = now
        for lane in range(WIDTH):
            if rows[lane] >= n_rows:
                continue
            moved = size = 0.0
            for term in range(lane, WIDTH * terms, WIDTH):
                moved += (new[term] - now[term]) ** 2
                size += now[term] ** 2
                now[term] = new[term]
            rounds[lane] += 1
            if moved < tolerance**2 * size or rounds[lane] >= max_iterations:
                line = baselines[rows[lane]]
                line[:] = 0.0
                for term in range(terms):
                    amount = now[WIDTH * term + lane]
                    for i in range(n):
                        line[i] += amount * basis[term, i]
                rows[lane] = _next(block, basis, baselines, following, lane, y, now)
                following = rows[lane] + 1
                rounds[lane] = 0
    return True
