"""Normalisation of blocks of spectra: each spectrum divided by a factor of its own.

Every function takes a block (n_spectra, n_channels) and its axis, and returns a block of the same
type, float32 or float64, and the float64 factors (n_spectra,), from float64 sums. A spectrum with a
value that is not finite, or whose factor is not above 0 (flat, empty, negative area), cannot be
normalised: it comes out NaN, its factor too. `low` and `high` in cm-1 say over which part the
factor is taken; left out, the axis ends there.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import Fault, ProcedureError
from .bands import ANCHOR_CHANNELS, area_weights, window_anchors
from .baselines import Floats, two_point
from .compiled import contiguous_rows, run

__all__ = ["area", "internal_standard", "snv", "vector"]

Normalised = tuple[npt.NDArray[Any], Floats]


def vector(
    block: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    *,
    low: float | None = None,
    high: float | None = None,
) -> Normalised:
    """Divide by the Euclidean length, sqrt(sum y^2).

    >>> vector([[3.0, 4.0]], [1000.0, 1002.0])
    (array([[0.6, 0.8]]), array([5.]))
    """
    return _divided(block, "by_length", *_ends(_channels(wavenumber, low, high)))


def snv(
    block: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    *,
    low: float | None = None,
    high: float | None = None,
) -> Normalised:
    """Subtract the mean and divide by the standard deviation, n - 1 (Barnes et al. 1989).

    Standard normal variate, Appl. Spectrosc. 43, 772. The factor is the standard deviation.
    """
    return _divided(block, "by_spread", *_ends(_channels(wavenumber, low, high)))


def area(
    block: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    *,
    low: float | None = None,
    high: float | None = None,
) -> Normalised:
    """Divide by the integral of y over wavenumber, by trapezoids between the channels."""
    start, stop = _ends(_channels(wavenumber, low, high))
    steps = np.diff(np.asarray(wavenumber, dtype=np.float64)[start:stop])
    weights = np.zeros(len(np.asarray(wavenumber)))
    weights[start : stop - 1] += steps / 2
    weights[start + 1 : stop] += steps / 2
    return _divided(block, "by_weights", weights, start, stop, False)


def internal_standard(
    block: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    *,
    low: float,
    high: float,
    measure: str = "area",
) -> Normalised:
    """Divide by the area or the height of the band between low and high.

    Both stand over the straight line through the mean of the three channels nearest low and the
    mean of those nearest high. The area is `residuekit.kernels.bands.area_weights`, unit of y times
    cm-1; the height is that of the channel farthest from the line, so noise raises it. `measure` is
    ``area`` or ``height``.

    The band must belong to the paint alone: a residue that overlaps it shrinks the whole spectrum.
    """
    axis = np.asarray(wavenumber, dtype=np.float64)
    inside = _channels(axis, low, high)
    if inside.sum() < 2 * ANCHOR_CHANNELS:
        raise ProcedureError(
            Fault(f"{inside.sum()} channels from {low:g} to {high:g} cm-1",
                  f"{2 * ANCHOR_CHANNELS} channels or more for a band over a local line",
                  "a wider interval low to high")
        )  # fmt: skip
    left, right = anchors = window_anchors(axis, low, high)
    if measure == "area":
        weights = area_weights(axis, low, high, anchors)
        return _divided(block, "by_weights", weights, *_ends(inside), True)
    rows = contiguous_rows(block)
    with np.errstate(invalid="ignore"):
        band = (rows - two_point(rows, axis, left=left, right=right))[:, inside]
    farthest = np.argmax(np.abs(band), axis=1)
    factors = np.take_along_axis(band, farthest[:, None], axis=1)[:, 0]
    flat = (rows[:, inside] == rows[:, inside][:, :1]).all(axis=1)
    factors = np.where((factors > 0) & ~flat, factors, np.nan)
    return (rows / factors[:, None]).astype(rows.dtype, copy=False), factors


def _divided(block: npt.ArrayLike, kernel: str, *arguments: Any) -> Normalised:
    rows = contiguous_rows(block)
    result, factors = np.empty_like(rows), np.empty(len(rows))
    run("row_loops", kernel, rows, *arguments, result, factors)
    return result, factors


def _ends(inside: npt.NDArray[np.bool_]) -> tuple[int, int]:
    """Return the slice of the channels inside an interval of an ascending axis."""
    start = int(np.argmax(inside))
    return start, start + int(inside.sum())


def _channels(
    wavenumber: npt.ArrayLike, low: float | None, high: float | None
) -> npt.NDArray[np.bool_]:
    """Return the channels from low to high, ends included: two or more, on the axis throughout."""
    axis = np.asarray(wavenumber, dtype=np.float64)
    low = axis[0] if low is None else low
    high = axis[-1] if high is None else high
    if not axis[0] <= low < high <= axis[-1]:
        raise ProcedureError(
            Fault(f"the interval from {low:g} to {high:g} cm-1",
                  f"an interval within the axis, {axis[0]:g} to {axis[-1]:g} cm-1",
                  f"low = {axis[0]:g}, high = {axis[-1]:g}, or a wider crop")
        )  # fmt: skip
    inside: npt.NDArray[np.bool_] = (axis >= low) & (axis <= high)
    if inside.sum() < 2:
        raise ProcedureError(
            Fault(f"{inside.sum()} channels from {low:g} to {high:g} cm-1", "2 channels or more",
                  "a wider interval low to high")
        )  # fmt: skip
    return inside
