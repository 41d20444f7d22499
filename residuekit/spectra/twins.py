"""Twins: mean spectra that agree more closely than the noise of two measurements allows."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np
import numpy.typing as npt
import xarray as xr

from ..schema import WAVENUMBER
from .arrays import mean_spectrum, valid_spectra
from .steps import to_absorbance

Floats = npt.NDArray[np.float64]
#: Two means are twins below this share of the square that their noise alone gives: at most this,
#: less where so few channels could come so low with this chance by noise.
MOST_SHARE, CHANCE = 0.01, 1e-9
#: One channel in so many counts as independent: zero filling and apodisation tie neighbours.
_TIED = 4
#: What rounding leaves of a copy, as a share of the spectrum; pixels that show a file's noise.
_ROUNDED, _PIXELS = 1e-6, 64
_ORDER, _ORDER_VARIANCE = 4, 70.0


@dataclass(frozen=True)
class Imprint:
    """What tells one measured file from every other: the mean spectrum as measured (absorbance
    where it can be), and the variance of its noise in one channel."""

    wavenumber: Floats
    mean: Floats
    variance: float


def imprint(array: xr.DataArray) -> Imprint:
    """Take the imprint of a map or of points.

    The noise is that of fourth differences along the spectrum (variance 70 for white noise; by the
    median, so that bands do not count), of the pixels less their mean, or of a single spectrum
    itself. Noise that neighbours share is underrated, and then fewer twins are found.
    """
    if array.name == "transmittance":
        array = to_absorbance(array)
    mean, spectra = mean_spectrum(array), valid_spectra(array)
    n = len(spectra)
    chosen = spectra[:: max(1, n // _PIXELS)].astype(np.float64)
    rest = (chosen - mean) * np.sqrt(n / (n - 1)) if n > 1 else chosen
    noise = 0.0
    if mean.size > _ORDER:
        middle = np.median(np.abs(np.diff(rest, _ORDER, axis=1)))
        noise = float(middle / 0.6745) ** 2 / _ORDER_VARIANCE
    rounded = _ROUNDED**2 * float(np.mean(mean**2))
    return Imprint(array[WAVENUMBER].values.astype(np.float64), mean, noise / n + rounded)


def twins(imprints: Sequence[Imprint], owners: Sequence[Hashable]) -> list[tuple[int, int]]:
    """Find what agrees more closely than noise allows: (number, number of the first like it).

    The mean square of the difference of two means is (v1 + v2) chi2(nu) / nu by noise alone, and
    more where the samples differ; nu is a quarter of the channels. Below 1 % of v1 + v2, or below
    the share that noise undercuts once in 1e9 pairs, they are one measurement. Files on other axes
    are compared where all have a channel.

    Parameters
    ----------
    imprints : of measured files.
    owners : the mock-up of each; files of one mock-up are averaged and may be alike.
    """
    from scipy.special import gammaincinv

    if len(imprints) < 2:
        return []
    axes = [np.round(one.wavenumber, 2) for one in imprints]
    common = reduce(lambda a, b: a if np.array_equal(a, b) else np.intersect1d(a, b), axes)
    freedom = common.size / _TIED
    if freedom < 1:
        return []
    share = min(MOST_SHARE, 2 * float(gammaincinv(freedom / 2, CHANCE)) / freedom)
    means = np.array([
        one.mean if axis.size == common.size else one.mean[np.searchsorted(axis, common)]
        for one, axis in zip(imprints, axes, strict=True)
    ])  # fmt: skip
    variance = np.array([one.variance for one in imprints])
    found = []
    for place in range(1, len(means)):
        apart = np.mean((means[:place] - means[place]) ** 2, axis=1)
        near = np.flatnonzero(apart <= share * (variance[:place] + variance[place])).tolist()
        first = next((n for n in near if owners[n] != owners[place]), None)
        if first is not None:
            found.append((place, first))
    return found
