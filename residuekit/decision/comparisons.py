"""One arm against another of its stratum and residue: gels, ways of clearance, exposures."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np

from ..schema import LOADING_UNIT, STRATUM_COLUMNS
from .assessment import Assessment
from .evenness import welch_error
from .panel_layout import BLOCK
from .verdict import Verdict

Row = Mapping[str, Any]
#: Two arms are compared that differ by one of these alone.
_FACTORS = (("treatment",), ("exposure_min",), ("clearance_min", "clearance"))
#: What rounding may leave of no degrees of freedom.
_ROUNDED = 1e-9


@dataclass(frozen=True)
class Comparison:
    """The mean of one arm less that of another, in `unit`, with its two-sided interval.

    `p` is of Welch's test, two-sided; `p_holm` the same over all comparisons of the table. Both and
    the interval are NaN where an arm has one mock-up. `within_acceptance`: the whole interval lies
    within plus and minus the acceptance limit; None without a limit in this unit. `panels`: on how
    many panels mock-ups of both arms lie beside each other; 0 where they are not compared there.
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
    panels: int

    def row(self) -> dict[str, Any]:
        """The comparison under the column names of ``comparisons.csv``."""
        own = {name: value for name, value in vars(self).items() if name != "columns"}
        return {**self.columns, **own}


class Compared(NamedTuple):
    """An arm: the columns that name it, its verdict, its name, and the panel of each mock-up."""

    row: Row
    verdict: Verdict
    words: str
    panels: Sequence[str]


class Difference(NamedTuple):
    """A difference of two means, its standard error with the degrees of freedom, and on how many
    panels it was found."""

    value: float
    error: float
    freedom: float
    panels: int = 0


def compare_arms(arms: Sequence[Compared]) -> list[Comparison]:
    """Compare all arms that differ by gel, by clearance or by exposure alone.

    Where both are measured against the same blanks by the same score, these fall out: the
    difference is that of the exposed mock-ups alone, where they share panels that within these.
    Arms that were decided by other scores, or one of them in pairs, are not compared.
    """
    pairs = list(_pairs(arms))
    found = [_difference(one, other) for one, other in pairs]
    tests = [_tested(apart, one.verdict) for apart, (one, _) in zip(found, pairs, strict=True)]
    holm = holm_adjusted([p for _, p in tests])
    made = []
    for (one, other), apart, (half, p), adjusted in zip(pairs, found, tests, holm, strict=True):
        limit, unit, value = one.verdict.acceptance_limit, one.verdict.deciding.unit, apart.value
        within = None
        if limit is not None and unit == LOADING_UNIT and half == half:
            within = bool(abs(value) + half < limit)
        made.append(
            Comparison(
                {name: one.row[name] for name in (*STRATUM_COLUMNS, "residue")},
                one.words, other.words, value, value - half, value + half, unit, p, adjusted,
                within, apart.panels,
            )
        )  # fmt: skip
    return made


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


def difference_within(
    left: Sequence[float], right: Sequence[float], panels: tuple[Sequence[str], Sequence[str]]
) -> Difference:
    """The difference of two arms whose mock-ups lie on panels, each arm with its own scatter.

    Least squares of value = panel + arm; the residuals of each arm give its scatter, over what
    their leverage leaves of them. Freedom after Satterthwaite (1946). On one panel this is Welch's
    test, with one mock-up of each arm a panel the t test of pairs; what panels, or the blanks of
    each, add to all their mock-ups falls out. NaN for the error where too few lie beside others.

    >>> within = difference_within([1.0, 7.0, 3.0], [0.0, 5.0, 3.0], (["A", "B", "C"],) * 2)
    >>> [round(one, 3) for one in within]
    [1.0, 0.577, 2.0, 3]
    """
    values, on = np.array([*left, *right]), np.array([*panels[0], *panels[1]])
    first = np.arange(values.size) < len(left)
    inside = on[:, None] == on
    count = inside.sum(axis=1)
    arm, apart = (own - inside @ own / count for own in (first.astype(float), values))
    weight = float(arm @ arm)
    shared = len(set(panels[0]) & set(panels[1]))
    if not shared:
        return Difference(math.nan, math.nan, math.nan)
    value = float(arm @ apart) / weight
    squares, free = (apart - value * arm) ** 2, 1 - 1 / count - arm**2 / weight
    freedoms = [float(free[own].sum()) for own in (first, ~first)]
    if min(freedoms) < _ROUNDED:
        return Difference(value, math.nan, math.nan, shared)
    parts = [
        float(arm[own] @ arm[own] / weight**2 * squares[own].sum() / freedom)
        for own, freedom in zip((first, ~first), freedoms, strict=True)
    ]
    return Difference(value, *_pooled(parts, freedoms), shared)


def _pairs(arms: Sequence[Compared]) -> Iterator[tuple[Compared, Compared]]:
    for pair in combinations(arms, 2):
        one, other = (arm.row for arm in pair)
        same = (*STRATUM_COLUMNS, "residue", "paired")
        if any(one[name] != other[name] for name in same):
            continue
        apart = [factor for factor in _FACTORS if any(one[n] != other[n] for n in factor)]
        scores = {(arm.verdict.deciding.score, arm.verdict.deciding.unit) for arm in pair}
        if len(apart) == 1 and len(scores) == 1:
            yield pair


def _difference(one: Compared, other: Compared) -> Difference:
    """By exposed mock-ups alone, within panels where they share such; through the blanks where
    these are not the same, or where the arms lie on panels apart."""
    left, right = one.verdict.deciding, other.verdict.deciding
    values, same, on = (left.mockups, right.mockups), left.blanks == right.blanks, one.row["paired"]
    named = on in ("", BLOCK) and all((*one.panels, *other.panels))
    if same and named:
        within = difference_within(*values, (one.panels, other.panels))
        if within.error == within.error:
            return within
    if same and on != BLOCK:
        alike = difference_within(*values, ([""] * len(values[0]), [""] * len(values[1])))
        return alike._replace(panels=0)
    return Difference(
        left.estimate - right.estimate, *_pooled(*zip(_own(left), _own(right), strict=True))
    )


def _own(arm: Assessment) -> tuple[float, float]:
    """The variance of an arm's mean less its blanks', and its degrees of freedom."""
    if arm.n_mockups < 2:
        return math.nan, math.nan
    error, freedom = welch_error(np.array(arm.blanks), np.array(arm.mockups), arm.panels)
    return float(error**2), float(freedom)


def _pooled(parts: Sequence[float], freedoms: Sequence[float]) -> tuple[float, float]:
    """The root of a sum of variances, and its degrees of freedom; NaN where nothing scatters."""
    total = sum(parts)
    if not total > 0:
        return math.nan, math.nan
    spread = sum(part**2 / own for part, own in zip(parts, freedoms, strict=True) if part)
    return math.sqrt(total), total**2 / spread


def _tested(found: Difference, arm: Verdict) -> tuple[float, float]:
    """Half the width of the interval of a difference, and p."""
    from scipy.special import stdtr, stdtrit

    if math.isnan(found.error):
        return math.nan, math.nan
    half = float(stdtrit(found.freedom, 1 - arm.deciding.rules.alpha / 2)) * found.error
    return half, float(2 * stdtr(found.freedom, -abs(found.value) / found.error))
