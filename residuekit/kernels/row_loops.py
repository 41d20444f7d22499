# mypy: disable-error-code="no-untyped-def"
"""Smoothing, normalisation, scores and noise spectrum by spectrum, compiled.

`smooth`, `normalise`, `emsc` and `bands` say what they mean. `block` (n_spectra, n_channels) is
float32 or float64; `result` of the same shape has its type; all else is float64, the sums too.
"""

from __future__ import annotations

import numpy as np

from .lanes import WIDTH, jit, load, store

_BUCKETS = 128
_TINY = 1e-300


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


@jit
def deviations(block, cut, whole_factor, cut_factor, result):
    """Fill result (n_spectra,) with the robust deviation of the second differences.

    Median absolute difference over `whole_factor`, then over `cut_factor` of those within `cut`
    deviations, until none is left to drop; NaN for a spectrum that is not finite. The sizes are
    laid into buckets, so that a rank is looked for in one bucket alone.
    """
    n = block.shape[1] - 2
    sizes, ordered = np.empty(n), np.empty(n)
    places, ends = np.empty(n, np.int32), np.empty(_BUCKETS, np.int32)
    for k in range(block.shape[0]):
        row = block[k]
        if not np.isfinite(_total(row)):
            result[k] = np.nan
            continue
        for i in range(n):
            sizes[i] = abs(np.float64(row[i + 2]) - 2.0 * np.float64(row[i + 1]) + row[i])
        scale = 0.25 * _BUCKETS * n / max(_total(sizes), _TINY)
        ends[:] = 0
        for i in range(n):
            places[i] = np.int32(min(sizes[i] * scale, _BUCKETS - 1.0))
        for i in range(n):
            ends[places[i]] += 1
        start = 0
        for bucket in range(_BUCKETS):
            start, ends[bucket] = start + ends[bucket], start
        for i in range(n):
            ordered[ends[places[i]]] = sizes[i]
            ends[places[i]] += 1
        kept, factor = n, whole_factor
        while True:
            middle = _ranked(ordered, ends, (kept - 1) // 2)
            spread = 0.5 * (middle + _ranked(ordered, ends, kept // 2)) / factor
            within = 0
            for i in range(n):
                within += sizes[i] <= cut * spread
            if within >= kept:
                break
            kept, factor = within, cut_factor
        result[k] = spread


@jit
def spiked(block, threshold, segment, normal, result):
    """Fill result (n_spectra, n_channels), all False, with the spikes of `faults.find_spikes`.

    Local noise: the median of |d| over `normal` in `segment` channels, the last one up to half as
    long again.
    """
    n = block.shape[1] - 4
    count = max(1, -(-(n - segment // 2) // segment))
    d, own = np.empty(n), np.empty(count)
    for k in range(block.shape[0]):
        row = block[k]
        smallest = np.inf
        for i in range(n + 3):
            step = abs(row[i + 1] - row[i])
            if step > 0.0:
                smallest = min(smallest, step)
        if smallest == np.inf:
            smallest = 0.0
        for i in range(n):
            near, far = row[i + 1] + row[i + 3], row[i] + row[i + 4]
            d[i] = row[i + 2] - (4.0 * near - far) / 6.0
        for s in range(count):
            end = n if s == count - 1 else (s + 1) * segment
            sizes = np.sort(np.abs(d[s * segment : end]))
            middle = sizes.size // 2
            own[s] = 0.5 * (sizes[middle] + sizes[(sizes.size - 1) // 2]) / normal
            if np.isnan(sizes[-1]):
                own[s] = np.nan
        for i in range(1, n - 1):
            s = min(i // segment, count - 1)
            noise = smallest
            for beside in range(max(s - 1, 0), min(s + 2, count)):
                if noise < own[beside] or np.isnan(own[beside]):
                    noise = own[beside]
                if np.isnan(noise):
                    break
            least = -0.45 * abs(d[i])
            sign = np.sign(d[i])
            if abs(d[i]) > threshold * noise and d[i - 1] * sign < least:
                result[k, i + 2] = d[i + 1] * sign < least


@jit
def _ranked(ordered, ends, rank):
    """Return the size of a rank, 0 for the smallest, of sizes that are ordered by bucket."""
    bucket = 0
    while ends[bucket] <= rank:
        bucket += 1
    first = ends[bucket - 1] if bucket > 0 else 0
    ordered[first : ends[bucket]].sort()
    return ordered[rank]
