"""Recovery of known loadings by a line made without them, and the ratio of two slopes."""

from __future__ import annotations

from math import inf, sqrt
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from .calibration_lines import fieller
from .slope import Slope, slope_through_zero


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


class Ratio(NamedTuple):
    """The ratio of two slopes and its interval, whose ends are infinite where nothing bounds it."""

    value: float
    low: float
    high: float


def slope_ratio(over: Slope, under: Slope, confidence: float = 0.95) -> Ratio:
    """Divide the slope of spiked mock-ups by that of films: the matrix effect.

    Fieller's interval (J. R. Stat. Soc. B 16, 175, 1954; from memory) of two independent
    estimates: the R with (a - R b)^2 <= t^2 (s_a^2 + R^2 s_b^2). Student's t has the degrees of
    freedom of that variance by Satterthwaite (1946), at R = a / b; declared errors of loadings
    count as known.

    >>> film = Slope(2.0, 0.1, 4, film=True)
    >>> [round(one, 2) for one in slope_ratio(Slope(1.0, 0.05, 6), film)]
    [0.5, 0.42, 0.59]
    """
    from scipy.special import stdtrit

    value = over.value / under.value
    total = over.error**2 + (value * under.error) ** 2
    found = ((over.standard_error, over.n_spiked), (value * under.standard_error, under.n_spiked))
    within = sum(error**4 / (n - 1) for error, n in found if n > 1)
    t = float(stdtrit(total**2 / within if within else inf, (1 + confidence) / 2))
    return Ratio(value, *fieller(over.value, under.value, over.error**2, under.error**2, t))
