"""Bounded fits of pseudo-Voigt bands over an offset and a slope, many spectra at once.

The model and the bounds are those of `spectra.fits.fit_bands`, which fits one spectrum with a
full report: centres on the axis, widths from 0.001 to 2 spans of it, Lorentz shares from 0 to 1,
heights and line free. The kernel of `lane_fits` does the work; scipy's bounded least squares in a
loop takes over where compiled kernels do not work.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .compiled import contiguous_rows, over_blocks, run
from .unmix import Band, derivative, fit_shapes, pseudo_voigt

__all__ = ["SHAPE_PARAMETERS", "FreeFit", "bounds", "fit_free_bands", "over_a_line"]

Floats = NDArray[np.float64]

SHAPE_PARAMETERS = ("centre", "width", "lorentz")
_LINE = 2
ROWS_AT_ONCE = 1024
#: A fit ends when neither a step nor what it foresees lowers the cost by this share.
TOLERANCE = 1e-9
MOST_STEPS = 200
_AT_BOUND = 1e-8


@dataclass(frozen=True)
class FreeFit:
    """Bands (n_spectra, n_bands, 4: the fields of `Band`), their errors, the noise left over.

    `standard_error` has the shape of `bands`: 0 for a parameter that was held, NaN for one that
    ended at a bound or has no effect (the others are then those with it held there). `cost`
    (n_spectra,) is the sum of squares left.
    """

    bands: Floats
    standard_error: Floats
    noise: Floats
    cost: Floats = field(repr=False)


def over_a_line(wavenumber: ArrayLike, bands: Sequence[Band]) -> Floats:
    """Return the shapes of the bands, height 1, an offset and a slope, (n_bands + 2, n)."""
    axis = np.asarray(wavenumber, dtype=float)
    shapes = [pseudo_voigt(axis, band._replace(height=1.0)) for band in bands]
    return np.array([*shapes, np.ones_like(axis), axis - axis.mean()])


def bounds(wavenumber: ArrayLike) -> dict[str, tuple[float, float]]:
    """Return the least and the largest value of each parameter of a band's shape."""
    axis = np.asarray(wavenumber, dtype=float)
    span = float(axis[-1] - axis[0])
    return {
        "centre": (float(axis[0]), float(axis[-1])),
        "width": (1e-3 * span, 2 * span),
        "lorentz": (0.0, 1.0),
    }


def fit_free_bands(
    spectra: ArrayLike, wavenumber: ArrayLike, bands: Sequence[Band], free: Sequence[str]
) -> FreeFit:
    """Fit heights, offset, slope and the `free` shape parameters of all bands to each spectrum.

    Parameters
    ----------
    spectra : (n_spectra, n_channels), finite; channels more than parameters.
    wavenumber : (n_channels,), cm-1.
    bands : where the search starts; the heights start from the fit with fixed shapes.
    free : of `centre`, `width`, `lorentz`, those to be fitted for every band.

    The nearest minimum is found; bands that lie closer than their width have many. Raises
    ContractError where two bands start with one shape.
    """
    rows, axis = contiguous_rows(np.atleast_2d(np.asarray(spectra))), np.asarray(wavenumber, float)
    middle, count = float(axis.mean()), 4 * len(bands) + _LINE
    heights = fit_shapes(rows, over_a_line(axis, bands)).heights
    start = np.empty((len(rows), count))
    start[:, :-_LINE] = np.ravel(bands)
    start[:, :-_LINE:4], start[:, -_LINE:] = heights[:, :-_LINE], heights[:, -_LINE:]
    start[:, 1:-_LINE:4] -= middle
    low, high = np.full(count, -np.inf), np.full(count, np.inf)
    for name, (least, most) in bounds(axis).items():
        place = Band._fields.index(name)
        shift = middle if name == "centre" else 0.0
        low[place:-_LINE:4], high[place:-_LINE:4] = least - shift, most - shift
    moves = [name == "height" or name in free for name in Band._fields]
    columns = np.flatnonzero([*moves * len(bands), True, True])
    found, cost = start.copy(), np.empty(len(rows))
    errors = np.empty((len(rows), columns.size))
    slots = np.full(count, -1)
    slots[columns] = np.arange(columns.size)

    def fit(part: slice) -> None:
        results = found[part], cost[part], errors[part]
        limits = low, high, TOLERANCE, MOST_STEPS
        if not run("lane_fits", "bands_fitted", rows[part], axis - middle, start[part], columns,
                   slots, *limits, *results):  # fmt: skip
            _one_by_one(rows[part], axis - middle, start[part], columns, low, high, *results)

    over_blocks(fit, len(rows), ROWS_AT_ONCE)
    noise = np.sqrt(cost / (axis.size - columns.size))
    spread = np.zeros_like(found)
    spread[:, columns] = errors * noise[:, None]
    found[:, 1:-_LINE:4] += middle
    shape = (len(rows), len(bands), 4)
    return FreeFit(found[:, :-_LINE].reshape(shape), spread[:, :-_LINE].reshape(shape), noise, cost)


def _one_by_one(
    rows: NDArray[np.floating],
    place: Floats,
    start: Floats,
    columns: NDArray[np.intp],
    low: Floats,
    high: Floats,
    found: Floats,
    costs: Floats,
    errors: Floats,
) -> None:
    """Fit as `lane_fits.bands_fitted` does, by scipy, one spectrum after the other."""
    from scipy.optimize import least_squares

    def parts(now: Floats) -> list[Band]:
        return [Band(*band) for band in now[:-_LINE].reshape(-1, 4)]

    for number, row in enumerate(rows):
        full = start[number].copy()

        def residual(free: Floats, full: Floats = full, row: Floats = row) -> Floats:
            full[columns] = free
            line = full[-2] + full[-1] * place
            made: Floats = line - row + sum(pseudo_voigt(place, band) for band in parts(full))
            return made

        def jacobian(free: Floats, full: Floats = full) -> Floats:
            full[columns] = free
            by = [derivative(place, band, name) for band in parts(full) for name in Band._fields]
            return np.array([*by, np.ones_like(place), place]).T[:, columns]

        limits = low[columns], high[columns]
        first = np.clip(full[columns], *limits)
        best = least_squares(residual, first, jacobian, limits, x_scale="jac",
                             ftol=1e-12, xtol=1e-12, gtol=1e-12)  # fmt: skip
        ends = np.stack(limits)  # scipy's search ends just inside of them
        bound = np.isclose(best.x, ends, rtol=_AT_BOUND, atol=_AT_BOUND)
        full[columns] = np.where(bound[0], ends[0], np.where(bound[1], ends[1], best.x))
        found[number], costs[number] = full, 2 * best.cost
        moving = ~bound.any(axis=0) & best.jac.any(axis=0)
        errors[number] = np.nan
        inverse = np.linalg.pinv(best.jac[:, moving])
        errors[number, moving] = np.linalg.norm(inverse, axis=1)
