"""Baselines of blocks of spectra: numbers in, baselines out.

Every function takes a block (n_spectra, n_channels), float32 or float64, returns the float64
baselines of the same shape, and treats each spectrum alone. A spectrum with a value that is not
finite has a baseline of NaN; a flat spectrum is its own baseline. The parameters a user may set are
keyword-only.

The kernels of `lane_baselines` and `row_baselines` do the work; the numpy code here is the slow way
that takes over where compiled kernels do not work, and that the tests hold them against.
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
ROUNDING = float(np.finfo(np.float64).eps)
_TOO_STIFF = Fault(
    "a baseline so stiff that it cannot be solved in double precision",
    "a smaller smoothness, or an asymmetry nearer to 0.5",
    "smoothness = 1e6, asymmetry = 0.01",
)
#: From a spectrum and its baseline to new weights, or None where no better ones can be made.
Reweight = Callable[[Floats, Floats], Floats | None]


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


def _compiled(block: npt.ArrayLike, module: str, name: str, *arguments: Any) -> Floats | None:
    """Compute the baselines by a compiled kernel; None where that does not work."""
    rows = contiguous_rows(block)
    baselines = np.empty(rows.shape)
    solved = run(module, name, rows, *arguments, baselines)
    if solved is False:
        raise ProcedureError(_TOO_STIFF)
    return baselines if solved else None


def _baselines(compute: Callable[[Floats], Floats], block: npt.ArrayLike) -> Floats:
    """Compute the baselines of complete rows; a flat row is its own, to the last digit."""

    def unless_flat(rows: Floats) -> Floats:
        flat = np.ptp(rows, axis=1) == 0
        if not flat.any():
            return compute(rows)
        result = rows.copy()
        result[~flat] = compute(rows[~flat])
        return result

    return on_complete_rows(unless_flat, block)


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

    def reweight(spectrum: Floats, baseline: Floats) -> Floats:
        return np.where(spectrum > baseline, asymmetry, 1 - asymmetry)

    return _penalised(block, smoothness, asymmetry, reweight, tolerance, max_iterations)


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

    def reweight(spectrum: Floats, baseline: Floats) -> Floats | None:
        from scipy.special import expit

        residual = spectrum - baseline
        below = residual[residual < 0]
        if below.size < 2:
            return None
        mean = below.sum() / below.size
        below -= mean
        spread = np.sqrt(below @ below / (below.size - 1))
        if spread <= ROUNDING * np.abs(spectrum).max():
            return None
        weights: Floats = expit(2 / spread * (2 * spread - mean - residual))
        return weights

    return _penalised(block, smoothness, 0.0, reweight, tolerance, max_iterations)


def _penalised(
    block: npt.ArrayLike,
    smoothness: float,
    asymmetry: float,
    reweight: Reweight,
    tolerance: float,
    max_iterations: int,
) -> Floats:
    penalty = smoothness * _second_difference_penalty(np.shape(block)[-1])
    numbers = (float(asymmetry), float(tolerance), int(max_iterations))
    found = _compiled(block, "lane_baselines", "penalised", penalty, *numbers)
    if found is not None:
        return found

    def compute(rows: Floats) -> Floats:
        baselines = np.empty_like(rows)
        for row, baseline in zip(rows, baselines, strict=True):
            baseline[:] = _reweighted_fit(row, penalty, reweight, tolerance, max_iterations)
        return baselines

    return _baselines(compute, block)


def _reweighted_fit(
    row: Floats, penalty: Floats, reweight: Reweight, tolerance: float, max_iterations: int
) -> Floats:
    """Solve (W + penalty) z = W y again and again; straight to LAPACK, whose call is the cost."""
    from scipy.linalg.lapack import dpbsv

    weights = np.ones_like(row)
    for iteration in range(1, max_iterations + 1):
        system = penalty.copy(order="F")
        system[0] += weights
        _, baseline, info = dpbsv(system, weights * row, lower=1, overwrite_ab=1, overwrite_b=1)
        if info != 0:
            raise ProcedureError(_TOO_STIFF)
        new = reweight(row, baseline) if iteration < max_iterations else None
        if new is None:
            break
        step = new - weights
        if step @ step < tolerance**2 * (weights @ weights):
            break
        weights = new
    fitted: Floats = baseline
    return fitted


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
    found = _compiled(block, "row_baselines", "hulls", axis)
    return _baselines(lambda rows: _lower_hulls(rows, axis), block) if found is None else found


def _lower_hulls(rows: Floats, axis: Floats) -> Floats:
    if rows.shape[1] < 3:
        return rows.copy()
    result = np.empty_like(rows)
    open_rows = np.arange(rows.shape[0])
    corner = np.zeros(rows.shape, dtype=bool)
    corner[:, [0, -1]] = True
    while open_rows.size:
        y = rows[open_rows].ravel()
        starts = np.flatnonzero(corner)
        chord = _chords(y, np.tile(axis, open_rows.size), starts)
        result[open_rows] = chord.reshape(open_rows.size, -1)
        depth = y - chord
        depth[starts] = 0.0
        deepest = np.repeat(np.minimum.reduceat(depth, starts), np.diff(starts, append=y.size))
        new = ((depth < 0) & (depth == deepest)).reshape(corner.shape)
        still_open = new.any(axis=1)
        open_rows, corner = open_rows[still_open], (corner | new)[still_open]
    return result


def _chords(y: Floats, x: Floats, starts: npt.NDArray[np.intp]) -> Floats:
    """Join the corners at `starts` by straight lines; all rows lie end to end in `y` and `x`."""
    rise, run = np.diff(y[starts], append=0.0), np.diff(x[starts], append=0.0)
    run[run <= 0] = 1.0  # from the end of one row to the start of the next: nothing lies between
    counts = np.diff(starts, append=y.size)
    chord: Floats = np.repeat(y[starts], counts)
    chord += np.repeat(rise / run, counts) * (x - np.repeat(x[starts], counts))
    return chord


def polynomial(block: npt.ArrayLike, wavenumber: npt.ArrayLike, *, order: int = 1) -> Floats:
    """Fit a polynomial of `order` to all channels of each spectrum by least squares.

    Bands pull it up: it serves spectra without strong bands. Common practice, no source: order 1 to
    3. Raises `ProcedureError` where there are not more channels than `order`.
    """
    basis = _orthonormal_polynomials(np.asarray(wavenumber, dtype=np.float64), order)
    found = _compiled(block, "lane_polynomials", "clipped_polynomials", _padded(basis), 1.0, 0)
    if found is not None:
        return found

    def compute(rows: Floats) -> Floats:
        fit: Floats = (rows @ basis) @ basis.T
        return fit

    return _baselines(compute, block)


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
    numbers = (float(tolerance), int(max_iterations))
    found = _compiled(block, "lane_polynomials", "clipped_polynomials", _padded(basis), *numbers)
    if found is not None:
        return found

    def compute(rows: Floats) -> Floats:
        clipped = rows
        fit = (rows @ basis) @ basis.T
        result = fit.copy()
        open_rows = np.arange(rows.shape[0])
        for _ in range(max_iterations):
            clipped = np.minimum(clipped, fit)
            new = (clipped @ basis) @ basis.T
            result[open_rows] = new
            moving = _norm(new - fit) >= tolerance * _norm(fit)
            open_rows, clipped, fit = open_rows[moving], clipped[moving], new[moving]
            if not open_rows.size:
                break
        return result

    return _baselines(compute, block)


def _padded(basis: Floats) -> Floats:
    """Lay the polynomials (n, order + 1) in rows, with noughts up to a multiple of 4 channels."""
    rows: Floats = np.ascontiguousarray(np.pad(basis, [(0, -len(basis) % 4), (0, 0)]).T)
    return rows


def _norm(rows: Floats) -> Floats:
    norm: Floats = np.sqrt(np.einsum("ij,ij->i", rows, rows))
    return norm


def _orthonormal_polynomials(axis: Floats, order: int) -> Floats:
    """Return polynomials up to `order` that are orthonormal over the channels, (n, order + 1)."""
    if axis.size <= order:
        raise ProcedureError(
            Fault(f"{axis.size} channels for a polynomial of order {order}",
                  "more channels than the order",
                  f"order = {max(axis.size - 1, 0)} or a wider crop")
        )  # fmt: skip
    centred = axis - (axis.min() + axis.max()) / 2
    scaled = centred / max(np.abs(centred).max(), np.finfo(float).tiny)
    basis: Floats = np.linalg.qr(np.polynomial.legendre.legvander(scaled, order))[0]
    return basis


def snip(block: npt.ArrayLike, *, half_window: int = 40) -> Floats:
    """Clip the peaks from a spectrum, wider ones in each round (Ryan et al. 1988).

    Statistics-sensitive non-linear iterative peak clipping, Nucl. Instrum. Methods B 34, 396,
    without its logarithms (absorbance is not counts): in the rounds m = 1 ... half_window each
    channel becomes min(y_i, (y_i-m + y_i+m) / 2); the m channels at each end stay in round m. It
    follows noise downward, and what is wider than 2 half_window channels belongs to the baseline.
    """
    found = _compiled(block, "row_baselines", "clipped_peaks", int(half_window))
    if found is not None:
        return found

    def compute(rows: Floats) -> Floats:
        clipped = rows.copy()
        for m in range(1, min(half_window, (rows.shape[1] - 1) // 2) + 1):
            middle = (clipped[:, : -2 * m] + clipped[:, 2 * m :]) / 2
            clipped[:, m:-m] = np.minimum(clipped[:, m:-m], middle)
        return clipped

    return _baselines(compute, block)


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
        line: Floats = first + (last - first) * share
        return line

    return _baselines(compute, block)


def _interval(axis: Floats, name: str, ends: tuple[float, float]) -> Any:
    inside = (axis >= ends[0]) & (axis <= ends[1])
    if not inside.any():
        raise ProcedureError(
            Fault(f"no channel in {name} = {list(ends)}",
                  f"an interval with channels, within {axis.min():g} to {axis.max():g} cm-1",
                  f"a wider interval {name}, or a wider crop")
        )  # fmt: skip
    return inside
