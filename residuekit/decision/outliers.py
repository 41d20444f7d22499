"""Mock-ups that stand apart from their group: named, and never left out by themselves."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ..kernels.limit_statistics import grubbs_critical
from ..words.codes import Note
from .assessment import Assessment
from .blindness import deciding_place
from .scores import Score

#: The rate at which a group of alike, normal mock-ups has one named (ISO 5725-2 calls 1 % an
#: outlier).
RATE = 0.01
#: Fewer mock-ups cannot say which of them stands apart.
_LEAST = 3


def outlying(values: npt.ArrayLike) -> tuple[int, float] | None:
    """The place of the outlier of a group and its distance in standard deviations, or None.

    Grubbs, Technometrics 11 (1969) 1: max |y - mean| / s above its critical value, two-sided.

    >>> outlying([0.1, -0.1, 0.0, 0.05, -0.05, 3.0])[0]
    5
    """
    group = np.asarray(values, dtype=float)
    if group.size < _LEAST or not np.isfinite(group).all():
        return None
    apart, scatter = np.abs(group - group.mean()), group.std(ddof=1)
    place = int(apart.argmax())
    if not apart[place] > grubbs_critical(group.size, RATE) * scatter:
        return None
    return place, float(apart[place] / scatter)


def outlier_notes(
    scores: Sequence[Score],
    assessments: Sequence[Assessment],
    places: Iterable[int],
    loadings: npt.NDArray[np.float64],
    names: Mapping[str, Sequence[str]],
) -> Iterator[Note]:
    """Name what stands apart by the deciding score (`deciding_place`).

    Asked of the blanks, of the spiked mock-ups about their line and of the exposed ones, each group
    at 1 %; where the spiked scatter more at higher loadings, those are named more often.

    Parameters
    ----------
    places : which blanks the arm is compared with.
    names : role -> its mock-ups in order, the blanks those of `places`; else they are numbered.
    """
    chosen = deciding_place([one.blindness for one in scores])
    score, found = scores[chosen], assessments[chosen]
    groups: dict[str, Any] = {"blank": score.values[list(places)], "exposed": found.mockups}
    if score.slope is not None:
        groups["spiked"] = score.spiked - score.slope.value * loadings
    for role, values in groups.items():
        apart = outlying(values)
        if apart is not None:
            place, times = apart
            own = names[role][place] if role in names else f"number {place + 1}"
            yield Note(
                "outlying-mockup",
                {"role": role, "mockup": own, "n": len(values), "times": times,
                 "score": score.name, "rate": RATE},
            )  # fmt: skip
