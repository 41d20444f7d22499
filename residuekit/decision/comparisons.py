"""One arm against another of its stratum and residue: gels, ways of clearance, exposures."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np

from ..schema import LOADING_UNIT, STRATUM_COLUMNS
from .evenness import welch_error
from .verdict import Verdict

Row = Mapping[str, Any]
#: Two arms are compared that differ by one of these alone.
_FACTORS = (("treatment",), ("exposure_min",), ("clearance_min", "clearance"))


@dataclass(frozen=True)
class Comparison:
    """The mean of one arm less that of another, in `unit`, with its two-sided interval.

    `p` is of Welch's test, two-sided; `p_holm` the same over all comparisons of the table. Both and
    the interval are NaN where an arm has one mock-up. `within_acceptance`: the whole interval lies
    within plus and minus the acceptance limit; None without a limit in this unit.
    """

    columns: Mapping[str, Any]
    left: str
    right: str
    difference: float
    low: float
    high: float
    unit: str
    p: float
    p_holm: float
    within_acceptance: bool | None

    def row(self) -> dict[str, Any]:
        """The comparison under the column names of ``comparisons.csv``."""
        own = {name: value for name, value in vars(self).items() if name != "columns"}
        return {**self.columns, **own}


def compare_arms(arms: Sequence[tuple[Row, Verdict]], words: Sequence[str]) -> list[Comparison]:
    """Compare all arms that differ by gel, by clearance or by exposure alone.

    Both are measured against the same blanks by the same score, so that these fall out: the
    difference is that of the exposed mock-ups alone. Arms that were decided by other scores, or one
    of them in pairs, are not compared.

    Parameters
    ----------
    arms : the columns that name each arm, and its verdict; words : their names.
    """
    pairs = list(_pairs(arms))
    tests = [_welch(arms[i][1], arms[j][1]) for i, j in pairs]
    holm = holm_adjusted([p for *_, p in tests])
    found = []
    for (i, j), (difference, half, p), adjusted in zip(pairs, tests, holm, strict=True):
        row, verdict = arms[i]
        limit, unit = verdict.acceptance_limit, verdict.deciding.unit
        within = None
        if limit is not None and unit == LOADING_UNIT and half == half:
            within = bool(abs(difference) + half < limit)
        found.append(
            Comparison(
                {name: row[name] for name in (*STRATUM_COLUMNS, "residue")}, words[i], words[j],
                difference, difference - half, difference + half, unit, p, adjusted, within,
            )
        )  # fmt: skip
    return found


def holm_adjusted(p: Sequence[float]) -> list[float]:
    """Holm's step-down adjustment (1979): the largest of (k - rank) p up to each rank, at most 1.

    >>> holm_adjusted([0.01, 0.04, 0.03, math.nan])
    [0.03, 0.06, 0.06, nan]
    """
    known = [place for place, one in enumerate(p) if one == one]
    adjusted, highest = [math.nan] * len(p), 0.0
    for rank, place in enumerate(sorted(known, key=lambda place: p[place])):
        highest = max(highest, min(1.0, (len(known) - rank) * p[place]))
        adjusted[place] = highest
    return adjusted


def _pairs(arms: Sequence[tuple[Row, Verdict]]) -> Iterator[tuple[int, int]]:
    for i, j in combinations(range(len(arms)), 2):
        (one, first), (other, second) = arms[i], arms[j]
        same = (*STRATUM_COLUMNS, "residue", "paired")
        if any(one[name] != other[name] for name in same):
            continue
        apart = [factor for factor in _FACTORS if any(one[n] != other[n] for n in factor)]
        scores = [(v.deciding.score, v.deciding.unit) for v in (first, second)]
        if len(apart) == 1 and scores[0] == scores[1]:
            yield i, j


def _welch(left: Verdict, right: Verdict) -> tuple[float, float, float]:
    """Difference of the means, half the width of its interval, p."""
    from scipy.special import stdtr, stdtrit

    one, other = (np.array(arm.deciding.mockups) for arm in (left, right))
    difference = float(one.mean() - other.mean())
    if min(one.size, other.size) < 2:
        return difference, math.nan, math.nan
    error, freedom = welch_error(one, other)
    if not error > 0:
        return difference, math.nan, math.nan
    half = float(stdtrit(freedom, 1 - left.deciding.rules.alpha / 2)) * error
    return difference, half, float(2 * stdtr(freedom, -abs(difference) / error))
