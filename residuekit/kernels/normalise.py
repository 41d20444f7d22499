"""Normalisation of blocks of spectra: each spectrum divided by a factor of its own.

Every function takes a block (n_spectra, n_channels) and its axis, and returns the float64 block and
the factors (n_spectra,). A spectrum with a value that is not finite, or whose factor is not above 0
(flat, empty, negative area), cannot be normalised: it comes out NaN, its factor too. `low` and
`high` in cm-1 say over which part the factor is taken; left out, the axis ends there.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..errors import Fault, ProcedureError
from .bands import ANCHOR_CHANNELS, area_weights, window_anchors
from .baseline import Floats, on_complete_rows, two_point

__all__ = ["area", "internal_standard", "snv", "vector"]

Normalised = tuple[Floats, Floats]


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
    rows = _finite(block)
    part = rows[:, _channels(wavenumber, low, high)]
    return _divide(rows, np.sqrt(np.einsum("ij,ij->i", part, part)))


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
    rows = _finite(block)
    part = rows[:, _channels(wavenumber, low, high)]
    spread = _unless_flat(part, part.std(axis=1, ddof=1))
    return _divide(rows - part.mean(axis=1, keepdims=True), spread)


def area(
    block: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    *,
    low: float | None = None,
    high: float | None = None,
) -> Normalised:
    """Divide by the integral of y over wavenumber, by trapezoids between the channels."""
    rows = _finite(block)
    inside = _channels(wavenumber, low, high)
    places = np.asarray(wavenumber, dtype=np.float64)[inside]
    return _divide(rows, np.asarray(np.trapezoid(rows[:, inside], places, axis=1)))


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
    rows = _finite(block)
    left, right = anchors = window_anchors(axis, low, high)
    if measure == "area":
        factors = rows @ area_weights(axis, low, high, anchors)
    else:
        line = two_point(rows, axis, left=left, right=right)
        band = (rows - line)[:, inside]
        farthest = np.argmax(np.abs(band), axis=1)
        factors = np.take_along_axis(band, farthest[:, None], axis=1)[:, 0]
    return _divide(rows, _unless_flat(rows[:, inside], factors))


def _finite(block: npt.ArrayLike) -> Floats:
    return on_complete_rows(lambda rows: rows, block)


def _unless_flat(part: Floats, factors: Floats) -> Floats:
    """Return the factors, 0 where rounding alone would make one of a flat spectrum."""
    return np.where(np.ptp(part, axis=1) == 0, 0.0, factors)


def _divide(rows: Floats, factors: Floats) -> Normalised:
    usable = np.where(factors > 0, factors, np.nan)
    return rows / usable[:, None], usable


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
