"""The slope of a straight line through zero whose scatter grows with the loading."""

from __future__ import annotations

from math import hypot, isfinite, nan, sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

#: Relative standard error of the response of a single film (our choice).
ONE_FILM = 0.1


class Slope(NamedTuple):
    """Response per unit of loading, its standard error, and the mock-ups or films behind it.

    `pull` says by how much the slope falls when the blank mean of the arm rises by one; `highest`
    is the highest loading it rests on; `declared` is the standard error that the declared errors
    of the loadings add; `film` says that it rests on films of the pure material.
    """

    value: float
    standard_error: float
    n_spiked: int
    pull: float = 0.0
    highest: float = nan
    declared: float = 0.0
    film: bool = False

    @property
    def known(self) -> bool:
        """Whether it turns scores into loadings: two spiked mock-ups, or a film."""
        return isfinite(self.value) and (self.n_spiked > 1 or self.film)

    @property
    def error(self) -> float:
        """The standard error with that of the loadings."""
        return hypot(self.standard_error, self.declared)


def slope_through_zero(
    loading: npt.ArrayLike,
    response: npt.ArrayLike,
    scatter: float,
    relative: float = 0.1,
    *,
    shared: npt.ArrayLike = 0.0,
    errors: npt.ArrayLike = 0.0,
) -> Slope:
    """Fit response = b loading with weights 1 / (scatter^2 + (relative b loading)^2).

    Parameters
    ----------
    loading : (k,) loadings above zero; response : (k,) scores less the blank mean.
    scatter : standard deviation of blank mock-ups (response units).
    relative : share by which the response of a spiked mock-up scatters (0.1).
    shared : (k,) or one for all, the share of the blanks behind each response that are the very
        blanks an arm is compared with (0 to 1).
    errors : (k,) or one for all, declared relative standard errors of the loadings, taken as common
        to all of them: the scatter of the responses cannot show what all share.

    The weights hold b, so they are found in rounds from the unweighted line on; with b = 1 they
    are 1 / (s_b^2 + (c x)^2). The standard error comes from the residuals with k - 1 degrees of
    freedom; with fewer than two mock-ups above zero there is none and the slope is NaN.
    """
    x, y = np.asarray(loading, float), np.asarray(response, float)
    share, declared = (np.broadcast_to(np.asarray(a, float), x.shape) for a in (shared, errors))
    x, y, share, declared = (one[x > 0] for one in (x, y, share, declared))
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
    common = slope * float((weight * x) @ (declared * x)) / total
    return Slope(slope, sqrt(squared), int(x.size), pull, float(x.max()), abs(common))


def film_slope(
    loading: npt.ArrayLike, response: npt.ArrayLike, errors: npt.ArrayLike = 0.0
) -> Slope:
    """The mean response per loading of films of the pure material, each as heavy as the others.

    Parameters
    ----------
    loading : (k,) above zero, one film or more; response : (k,) scores of the films by themselves.
    errors : as in `slope_through_zero`.

    The standard error is that of the scatter of several films; a single film shows none, and
    `ONE_FILM` of its response is taken beside the declared error.
    """
    x, y = np.asarray(loading, float), np.asarray(response, float)
    ratios, n = y / x, int(x.size)
    value = float(ratios.mean())
    common = abs(value) * float(np.broadcast_to(np.asarray(errors, float), x.shape).mean())
    if n == 1:
        declared = hypot(common, ONE_FILM * value)
        return Slope(value, 0.0, 1, highest=float(x[0]), declared=declared, film=True)
    error = float(ratios.std(ddof=1)) / sqrt(n)
    return Slope(value, error, n, 0.0, float(x.max()), common, True)


def loading_slope(
    loading: npt.ArrayLike,
    response: npt.ArrayLike,
    scatter: float,
    *,
    shared: npt.ArrayLike = 0.0,
    errors: npt.ArrayLike = 0.0,
    film: Slope | None = None,
) -> Slope | None:
    """What turns a score into loadings: `slope_through_zero`, without two mock-ups the slope of the
    films, else None."""
    spiked = slope_through_zero(loading, response, scatter, shared=shared, errors=errors)
    return spiked if spiked.known else film
