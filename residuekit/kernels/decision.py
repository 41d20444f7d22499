"""Decision and detection for an arm of mock-ups: numbers only.

One-sided throughout. n blank and m exposed mock-ups; s_b the standard deviation of the n blank
scores with nu = n - 1; h = sqrt(1/m + 1/n); h1 = sqrt(1 + 1/n).
"""

from __future__ import annotations

from functools import lru_cache
from math import inf, nan, sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_ARMS = 300_000
_SEED = 20261124


class Levels(NamedTuple):
    """The common marginal level and the two quantiles it gives."""

    level: float
    arm: float
    mockup: float


@lru_cache(maxsize=256)
def decision_levels(n: int, m: int, alpha: float = 0.05) -> Levels:
    """Find the quantiles q1 (arm mean) and q2 (largest mock-up) that share one false-alarm rate.

    T1 = D / (s_b h) > q1 or T2 = (max y_e - mean y_b) / (s_b h1) > q2 happens with probability
    `alpha` when nothing is there. Both get the same marginal level. Given s_b and the distance of
    the largest exposed score from their mean, D alone is random and normal: it is integrated out,
    and the rest averaged over 300,000 seeded arms (standard error of the rate below 0.0001).

    Parameters
    ----------
    n, m : numbers of blank (2 or more) and exposed (1 or more) mock-ups.
    alpha : rate of false alarms of the pair, 0 < alpha < 0.5.
    """
    from scipy.optimize import brentq
    from scipy.special import gammaincinv, ndtr, stdtrit

    if n < 2 or m < 1:
        raise ValueError(f"n = {n} blanks and m = {m} exposed; needed n >= 2 and m >= 1")
    if m == 1:
        quantile = float(stdtrit(n - 1, 1 - alpha))
        return Levels(alpha, quantile, quantile)
    nu, h, h1 = n - 1, sqrt(1 / m + 1 / n), sqrt(1 + 1 / n)
    rng = np.random.default_rng((_SEED, n, m))
    score = rng.standard_normal((m, _ARMS))
    lead = score.max(axis=0) - score.mean(axis=0)
    share = rng.permutation((np.arange(_ARMS) + 0.5) / _ARMS)
    scatter = np.sqrt(gammaincinv(nu / 2, share) * 2 / nu)

    def alarms(difference: Floats) -> float:
        return float(ndtr(-difference / h).mean())

    def mockup_quantile(level: float) -> float:
        def excess(quantile: float) -> float:
            return alarms(quantile * scatter * h1 - lead) - level

        low, high = (float(stdtrit(nu, 1 - part)) for part in (level, level / m))
        return float(brentq(excess, low - 0.1, high + 0.1, xtol=1e-4))

    def excess_alarms(level: float) -> float:
        arm = float(stdtrit(nu, 1 - level)) * scatter * h
        mockup = mockup_quantile(level) * scatter * h1 - lead
        return alarms(np.minimum(arm, mockup)) - alpha

    level = float(brentq(excess_alarms, alpha / 2, alpha, xtol=1e-5))
    return Levels(level, float(stdtrit(nu, 1 - level)), mockup_quantile(level))


class Slope(NamedTuple):
    """Response per unit of loading, its standard error, and the number of mock-ups behind it.

    `pull` says by how much the slope falls when the blank mean of the arm rises by one.
    """

    value: float
    standard_error: float
    n_spiked: int
    pull: float = 0.0


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
    return Slope(slope, sqrt(squared), int(x.size), float((weight * x) @ share) / total)


class Bound(NamedTuple):
    """A one-sided upper bound with the standard error and the degrees of freedom behind it."""

    upper: float
    standard_error: float
    degrees_of_freedom: float


def upper_bound(
    estimate: float,
    blank_variance: float,
    n: int,
    exposed_variance: float,
    m: int,
    slope: Slope | None,
    alpha: float = 0.05,
) -> Bound:
    """Bound the mean loading of an arm from above.

    U = x + t(1 - alpha, nu) SE with SE^2 = [(1 - p x)^2 s_b^2/n + s_e^2/m + (x s1)^2] / b^2 and nu
    by Satterthwaite (1946). Where the spiked mock-ups share the arm's blanks, a rise of these
    lowers difference and slope together: to first order by (1 - p x) / b in x, with p the `pull`
    of the slope (0 for other blanks). A single exposed mock-up has no variance of its own: that of
    the blanks stands in. Without a slope b = 1 and s1 = p = 0.
    """
    from scipy.special import stdtrit

    value, error, n_spiked, pull = (1.0, 0.0, 0, 0.0) if slope is None else slope
    through_blanks = (1 - pull * estimate) ** 2 / n
    parts = [(blank_variance * through_blanks, n - 1), (exposed_variance / m, m - 1)]
    if m == 1:
        parts = [(blank_variance * (1 + through_blanks), n - 1)]
    if slope is not None:
        parts.append(((estimate * error) ** 2, n_spiked - 1))
    total = sum(part for part, _ in parts)
    spread = sum(part**2 / freedom for part, freedom in parts)
    freedom = total**2 / spread if spread > 0 else inf
    standard_error = sqrt(total) / abs(value)
    quantile = float(stdtrit(freedom if np.isfinite(freedom) else 1e9, 1 - alpha))
    return Bound(estimate + quantile * standard_error, standard_error, freedom)
