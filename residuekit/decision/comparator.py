"""Which blanks an arm is compared with: one rule for the verdict and for what is said beside it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

ENOUGH = 3
#: Two-sided level at which a change by water is told from nothing.
WATER_LEVEL = 0.05


class WaterChange(NamedTuple):
    """What water alone did to the paint: water-only less untreated, its error, in words."""

    size: float
    standard_error: float
    words: str


def water_change(water: npt.ArrayLike, untreated: npt.ArrayLike) -> WaterChange:
    """Compare the scores of water-only with those of untreated mock-ups by Welch's t test.

    The standard error is sqrt(s1^2/n1 + s2^2/n2), NaN with fewer than two mock-ups on a side.

    >>> change = water_change([1.0, 1.2, 1.4], [1.1, 1.0, 1.2])
    >>> f"{change.size:.2f} +/- {change.standard_error:.2f}: {change.words}"
    '0.10 +/- 0.13: not told from nothing (Welch, two-sided 5%)'
    """
    from scipy.stats import ttest_ind_from_stats

    groups = [np.asarray(values, dtype=float) for values in (water, untreated)]
    size = float(groups[0].mean() - groups[1].mean())
    if min(group.size for group in groups) < 2:
        return WaterChange(size, math.nan, "too few mock-ups to tell it from nothing")
    stats = [(group.mean(), group.std(ddof=1), group.size) for group in groups]
    error = math.sqrt(sum(sd**2 / n for _, sd, n in stats))
    p = ttest_ind_from_stats(*stats[0], *stats[1], equal_var=False).pvalue if error else 0.0
    told = "told from nothing" if size and p < WATER_LEVEL else "not told from nothing"
    return WaterChange(size, error, f"{told} (Welch, two-sided {WATER_LEVEL:.0%})")


def comparator_places(
    treatments: Sequence[str], exposures: Sequence[float], exposure_min: float | None = None
) -> list[int]:
    """Give the places of the blanks of a stratum that an arm of this exposure is compared with.

    Water-only and untreated blanks are never pooled. Water-only blanks of the same exposure are
    taken when there are three or more, else all water-only blanks; untreated ones stand in alone
    when there is no other.

    >>> comparator_places(["water", "none", "water"], [2.0, float("nan"), 60.0], 60.0)
    [0, 2]
    """
    water = [place for place, treatment in enumerate(treatments) if treatment == "water"]
    same = [place for place in water if exposures[place] == exposure_min]
    if len(same) >= ENOUGH:
        return same
    return water or list(range(len(treatments)))
