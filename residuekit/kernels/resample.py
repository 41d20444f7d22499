"""Spectra on another axis: a linear operator, band-limited where the new axis is coarser."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..errors import Fault, ProcedureError

__all__ = ["resampling_matrix"]

Floats = npt.NDArray[np.float64]
#: Half width of the low-pass kernel in channels of the new axis, and the shape of its window.
LOBES, KAISER = 8, 6.0
#: The new axis counts as coarser from this ratio of mean spacings on.
COARSER = 1.001


def resampling_matrix(source: npt.ArrayLike, target: npt.ArrayLike) -> Floats:
    """Return the matrix (n_target, n_source) that carries spectra from one axis to another.

    Where the target's mean spacing h is the larger, each value is the spectrum's convolution with
    sinc(x/h) under a Kaiser window (beta 6) of 8 h to either side, an ideal low-pass below half the
    new sampling rate (Shannon 1949; Kaiser 1974, both from memory). The line between the ends of
    the spectrum is set apart, so straight lines stay exact and the ends do not ring. White noise
    falls by sqrt(h_source/h) and stays nearly white (neighbours share 5 % of its variance). Else a
    cubic spline through the channels: noise is then correlated between channels, and standard
    errors that take it for white are too small.

    Both axes ascend, in cm-1, evenly or nearly so. Raises `ProcedureError` for fewer than 4
    channels or a target that leaves the source.
    """
    old, new = np.asarray(source, np.float64), np.asarray(target, np.float64)
    if old.size < 4 or new.size < 2:
        raise ProcedureError(
            Fault(f"{old.size} channels to be resampled to {new.size}",
                  "4 channels or more, to 2 or more", "a wider crop, or a smaller spacing")
        )  # fmt: skip
    slack = 1e-9 * (old[-1] - old[0])
    if new[0] < old[0] - slack or new[-1] > old[-1] + slack:
        raise ProcedureError(
            Fault(f"a target from {new[0]:g} to {new[-1]:g} cm-1",
                  f"a target inside the axis, {old[0]:g} to {old[-1]:g} cm-1",
                  f"low = {old[0]:.6g}, high = {old[-1]:.6g}")
        )  # fmt: skip
    spacing = float(np.diff(new).mean())
    if spacing <= COARSER * np.diff(old).mean():
        from scipy.interpolate import make_interp_spline

        spline: Floats = make_interp_spline(old, np.eye(old.size), k=3)(new)
        return spline
    return _low_pass(old, new, spacing)


def _low_pass(old: Floats, new: Floats, spacing: float) -> Floats:
    distance = (new[:, None] - old) / spacing
    inside = np.abs(distance) < LOBES
    window = np.i0(KAISER * np.sqrt(np.clip(1 - (distance / LOBES) ** 2, 0, None)))
    weights = np.where(inside, np.sinc(distance) * window, 0.0) * np.gradient(old)
    weights /= weights.sum(axis=1, keepdims=True)
    line_old, line_new = (_line(old, axis) for axis in (old, new))
    result: Floats = weights @ (np.eye(old.size) - line_old) + line_new
    return result


def _line(old: Floats, axis: Floats) -> Floats:
    """The matrix (n, n_old) that draws the line between the ends, each the mean of 3 channels."""
    first, last = (np.zeros(old.size) for _ in range(2))
    first[:3], last[-3:] = 1 / 3, 1 / 3
    share = ((axis - old[:3].mean()) / (old[-3:].mean() - old[:3].mean()))[:, None]
    line: Floats = (1 - share) * first + share * last
    return line
