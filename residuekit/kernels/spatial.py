"""What a map of scores holds beside its mean: numbers only."""

from __future__ import annotations

from collections.abc import Callable
from statistics import NormalDist
from typing import Any

import numpy as np
import numpy.typing as npt

_ROUNDS = 20
#: Another way round must fit better by this many standard errors: 2 in 10,000 pairs by chance.
_FITS_BETTER = 4.0
_WAYS: dict[str, Callable[[Any], Any]] = {
    "left to right": np.fliplr,
    "top to bottom": np.flipud,
    "half a turn": lambda a: a[::-1, ::-1],
}
_SQUARE_WAYS: dict[str, Callable[[Any], Any]] = {
    "a quarter turn": np.rot90,
    "a quarter turn back": lambda a: np.rot90(a, -1),
    "rows for columns": np.transpose,
    "rows for columns, turned": lambda a: a[::-1, ::-1].T,
}


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
    from scipy.fft import irfft2, next_fast_len, rfft2

    field = np.asarray(values, dtype=float)
    seen = np.isfinite(field)
    centred = (
        np.where(seen, field - field[seen].mean(), 0.0) if seen.any() else np.zeros(field.shape)
    )
    n_y, n_x = field.shape
    shape = [next_fast_len(2 * n - 1, real=True) for n in field.shape]
    power = np.abs(rfft2([centred, seen], shape)) ** 2
    shifted = np.roll(irfft2(power, shape), (n_y - 1, n_x - 1), axis=(1, 2))
    products, pairs = shifted[:, : 2 * n_y - 1, : 2 * n_x - 1]
    pairs = np.rint(pairs)
    variance = products[n_y - 1, n_x - 1] / max(seen.sum(), 1)
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


def texture_match(one: npt.ArrayLike, other: npt.ArrayLike) -> tuple[float, str]:
    """The correlation of two (n_y, n_x) maps pixel by pixel, and the way round in which the other
    fits the first clearly better; empty where none does.

    Mirrored, turned by half, a square also by a quarter. Fisher's z of the correlations, with as
    many values as the map has effective pixels; NaN pixels are left out of each pair. A flat map
    correlates with nothing (0).

    >>> field = np.random.default_rng(1).normal(size=(12, 12))
    >>> texture_match(field, field)[1], texture_match(field, field[:, ::-1])[1]
    ('', 'left to right')
    """
    first, second = np.asarray(one, dtype=float), np.asarray(other, dtype=float)
    n = min(effective_pixels(first), effective_pixels(second))
    as_laid = _correlation(first, second)
    ways = {**_WAYS, **(_SQUARE_WAYS if first.shape[0] == first.shape[1] else {})}
    fits = {name: _correlation(first, turned(second)) for name, turned in ways.items()}
    best = max(fits, key=lambda name: fits[name])
    needed = np.arctanh(as_laid) + _FITS_BETTER * np.sqrt(2 / max(n - 3, 1))
    return as_laid, best if np.arctanh(fits[best]) > needed else ""


def _correlation(one: npt.NDArray[np.float64], other: npt.NDArray[np.float64]) -> float:
    """The correlation over what is known of both, just inside (-1, 1)."""
    known = np.isfinite(one) & np.isfinite(other)
    if known.sum() < 3 or not (np.ptp(one[known]) and np.ptp(other[known])):
        return 0.0
    return float(np.clip(np.corrcoef(one[known], other[known])[0, 1], -1 + 1e-12, 1 - 1e-12))
