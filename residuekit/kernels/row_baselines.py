# mypy: disable-error-code="no-untyped-def"
"""Baselines spectrum by spectrum, compiled; see `residuekit.kernels.baseline`.

Each fills `baselines` (n_spectra, n_channels, float64) from `block`, float32 or float64.
"""

from __future__ import annotations

import numpy as np

from .lane_baselines import ready
from .lanes import WIDTH, add, fma, jit, least, load, lower, multiply, splat, store, subtract


@jit
def hulls(block, axis, baselines):
    """Lower convex hulls: between two corners the channel furthest below their chord is one too."""
    n = block.shape[1]
    y, depth = np.empty(n), np.empty(n)
    ends = np.empty(n, np.intp)
    for k in range(block.shape[0]):
        if not ready(block[k], baselines[k]):
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
    start, place, rise = splat(y[left]), splat(axis[left]), splat(slope)
    lowest = splat(0.0)
    i = left + 1
    while i + WIDTH <= right:
        chord = fma(rise, subtract(load(axis, i), place), start)
        d = subtract(load(y, i), chord)
        store(depth, i, d)
        lowest = lower(lowest, d)
        i += WIDTH
    bottom = least(lowest)
    while i < right:
        depth[i] = y[i] - (y[left] + slope * (axis[i] - axis[left]))
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
    half = splat(0.5)
    y, z = np.empty(n + WIDTH), np.empty(n + WIDTH)
    for k in range(block.shape[0]):
        if not ready(block[k], baselines[k]):
            continue
        y[:n] = block[k]
        for m in range(1, min(half_window, (n - 1) // 2) + 1):
            z[:m] = y[:m]
            z[n - m : n] = y[n - m : n]
            last = n - m - WIDTH
            for i in range(m, last + 1, WIDTH):
                middle = multiply(half, add(load(y, i - m), load(y, i + m)))
                store(z, i, lower(load(y, i), middle))
            done = m + WIDTH * max((last - m) // WIDTH + 1, 0)
            for i in range(done, n - m):
                z[i] = min(y[i], 0.5 * (y[i - m] + y[i + m]))
            y, z = z, y
        baselines[k] = y[:n]
    return True
