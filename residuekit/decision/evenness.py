"""Is it the residue that lifts an arm above its limit, or mock-ups that merely vary more?"""

from __future__ import annotations

import math
from math import sqrt
from typing import Any

import numpy as np
import numpy.typing as npt

from .limits import difference_error
from .panel_layout import Panels, one_panel

Floats = npt.NDArray[np.float64]


def welch_error(left: Floats, right: Floats, panels: Panels | None = None) -> tuple[Any, Any]:
    """Standard error of a difference of means over the last axis, each group with its own scatter,
    and its degrees of freedom after Welch; NaN where nothing scatters.

    Within `panels` of blanks (left) and exposed mock-ups (right) the blanks' part is what does not
    already scatter among the exposed ones.
    """
    n, m = left.shape[-1], right.shape[-1]
    lie = panels or one_panel(n, m)
    parts = [
        (left.var(axis=-1, ddof=1) * max(lie.beside_exposed, 0.0), lie.freedom),
        (right.var(axis=-1, ddof=1) / m, m - 1),
    ]
    total = sum(part for part, _ in parts)
    with np.errstate(invalid="ignore"):
        return np.sqrt(total), total**2 / sum(part**2 / freedom for part, freedom in parts)


def welch_p(blanks: Floats, exposed: Floats, panels: Panels | None = None) -> float:
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
    error, freedom = welch_error(blanks, exposed, panels)
    if not error > 0:
        return 0.0 if difference > 0 else 1.0
    return float(stdtr(freedom, -difference / error))


def welch_limit(
    blanks: Floats, exposed: Floats, alpha: float, panels: Panels | None = None
) -> Floats:
    """The difference of means (k,) above which Welch's test of each row of two (k, n), (k, m)
    rejects."""
    from scipy.special import stdtrit

    error, freedom = welch_error(blanks, exposed, panels)
    limit: Floats = stdtrit(freedom, 1 - alpha) * error
    return limit


def stands_out(
    difference: Floats, scatter: Any, n: int, quantile: float, panels: Panels | None = None
) -> bool:
    """Whether the largest of exposed mock-ups lies above the limit of one by their own scatter too.

    Its difference from the blanks' mean is measured by the larger of the blanks' scatter and that
    of the other exposed mock-ups, where there are two or more.

    Parameters
    ----------
    difference : (m,) of the exposed mock-ups from the blanks' mean; scatter : of the n blanks.
    panels : how these lie on panels, where they are judged within them.
    """
    place = int(difference.argmax())
    others = np.delete(difference, place)
    lie, widest = panels or one_panel(n, difference.size), scatter
    if others.size > 1:
        own = float(others.var(ddof=1)) - lie.blank_share * scatter**2
        widest = max(scatter, sqrt(max(own, 0.0)))
    return bool(difference[place] > quantile * difference_error(widest, lie.behind_one))
