# mypy: disable-error-code="no-untyped-def"
"""Scores, noise and non-negative amounts spectrum by spectrum, compiled.

See `residuekit.kernels.bands` and `residuekit.kernels.unmix` for what they mean.
"""

from __future__ import annotations

import numpy as np

from .lanes import WIDTH, across, add, fma, jit, load, pick_less, splat
from .row_filters import inner, total

_BUCKETS, _FEW = 128, 32
_TINY = 1e-300


@jit
def weighted(block, pieces, places, factors, singles, channels, rest, stream, result):
    """Fill result (n_spectra, n_scores) with weighted sums; only channels with a weight count.

    Score s sums the 16 channels from places[p] times factors[16 p : 16 p + 16], p = pieces[s] to
    pieces[s + 1], and the single channels[q] times rest[q], q = singles[s] to singles[s + 1].
    First the channels of `stream` are read, one a cache line, in their order: memory comes faster
    in one sweep than from window to window. Their sum is returned lest that be optimised away.
    """
    seen = 0.0
    for k in range(block.shape[0]):
        row, sums = block[k], result[k]
        swept = row[0]
        for channel in stream:
            swept += row[channel]
        seen += swept
        for s in range(sums.size):
            lanes = splat(0.0)
            for p in range(pieces[s], pieces[s + 1]):
                lanes = fma(load(row, places[p]), load(factors, WIDTH * p), lanes)
            total_of_score = across(lanes)
            for q in range(singles[s], singles[s + 1]):
                total_of_score += np.float64(row[channels[q]]) * rest[q]
            sums[s] = total_of_score
    return True, seen


@jit
def projected(block, references, result):
    """Fill result (n_spectra, n_references) with the inner products of spectra and references."""
    for k in range(block.shape[0]):
        for r in range(references.shape[0]):
            result[k, r] = inner(block[k], references[r])
    return True


@jit
def deviations(block, cut, whole_factor, cut_factor, result):
    """Fill result (n_spectra,) with the robust deviation of the second differences.

    Median absolute difference over `whole_factor`, then over `cut_factor` of those within `cut`
    deviations, until none is left to drop; NaN for a spectrum that is not finite. The sizes are
    counted into buckets, so that a rank is looked for in one bucket alone.
    """
    n = block.shape[1] - 2
    y, sizes = np.empty(n + 2), np.empty(n + WIDTH)
    places, counts = np.empty(n + -n % WIDTH, np.int32), np.empty(_BUCKETS, np.int32)
    members = np.empty(n)
    sizes[n:], places[n:] = np.inf, -1
    for k in range(block.shape[0]):
        y[:] = block[k]
        if not np.isfinite(total(y)):
            result[k] = np.nan
            continue
        for i in range(n):
            sizes[i] = abs(y[i + 2] - 2.0 * y[i + 1] + y[i])
        scale = 0.25 * _BUCKETS * n / max(total(sizes[:n]), _TINY)
        for i in range(n):
            places[i] = np.int32(min(sizes[i] * scale, _BUCKETS - 1.0))
        counts[:] = 0
        for i in range(n):
            counts[places[i]] += 1
        kept = n
        spread = _middle(sizes, places, counts, members, kept) / whole_factor
        while True:
            within = _count(sizes, n, cut * spread)
            if within >= kept:
                break
            kept = within
            spread = _middle(sizes, places, counts, members, kept) / cut_factor
        result[k] = spread
    return True


@jit
def _middle(sizes, places, counts, members, kept):
    """Return the median of the `kept` smallest sizes."""
    low, high = (kept - 1) // 2, kept // 2
    bucket = below = 0
    while below + counts[bucket] <= low:
        below += counts[bucket]
        bucket += 1
    inside = _sorted_bucket(sizes, places, bucket, members)
    first = members[low - below]
    if high - below < inside:
        return 0.5 * (first + members[high - below])
    bucket += 1
    while counts[bucket] == 0:
        bucket += 1
    _sorted_bucket(sizes, places, bucket, members)
    return 0.5 * (first + members[0])


@jit
def _sorted_bucket(sizes, places, bucket, members):
    """Put the sizes of a bucket into members, rising; return how many there are."""
    inside = 0
    for start in range(0, places.size, WIDTH):
        hit = False
        for i in range(start, start + WIDTH):
            hit |= places[i] == bucket
        if hit:
            for i in range(start, start + WIDTH):
                if places[i] == bucket:
                    members[inside] = sizes[i]
                    inside += 1
    if inside > _FEW:
        members[:inside].sort()
        return inside
    for i in range(1, inside):
        value, hole = members[i], i
        while hole > 0 and members[hole - 1] > value:
            members[hole] = members[hole - 1]
            hole -= 1
        members[hole] = value
    return inside


