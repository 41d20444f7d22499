"""The numpy way of every compiled kernel, with its arguments, and `by_numpy` to run it instead."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import sparse
from scipy.linalg import solveh_banded
from scipy.optimize import least_squares
from scipy.special import expit

from residuekit.kernels import band_fits, bands, baselines, emsc, normalise, smooth
from residuekit.kernels.band_fits import Band, derivative, pseudo_voigt


def by_numpy(function, *arguments, **parameters):
    """Call a function of `residuekit.kernels` with the numpy ways below for its kernels."""
    with pytest.MonkeyPatch.context() as patch:
        for module in (band_fits, bands, baselines, emsc, normalise, smooth):
            patch.setattr(module, "run", lambda _, name, *given: KERNELS[name](*given))
        return function(*arguments, **parameters)


def _of_whole_rows(compute, block, baselines):
    """Fill baselines: NaN for rows that are not finite, a flat row for itself."""
    rows = block.astype(np.float64)
    whole = np.isfinite(rows).all(axis=1)
    baselines[~whole] = np.nan
    flat = whole & (np.ptp(np.where(whole[:, None], rows, 0), axis=1) == 0)
    baselines[flat] = rows[flat]
    rest = whole & ~flat
    if rest.any():
        baselines[rest] = compute(rows[rest])
    return True


def penalised(block, penalty, asymmetry, tolerance, max_iterations, baselines):
    def new_weights(y, z):
        if asymmetry > 0:
            return np.where(y > z, asymmetry, 1 - asymmetry)
        d = y - z
        below = d[d < 0]
        if below.size < 2:
            return None
        mean = below.sum() / below.size
        below -= mean
        spread = np.sqrt(below @ below / (below.size - 1))
        if spread <= np.finfo(float).eps * np.abs(y).max():
            return None
        return expit(2 / spread * (2 * spread - mean - d))

    def fit(y):
        w = np.ones_like(y)
        for _ in range(max_iterations):
            system = penalty.copy()
            system[0] += w
            z = solveh_banded(system, w * y, lower=True)
            new = new_weights(y, z)
            if new is None or np.linalg.norm(new - w) < tolerance * np.linalg.norm(w):
                break
            w = new
        return z

    return _of_whole_rows(lambda rows: [fit(row) for row in rows], block, baselines)


def clipped_polynomials(block, basis, tolerance, max_iterations, baselines):
    shapes = basis[:, : block.shape[1]]

    def fit(y):
        line = now = y @ shapes.T @ shapes
        for _ in range(max_iterations):
            y = np.minimum(y, now)
            line = y @ shapes.T @ shapes
            if np.linalg.norm(line - now) < tolerance * np.linalg.norm(now):
                break
            now = line
        return line

    return _of_whole_rows(lambda rows: [fit(row) for row in rows], block, baselines)


def hulls(block, axis, baselines):
    """Andrew's monotone chain."""

    def hull(y):
        chain: list[int] = []
        for i in range(axis.size):
            while len(chain) > 1:
                a, b = chain[-2], chain[-1]
                if (y[b] - y[a]) * (axis[i] - axis[a]) < (y[i] - y[a]) * (axis[b] - axis[a]):
                    break
                chain.pop()
            chain.append(i)
        return np.interp(axis, axis[chain], y[chain])

    return _of_whole_rows(lambda rows: [hull(row) for row in rows], block, baselines)


