"""What one score could see on one paint, from blanks and spiked mock-ups alone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..kernels.slope import Slope

LOADING_UNIT = "ug cm-2"
#: Twice the one-sided normal quantile at 5 %: the smallest excess told from a known scatter.
LIMIT_FACTOR = 3.29
_NOISE_RATIO = 3.0
_SLOPE_CONFIDENCE = 0.99


@dataclass(frozen=True)
class Blindness:
    """What one score could see on one paint, from blanks and spiked mock-ups alone."""

    slope: float
    slope_se: float
    mockup_limit: float
    noise_limit: float
    unit: str
    reason: str

    @property
    def blind(self) -> bool:
        """Whether the score can say nothing on this paint."""
        return bool(self.reason)


def assess_blindness(
    blanks: npt.ArrayLike,
    slope: Slope | None = None,
    *,
    noise: float = math.nan,
    acceptance_limit: float | None = None,
    unit: str = "reference",
) -> Blindness:
    """Judge from blanks and spiked mock-ups alone whether a score can see anything on this paint.

    L1 = 3.29 s_b / b is what a single mock-up would have to carry. The score is blind if its slope
    is not told from zero (b <= t(0.99, k - 1) s1), or if L1 is above the acceptance limit and at
    least three times what noise alone allows (3.29 s_noise / b): more scans would not help.

    Parameters
    ----------
    blanks : (n,) scores of blank mock-ups. slope : response to spiked loading, or None.
    noise : standard deviation of one map's mean score that noise alone gives.
    acceptance_limit : in `LOADING_UNIT`; compared only when there is a slope.
    """
    from scipy.special import stdtrit

    scatter = scatter_of(np.asarray(blanks, float))
    response = slope if slope is not None and slope.n_spiked >= 2 else None
    b = 1.0 if response is None else response.value
    mockup, alone = (LIMIT_FACTOR * sd / b if b > 0 else math.inf for sd in (scatter, noise))
    reason = ""
    if response is not None:
        needed = float(stdtrit(response.n_spiked - 1, _SLOPE_CONFIDENCE)) * response.standard_error
        if response.value <= needed:
            reason = (
                f"its response to {response.n_spiked} spiked mock-ups ({response.value:.3g} per "
                f"{LOADING_UNIT}) cannot be told from zero"
            )
        elif (
            acceptance_limit is not None
            and mockup > acceptance_limit
            and mockup >= _NOISE_RATIO * alone
        ):
            reason = (
                f"from mock-up to mock-up the paint alone varies so much that one would have to "
                f"carry {mockup:.3g} {LOADING_UNIT}, above the acceptance limit of "
                f"{acceptance_limit:.3g}; noise alone would allow {alone:.3g}"
            )
    return Blindness(
        slope=math.nan if response is None else response.value,
        slope_se=math.nan if response is None else response.standard_error,
        mockup_limit=mockup,
        noise_limit=alone,
        unit=unit if response is None else LOADING_UNIT,
        reason=reason,
    )


def scatter_of(scores: npt.NDArray[np.float64]) -> float:
    """Return the standard deviation of scores (n,), NaN for a single one."""
    return float(scores.std(ddof=1)) if scores.size > 1 else math.nan
