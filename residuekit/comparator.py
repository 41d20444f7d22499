"""Which blanks an arm is compared with: one rule for the verdict and for what is said beside it."""

from __future__ import annotations

from collections.abc import Sequence

ENOUGH = 3


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
