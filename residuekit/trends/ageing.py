"""Residue before and after ageing: pairs of arms that differ by their ageing alone."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..decision.comparator import comparator_places
from ..schema import JUDGED_COLUMNS, STRATUM_COLUMNS
from ..words import findings as words
from .age_change import Part, change, combine, is_paired
from .finding import Shown
from .series import AGES, same

if TYPE_CHECKING:
    import pandas as pd

    from ..results import StudyResult

Row = dict[Any, Any]
_CONTROLS = (*STRATUM_COLUMNS, "residue")


@dataclass(frozen=True)
class AgeingChange(Shown):
    """The residue of an arm before and after ageing, each with its limit, bound and verdict.

    `difference` is after less before, with its standard error and two-sided interval; it is NaN
    where the deciding scores or units differ, or a group has fewer than two mock-ups. `paired` when
    the same exposed mock-ups were measured at both ages.
    """

    title = "Before and after ageing"
    say = words.ageing_change

    conditions: dict[str, Any]
    before_h: float
    after_h: float
    score: str
    unit: str
    estimate_before: float
    standard_error_before: float
    detection_limit_before: float
    upper_bound_before: float
    verdict_before: str
    estimate_after: float
    standard_error_after: float
    detection_limit_after: float
    upper_bound_after: float
    verdict_after: str
    difference: float
    standard_error: float
    low: float
    high: float
    paired: bool
    confidence: float


def ageing_changes(result: StudyResult) -> list[AgeingChange]:
    """Set each aged arm beside the youngest one that is the same otherwise.

    Difference D = change of the exposed mock-ups' mean loading (each less its own blanks' mean);
    SE^2 = variances of the change of the exposed and of the blanks + (D s1 / b)^2, as the slope b
    is that of the same spiked mock-ups at both ages; Satterthwaite's degrees of freedom; interval
    of confidence 1 - alpha, two-sided.

    Parameters
    ----------
    result : what a run found.

    Returns
    -------
    An `AgeingChange` for each aged arm.
    """
    found = []
    for key, group in result.verdicts.groupby(list(AGES), sort=False, dropna=False):
        conditions = dict(zip(AGES, key, strict=True))
        youngest, *aged = group.sort_values("ageing_h").to_dict("records")
        found += [_changed(result, conditions, youngest, after) for after in aged]
    return found


def _changed(
    result: StudyResult, conditions: dict[str, Any], before: Row, after: Row
) -> AgeingChange:
    from scipy.special import stdtrit

    alpha = result.provenance["study"]["alpha"]
    exposed = [_rows(result.mockups, row) for row in (before, after)]
    blanks = [_blanks(result.mockups, row) for row in (before, after)]
    part = Part(*(np.array(np.nan) for _ in range(3)))
    alike = before["score"] == after["score"] and before["unit"] == after["unit"]
    if alike and min(len(group) for group in (*exposed, *blanks)) > 1:
        part = _difference(exposed, blanks, _slope(result, before, after))
    half = stdtrit(part.freedom, 1 - alpha / 2) * np.sqrt(part.variance)
    numbers = {
        f"{name}_{when}": row[name]
        for when, row in (("before", before), ("after", after))
        for name in ("estimate", "standard_error", "detection_limit", "upper_bound", "verdict")
    }
    return AgeingChange(
        conditions=conditions,
        before_h=float(before["ageing_h"]),
        after_h=float(after["ageing_h"]),
        score=str(after["score"]),
        unit=str(after["unit"]),
        difference=float(part.mean),
        standard_error=float(np.sqrt(part.variance)),
        low=float(part.mean - half),
        high=float(part.mean + half),
        paired=is_paired(*(list(group["mockup"]) for group in exposed)),
        confidence=1 - alpha,
        **numbers,
    )


def _difference(
    exposed: list[pd.DataFrame], blanks: list[pd.DataFrame], slope: tuple[float, int]
) -> Part:
    """Exposed mock-ups stand less their blanks' mean already: blanks add their scatter alone."""
    own, controls = (
        change(
            young["mean"].to_numpy(float),
            aged["mean"].to_numpy(float),
            (list(young["mockup"]), list(aged["mockup"])),
        )
        for young, aged in (exposed, blanks)
    )
    both = combine(own, controls._replace(mean=np.array(0.0)))
    relative, n_spiked = slope
    if relative > 0:
        of_slope = Part(
            np.array(0.0), (both.mean * relative) ** 2, np.array(max(n_spiked - 1.0, 1.0))
        )
        both = combine(both, of_slope)
    return both


def _rows(mockups: pd.DataFrame, row: Row) -> pd.DataFrame:
    chosen = (mockups["role"] == "exposed") & (mockups["score"] == row["score"])
    rows: pd.DataFrame = mockups.loc[chosen & same(mockups, row, JUDGED_COLUMNS)]
    return rows


def _blanks(mockups: pd.DataFrame, row: Row) -> pd.DataFrame:
    """The blank mock-ups that the arm was compared with."""
    chosen = (mockups["role"] == "blank") & (mockups["score"] == row["score"])
    blanks: pd.DataFrame = mockups.loc[chosen & same(mockups, row, _CONTROLS)]
    places = comparator_places(
        list(blanks["treatment"]), list(blanks["exposure_min"]), row["exposure_min"]
    )
    compared: pd.DataFrame = blanks.iloc[places]
    return compared


def _slope(result: StudyResult, before: Row, after: Row) -> tuple[float, int]:
    """The larger relative standard error of the slope at both ages; the spiked mock-ups behind."""
    table, relative = result.markers, [0.0]
    for row in (before, after):
        chosen = (table["score"] == row["score"]) & same(table, row, _CONTROLS)
        for one in table[chosen].to_dict("records"):
            if one["unit"] == "ug cm-2" and one["slope"] > 0 and one["slope_se"] >= 0:
                relative.append(one["slope_se"] / one["slope"])
    return max(relative), _count_spiked(result.mockups, after)


def _count_spiked(mockups: pd.DataFrame, row: Row) -> int:
    chosen = (mockups["role"] == "spiked") & (mockups["score"] == row["score"])
    chosen &= same(mockups, row, ("paint", "soiling", "residue"))
    return int(mockups.loc[chosen, "mockup"].nunique())


def scores_differ(result: StudyResult) -> Iterator[Row]:
    """The conditions of the series over ageing whose deciding score differs between ages."""
    for key, group in result.verdicts.groupby(list(AGES), sort=False, dropna=False):
        scores = sorted({str(score) for score in group["score"]})
        if len(group) > 1 and len(scores) > 1:
            yield {**dict(zip(AGES, key, strict=True)), "scores": scores}
