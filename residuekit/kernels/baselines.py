"""Baselines of blocks of spectra: numbers in, baselines out.

Every function takes a block (n_spectra, n_channels), float32 or float64, returns the float64
baselines of the same shape, and treats each spectrum alone. A spectrum with a value that is not
finite has a baseline of NaN; a flat spectrum is its own baseline. The parameters a user may set are
keyword-only.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import Fault, ProcedureError
from .compiled import contiguous_rows, run

__all__ = [
    "arpls",
    "asymmetric_least_squares",
    "iterated_polynomial",
    "on_complete_rows",
    "polynomial",
    "rubber_band",
    "snip",
    "two_point",
]

Floats = npt.NDArray[np.float64]
_TOO_STIFF = Fault(
    "a baseline so stiff that it cannot be solved in double precision",
    "a smaller smoothness, or an asymmetry nearer to 0.5",
    "smoothness = 1e6, asymmetry = 0.01",
)


def on_complete_rows(compute: Callable[[Floats], Floats], block: npt.ArrayLike) -> Floats:
    """Compute the rows that are finite throughout; the others become NaN.

    >>> on_complete_rows(lambda rows: 2 * rows, [[1.0, 2.0], [np.nan, 2.0]])
    array([[ 2.,  4.],
           [nan, nan]])
    """
    rows = np.asarray(block, dtype=np.float64)
    complete = np.isfinite(rows).all(axis=1)
    if complete.all():
        return compute(rows)
    result = np.full(rows.shape, np.nan)
    result[complete] = compute(rows[complete])
    return result


def _compiled(block: npt.ArrayLike, name: str, *arguments: Any) -> Floats:
    rows = contiguous_rows(block)
    baselines = np.empty(rows.shape)
    if not run("baseline_loops", name, rows, *arguments, baselines):
        raise ProcedureError(_TOO_STIFF)
    return baselines


def asymmetric_least_squares(
    block: npt.ArrayLike,
    *,
    smoothness: float = 1e6,
    asymmetry: float = 0.01,
    tolerance: float = 1e-3,
    max_iterations: int = 50,
) -> Floats:
    """Fit baselines by asymmetric least squares (Eilers & Boelens 2005).

    z minimises sum w_i (y_i - z_i)^2 + smoothness sum (z_i - 2 z_i+1 + z_i+2)^2, with w = 1 first,
    then w_i = asymmetry where y_i > z_i and 1 - asymmetry elsewhere. It stops when
    |w_new - w| / |w| < tolerance, or with the last of `max_iterations` fits.

    `smoothness` counts channels, not cm-1: at half the spacing the same stiffness needs 16 times
    the number. Common practice, no source: smoothness 1e5 to 1e7, asymmetry 0.001 to 0.05, at a
    spacing of 2 to 4 cm-1.

    Raises `ProcedureError` for fewer than 3 channels.
    """
    return _penalised(block, smoothness, asymmetry, tolerance, max_iterations)


def arpls(
    block: npt.ArrayLike,
    *,
    smoothness: float = 1e5,
    tolerance: float = 1e-3,
    max_iterations: int = 50,
) -> Floats:
    """Fit baselines by asymmetrically reweighted penalised least squares (Baek et al. 2015).

    The penalised fit of `asymmetric_least_squares`, with the weights of Analyst 140, 250, eq. 9:
    w_i = 1 / (1 + exp(2 (d_i - (2 s - m)) / s)), d = y - z, m and s the mean and the standard
    deviation (n - 1) of the negative d. The same stopping rule; it also stops when fewer than two
    d are negative or they do not scatter.

    `smoothness` counts channels, as there. Common practice, no source: 1e5 to 1e6.

    Raises `ProcedureError` for fewer than 3 channels.
    """
    return _penalised(block, smoothness, 0.0, tolerance, max_iterations)


def _penalised(
    block: npt.ArrayLike,
    smoothness: float,
    asymmetry: float,
    tolerance: float,
    max_iterations: int,
) -> Floats:
    penalty = smoothness * _second_difference_penalty(np.shape(block)[-1])
    numbers = float(asymmetry), float(tolerance), int(max_iterations)
    return _compiled(block, "penalised", penalty, *numbers)


def _second_difference_penalty(n: int) -> Floats:
    """Return D'D of the second differences in LAPACK's lower band form, shape (3, n)."""
    if n < 3:
        raise ProcedureError(
            Fault(f"spectra of {n} channels", "3 channels or more for a smooth baseline",
                  "a wider crop")
        )  # fmt: skip
    difference = np.array([1.0, -2.0, 1.0])
    penalty = np.zeros((3, n), order="F")
    for below in range(3):
        for i in range(3 - below):
            penalty[below, i : i + n - 2] += difference[i] * difference[i + below]
    return penalty


def rubber_band(block: npt.ArrayLike, wavenumber: npt.ArrayLike) -> Floats:
    """Stretch a band under each spectrum: its lower convex hull, straight between its corners.

    Between two known corners the channel furthest below their chord is a corner too (quickhull).
    `wavenumber` (n_channels,) ascends, evenly or not.
    """
    axis = np.ascontiguousarray(wavenumber, dtype=np.float64)
    return _compiled(block, "hulls", axis)


def polynomial(block: npt.ArrayLike, wavenumber: npt.ArrayLike, *, order: int = 1) -> Floats:
    """Fit a polynomial of `order` to all channels of each spectrum by least squares.

    Bands pull it up: it serves spectra without strong bands. Common practice, no source: order 1 to
    3. Raises `ProcedureError` where there are not more channels than `order`.
    """
    return iterated_polynomial(block, wavenumber, order=order, max_iterations=0)


def iterated_polynomial(
    block: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    *,
    order: int = 3,
    tolerance: float = 1e-3,
    max_iterations: int = 200,
) -> Floats:
    """Fit a polynomial under the bands by iterated clipping (Lieber & Mahadevan-Jansen 2003).

    Each round replaces y by min(y, fit) and fits again (Appl. Spectrosc. 57, 1363). It stops when
    |fit_new - fit| / |fit| < tolerance, or after `max_iterations` rounds. Common practice, no
    source: order 2 to 6. Raises `ProcedureError` where there are not more channels than `order`.
    """
    basis = _orthonormal_polynomials(np.asarray(wavenumber, dtype=np.float64), order)
    numbers = float(tolerance), int(max_iterations)
    return _compiled(block, "clipped_polynomials", basis, *numbers)


def _orthonormal_polynomials(axis: Floats, order: int) -> Floats:
    """Return polynomials up to `order` that are orthonormal over the channels.

    (order + 1, n), with noughts up to a multiple of 4 channels.
    """
    if axis.size <= order:
        raise ProcedureError(
            Fault(f"{axis.size} channels for a polynomial of order {order}",
                  "more channels than the order",
                  f"order = {max(axis.size - 1, 0)} or a wider crop")
        )  # fmt: skip
    centred = axis - (axis.min() + axis.max()) / 2
    scaled = centred / max(np.abs(centred).max(), np.finfo(float).tiny)
    basis: Floats = np.linalg.qr(np.polynomial.legendre.legvander(scaled, order))[0]
    return np.ascontiguousarray(np.pad(basis, [(0, -len(basis) % 4), (0, 0)]).T)


def snip(block: npt.ArrayLike, *, half_window: int = 40) -> Floats:
    """Clip the peaks from a spectrum, wider ones in each round (Ryan et al. 1988).

    Statistics-sensitive non-linear iterative peak clipping, Nucl. Instrum. Methods B 34, 396,
    without its logarithms (absorbance is not counts): in the rounds m = 1 ... half_window each
    channel becomes min(y_i, (y_i-m + y_i+m) / 2); the m channels at each end stay in round m. It
    follows noise downward, and what is wider than 2 half_window channels belongs to the baseline.
    """
    return _compiled(block, "clipped_peaks", int(half_window))


def two_point(
    block: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    *,
    left: tuple[float, float],
    right: tuple[float, float],
) -> Floats:
    """Draw a straight line through the means of two intervals, on over the whole spectrum.

    `left` and `right` are (low, high) in cm-1, ends included; the line goes through the mean
    wavenumber and the mean value of the channels in each. It holds between and near the intervals.

    Raises `ProcedureError` for an interval without a channel, or if both have the same mean place.

    >>> two_point([[1.0, 5.0, 3.0]], [100.0, 101.0, 102.0], left=(99, 100), right=(102, 103))
    array([[1., 2., 3.]])
    """
    axis = np.asarray(wavenumber, dtype=np.float64)
    inside = [_interval(axis, "left", left), _interval(axis, "right", right)]
    start, end = (axis[channels].mean() for channels in inside)
    if start == end:
        raise ProcedureError(
            Fault(f"left {list(left)} and right {list(right)} around the same place",
                  "two intervals apart from each other", "left below the band and right above it")
        )  # fmt: skip
    share = (axis - start) / (end - start)

    def compute(rows: Floats) -> Floats:
        first, last = (rows[:, channels].mean(axis=1, keepdims=True) for channels in inside)
        flat = np.ptp(rows, axis=1, keepdims=True) == 0
        line: Floats = np.where(flat, rows, first + (last - first) * share)
        return line

    return on_complete_rows(compute, block)


def _interval(axis: Floats, name: str, ends: tuple[float, float]) -> Any:
    inside = (axis >= ends[0]) & (axis <= ends[1])
    if not inside.any():
        raise ProcedureError(
            Fault(f"no channel in {name} = {list(ends)}",
                  f"an interval with channels, within {axis.min():g} to {axis.max():g} cm-1",
                  f"a wider interval {name}, or a wider crop")
        )  # fmt: skip
    return inside