@jit
def _count(sizes, n, bound):
    """Count the sizes up to `bound`, which is finite; the n sizes are padded to whole lanes."""
    one, zero, limit = splat(1.0), splat(0.0), splat(bound)
    within = zero
    for i in range(0, n, WIDTH):
        within = add(within, pick_less(limit, load(sizes, i), zero, one))
    return int(across(within))


@jit
def _dot(first, second):
    """Return the inner product of two short rows."""
    s = 0.0
    for i in range(first.size):
        s += first[i] * second[i]
    return s


@jit
def non_negative(targets, triangle, tolerance, amounts):
    """Fill amounts (n, k) >= 0 that minimise |R a - t| for each target t, R the triangle (k, k).

    The active sets of Lawson & Hanson (1974), chapter 23, from the clipped free solution.
    """
    k = triangle.shape[0]
    turned = np.ascontiguousarray(triangle.T)
    gram = turned @ triangle
    inverse = np.linalg.inv(triangle)
    used = np.zeros(k, np.bool_)
    wanted, left, factor = np.zeros(k), np.zeros(k), np.zeros((k, k))
    for row in range(targets.shape[0]):
        t, a = targets[row], amounts[row]
        limit = tolerance * np.abs(t).max()
        if not np.isfinite(limit):
            a[:] = np.nan
            continue
        inside = True
        for i in range(k):
            free = _dot(inverse[i], t)
            a[i] = max(free, 0.0)
            used[i] = free > 0.0
            inside &= used[i]
        if inside:
            continue
        best = 0
        _step_inside(triangle, turned, gram, t, a, used, wanted, left, factor)
        while best >= 0:
            best, gain = -1, limit
            for i in range(k):
                left[i] = t[i] - _dot(triangle[i], a)
            for i in range(k):
                slope = _dot(turned[i], left)
                if not used[i] and slope > gain:
                    best, gain = i, slope
            if best >= 0:
                used[best] = True
                _step_inside(triangle, turned, gram, t, a, used, wanted, left, factor)
                if not used[best]:  # within rounding of the boundary
                    best = -1
    return True


@jit
def _step_inside(triangle, turned, gram, t, a, used, wanted, left, factor):
    """Move to the best point of the set in use, leaving out what would turn negative."""
    while True:
        _solve(triangle, turned, gram, t, used, wanted, left, factor)
        step, out = 1.0, -1
        for i in range(a.size):
            if used[i] and wanted[i] <= 0.0:
                share = a[i] / (a[i] - wanted[i]) if a[i] > 0.0 else 0.0
                if share < step or out < 0:
                    step, out = share, i
        for i in range(a.size):
            if used[i]:
                a[i] = wanted[i] if step == 1.0 else a[i] + step * (wanted[i] - a[i])
        if out < 0:
            return
        a[out] = 0.0
        used[out] = False


@jit
def _solve(triangle, turned, gram, t, used, wanted, left, factor):
    """Solve the set in use by the normal equations, refined once by what they leave.

    Bjorck 1987, Linear Algebra Appl. 88, 31. `factor` is Cholesky's, rows in use alone.
    """
    k = used.size
    for p in range(k):
        wanted[p] = 0.0
        for q in range(p + 1):
            if used[p] and used[q]:
                s = gram[p, q]
                for r in range(q):
                    if used[r]:
                        s -= factor[p, r] * factor[q, r]
                factor[p, q] = np.sqrt(s) if p == q else s / factor[q, q]
    left[:] = t
    for _ in range(2):
        _add_step(turned, used, wanted, left, factor)
        for p in range(k):
            left[p] = t[p] - _dot(triangle[p], wanted)


@jit
def _add_step(turned, used, wanted, left, factor):
    """Add to `wanted` the solution of the normal equations for what is left."""
    k = used.size
    step = np.zeros(k)
    for p in range(k):
        if used[p]:
            s = _dot(turned[p], left)
            for q in range(p):
                if used[q]:
                    s -= factor[p, q] * step[q]
            step[p] = s / factor[p, p]
    for p in range(k - 1, -1, -1):
        if used[p]:
            s = step[p]
            for q in range(p + 1, k):
                if used[q]:
                    s -= factor[q, p] * step[q]
            step[p] = s / factor[p, p]
            wanted[p] += step[p]
