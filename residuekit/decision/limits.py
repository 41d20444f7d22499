"""THE limit: decision and detection for an arm of mock-ups, in the unit of the score.

One-sided throughout. n blank and m exposed mock-ups; s_b the standard deviation of the n blank
scores with nu = n - 1, or within panels with one less a panel (`panels`). Every decision limit of
the package is `decision_limit`, every detection limit `detection_limit`; `decision_levels` gives
the quantiles of an arm.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from math import exp, lgamma, log1p, nan, pi, sqrt
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from ..kernels.limit_statistics import noncentrality
from .panel_layout import Panels, one_panel

Floats = npt.NDArray[np.float64]

_ARMS = 300_000
#: The search begins with every so many of the arms; arms at a time; knots of a spline.
_FEW, _BLOCK, _KNOTS = 30, 2**15, 2001
#: Newton's steps at most, and the relative size of one after which the next is below rounding.
_STEPS, _SETTLED = 50, 1e-7
_SEED = 20261124


def difference_error(scatter: Any, n: float, m: float = 1) -> Any:
    """The standard deviation of a mean of m less a mean of n, s sqrt(1/m + 1/n)."""
    return scatter * sqrt(1 / m + 1 / n)


def decision_limit(quantile: float, scatter: Any, n: float, m: float = 1) -> Any:
    """The difference of the mean of m mock-ups and that of n blanks above which it is present.

    q s sqrt(1/m + 1/n); m = 1 is the limit of a single mock-up. `scatter` may be an array.
    """
    return quantile * difference_error(scatter, n, m)


def detection_limit(
    quantile: float,
    scatter: Any,
    n: float,
    m: float = 1,
    beta: float = 0.05,
    freedom: int | None = None,
) -> Any:
    """The true difference that is above `decision_limit` with probability 1 - `beta`.

    delta(nu, q, beta) s sqrt(1/m + 1/n), delta the noncentrality of t; nu = n - 1 unless `freedom`
    says otherwise.
    """
    nu = n - 1 if freedom is None else freedom
    return noncentrality(nu, quantile, beta) * difference_error(scatter, n, m)


def any_false_alarm(alpha: float, arms: int) -> float:
    """The most that the chance of a false alarm in at least one of several clean arms can be.

    1 - (1 - alpha)^arms: reached by arms that share nothing. Differences that share blanks rise and
    fall together, so with these it is less (Slepian, Bell System Technical Journal 41, 1962, 463).

    >>> round(any_false_alarm(0.05, 6), 3)
    0.265
    """
    return 1 - (1 - alpha) ** arms


class ArmLimits(NamedTuple):
    """Decision and detection limit of an arm's mean and of one of its mock-ups."""

    decision: float
    detection: float
    mockup_decision: float
    mockup_detection: float


def arm_limits(
    scatter: float,
    n: int,
    m: int,
    alpha: float = 0.05,
    beta: float = 0.05,
    panels: Panels | None = None,
) -> ArmLimits:
    """The four limits of an arm in the unit of `scatter`; NaN where a single blank gives none.

    Parameters
    ----------
    scatter : s_b, the standard deviation of the blank mock-ups' scores.
    n, m : numbers of blank and of exposed mock-ups.
    alpha, beta : rates of false and of missed detections.
    panels : how these lie on panels, where they are judged within them.

    >>> [round(limit, 2) for limit in arm_limits(1.0, 6, 6)]
    [1.37, 2.49, 4.04, 6.63]
    """
    if n < 2:
        return ArmLimits(nan, nan, nan, nan)
    levels, lie = decision_levels(n, m, alpha, panels), panels or one_panel(n, m)
    mean, one, nu = lie.behind_mean, lie.behind_one, lie.freedom
    return ArmLimits(
        decision_limit(levels.arm, scatter, mean, m),
        detection_limit(levels.arm, scatter, mean, m, beta, nu),
        decision_limit(levels.mockup, scatter, one),
        detection_limit(levels.mockup, scatter, one, 1, beta, nu),
    )


class Levels(NamedTuple):
    """The common marginal level and the two quantiles it gives."""

    level: float
    arm: float
    mockup: float


