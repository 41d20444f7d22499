"""Detection limits as numbers: noncentral t, counts, the MDL, tolerance and binomial bounds."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

_Z = np.linspace(-8.5, 8.5, 1701)
_NORMAL_WEIGHTS = np.exp(-0.5 * _Z**2) * (_Z[1] - _Z[0]) / math.sqrt(2.0 * math.pi)


def clopper_pearson_upper(k: int, n: int, alpha: float) -> float:
    """Bound a share from above: exact one-sided, confidence 1 - `alpha`, `k` of `n` counted.

    For k = 0 it is ``1 - alpha**(1/n)``. Clopper and Pearson, Biometrika 26 (1934) 404.

    >>> round(clopper_pearson_upper(0, 6, 0.05), 4)
    0.393
    """
    from scipy.special import betaincinv

    return 1.0 if k == n else float(betaincinv(k + 1, n - k, 1.0 - alpha))


def clopper_pearson_lower(k: int, n: int, alpha: float) -> float:
    """Bound a share from below: exact one-sided, confidence 1 - `alpha`, `k` of `n` counted.

    >>> round(clopper_pearson_lower(29, 29, 0.05), 3)
    0.902
    """
    return 1.0 - clopper_pearson_upper(n - k, n, alpha)


def clopper_pearson_interval(k: int, n: int, alpha: float) -> tuple[float, float]:
    """Bound a share from both sides, alpha/2 on each; see `clopper_pearson_upper`."""
    return clopper_pearson_lower(k, n, alpha / 2), clopper_pearson_upper(k, n, alpha / 2)


@lru_cache(maxsize=256)
def grubbs_critical(n: int, alpha: float) -> float:
    """The critical value of max |y - mean| / s of `n` normal values, two-sided at rate `alpha`.

    (n - 1)/sqrt(n) sqrt(t^2 / (n - 2 + t^2)) with t = t(1 - alpha/(2n), n - 2): Grubbs,
    Technometrics 11 (1969) 1: the rate is `alpha` at most.

    >>> round(grubbs_critical(6, 0.01), 3)
    1.973
    """
    from scipy.special import stdtrit

    t = float(stdtrit(n - 2, 1 - alpha / (2 * n)))
    return (n - 1) / math.sqrt(n) * math.sqrt(t**2 / (n - 2 + t**2))


@lru_cache(maxsize=1024)
def noncentrality(nu: float, quantile: float, beta: float = 0.05) -> float:
    """Find delta with P(t'(nu, delta) <= quantile) = `beta`: the exact factor of a detection limit.

    The quantile is above zero; with t(1 - alpha, nu) it is delta(nu; alpha, beta) of ISO 11843-2
    and of Currie, Pure Appl. Chem. 67 (1995) 1699; with infinite nu it is quantile + z(1 - beta).
    It is negative where even a zero signal stays below the quantile less often than `beta`.

    >>> round(noncentrality(4, 2.13185, 0.05), 3)
    4.067
    """
    from scipy.special import ndtri

    if math.isinf(nu):
        return quantile + float(ndtri(1.0 - beta))
    missed = noncentral_t_cdf(nu, quantile)
    return _solve(lambda delta: missed(delta) - beta, quantile)


def noncentral_t_cdf(nu: float, quantile: float) -> Callable[[float], float]:
    """Give P(t'(nu, delta) <= quantile) as a function of delta, for quantile > 0.

    t' = (Z + delta) / S with Z normal and nu S^2 chi-square. One of the two is integrated in
    closed form, the other by the trapezoid rule on a normal deviate: S in closed form where it
    scatters more than Z / quantile, else Z. So the result holds from nu = 1 to millions and for
    quantiles (a slope over its error) of any size.
    """
    from scipy.special import chdtrc, gammainccinv, gammaincinv, ndtr

    if quantile**2 > 2 * nu:

        def by_normal(delta: float) -> float:
            reduced = np.clip(_Z + delta, 0.0, None) / quantile
            return float(_NORMAL_WEIGHTS @ chdtrc(nu, nu * reduced**2))

        return by_normal
    tail = ndtr(-np.abs(_Z))
    half = np.where(_Z < 0, gammaincinv(nu / 2, tail), gammainccinv(nu / 2, tail))
    scaled = quantile * np.sqrt(2 * half / nu)
    return lambda delta: float(_NORMAL_WEIGHTS @ ndtr(scaled - delta))


def _solve(falling: Callable[[float], float], start: float) -> float:
    from scipy.optimize import brentq

    low = high = start
    step = 1.0 + 0.1 * abs(start)
    while falling(low) < 0:
        low, step = low - step, 2 * step
    while falling(high) > 0:
        high, step = high + step, 2 * step
    return low if low == high else float(brentq(falling, low, high, xtol=1e-10, rtol=1e-12))


def t_and_delta(nu: float, alpha: float, beta: float) -> tuple[float, float]:
    """Give t(1 - alpha, nu) and delta(nu; alpha, beta); normal deviates where nu is infinite."""
    from scipy.special import ndtri, stdtrit

    infinite = math.isinf(nu)
    t = float(ndtri(1 - alpha) if infinite else stdtrit(nu, 1 - alpha))
    return t, noncentrality(nu, t, beta)


def sigma_factors(nu: float, confidence: float) -> tuple[float, float]:
    """Give the factors that carry s to the two-sided chi-square interval of sigma.

    >>> [round(factor, 2) for factor in sigma_factors(9, 0.90)]
    [0.73, 1.65]
    """
    from scipy.special import chdtri

    if math.isinf(nu):
        return 1.0, 1.0
    tail = (1.0 - confidence) / 2
    low, high = (nu / chdtri(nu, p) for p in (tail, 1 - tail))
    return math.sqrt(low), math.sqrt(high)


def slope_ratio_factors(nu: float, t_slope: float, confidence: float) -> tuple[float, float]:
    """Give the factors that carry s/b of a fitted line to the exact interval of sigma/slope.

    `t_slope` = b sqrt(Sxx) / s is noncentral t with delta = slope sqrt(Sxx) / sigma; the interval
    of delta is found by inverting that distribution. The upper factor is infinite where the slope
    is not above zero at this confidence.
    """
    tail = (1.0 - confidence) / 2
    high = noncentrality(nu, t_slope, tail)
    low = noncentrality(nu, t_slope, 1 - tail)
    return t_slope / high, t_slope / low if low > 0 else math.inf


class Counts(NamedTuple):
    """Currie's limits for counts, above the background, in counts."""

    decision: float
    detection: float
    quantification: float


def currie_counts(background: float, n_blanks: float, alpha: float, beta: float) -> Counts:
    """Give the limits of a count over a Poisson `background` known from `n_blanks` equal counts.

    With B the background and eta = 1 + 1/n: L_C = z sqrt(eta B), L_D = L_C + z sqrt(L_D + eta B),
    L_Q = 50 (1 + sqrt(1 + eta B / 25)); one blank is the paired case, infinitely many the
    well-known blank. Currie, Anal. Chem. 40 (1968) 586. The normal approximation wants some ten
    counts of background or more.
    """
    from scipy.special import ndtri

    z_alpha, z_beta = float(ndtri(1 - alpha)), float(ndtri(1 - beta))
    variance = (1 + 1 / n_blanks) * background
    decision = z_alpha * math.sqrt(variance)
    half = z_beta**2 / 2
    detection = decision + half + z_beta * math.sqrt(decision + variance + half / 2)
    return Counts(decision, detection, 50 * (1 + math.sqrt(1 + variance / 25)))


def poisson_interval(count: float, confidence: float) -> tuple[float, float]:
    """Bound a Poisson mean from one count, two-sided. Garwood, Biometrika 28 (1936) 437."""
    from scipy.special import gammainccinv, gammaincinv

    tail = (1.0 - confidence) / 2
    low = 0.0 if count == 0 else float(gammaincinv(count, tail))
    return low, float(gammainccinv(count + 1, tail))


class MethodDetectionLimit(NamedTuple):
    """The two candidates of the MDL; the larger one is the limit. `from_blanks` may be NaN."""

    from_spikes: float
    from_blanks: float

    @property
    def limit(self) -> float:
        return float(np.nanmax(self))


def epa_mdl(spikes: ArrayLike, blanks: ArrayLike) -> MethodDetectionLimit:
    """Compute the method detection limit of 40 CFR 136 Appendix B, revision 2.

    MDLs = t(0.99, n - 1) s of the spikes; MDLb = mean + t(0.99, n - 1) s of the blanks, a mean
    below zero taken as zero. Blanks without a number are NaN: when some are, MDLb is the highest
    number; when all are, MDLb does not apply (NaN). (Revision 2, section (d), from memory.)
    """
    from scipy.special import stdtrit

    spikes, blanks = np.asarray(spikes, float), np.asarray(blanks, float)
    numeric = blanks[np.isfinite(blanks)]
    spiked = float(stdtrit(spikes.size - 1, 0.99) * spikes.std(ddof=1))
    if numeric.size == 0:
        return MethodDetectionLimit(spiked, math.nan)
    if numeric.size < blanks.size:
        return MethodDetectionLimit(spiked, float(numeric.max()))
    blank = max(float(blanks.mean()), 0.0)
    return MethodDetectionLimit(
        spiked, blank + float(stdtrit(blanks.size - 1, 0.99) * blanks.std(ddof=1))
    )


def tolerance_factor(n: int, coverage: float, confidence: float) -> float:
    """Give the exact one-sided normal tolerance factor k: mean + k s covers `coverage`.

    k sqrt(n) is the `confidence` quantile of the noncentral t with n - 1 degrees of freedom and
    delta = z(coverage) sqrt(n). Owen, Technometrics 10 (1968) 445.

    >>> round(tolerance_factor(10, 0.95, 0.95), 3)
    2.911
    """
    from scipy.special import nctdtrit, ndtri

    delta = float(ndtri(coverage)) * math.sqrt(n)
    return float(nctdtrit(n - 1, delta, confidence)) / math.sqrt(n)


def distribution_free_n(coverage: float, confidence: float) -> int:
    """Give the smallest n whose largest value covers `coverage` with `confidence`.

    The smallest n with 1 - coverage^n >= confidence. Wilks, Ann. Math. Stat. 12 (1941) 91.

    >>> distribution_free_n(0.95, 0.95)
    59
    """
    return math.ceil(math.log1p(-confidence) / math.log(coverage))


def quantile_ranks(n: int, coverage: float, confidence: float) -> tuple[int, int]:
    """Give the ranks (1 to n) whose order statistics bound the `coverage` quantile.

    Each holds one-sided with `confidence`; rank 0 or n + 1 says that n is too small. David and
    Nagaraja, Order Statistics, section 7.1 (from memory).
    """
    from scipy.special import bdtr

    at_most = bdtr(np.arange(n + 1), n, coverage)
    lower = int(np.searchsorted(at_most, 1 - confidence, side="right"))
    upper = int(np.searchsorted(at_most, confidence, side="left")) + 1
    return lower, upper
