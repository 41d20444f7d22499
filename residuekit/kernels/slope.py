"""The slope of a straight line through zero whose scatter grows with the loading."""

from __future__ import annotations

from math import nan, sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt


class Slope(NamedTuple):
    """Response per unit of loading, its standard error, and the number of mock-ups behind it.

    `pull` says by how much the slope falls when the blank mean of the arm rises by one; `highest`
    is the highest loading it rests on.
    """

    value: float
    standard_error: float
    n_spiked: int
    pull: float = 0.0
    highest: float = nan


def slope_through_zero(
    loading: npt.ArrayLike,
    response: npt.ArrayLike,
    scatter: float,
    relative: float = 0.1,
    *,
    shared: npt.ArrayLike = 0.0,
) -> Slope:
    """Fit response = b loading with weights 1 / (scatter^2 + (relative b loading)^2).

    Parameters
    ----------
    loading : (k,) loadings above zero; response : (k,) scores less the blank mean.
    scatter : standard deviation of blank mock-ups (response units).
    relative : share by which the response of a spiked mock-up scatters (0.1).
    shared : (k,) or one for all, the share of the blanks behind each response that are the very
        blanks an arm is compared with (0 to 1).

    The weights hold b, so they are found in rounds from the unweighted line on; with b = 1 they
    are 1 / (s_b^2 + (c x)^2). The standard error comes from the residuals with k - 1 degrees of
    freedom; with fewer than two mock-ups above zero there is none and the slope is NaN.
    """
    x, y = np.asarray(loading, float), np.asarray(response, float)
    share = np.broadcast_to(np.asarray(shared, float), x.shape)
    x, y, share = x[x > 0], y[x > 0], share[x > 0]
    if x.size < 2:
        return Slope(nan, nan, int(x.size))
    slope = float(x @ y / (x @ x))
    for _ in range(50):
        variance = scatter**2 + (relative * slope * x) ** 2
        if not variance.all():
            variance = np.ones_like(x)
        weight = variance.min() / variance
        before, slope = slope, float((weight * x) @ y / ((weight * x) @ x))
        if abs(slope - before) <= 1e-12 * abs(slope):
            break
    residual = y - slope * x
    total = float((weight * x) @ x)
    squared = float((weight * residual) @ residual) / (x.size - 1) / total
    pull = float((weight * x) @ share) / total
    return Slope(slope, sqrt(squared), int(x.size), pull, float(x.max()))
