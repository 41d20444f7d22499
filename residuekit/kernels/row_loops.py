# mypy: disable-error-code="no-untyped-def"
"""Smoothing, normalisation, scores and noise spectrum by spectrum, compiled.

`smooth`, `normalise`, `emsc` and `bands` say what they mean. `block` (n_spectra, n_channels) is
float32 or float64; `result` of the same shape has its type; all else is float64, the sums too.
"""

from __future__ import annotations

import numpy as np

from .lanes import WIDTH, jit, load, store


@jit
def inner(first, second):
    """Return the inner product of two rows."""
    s = 0.0
    for i in range(first.size):
        s += np.float64(first[i]) * np.float64(second[i])
    return s


@jit
def _total(row):
    """Return the sum of a row: not finite where a value is not."""
    s = 0.0
    for i in range(row.size):
        s += np.float64(row[i])
    return s


@jit
def _flat(row):
    flat = True
    for value in row:
        flat &= value == row[0]
    return flat


@jit
def smoothed(block, fit, result):
    """Savitzky-Golay: `fit` (window, window) has in row s the weights for place s of the window."""
    n, window = block.shape[1], fit.shape[0]
    half = window // 2
    centre = fit[half]
    y = np.empty(n)
    for k in range(block.shape[0]):
        smooth = result[k]
        y[:] = block[k]
        if not np.isfinite(_total(y)):
            smooth[:] = np.nan
            continue
        done = half
        while done + WIDTH <= n - half:
            s = load(y, done - half) * centre[0]
            for j in range(1, window):
                s = load(y, done - half + j) * centre[j] + s
            store(smooth, done, s)
            done += WIDTH
        for i in range(done, n - half):
            smooth[i] = inner(y[i - half : i + half + 1], centre)
        for place in range(half):
            smooth[place] = inner(y[:window], fit[place])
            smooth[n - half + place] = inner(y[n - window :], fit[half + 1 + place])


@jit
def _divided(row, shift, factor, result):
    """Fill result with (row - shift) / factor, or NaN where it cannot be; return the factor."""
    if not (factor > 0 and factor < np.inf):
        result[:] = np.nan
        return np.nan
    scale = 1.0 / factor
    whole = row.size - row.size % WIDTH
    for i in range(0, whole, WIDTH):
        store(result, i, load(row, i) * scale - shift * scale)
    for i in range(whole, row.size):
        result[i] = (row[i] - shift) * scale
    return factor


@jit
def by_length(block, start, stop, result, factors):
    """Divide by the Euclidean length of channels start to stop."""
    for k in range(block.shape[0]):
        row = block[k]
        length = np.sqrt(inner(row[start:stop], row[start:stop]))
        length += 0.0 * (_total(row[:start]) + _total(row[stop:]))
        factors[k] = _divided(row, 0.0, length, result[k])


@jit
def by_spread(block, start, stop, result, factors):
    """Subtract the mean of channels start to stop and divide by their standard deviation."""
    for k in range(block.shape[0]):
        row = block[k]
        part = row[start:stop]
        mean = _total(part) / part.size
        squares = 0.0
        for i in range(part.size):
            squares += (np.float64(part[i]) - mean) ** 2
        spread = np.sqrt(squares / (part.size - 1))
        spread += 0.0 * (_total(row[:start]) + _total(row[stop:]))
        if spread <= 1e-6 * abs(mean) and _flat(part):
            spread = 0.0
        factors[k] = _divided(row, mean, spread, result[k])


@jit
def by_weights(block, weights, start, stop, flat_is_nothing, result, factors):
    """Divide by a weighted sum; `flat_is_nothing` where channels start to stop must not be flat."""
    for k in range(block.shape[0]):
        row = block[k]
        amount = inner(row, weights)
        if flat_is_nothing and _flat(row[start:stop]):
            amount = 0.0
        factors[k] = _divided(row, 0.0, amount, result[k])


@jit
def by_model(block, solver, polynomial, thickness, result, factors):
    """Subtract the polynomial that `solver` finds and divide by the amount it finds first.

    Without `thickness` it is not divided: a spectrum that is not finite has an amount of NaN still.
    """
    n, terms = block.shape[1], polynomial.shape[0]
    left = np.empty(n)
    for k in range(block.shape[0]):
        row = block[k]
        left[:] = row
        for term in range(terms):
            amount, shape = inner(row, solver[term + 1]), polynomial[term]
            for i in range(n):
                left[i] -= amount * shape[i]
        amount = inner(row, solver[0])
        if not thickness:
            amount = 1.0 + 0.0 * amount
        if _flat(row):
            amount = 0.0
        factors[k] = _divided(left, 0.0, amount, result[k])


@jit
def weighted(block, weights, runs, result):
    """Fill result (n_spectra, n_scores) with weighted sums; only channels with a weight are read.

    A row (score, start, stop) of `runs` is a run of channels with a weight in `weights`.
    """
    for k in range(block.shape[0]):
        row = block[k]
        result[k] = 0.0
        for run in runs:
            score, start, stop = run[0], run[1], run[2]
            result[k, score] += inner(row[start:stop], weights[score, start:stop])
