"""Fits of pseudo-Voigt bands over an offset and a slope, many spectra at once.

With fixed shapes the fit is linear. With free ones the model and the bounds are those of
`spectra.fits.fit_bands`, which fits one spectrum with a full report: centres on the axis, widths
from 0.001 to 2 spans of it, Lorentz shares from 0 to 1, heights and line free.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import ContractError, Fault
from .compiled import contiguous_rows, over_blocks, run

__all__ = [
    "SHAPE_PARAMETERS",
    "Band",
    "FreeFit",
    "ShapeFit",
    "bounds",
    "cramer_rao_heights",
    "fit_free_bands",
    "fit_shapes",
    "over_a_line",
    "pseudo_voigt",
]

Floats = NDArray[np.float64]

SHAPE_PARAMETERS = ("centre", "width", "lorentz")
#: Shapes count as mixtures of each other beyond this condition of the scaled shapes.
CONDITION = 1e6
_LINE = 2
ROWS_AT_ONCE = 1024
#: A fit ends when neither a step nor what it foresees lowers the cost by this share.
TOLERANCE = 1e-9
MOST_STEPS = 200


class Band(NamedTuple):
    """A pseudo-Voigt band.

    Parameters
    ----------
    height : of its top, in the unit of the spectrum.
    centre, width : position and full width at half height, cm-1.
    lorentz : its Lorentz share, 0 (Gaussian) to 1.

    >>> Band(height=0.02, centre=1092.0, width=30.0, lorentz=0.3).centre
    1092.0
    """

    height: float
    centre: float
    width: float
    lorentz: float


@dataclass(frozen=True)
class ShapeFit:
    """Heights (n_spectra, n_shapes), their covariance and standard errors, the noise left over.

    `covariance` (n_shapes, n_shapes) is for noise of 1; `noise` (n_spectra,) multiplies its root.
    """

    heights: Floats
    standard_error: Floats
    noise: Floats
    covariance: Floats = field(repr=False)


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


def pseudo_voigt(wavenumber: ArrayLike, band: Band) -> Floats:
    """Return height x [l / (1 + u^2) + (1 - l) exp(-ln 2 u^2)], u = 2 (nu - centre) / width.

    >>> pseudo_voigt([1730.0, 1740.0], Band(0.2, 1730.0, 20.0, 0.5))
    array([0.2, 0.1])
    """
    u2 = (2.0 * (np.asarray(wavenumber, dtype=float) - band.centre) / band.width) ** 2
    shape: Floats = band.lorentz / (1.0 + u2) + (1.0 - band.lorentz) * np.exp(-np.log(2.0) * u2)
    return band.height * shape


def fit_shapes(spectra: ArrayLike, shapes: ArrayLike, noise: float | None = None) -> ShapeFit:
    """Fit heights of bands with fixed shapes to all spectra at once, by linear least squares.

    Parameters
    ----------
    spectra : (n_spectra, n_channels); one with a value that is not finite gets NaN.
    shapes : (n_shapes, n_channels), for instance two bands, an offset and a slope.
    noise : standard deviation of a channel; left out, it is found from what the fit leaves, with
        n_channels - n_shapes degrees of freedom.

    Raises
    ------
    ContractError : shapes that do not fit or depend on each other, too few channels.
    """
    rows = np.atleast_2d(np.asarray(spectra))
    parts = np.atleast_2d(np.asarray(shapes, dtype=float))
    _refuse_shapes(rows, parts, rows.shape[-1] - (noise is None))
    scale = np.linalg.norm(parts, axis=1, keepdims=True)
    solver = np.linalg.pinv(parts / scale) / scale.T
    covariance = solver.T @ solver
    heights = np.empty((len(rows), len(parts)))
    spread = np.full(len(rows), np.nan if noise is None else float(noise))
    for start in range(0, len(rows), ROWS_AT_ONCE):
        block = slice(start, start + ROWS_AT_ONCE)
        values = rows[block].astype(float)
        with np.errstate(invalid="ignore"):
            found = values @ solver
            found[~np.isfinite(found).all(axis=1)] = np.nan
            if noise is None:
                left = values - found @ parts
                spread[block] = np.sqrt(np.vecdot(left, left) / (parts.shape[1] - len(parts)))
        heights[block] = found
    error = spread[:, None] * np.sqrt(np.diag(covariance))
    return ShapeFit(heights, error, spread, covariance)


def _refuse_shapes(rows: NDArray[np.floating], parts: Floats, most: int) -> None:
    if rows.ndim != 2 or parts.ndim != 2 or rows.shape[1] != parts.shape[1]:
        raise ContractError(
            Fault(f"spectra of shape {rows.shape} and shapes of shape {parts.shape}",
                  "(n_spectra, n_channels) and (n_shapes, n_channels)",
                  "put both on one wavenumber axis; spectra.reshape(-1, n_channels)")
        )  # fmt: skip
    if len(parts) > most:
        raise ContractError(Fault(f"{len(parts)} shapes", f"at most {most}", "leave some out"))
    scale = np.linalg.norm(parts, axis=1, keepdims=True)
    if not np.isfinite(parts).all() or not (scale > 0).all():
        raise ContractError(
            Fault("a shape that is zero or not finite", "shapes that hold something",
                  "check the shapes after the procedure")
        )  # fmt: skip
    if np.linalg.cond(parts / scale) > CONDITION:
        raise ContractError(
            Fault("shapes of which one is a mixture of the others",
                  "shapes that differ from each other", "leave out the one that repeats")
        )  # fmt: skip


def cramer_rao_heights(
    wavenumber: ArrayLike,
    bands: Iterable[Band],
    noise: float,
    *,
    free: Iterable[str] = ("height", "centre", "width", "lorentz"),
    baseline: bool = False,
) -> Floats:
    """Return the smallest standard deviation any unbiased fit can give to each band's height.

    The root of the diagonal of noise^2 (J'J)^-1, J the derivatives of the bands by their free
    parameters; infinite where these cannot be told apart. White noise.

    Parameters
    ----------
    wavenumber : (n_channels,), cm-1.
    bands : the true bands.
    noise : standard deviation of a channel, in the unit of the heights.
    free : the fitted parameters, `height` among them.
    baseline : whether an offset and a slope are fitted too.

    Two bands at 1730 and 1735, 16 cm-1 wide, 0.2 high, on points 4 cm-1 apart, noise 0.002:

    >>> axis = np.arange(1680.0, 1790.0, 4.0)
    >>> bands = [Band(0.2, centre, 16.0, 0.6) for centre in (1730.0, 1735.0)]
    >>> cramer_rao_heights(axis, bands, 0.002).round(3)
    array([0.15 , 0.148])
    >>> cramer_rao_heights(axis, bands, 0.002, free=["height"]).round(4)
    array([0.0026, 0.0026])
    """
    axis, names = np.asarray(wavenumber, dtype=float), list(free)
    many = list(bands)
    columns = [derivative(axis, band, name) for band in many for name in names]
    if baseline:
        columns += [np.ones_like(axis), axis - axis.mean()]
    matrix = np.array(columns).T
    scale = np.linalg.norm(matrix, axis=0)
    if not scale.all() or np.linalg.cond(matrix / scale) > 1 / np.finfo(float).eps:
        return np.full(len(many), np.inf)
    _, triangle = np.linalg.qr(matrix / scale)
    spread = np.linalg.norm(np.linalg.inv(triangle), axis=1) / scale
    heights = np.arange(len(many)) * len(names) + names.index("height")
    bound: Floats = noise * spread[heights]
    return bound


def derivative(axis: Floats, band: Band, name: str) -> Floats:
    x = axis - band.centre
    u2 = (2.0 * x / band.width) ** 2
    lorentz, gauss = 1.0 / (1.0 + u2), np.exp(-np.log(2.0) * u2)
    slope = -band.lorentz * lorentz**2 - (1.0 - band.lorentz) * np.log(2.0) * gauss
    made: Floats = {
        "height": band.lorentz * lorentz + (1.0 - band.lorentz) * gauss,
        "centre": band.height * slope * (-8.0 * x / band.width**2),
        "width": band.height * slope * (-2.0 * u2 / band.width),
        "lorentz": band.height * (lorentz - gauss),
    }[name]
    return made


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
        run("fit_loops", "bands_fitted", rows[part], axis - middle, start[part], columns, slots,
            low, high, TOLERANCE, MOST_STEPS, found[part], cost[part], errors[part])  # fmt: skip

    over_blocks(fit, len(rows), ROWS_AT_ONCE)
    noise = np.sqrt(cost / (axis.size - columns.size))
    spread = np.zeros_like(found)
    spread[:, columns] = errors * noise[:, None]
    found[:, 1:-_LINE:4] += middle
    shape = (len(rows), len(bands), 4)
    return FreeFit(found[:, :-_LINE].reshape(shape), spread[:, :-_LINE].reshape(shape), noise, cost)