def clipped_peaks(block, half_window, baselines):
    def clip(rows):
        for m in range(1, min(half_window, (rows.shape[1] - 1) // 2) + 1):
            middle = (rows[:, : -2 * m] + rows[:, 2 * m :]) / 2
            rows[:, m:-m] = np.minimum(rows[:, m:-m], middle)
        return rows

    return _of_whole_rows(clip, block, baselines)


def smoothed(block, fit, result):
    n, window = block.shape[1], len(fit)
    first = np.clip(np.arange(n) - window // 2, 0, n - window)
    columns = first[:, None] + np.arange(window)
    values = fit[np.arange(n) - first]
    ends = np.arange(0, n * window + 1, window)
    matrix = sparse.csr_array((values.ravel(), columns.ravel(), ends), shape=(n, n))
    whole = np.isfinite(block).all(axis=1)
    result[:] = np.nan
    result[whole] = (matrix @ block[whole].astype(np.float64).T).T


def _divide(block, shift, amounts, result, factors):
    usable = np.isfinite(block).all(axis=1) & (amounts > 0)
    factors[:] = np.where(usable, amounts, np.nan)
    with np.errstate(invalid="ignore"):
        result[:] = (block - shift) / factors[:, None]


def _part(block, start, stop):
    part = np.where(np.isfinite(block), block, 0.0)[:, start:stop].astype(np.float64)
    return part, np.ptp(part, axis=1) == 0


def by_length(block, start, stop, result, factors):
    part, _ = _part(block, start, stop)
    _divide(block.astype(np.float64), 0.0, np.linalg.norm(part, axis=1), result, factors)


def by_spread(block, start, stop, result, factors):
    part, flat = _part(block, start, stop)
    spread = np.where(flat, 0.0, part.std(axis=1, ddof=1))
    mean = part.mean(axis=1, keepdims=True)
    _divide(block.astype(np.float64), mean, spread, result, factors)


def by_weights(block, weights, start, stop, flat_is_nothing, result, factors):
    _, flat = _part(block, start, stop)
    amounts = _part(block, None, None)[0] @ weights
    amounts = np.where(flat_is_nothing & flat, 0.0, amounts)
    _divide(block.astype(np.float64), 0.0, amounts, result, factors)


def by_model(block, solver, polynomial, thickness, result, factors):
    whole, flat = _part(block, None, None)
    amounts = whole @ solver.T
    wanted = np.where(flat, 0.0, amounts[:, 0] if thickness else 1.0)
    _divide(block.astype(np.float64), amounts[:, 1:] @ polynomial, wanted, result, factors)


def weighted(block, weights, _runs, result):
    for row, sums in zip(weights, result.T, strict=True):
        used = np.flatnonzero(row)
        sums[:] = block[:, used].astype(np.float64) @ row[used]


def bands_fitted(rows, place, start, columns, _slots, low, high, _tolerance, _rounds,
                 found, costs, errors):  # fmt: skip
    """By scipy's bounded least squares, one spectrum after the other."""

    def parts(now):
        return [Band(*band) for band in now[:-2].reshape(-1, 4)]

    for number, row in enumerate(rows):
        full = start[number].copy()

        def residual(free, full=full, row=row):
            full[columns] = free
            line = full[-2] + full[-1] * place
            return line - row + sum(pseudo_voigt(place, band) for band in parts(full))

        def jacobian(free, full=full):
            full[columns] = free
            by = [derivative(place, band, name) for band in parts(full) for name in Band._fields]
            return np.array([*by, np.ones_like(place), place]).T[:, columns]

        limits = low[columns], high[columns]
        first = np.clip(full[columns], *limits)
        best = least_squares(residual, first, jacobian, limits, x_scale="jac",
                             ftol=1e-12, xtol=1e-12, gtol=1e-12)  # fmt: skip
        ends = np.stack(limits)  # scipy's search ends just inside of them
        bound = np.isclose(best.x, ends, rtol=1e-8, atol=1e-8)
        full[columns] = np.where(bound[0], ends[0], np.where(bound[1], ends[1], best.x))
        found[number], costs[number] = full, 2 * best.cost
        moving = ~bound.any(axis=0) & best.jac.any(axis=0)
        errors[number] = np.nan
        errors[number, moving] = np.linalg.norm(np.linalg.pinv(best.jac[:, moving]), axis=1)


KERNELS = {
    kernel.__name__: kernel
    for kernel in (
        penalised, clipped_polynomials, hulls, clipped_peaks, smoothed, by_length, by_spread,
        by_weights, by_model, weighted, bands_fitted,
    )
}  # fmt: skip
