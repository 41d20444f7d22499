"""Which blanks an arm is compared with, and what water alone did to the paint."""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..words.codes import Note
from .evenness import welch_error

ENOUGH = 3
#: Two-sided level at which a change by water is distinguished from none.
WATER_LEVEL = 0.05


class WaterChange(NamedTuple):
    """What water alone did to the paint: water-only less untreated, and its standard error.

    `changed` is None where too few mock-ups cannot tell.
    """

    size: float
    standard_error: float
    changed: bool | None
    n_water: int
    n_untreated: int

    def note(self, score: str, unit: str) -> Note:
        """The change as a note on a score."""
        return Note("water-change", {
            "score": score, "unit": unit, "size": self.size, "error": self.standard_error,
            "n_water": self.n_water, "n_untreated": self.n_untreated, "level": WATER_LEVEL,
            "few": self.changed is None, "changed": bool(self.changed),
        })  # fmt: skip


def water_change(water: npt.ArrayLike, untreated: npt.ArrayLike) -> WaterChange:
    """Compare the scores of water-only with those of untreated mock-ups by Welch's t test.

    The standard error is sqrt(s1^2/n1 + s2^2/n2), NaN with fewer than two mock-ups on a side.

    >>> change = water_change([1.0, 1.2, 1.4], [1.1, 1.0, 1.2])
    >>> f"{change.size:.2f} +/- {change.standard_error:.2f}", change.changed
    ('0.10 +/- 0.13', False)
    """
    from scipy.special import stdtr

    left, right = (np.asarray(values, dtype=float) for values in (water, untreated))
    size, counts = float(left.mean() - right.mean()), (left.size, right.size)
    if min(counts) < 2:
        return WaterChange(size, math.nan, None, *counts)
    error, freedom = map(float, welch_error(left, right))
    p = 2 * float(stdtr(freedom, -abs(size) / error)) if error else 0.0
    return WaterChange(size, error, bool(size and p < WATER_LEVEL), *counts)


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


def comparator_kind(treatments: Collection[str]) -> str:
    """The kind of blank that arms are compared with: water-only where there are such."""
    return "water" if "water" in set(treatments) else min(treatments)


def comparator_notes(
    treatments: Sequence[str], exposures: Sequence[float], exposure_min: float
) -> list[Note]:
    """What must be said of the chosen blanks of an arm: untreated ones, or of other exposures."""
    if all(treatment != "water" for treatment in treatments):
        return [Note("untreated-comparator")]
    if all(exposure == exposure_min for exposure in exposures):
        return []
    stated = sorted({exposure for exposure in exposures if exposure >= 0})
    unstated = not all(exposure >= 0 for exposure in exposures)
    numbers = {"exposures": stated, "unstated": unstated, "exposure_min": exposure_min}
    return [Note("other-exposure", numbers)]
