"""Is it the residue that lifts an arm above its limit, or mock-ups that merely vary more?"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from .limits import difference_error

Floats = npt.NDArray[np.float64]


def welch_error(left: Floats, right: Floats) -> tuple[Any, Any]:
    """Standard error of a difference of means over the last axis, each group with its own scatter,
    and its degrees of freedom after Welch; NaN where nothing scatters."""
    parts = [group.var(axis=-1, ddof=1) / group.shape[-1] for group in (left, right)]
    spread = sum(
        part**2 / (group.shape[-1] - 1) for part, group in zip(parts, (left, right), strict=True)
    )
    with np.errstate(invalid="ignore"):
        return np.sqrt(sum(parts)), sum(parts) ** 2 / spread


def welch_p(blanks: Floats, exposed: Floats) -> float:
    """The one-sided p-value that the mean of exposed mock-ups is above that of the blanks.

    Welch's test (Biometrika 34, 1947, 28): each group has its own scatter, so exposed mock-ups that
    vary more widely than the blanks do not pass for residue. NaN for a group of one.

    >>> round(welch_p(np.array([0.0, 1.0, 2.0]), np.array([1.0, 3.0, 5.0])), 3)
    0.11
    """
    from scipy.special import stdtr

    if min(blanks.size, exposed.size) < 2:
        return math.nan
    difference = float(exposed.mean() - blanks.mean())
    error, freedom = welch_error(blanks, exposed)
    if not error > 0:
        return 0.0 if difference > 0 else 1.0
    return float(stdtr(freedom, -difference / error))


def welch_limit(blanks: Floats, exposed: Floats, alpha: float) -> Floats:
    """The difference of means (k,) above which Welch's test of each row of two (k, n), (k, m)
    rejects."""
    from scipy.special import stdtrit

    error, freedom = welch_error(blanks, exposed)
    limit: Floats = stdtrit(freedom, 1 - alpha) * error
    return limit


def stands_out(difference: Floats, scatter: Any, n: int, quantile: float) -> bool:
    """Whether the largest of exposed mock-ups lies above the limit of one by their own scatter too.

    Its difference from the blanks' mean is measured by the larger of the blanks' scatter and that
    of the other exposed mock-ups, where there are two or more.

    Parameters
    ----------
    difference : (m,) of the exposed mock-ups from the blanks' mean; scatter : of the n blanks.
    """
    place = int(difference.argmax())
    others = np.delete(difference, place)
    widest = max(scatter, float(others.std(ddof=1))) if others.size > 1 else scatter
    return bool(difference[place] > quantile * difference_error(widest, n))
