"""Unmixing: batched non-negative least squares and fits of bands whose shapes are fixed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import ContractError, Fault
from .compiled import contiguous_rows, run

__all__ = [
    "Band",
    "ShapeFit",
    "cramer_rao_heights",
    "fit_shapes",
    "nnls",
    "pseudo_voigt",
]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

#: A reference counts as a mixture of the others beyond this condition of the scaled references.
CONDITION = 1e6
BLOCK = 1024


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


def nnls(spectra: ArrayLike, references: ArrayLike) -> Floats:
    """Return the non-negative amounts of the references in each spectrum, by least squares.

    All spectra walk the active-set steps of Lawson & Hanson (1974) together, from the clipped free
    solution; those with the same set of references share one solve (Van Benthem & Keenan 2004,
    J. Chemometrics 18, 441).

    Parameters
    ----------
    spectra : (n_spectra, n_channels); one with a value that is not finite gets NaN.
    references : (n_references, n_channels), at most 62, none a mixture of the others.

    Returns
    -------
    (n_spectra, n_references), float64; exact zeros where a reference is left out.

    Raises
    ------
    ContractError : shapes that do not fit, dependent references.

    >>> nnls([[1.0, 2.0, 3.0], [-1.0, 0.0, 1.0]], [[1.0, 1.0, 1.0], [0.0, 1.0, 2.0]])
    array([[1. , 1. ],
           [0. , 0.4]])
    """
    rows, parts = _pair(spectra, references, most=62)
    frame, triangle, scale = _independent(parts)
    amounts = np.full((len(rows), len(parts)), np.nan)
    targets = np.empty_like(amounts)
    across = np.ascontiguousarray(frame.T)
    if run("row_scores", "projected", contiguous_rows(rows), across, targets) and run(
        "row_scores", "non_negative", targets, triangle, 1e-13, amounts
    ):
        return amounts / scale
    for start in range(0, len(rows), BLOCK):
        block = slice(start, start + BLOCK)
        with np.errstate(invalid="ignore"):
            targets = rows[block].astype(float) @ frame
        sound = np.isfinite(targets).all(axis=1)
        amounts[block][sound] = _active_sets(triangle, targets[sound]) / scale
    return amounts


def _active_sets(triangle: Floats, targets: Floats) -> Floats:
    """Minimise |R x - t| over x >= 0 for each row t of targets; columns of R have length 1."""
    amounts = np.maximum(targets @ np.linalg.inv(triangle).T, 0.0)
    used = amounts > 0
    _step_inside(triangle, targets, amounts, used, np.arange(len(targets)))
    tolerance = 1e-13 * np.abs(targets).max(axis=1, initial=0.0)
    walking = np.arange(len(targets))
    while walking.size:
        left = targets[walking] - amounts[walking] @ triangle.T
        gain = np.where(used[walking], -np.inf, left @ triangle)
        best = gain.argmax(axis=1)
        better = gain[np.arange(walking.size), best] > tolerance[walking]
        walking, best = walking[better], best[better]
        used[walking, best] = True
        _step_inside(triangle, targets, amounts, used, walking)
    return amounts


def _step_inside(
    triangle: Floats, targets: Floats, amounts: Floats, used: Bools, rows: NDArray[np.intp]
) -> None:
    """Move the rows to the best point of their sets, leaving out what would turn negative."""
    while rows.size:
        wanted = _solve(triangle, targets[rows], used[rows])
        now = amounts[rows]
        falling = used[rows] & (wanted <= 0)
        steps = np.divide(now, now - wanted, out=np.full_like(now, np.inf), where=falling)
        step = np.minimum(steps.min(axis=1), 1.0)[:, None]
        moved = np.where(step < 1.0, now + step * (wanted - now), wanted)
        out = falling & (steps <= step)
        used[rows] &= ~out
        amounts[rows] = np.where(used[rows], moved, 0.0)
        rows = rows[out.any(axis=1)]


def _solve(triangle: Floats, targets: Floats, used: Bools) -> Floats:
    """Solve each row on its own set of references, one inversion a distinct set.

    Normal equations, refined once by what they leave (Bjorck 1987, Linear Algebra Appl. 88, 31).
    """
    codes = used @ (1 << np.arange(used.shape[1]))
    _, first, which = np.unique(codes, return_index=True, return_inverse=True)
    sets = used[first]
    kept = sets[:, :, None] & sets[:, None, :]
    inverses = np.linalg.inv(np.where(kept, triangle.T @ triangle, np.eye(len(triangle))))[which]

    def normal(left: Floats) -> Floats:
        step: Floats = (np.where(used, left @ triangle, 0.0)[:, None, :] @ inverses)[:, 0, :]
        return step

    solved = normal(targets)
    return np.where(used, solved + normal(targets - solved @ triangle.T), 0.0)


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
    rows, parts = _pair(spectra, shapes, most=np.asarray(spectra).shape[-1] - (noise is None))
    frame, triangle, scale = _independent(parts)
    inverse = np.linalg.inv(triangle) / scale[:, None]
    covariance = inverse @ inverse.T
    heights = np.empty((len(rows), len(parts)))
    spread = np.full(len(rows), np.nan if noise is None else float(noise))
    for start in range(0, len(rows), BLOCK):
        block = slice(start, start + BLOCK)
        values = rows[block].astype(float)
        heights[block] = values @ frame @ inverse.T
        if noise is None:
            left = values - heights[block] @ parts
            spread[block] = np.sqrt((left**2).sum(axis=1) / (parts.shape[1] - len(parts)))
    error = spread[:, None] * np.sqrt(np.diag(covariance))
    return ShapeFit(heights, error, spread, covariance)


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


def _pair(
    spectra: ArrayLike, parts: ArrayLike, *, most: int
) -> tuple[NDArray[np.floating], Floats]:
    rows = np.atleast_2d(np.asarray(spectra))
    shapes = np.atleast_2d(np.asarray(parts, dtype=float))
    if rows.ndim != 2 or shapes.ndim != 2 or rows.shape[1] != shapes.shape[1]:
        raise ContractError(
            Fault(f"spectra of shape {rows.shape} and references of shape {shapes.shape}",
                  "(n_spectra, n_channels) and (n_references, n_channels)",
                  "put both on one wavenumber axis; spectra.reshape(-1, n_channels)")
        )  # fmt: skip
    if len(shapes) > most:
        raise ContractError(
            Fault(f"{len(shapes)} references or shapes", f"at most {most}", "leave some out")
        )
    return rows, shapes


def _independent(parts: Floats) -> tuple[Floats, Floats, Floats]:
    """Q, R, lengths with parts.T = Q R diag(lengths), or a refusal."""
    scale = np.linalg.norm(parts, axis=1)
    if not np.isfinite(parts).all() or not (scale > 0).all():
        raise ContractError(
            Fault("a reference that is zero or not finite", "spectra that hold something",
                  "check the references after the procedure")
        )  # fmt: skip
    frame, triangle = np.linalg.qr((parts / scale[:, None]).T)
    if np.linalg.cond(triangle) > CONDITION:
        raise ContractError(
            Fault("references of which one is a mixture of the others",
                  "references that differ from each other", "leave out the one that repeats")
        )  # fmt: skip
    return frame, triangle, scale
