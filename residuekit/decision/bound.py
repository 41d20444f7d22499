"""The one-sided upper bound of the mean loading of an arm."""

from __future__ import annotations

from math import inf, sqrt
from typing import NamedTuple

import numpy as np

from ..kernels.slope import Slope


class Bound(NamedTuple):
    """A one-sided upper bound with the standard error and the degrees of freedom behind it."""

    upper: float
    standard_error: float
    degrees_of_freedom: float


def upper_bound(
    estimate: float,
    blank_variance: float,
    n: int,
    exposed_variance: float,
    m: int,
    slope: Slope | None,
    alpha: float = 0.05,
) -> Bound:
    """Bound the mean loading of an arm from above.

    U = x + t(1 - alpha, nu) SE with SE^2 = [(1 - p x)^2 s_b^2/n + s_e^2/m + (x s1)^2] / b^2 and nu
    by Satterthwaite (1946). Where the spiked mock-ups share the arm's blanks, a rise of these
    lowers difference and slope together: to first order by (1 - p x) / b in x, with p the `pull`
    of the slope (0 for other blanks). A single exposed mock-up has no variance of its own: that of
    the blanks stands in. Without a slope b = 1 and s1 = p = 0.
    """
    from scipy.special import stdtrit

    value, error, n_spiked, pull = (1.0, 0.0, 0, 0.0) if slope is None else slope
    through_blanks = (1 - pull * estimate) ** 2 / n
    parts = [(blank_variance * through_blanks, n - 1), (exposed_variance / m, m - 1)]
    if m == 1:
        parts = [(blank_variance * (1 + through_blanks), n - 1)]
    if slope is not None:
        parts.append(((estimate * error) ** 2, n_spiked - 1))
    total = sum(part for part, _ in parts)
    spread = sum(part**2 / freedom for part, freedom in parts)
    freedom = total**2 / spread if spread > 0 else inf
    standard_error = sqrt(total) / abs(value)
    quantile = float(stdtrit(freedom if np.isfinite(freedom) else 1e9, 1 - alpha))
    return Bound(estimate + quantile * standard_error, standard_error, freedom)
