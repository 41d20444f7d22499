"""What a map of scores holds beside its mean: numbers only."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import numpy.typing as npt

_ROUNDS = 20


def family_quantile(n: int, alpha: float = 0.05) -> float:
    """The normal quantile that the largest of n independent pixels passes with probability alpha.

    Šidák (1967): z with 1 - (1 - p)^n = alpha.

    >>> round(family_quantile(1024), 3)
    3.89
    """
    return NormalDist().inv_cdf((1 - alpha) ** (1 / n))


def largest_patch(above: npt.ArrayLike) -> int:
    """Count the pixels of the largest patch of True in a (n_y, n_x) map; corners do not connect.

    >>> largest_patch([[True, True, False], [False, False, True]])
    2
    """
    from scipy.ndimage import label

    mask = np.asarray(above, dtype=bool)
    labels, count = label(mask)
    return int(np.bincount(labels.ravel())[1:].max()) if count else 0


def autocorrelation(values: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Correlation of a (n_y, n_x) map with itself at each shift, (2 n_y - 1, 2 n_x - 1).

    Shift (0, 0) stands at [n_y - 1, n_x - 1]. NaN pixels are left out of each pair; each shift is
    divided by its number of pairs. A shift without pairs, or a flat map, gives 0.
    """
    from scipy.signal import fftconvolve

    field = np.asarray(values, dtype=float)
    seen = np.isfinite(field)
    centred = (
        np.where(seen, field - field[seen].mean(), 0.0) if seen.any() else np.zeros(field.shape)
    )
    products = fftconvolve(centred, centred[::-1, ::-1])
    pairs = np.rint(fftconvolve(seen.astype(float), seen[::-1, ::-1].astype(float)))
    variance = products[field.shape[0] - 1, field.shape[1] - 1] / max(seen.sum(), 1)
    found = np.zeros(products.shape)
    if variance > 0:
        np.divide(products, pairs * variance, out=found, where=pairs > 0)
    return found


def effective_pixels(values: npt.ArrayLike) -> float:
    """Estimate from one (n_y, n_x) map how many independent pixels it is worth.

    The correlation is that of `autocorrelation`, averaged over the lags of equal distance and cut
    where it first falls to 0. Taking off the map's own mean lowers every lag by the variance of
    that mean, 1 / (n_eff - 1) of the map's own variance: it is put back, in rounds. NaN pixels do
    not count. Of range: the correlation must die out well within the map; a map that is one smooth
    slope gives a few pixels, never fewer than 1.
    """
    field = np.asarray(values, dtype=float)
    n = int(np.isfinite(field).sum())
    if n < 2:
        return float(n)
    found = autocorrelation(field)
    n_y, n_x = field.shape
    lag = np.hypot(*np.ogrid[1 - n_y : n_y, 1 - n_x : n_x])
    ring = np.rint(lag).astype(int)
    pairs = np.outer(n_y - np.abs(np.arange(1 - n_y, n_y)), n_x - np.abs(np.arange(1 - n_x, n_x)))
    weight = np.bincount(ring.ravel(), pairs.ravel())
    profile = np.bincount(ring.ravel(), (pairs * found).ravel()) / weight
    share, count = weight / field.size**2, float(n)
    for _ in range(_ROUNDS):
        lost = 1 / max(count - 1, 1)
        raised = (profile + lost) / (1 + lost)
        end = int(np.argmax(np.append(raised, 0.0) <= 0))
        count = 1 / max(float(share[:end] @ raised[:end]), 1 / n)
    return max(count, 1.0)
