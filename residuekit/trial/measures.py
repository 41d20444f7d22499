"""What the rows of one candidate say: means over mock-ups, counts, medians."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ..kernels.colour import colour_difference
from ..kernels.limit_statistics import clopper_pearson_upper
from .table import STATES, TrialRow

Rows = Sequence[TrialRow]

#: Mock-ups below which an absence of pick-up stays open, as for the residue.
LEAST_MOCKUPS = 3
SEEN, NOT_SEEN = "seen", "not seen"


def by_mockup(rows: Rows) -> dict[str, list[TrialRow]]:
    """The rows of each mock-up."""
    gathered: dict[str, list[TrialRow]] = defaultdict(list)
    for row in rows:
        gathered[row.mockup].append(row)
    return dict(gathered)


def pick_up(rows: Rows, alpha: float) -> dict[str, Any]:
    """Count the mock-ups whose swabs took up pigment, with the bound on the share of such ones.

    The mock-up is the unit: swabs of one mock-up are not replicates of the treatment.
    """
    swabbed = {
        mockup: own
        for mockup, rows_of in by_mockup(rows).items()
        if (own := [row for row in rows_of if row.pickup_swabs])
    }
    if not swabbed:
        return {}
    positive = sum(any(row.pickup_positive for row in own) for own in swabbed.values())
    return {
        "pickup": SEEN if positive else NOT_SEEN,
        "pickup_positive": positive,
        "pickup_mockups": len(swabbed),
        "pickup_swabs": sum(row.pickup_swabs for own in swabbed.values() for row in own),
        "pickup_share_bound": clopper_pearson_upper(positive, len(swabbed), alpha),
    }


def soil_removal(rows: Rows) -> dict[str, Any]:
    """Soil removal in %: 100 (1 - dE00(cleaned, unsoiled) / dE00(soiled, unsoiled)).

    L*, a* and b* are averaged within each mock-up and state first. A mock-up without all three
    states, or whose soiled colour is the unsoiled one, is left out. The repeatability is the mean
    dE00 of repeated readings from their own mean.
    """
    removals, soiled, left, scatter = [], [], [], []
    for own in by_mockup(rows).values():
        means = {}
        for state in STATES:
            readings = np.array([row.colours[state] for row in own if state in row.colours])
            if not readings.size:
                continue
            means[state] = readings.mean(axis=0)
            if len(readings) > 1:
                scatter += list(np.atleast_1d(colour_difference(readings, means[state])))
        if len(means) < len(STATES):
            continue
        before = float(colour_difference(means["soiled"], means["unsoiled"]))
        after = float(colour_difference(means["cleaned"], means["unsoiled"]))
        if before > 0:
            removals.append(100 * (1 - after / before))
            soiled.append(before)
            left.append(after)
    if not removals:
        return {}
    return {
        "soil_removal_percent": float(np.mean(removals)),
        "soil_removal_sd": spread(removals),
        "soil_removal_mockups": len(removals),
        "soiling_de": float(np.mean(soiled)),
        "soiling_left_de": float(np.mean(left)),
        "repeatability_de": float(np.mean(scatter)) if scatter else math.nan,
    }


def gloss_before(rows: Rows, angle: int) -> float:
    """The mean gloss in GU before treatment, over mock-ups; NaN where none was measured."""
    means = [
        np.mean(readings)
        for own in by_mockup(rows).values()
        if (readings := [r.gloss_before for r in own
                         if r.gloss_angle == angle and r.gloss_before == r.gloss_before])
    ]  # fmt: skip
    return float(np.mean(means)) if means else math.nan


def gloss_change(rows: Rows, angle: int) -> dict[str, Any]:
    """Gloss after less gloss before in GU at one angle, over mock-ups that have both.

    `gloss_size_gu` is the mean of the change's size, in which rises and falls do not cancel.
    """
    changes = []
    for own in by_mockup(rows).values():
        both = [
            (row.gloss_before, row.gloss_after)
            for row in own
            if row.gloss_angle == angle and not math.isnan(row.gloss_before + row.gloss_after)
        ]
        if both:
            before, after = np.mean(both, axis=0)
            changes.append(float(after - before))
    if not changes:
        return {}
    return {
        "gloss_angle": float(angle),
        "gloss_change_gu": float(np.mean(changes)),
        "gloss_change_sd": spread(changes),
        "gloss_size_gu": float(np.mean(np.abs(changes))),
        "gloss_mockups": len(changes),
    }


def rating(rows: Rows, name: str) -> dict[str, Any]:
    """Median, lowest and highest of the ratings of one ordinal."""
    given = [value for row in rows if not math.isnan(value := getattr(row, name))]
    if not given:
        return {}
    return {
        name: float(np.median(given)),
        f"{name}_low": min(given),
        f"{name}_high": max(given),
        f"{name}_ratings": len(given),
    }


def spread(values: Sequence[float]) -> float:
    """The standard deviation over mock-ups; NaN for one."""
    return float(np.std(values, ddof=1)) if len(values) > 1 else math.nan


#: The residue verdict that counts where several arms of a candidate were judged: the worst.
_WORST = ("detected", "not assessable", "inconclusive", "not detected")
_TAKEN = {
    "residue": "verdict",
    "residue_beside_limit": "against_acceptance",
    "residue_estimate": "estimate",
    "detection_limit": "detection_limit",
    "mockup_detection_limit": "mockup_detection_limit",
    "upper_bound": "upper_bound",
    "unit": "unit",
    "residue_positive": "positive_mockups",
    "residue_mockups": "n_mockups",
    "residue_blanks": "n_blank_mockups",
    "residue_share_bound": "share_upper_bound",
}
_COUNTS = ("residue_positive", "residue_mockups", "residue_blanks")


def residue(arms: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """The worst verdict among the arms of a candidate, with its numbers; of equals, the one with
    the greatest upper bound."""
    from ..words.common import arm_words

    if not arms:
        return {}

    def badness(row: Mapping[str, Any]) -> tuple[int, float]:
        bound = row.get("upper_bound")
        return -_WORST.index(row["verdict"]), -math.inf if _absent(bound) else float(bound or 0)

    worst = max(arms, key=badness)
    taken: dict[str, Any] = {new: worst.get(old) for new, old in _TAKEN.items()}
    known = {name: value for name, value in taken.items() if not _absent(value)}
    known |= {name: int(value) for name, value in known.items() if name in _COUNTS}
    return {**known, "residue_arm": arm_words(worst), "residue_arms": len(arms)}


def _absent(value: Any) -> bool:
    return value is None or value != value