@lru_cache(maxsize=256)
def decision_levels(n: int, m: int, alpha: float = 0.05, panels: Panels | None = None) -> Levels:
    """Find the quantiles q1 (arm mean) and q2 (largest mock-up) that share one false-alarm rate.

    T1 = D / (s_b h) > q1 or T2 = (max y_e - mean y_b) / (s_b h1) > q2 happens with probability
    `alpha` when nothing is there. Both get the same marginal level. Given s_b and the distance of
    the largest exposed score from their mean, D alone is random and normal: it is integrated out,
    and the rest averaged over 300,000 seeded arms (standard error of the rate below 0.0001).

    Parameters
    ----------
    n, m : numbers of blank (2 or more) and exposed (1 or more) mock-ups.
    alpha : rate of false alarms of the pair, 0 < alpha < 0.5.
    panels : how these lie on panels: exposed mock-ups then share the mean of their panel's blanks,
        and h, h1 and nu are those of `Panels`.
    """
    from scipy.special import ndtr, stdtr, stdtrit

    if n < 2 or m < 1:
        raise ValueError(f"n = {n} blanks and m = {m} exposed; needed n >= 2 and m >= 1")
    lie = panels or one_panel(n, m)
    nu = lie.freedom
    if m == 1:
        quantile = float(stdtrit(nu, 1 - alpha))
        return Levels(alpha, quantile, quantile)
    h, h1 = sqrt(1 / m + 1 / lie.behind_mean), sqrt(1 + 1 / lie.behind_one)
    rng = np.random.default_rng((_SEED, n, m))
    scores: Iterable[Floats] = (rng.standard_normal(_ARMS) for _ in range(m))
    if len(lie.blanks) > 1:
        error = np.sqrt(1 / np.array(lie.blanks))[:, None]
        own = [*scores]
        scores = own - (error * rng.standard_normal((len(error), _ARMS)))[lie.places()[1]]
    largest, total = np.full(_ARMS, -np.inf), np.zeros(_ARMS)
    for score in scores:
        np.maximum(largest, score, out=largest)
        total += score
    lead = (largest - total / m) / h
    scatter = rng.permutation(_scatters(nu))

    def sums(quantiles: Floats, own: Floats, ahead: Floats) -> Floats:
        """Over arms: how often the largest mock-up, and either, is above its limit, and how fast
        these counts fall with the quantiles: the first with the second, the other with both."""
        mean, largest = quantiles[0] * own, quantiles[1] * (h1 / h) * own - ahead
        either = np.minimum(mean, largest)
        of_largest, of_either = (own * np.exp(-0.5 * at**2) for at in (largest, either))
        by_mean = of_either[mean < largest].sum()
        return np.array([ndtr(-largest).sum(), ndtr(-either).sum(), of_largest.sum() * h1 / h,
                         by_mean, (of_either.sum() - by_mean) * h1 / h])  # fmt: skip

    def step(quantiles: Floats, every: int) -> Floats:
        """Newton's step to where the largest mock-up is above its limit as often as the mean, and
        either in `alpha` of the arms."""
        blocks = [slice(at, at + _BLOCK * every, every) for at in range(0, _ARMS, _BLOCK * every)]
        found = np.zeros(5)
        for some in blocks:
            found += sums(quantiles, scatter[some], lead[some]) / (_ARMS / every)
        first, second, third = found[2:] / sqrt(2 * pi)
        level, density = stdtr(nu, -quantiles[0]), _t_density(nu, quantiles[0])
        slopes = np.array([[density, -first], [-second, -third]])
        return np.linalg.solve(slopes, found[:2] - [level, alpha])

    quantiles = stdtrit(nu, 1 - 0.6 * alpha / np.array([1.0, m]))
    for every in (_FEW, 1):
        for _ in range(_STEPS):
            change = step(quantiles, every)
            quantiles -= np.clip(change, -0.5 * quantiles, 0.5 * quantiles)
            if np.abs(change / quantiles).max() < _SETTLED:
                break
        else:
            raise ArithmeticError(f"n = {n}, m = {m}, alpha = {alpha:g}: no quantiles found")
    arm, mockup = map(float, quantiles)
    return Levels(float(stdtr(nu, -arm)), arm, mockup)


def _t_density(nu: int, t: float) -> float:
    size = lgamma((nu + 1) / 2) - lgamma(nu / 2) - (nu + 1) / 2 * log1p(t * t / nu)
    return exp(size) / sqrt(nu * pi)


def _scatters(nu: int) -> Floats:
    """The `_ARMS` quantiles of s / sigma, by a spline over their normal quantiles."""
    from scipy.interpolate import CubicSpline
    from scipy.special import gammaincinv, ndtr, ndtri

    places = ndtri((np.arange(_ARMS) + 0.5) / _ARMS)
    knots = np.linspace(places[0], places[-1], _KNOTS)
    quantiles: Floats = CubicSpline(knots, np.sqrt(gammaincinv(nu / 2, ndtr(knots)) * 2 / nu))(
        places
    )
    return quantiles
