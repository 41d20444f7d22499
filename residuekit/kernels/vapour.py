"""Lines of water vapour: a measured vapour spectrum fitted to each spectrum and taken off."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..errors import Fault, ProcedureError

__all__ = ["VapourFit", "fit_vapour", "subtract_vapour"]

Floats = npt.NDArray[np.float64]
Curve = Callable[[Floats], Floats]
#: The vapour may be moved and widened by so many places, one channel apart; 0 is no vapour.
TAPS = (0, 1, 3, 5)
LEAST_CHANNELS = 12


class VapourFit(NamedTuple):
    """The vapour found in each spectrum.

    `kernel` (n_spectra, 5) is what the vapour spectrum is convolved with, its places one channel
    apart; `scale` (n_spectra,) its sum; `shift` (n_spectra,) its first moment over the scale, cm-1,
    0 where no vapour was found.
    """

    kernel: Floats
    scale: Floats
    shift: Floats


def fit_vapour(
    block: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    vapour: Curve,
    *,
    fit: tuple[float, float] = (1800.0, 1900.0),
) -> VapourFit:
    """Fit a measured vapour spectrum to each spectrum of a block (n_spectra, n_channels).

    Within `fit` (cm-1; paint is silent there and water is not, common practice, no source) the
    second differences of a spectrum are those of the vapour convolved with a short kernel, by
    least squares. One place scales the vapour; three move it by up to a channel; five also fit its
    resolution. Each spectrum takes the number of places, none too, of the lowest Schwarz criterion
    n ln(RSS/n) + k ln n (Ann. Stat. 6, 461, 1978): where no vapour shows nothing is taken off.
    `vapour` is a function of the wavenumber. A spectrum that is not finite within `fit` gets NaN.

    Raises `ProcedureError` for fewer than 12 channels within `fit`.
    """
    rows, axis = np.asarray(block, np.float64), np.asarray(wavenumber, np.float64)
    inside = (axis >= fit[0]) & (axis <= fit[1])
    if inside.sum() < LEAST_CHANNELS:
        raise ProcedureError(
            Fault(f"{inside.sum()} channels from {fit[0]:g} to {fit[1]:g} cm-1",
                  f"{LEAST_CHANNELS} channels or more to fit vapour lines in",
                  "a wider crop, or another range fit_low to fit_high")
        )  # fmt: skip
    places, offsets = axis[inside], _offsets(axis)
    targets = np.diff(rows[:, inside], n=2, axis=1)
    shapes = np.array([np.diff(vapour(places - offset), n=2) for offset in offsets])
    finite = np.isfinite(targets).all(axis=1)
    n = targets.shape[1]
    kernel, lowest = np.zeros((len(rows), offsets.size)), np.full(len(rows), np.inf)
    for taps in TAPS:
        used = slice((offsets.size - taps) // 2, (offsets.size + taps) // 2)
        coefficients = targets @ np.linalg.pinv(shapes[used]) if taps else targets[:, :0]
        left = targets - coefficients @ shapes[used]
        rss = np.maximum(np.einsum("ij,ij->i", left, left), np.finfo(float).tiny)
        criterion = n * np.log(rss / n) + taps * np.log(n)
        better = criterion < lowest
        lowest = np.where(better, criterion, lowest)
        kernel[better] = 0.0
        kernel[better, used] = coefficients[better]
    kernel[~finite] = np.nan
    scale = kernel.sum(axis=1)
    moment = kernel @ offsets
    shift = np.divide(moment, scale, out=np.where(finite, 0.0, np.nan), where=scale != 0)
    return VapourFit(kernel, scale, shift)


def _offsets(axis: Floats) -> Floats:
    half = max(TAPS) // 2
    offsets: Floats = float(np.median(np.diff(axis))) * np.arange(-half, half + 1.0)
    return offsets


def subtract_vapour(
    block: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    vapour: Curve,
    *,
    fit: tuple[float, float] = (1800.0, 1900.0),
    within: tuple[float, float] = (1300.0, 2000.0),
) -> Floats:
    """Return the block less the vapour lines found by `fit_vapour`, taken off `within` (cm-1).

    The straight line between the ends of `within` is taken off the vapour first, so that nothing
    steps there. Valid while lines add in absorbance: strong lines measured at low resolution do
    not, and part of them is left.
    """
    rows, axis = np.asarray(block, np.float64), np.asarray(wavenumber, np.float64)
    kernel = fit_vapour(rows, axis, vapour, fit=fit).kernel
    inside = (axis >= within[0]) & (axis <= within[1])
    places = axis[inside]
    lines = np.array([vapour(places - offset) for offset in _offsets(axis)])
    share = (places - places[0]) / (places[-1] - places[0])
    lines -= lines[:, :1] + (lines[:, -1:] - lines[:, :1]) * share
    corrected = rows.copy()
    corrected[:, inside] -= kernel @ lines
    corrected[np.isnan(kernel).any(axis=1)] = np.nan
    return corrected
