"""How many mock-ups, which detection limit, which chances: of one design."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from ..calibration.arguments import positive, rate
from ..decision import limits
from ..decision.bound import upper_bound
from ..decision.claims import MIN_BLANKS, MIN_EXPOSED, bounded_below, detectable_within
from ..decision.limits import Levels, decision_levels
from ..decision.panel_layout import Panels
from ..errors import ContractError, Fault
from ..kernels.limit_statistics import noncentral_t_cdf
from ..kernels.surface import maps_needed
from .effort import Design
from .pilot import Pilot

_MOST_MOCKUPS = 10_000
_STUDIES = 20_000
_SEED = 20261125


def mockups_needed(limit_over_sd: float, power: float = 0.8, alpha: float = 0.05) -> int:
    """Count the mock-ups that show a clean mean to lie below a limit: one-sample equivalence.

    The least n with P(t'(n - 1, limit sqrt(n) / sd) > t(1 - alpha, n - 1)) >= power: the one-sided
    upper bound of the mean lies below the limit so often when the true mean is zero.

    Parameters
    ----------
    limit_over_sd : the acceptance limit over the standard deviation from mock-up to mock-up.
    power : the share of studies that shall succeed.
    alpha : one-sided error rate.

    Returns
    -------
    The number of mock-ups.

    Raises
    ------
    ContractError : numbers out of range, or more than 10,000 mock-ups.

    >>> [mockups_needed(ratio) for ratio in (0.5, 1.0, 1.5, 2.0)]
    [27, 8, 5, 4]
    """
    from scipy.special import stdtrit

    ratio = positive(limit_over_sd, "limit_over_sd", "the limit over the standard deviation")
    rate(power, "power", 1.0)
    rate(alpha, "alpha")

    def enough(n: int) -> bool:
        quantile = float(stdtrit(n - 1, 1 - alpha))
        return 1 - noncentral_t_cdf(n - 1, quantile)(ratio * math.sqrt(n)) >= power

    if not enough(_MOST_MOCKUPS):
        raise ContractError(
            Fault(f"a limit of {ratio:g} standard deviations", f"at most {_MOST_MOCKUPS} mock-ups",
                  "a higher limit, or a score that scatters less")
        )  # fmt: skip
    low, high = 1, _MOST_MOCKUPS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high


def detection_limit(
    pilot: Pilot, design: Design, *, alpha: float = 0.05, beta: float = 0.05, share: float = 0.5
) -> float:
    """Predict the arm's detection limit in ug cm-2, as a verdict will print it.

    delta(nu, q1, beta) s h with h = sqrt(1/m + 1/n) and s the value that the estimated standard
    deviation of n blanks stays below in `share` of all studies (0.5: the median study). The slope
    is taken as known. By a pilot within panels: nu and h of panels with two blanks each.

    Parameters
    ----------
    pilot : what blanks vary by.
    design : what will be measured.
    alpha, beta : one-sided rates of false and of missed detections.
    share : of all studies whose limit lies below the one that is returned.

    Returns
    -------
    The limit, ug cm-2.

    Raises
    ------
    ContractError : a design with too few mock-ups.

    >>> pilot = Pilot(mockup=0.2, map=0.1, noise=0.5, n_mockups=8, source="invented")
    >>> round(detection_limit(pilot, Design(mockups=6, blanks=6)), 2)
    0.49
    """
    from scipy.special import gammaincinv

    lie = pilot.layout(design)
    nu, quantile = lie.freedom, _levels(lie, alpha).arm
    seen = pilot.scatter(design) * math.sqrt(gammaincinv(nu / 2, share) * 2 / nu)
    return float(limits.detection_limit(quantile, seen, lie.behind_mean, lie.m, beta, nu))


def power(pilot: Pilot, design: Design, loading: float, *, alpha: float = 0.05) -> float:
    """Give the chance that an arm with this mean loading (ug cm-2) is above its decision limit.

    By the arm's mean alone; that a single mock-up may be above its own limit adds a little.

    Parameters
    ----------
    pilot : what blanks vary by.
    design : what will be measured.
    loading : the true mean, ug cm-2.
    alpha : one-sided rate of false detections.

    Returns
    -------
    The chance, 0 to 1.

    Raises
    ------
    ContractError : a design with too few mock-ups.

    >>> pilot = Pilot(mockup=0.2, map=0.1, noise=0.5, n_mockups=8, source="invented")
    >>> round(power(pilot, Design(mockups=6, blanks=6), 0.5), 2)
    0.93
    """
    lie = pilot.layout(design)
    missed = noncentral_t_cdf(lie.freedom, _levels(lie, alpha).arm)
    error = limits.difference_error(pilot.scatter(design), lie.behind_mean, lie.m)
    return 1 - float(missed(loading / error))


def chance_of_absence(
    pilot: Pilot, design: Design, limit: float, *, alpha: float = 0.05, beta: float = 0.05
) -> float:
    """Give the chance that a clean arm ends as "not detected" under an acceptance limit (ug cm-2).

    Below both decision limits, detection limit and upper bound within the acceptance limit, three
    or more mock-ups and blanks: the share of 20,000 seeded studies of normal scores, the slope
    taken as known (standard error at most 0.4 %).

    Parameters
    ----------
    pilot : what blanks vary by.
    design : what will be measured.
    limit : the acceptance limit, ug cm-2.
    alpha, beta : one-sided rates of false and of missed detections.

    Returns
    -------
    The chance, 0 to 1.

    Raises
    ------
    ContractError : a design with too few mock-ups.

    >>> pilot = Pilot(mockup=0.2, map=0.1, noise=0.5, n_mockups=8, source="invented")
    >>> round(chance_of_absence(pilot, Design(mockups=6, blanks=6), 1.0), 1)
    0.9
    """
    if design.mockups < MIN_EXPOSED or design.blanks < MIN_BLANKS:
        return 0.0
    return _absence(pilot.layout(design), limit / pilot.scatter(design), alpha, beta)


@lru_cache(maxsize=4096)
def _absence(lie: Panels, limit: float, alpha: float, beta: float) -> float:
    n, m, nu = lie.n, lie.m, lie.freedom
    if nu < 1:
        return 0.0
    rng = np.random.default_rng((_SEED, n, m))
    exposed = rng.standard_normal((m, _STUDIES))
    beside = rng.standard_normal((len(lie.blanks), _STUDIES)) / np.sqrt(lie.blanks)[:, None]
    of_blanks = rng.chisquare(nu, _STUDIES) / nu
    exposed = exposed - beside[lie.places()[1]]
    levels, s_b = _levels(lie, alpha), np.sqrt(of_blanks)
    difference, behind = exposed.mean(axis=0), lie.behind_mean
    below = difference <= limits.decision_limit(levels.arm, s_b, behind, m)
    below &= exposed.max(axis=0) <= limits.decision_limit(levels.mockup, s_b, lie.behind_one)
    spread = exposed.var(axis=0, ddof=1)
    bound = upper_bound(difference, of_blanks, n, spread, m, None, alpha, lie).upper
    seen = limits.detection_limit(levels.arm, s_b, behind, m, beta, nu)
    return float((below & bounded_below(bound, limit) & detectable_within(seen, limit)).mean())


def _levels(lie: Panels, alpha: float) -> Levels:
    """The quantiles of an arm; without panels those of the counts alone."""
    return decision_levels(lie.n, lie.m, alpha, lie if len(lie.blanks) > 1 else None)


def places_needed(
    patch_cm2: float, mockup_area_cm2: float, field_mm: float = 0.4, chance: float = 0.05
) -> int:
    """Count the places on a mock-up that find one round patch of residue on it.

    Square maps are laid at random, edges left out; their number counts, their pixels do not.

    Parameters
    ----------
    patch_cm2, mockup_area_cm2 : areas of the patch and of the mock-up.
    field_mm : the side of one map.
    chance : that the patch is missed by all of them.

    Raises
    ------
    ContractError : numbers that are not above zero, or a patch larger than the mock-up.

    >>> places_needed(6.25, 25), places_needed(1, 25)
    (10, 68)
    """
    patch, area, side = (
        positive(number, name, "an area or a length")
        for number, name in ((patch_cm2, "patch_cm2"), (mockup_area_cm2, "mockup_area_cm2"),
                             (field_mm, "field_mm"))
    )  # fmt: skip
    rate(chance, "chance")
    if patch > area:
        raise ContractError(
            Fault(f"a patch of {patch:g} cm2 on a mock-up of {area:g} cm2", "a smaller patch",
                  "areas in cm2")
        )  # fmt: skip
    return maps_needed(math.sqrt(patch * 100 / math.pi), side, area * 100, chance)
