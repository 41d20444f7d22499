"""Recovery: what is found of a known loading by a line that was made without it."""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from .slope import slope_through_zero


class Recovery(NamedTuple):
    """Found over known of each spiked mock-up (k,), their mean, and its interval."""

    ratios: npt.NDArray[np.float64]
    mean: float
    low: float
    high: float


def recovery(
    loading: npt.ArrayLike, response: npt.ArrayLike, scatter: float, confidence: float = 0.95
) -> Recovery:
    """Leave each spiked mock-up out of the line in turn, and find its loading by the others.

    Parameters
    ----------
    loading, response : (k,) loadings above zero and scores less the blank mean; three or more.
    scatter : of blank mock-ups, for the weights of the line (`slope_through_zero`).
    confidence : of the two-sided interval of the mean, Student's t with k - 1 degrees of freedom.

    >>> found = recovery([1.0, 1.0, 2.0, 2.0], [1.1, 0.9, 2.0, 2.0], 0.1)
    >>> [round(float(one), 2) for one in found.ratios]
    [1.13, 0.88, 1.0, 1.0]
    """
    from scipy.special import stdtrit

    known, found = np.asarray(loading, dtype=float), np.asarray(response, dtype=float)
    k = known.size
    if k < 3:
        raise ValueError(f"{k} spiked mock-ups; needed 3 or more")
    slopes = [
        slope_through_zero(np.delete(known, one), np.delete(found, one), scatter).value
        for one in range(k)
    ]
    ratios = found / np.array(slopes) / known
    reach = float(stdtrit(k - 1, (1 + confidence) / 2)) * float(ratios.std(ddof=1)) / sqrt(k)
    mean = float(ratios.mean())
    return Recovery(ratios, mean, mean - reach, mean + reach)
