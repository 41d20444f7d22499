"""Savitzky-Golay smoothing and derivatives of blocks of spectra, and its linear operator.

A block has the shape (n_spectra, n_channels); sums are float64, and the result has the type of the
block, float32 or float64. A spectrum with a value that is not finite comes out all NaN.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import Fault, ProcedureError
from .compiled import contiguous_rows, run

__all__ = ["SPACING_TOLERANCE", "even_spacing", "savitzky_golay", "savitzky_golay_matrix"]

Floats = npt.NDArray[np.float64]
#: A step may differ from the mean step by this share of it (axes in files are rounded).
SPACING_TOLERANCE = 0.01


def even_spacing(wavenumber: npt.ArrayLike) -> float:
    """Return the mean spacing of an even axis in cm-1.

    Raises `ProcedureError` where a step differs from the mean by more than `SPACING_TOLERANCE`.

    >>> even_spacing([1000.0, 1002.0, 1004.0])
    2.0
    """
    axis = np.asarray(wavenumber, dtype=np.float64)
    if axis.size < 2:
        raise ProcedureError(
            Fault(f"{axis.size} channel", "2 channels or more to have a spacing", "a wider crop")
        )
    steps = np.diff(axis)
    spacing = float(steps.mean())
    worst = int(np.argmax(np.abs(steps - spacing)))
    if abs(steps[worst] - spacing) > SPACING_TOLERANCE * abs(spacing):
        raise ProcedureError(
            Fault(f"a step of {steps[worst]:.6g} cm-1 at {axis[worst]:.6g} cm-1 on an axis whose "
                  f"mean step is {spacing:.6g} cm-1",
                  f"an even axis (steps within {SPACING_TOLERANCE:.0%} of their mean)",
                  "crop to an even part, or array.interp(wavenumber=an_even_axis) before the "
                  "procedure")
        )  # fmt: skip
    return spacing


def savitzky_golay(
    block: npt.ArrayLike,
    spacing: float,
    *,
    window: int = 9,
    order: int = 2,
    derivative: int = 0,
) -> npt.NDArray[Any]:
    """Smooth or differentiate each spectrum by Savitzky & Golay (1964): `savitzky_golay_matrix`.

    Common practice, no source: window no wider than the narrowest band, order 2 or 3.
    """
    rows = contiguous_rows(block)
    _check_window(rows.shape[-1], window, order, derivative)
    result = np.empty_like(rows)
    fit = _window_fit(window, order, derivative, spacing)
    run("row_loops", "smoothed", rows, fit, result)
    return result


def savitzky_golay_matrix(
    n: int, window: int, order: int, derivative: int = 0, spacing: float = 1.0
) -> Any:
    """Return the smoothing as a sparse (n, n) matrix M: smoothed = M @ spectrum, exactly.

    A polynomial of `order` is fitted by least squares to `window` channels around each channel and
    evaluated there (Savitzky & Golay, Anal. Chem. 36, 1627); the channels within half a window of
    an end take the polynomial of the first or last whole window (Gorry, Anal. Chem. 62, 570). The
    result has the unit of the spectrum per (unit of `spacing`)^`derivative`. The covariance of the
    smoothed noise is M C M'.

    Raises `ProcedureError` unless window is odd, order < window <= n and derivative <= order.

    >>> (35 * savitzky_golay_matrix(5, 5, 2).toarray()[2]).round(12)
    array([-3., 12., 17., 12., -3.])
    """
    from scipy import sparse

    _check_window(n, window, order, derivative)
    fit = _window_fit(window, order, derivative, spacing)
    half = window // 2
    # Channel i is place i - first[i] of the window that starts at channel first[i].
    first = np.clip(np.arange(n) - half, 0, n - window)
    values = fit[np.arange(n) - first]
    columns = first[:, None] + np.arange(window)
    rows_end = np.arange(0, n * window + 1, window)
    return sparse.csr_array((values.ravel(), columns.ravel(), rows_end), shape=(n, n))


def _check_window(n: int, window: int, order: int, derivative: int) -> None:
    if window % 2 == 0 or not derivative <= order < window <= n:
        raise ProcedureError(
            Fault(f"window {window}, order {order}, derivative {derivative} for {n} channels",
                  "an odd window, order < window <= channels, derivative <= order",
                  "window = 9, order = 2, derivative = 0, or a wider crop")
        )  # fmt: skip


def _window_fit(window: int, order: int, derivative: int, spacing: float) -> Floats:
    """Return (window, window): row s holds the weights for the fit's derivative at place s."""
    half = window // 2
    place = np.arange(-half, half + 1) / half
    powers = np.vander(place, order + 1, increasing=True)
    factor = [math.perm(power, derivative) for power in range(order + 1)]
    slope = np.zeros_like(powers)
    slope[:, derivative:] = powers[:, : order + 1 - derivative] * factor[derivative:]
    fit: Floats = slope @ np.linalg.pinv(powers) / (half * spacing) ** derivative
    return fit
