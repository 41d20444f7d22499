# mypy: disable-error-code="no-untyped-def"
"""Smoothing and normalisation spectrum by spectrum, compiled; see `smooth` and `normalise`.

`result` has the shape and the type of `block`, float32 or float64; sums are float64.
"""

from __future__ import annotations

import numpy as np

from .lanes import WIDTH, across, add, fma, jit, load, splat, store, subtract


@jit
def smoothed(block, fit, result):
    """Savitzky-Golay: `fit` (window, window) has in row s the weights for place s of the window."""
    n, window = block.shape[1], fit.shape[0]
    half = window // 2
    centre = fit[half]
    y = np.empty(n)
    for k in range(block.shape[0]):
        row, smooth = block[k], result[k]
        y[:] = row
        if not np.isfinite(total(y)):
            smooth[:] = np.nan
            continue
        last = n - half - WIDTH
        for i in range(half, last + 1, WIDTH):
            s = splat(0.0)
            for j in range(window):
                s = fma(load(y, i - half + j), splat(centre[j]), s)
            store(smooth, i, s)
        done = half + WIDTH * max((last - half) // WIDTH + 1, 0)
        for i in range(done, n - half):
            smooth[i] = inner(y[i - half : i + half + 1], centre)
        for place in range(half):
            smooth[place] = inner(y[:window], fit[place])
            smooth[n - half + place] = inner(y[n - window :], fit[half + 1 + place])
    return True


@jit
def total(row):
    """Return the sum of a row in float64: not finite where a value is not."""
    whole = row.size - row.size % WIDTH
    first = second = splat(0.0)
    for i in range(0, whole - WIDTH, 2 * WIDTH):
        first = add(first, load(row, i))
        second = add(second, load(row, i + WIDTH))
    if whole % (2 * WIDTH):
        first = add(first, load(row, whole - WIDTH))
    s = across(add(first, second))
    for i in range(whole, row.size):
        s += np.float64(row[i])
    return s


@jit
def squares(row, middle):
    """Return the sum of squared deviations from `middle` in float64."""
    whole = row.size - row.size % WIDTH
    zero = splat(middle)
    first = second = splat(0.0)
    for i in range(0, whole - WIDTH, 2 * WIDTH):
        d = subtract(load(row, i), zero)
        first = fma(d, d, first)
        d = subtract(load(row, i + WIDTH), zero)
        second = fma(d, d, second)
    if whole % (2 * WIDTH):
        d = subtract(load(row, whole - WIDTH), zero)
        first = fma(d, d, first)
    s = across(add(first, second))
    for i in range(whole, row.size):
        s += (np.float64(row[i]) - middle) ** 2
    return s


@jit
def inner(first, second):
    """Return the inner product of two rows in float64."""
    whole = first.size - first.size % WIDTH
    even = odd = splat(0.0)
    for i in range(0, whole - WIDTH, 2 * WIDTH):
        even = fma(load(first, i), load(second, i), even)
        odd = fma(load(first, i + WIDTH), load(second, i + WIDTH), odd)
    if whole % (2 * WIDTH):
        even = fma(load(first, whole - WIDTH), load(second, whole - WIDTH), even)
    s = across(add(even, odd))
    for i in range(whole, first.size):
        s += np.float64(first[i]) * np.float64(second[i])
    return s


@jit
def mean_and_squares(row):
    """Return the mean and the sum of squared deviations from it, in one pass where that is exact.

    Where the mean lies so far from zero that digits are lost, a second pass is made.
    """
    whole = row.size - row.size % WIDTH
    sums = products = splat(0.0)
    for i in range(0, whole, WIDTH):
        value = load(row, i)
        sums = add(sums, value)
        products = fma(value, value, products)
    s, q = across(sums), across(products)
    for i in range(whole, row.size):
        value = np.float64(row[i])
        s += value
        q += value * value
    mean = s / row.size
    about_mean = q - s * mean
    if about_mean < 1e-4 * q:
        about_mean = squares(row, mean)
    return mean, about_mean


@jit
def _flat(row):
    first = row[0]
    flat = True
    for value in row:
        flat &= value == first
    return flat


@jit
def _divided(row, shift, factor, result):
    """Fill result with (row - shift) / factor, or NaN where it cannot be; return the factor."""
    if not (factor > 0 and factor < np.inf):
        result[:] = np.nan
        return np.nan
    scale = 1.0 / factor
    whole = row.size - row.size % WIDTH
    plus, times = splat(-shift * scale), splat(scale)
    for i in range(0, whole, WIDTH):
        store(result, i, fma(load(row, i), times, plus))
    for i in range(whole, row.size):
        result[i] = (np.float64(row[i]) - shift) * scale
    return factor


@jit
def by_length(block, start, stop, result, factors):
    """Divide by the Euclidean length of channels start to stop."""
    for k in range(block.shape[0]):
        row = block[k]
        length = np.sqrt(squares(row[start:stop], 0.0))
        length += 0.0 * (total(row[:start]) + total(row[stop:]))
        factors[k] = _divided(row, 0.0, length, result[k])
    return True


@jit
def by_spread(block, start, stop, result, factors):
    """Subtract the mean of channels start to stop and divide by their standard deviation."""
    for k in range(block.shape[0]):
        row = block[k]
        part = row[start:stop]
        mean, deviation = mean_and_squares(part)
        spread = np.sqrt(deviation / (part.size - 1))
        spread += 0.0 * (total(row[:start]) + total(row[stop:]))
        if spread <= 1e-6 * abs(mean) and _flat(part):
            spread = 0.0
        factors[k] = _divided(row, mean, spread, result[k])
    return True


@jit
def by_weights(block, weights, start, stop, flat_is_nothing, result, factors):
    """Divide by a weighted sum; `flat_is_nothing` where channels start to stop must not be flat."""
    for k in range(block.shape[0]):
        row = block[k]
        amount = inner(row, weights)
        if flat_is_nothing and _flat(row[start:stop]):
            amount = 0.0
        factors[k] = _divided(row, 0.0, amount, result[k])
    return True


@jit
def by_model(block, solver, polynomial, thickness, result, factors):
    """Subtract the polynomial that `solver` finds and divide by the amount it finds first.

    Without `thickness` it is not divided: a spectrum that is not finite has an amount of NaN still.
    """
    n, terms = block.shape[1], polynomial.shape[0]
    below = np.empty(n)
    for k in range(block.shape[0]):
        row = block[k]
        below[:] = 0.0
        for term in range(terms):
            amount = inner(row, solver[term + 1])
            for i in range(n):
                below[i] += amount * polynomial[term, i]
        for i in range(n):
            below[i] = row[i] - below[i]
        amount = inner(row, solver[0])
        if not thickness:
            amount = 1.0 + 0.0 * amount
        if _flat(row):
            amount = 0.0
        factors[k] = _divided(below, 0.0, amount, result[k])
    return True
