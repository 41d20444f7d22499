"""What one score could see on one paint, from blanks and spiked mock-ups alone."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from ..kernels.slope import Slope
from ..schema import LOADING_UNIT, REFERENCE_FILM, SPIKED

#: Twice the one-sided normal quantile at 5 %: the smallest excess told from a known scatter.
LIMIT_FACTOR = 3.29
#: Scatter this many times that of noise is the paint's: more scans would not help.
_NOISE_RATIO = 3.0
_SLOPE_CONFIDENCE = 0.99


@dataclass(frozen=True)
class Blindness:
    """What one score could see on one paint, from blanks and spiked mock-ups alone.

    `code` says why it is blind, with `numbers`: ``no-response`` (the slope cannot be distinguished
    from zero), ``negative-response`` (it is below zero) or ``paint-scatter`` (the paint varies too
    much for the acceptance limit); empty if it can see.
    """

    slope: float
    slope_se: float
    mockup_limit: float
    noise_limit: float
    unit: str
    code: str = ""
    slope_degrees_of_freedom: float = math.nan
    numbers: Mapping[str, Any] = field(default_factory=dict, repr=False)

    @property
    def blind(self) -> bool:
        """Whether the score can say nothing on this paint."""
        return bool(self.code)

    @property
    def strict(self) -> bool:
        """Whether it is blind only for what is asked: it would see more than is accepted."""
        return self.code == "paint-scatter"


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
    is not above zero (b <= t(0.99, k - 1) s1; it is negative below minus that), or if L1 is above
    the acceptance limit and at least three times what noise alone allows (3.29 s_noise / b): more
    scans would not help.

    Parameters
    ----------
    blanks : (n,) scores of blank mock-ups.
    slope : response to spiked mock-ups or reference films, or None.
    noise : standard deviation of one map's mean score that noise alone gives.
    acceptance_limit : in `LOADING_UNIT`; compared only when there is a slope.
    """
    scatter = scatter_of(np.asarray(blanks, float))
    response = slope if slope is not None and slope.known else None
    b = 1.0 if response is None else response.value
    mockup, alone = (LIMIT_FACTOR * sd / b if b > 0 else math.inf for sd in (scatter, noise))
    found: dict[str, Any] = {
        "slope": math.nan if response is None else response.value,
        "slope_se": math.nan if response is None else response.error,
        "mockup_limit": mockup,
        "noise_limit": alone,
        "unit": unit if response is None else LOADING_UNIT,
        "slope_degrees_of_freedom": math.nan
        if response is None or response.n_spiked < 2
        else response.n_spiked - 1,
    }
    code = _why_blind(response, mockup, alone, acceptance_limit)
    if code and response is not None:
        numbers = {**found, "n_spiked": response.n_spiked, "scale": scale_of(response),
                   "acceptance_limit": acceptance_limit,
                   "confidence": _SLOPE_CONFIDENCE}  # fmt: skip
        return Blindness(**found, code=code, numbers=numbers)
    return Blindness(**found)


def _why_blind(
    response: Slope | None, mockup: float, alone: float, acceptance_limit: float | None
) -> str:
    from scipy.special import stdtrit

    if response is None:
        return ""
    needed = 0.0
    if response.n_spiked > 1:
        freedom = response.n_spiked - 1
        needed = float(stdtrit(freedom, _SLOPE_CONFIDENCE)) * response.standard_error
    if response.value <= needed:
        return "negative-response" if response.value < -needed else "no-response"
    if acceptance_limit is None or mockup <= acceptance_limit:
        return ""
    return "paint-scatter" if mockup >= _NOISE_RATIO * alone else ""


def deciding_place(found: Sequence[Blindness]) -> int:
    """Which of several scores decides: the first that is not blind, else the first that would be
    blind only for a strict acceptance limit, else the first."""
    for usable in (lambda one: not one.blind, lambda one: one.strict):
        place = next((place for place, one in enumerate(found) if usable(one)), None)
        if place is not None:
            return place
    return 0


def scatter_of(scores: npt.NDArray[np.float64]) -> float:
    """Return the standard deviation of scores (n,), NaN for a single one."""
    return float(scores.std(ddof=1)) if scores.size > 1 else math.nan


def scale_of(slope: Slope) -> str:
    """What loadings by this slope rest on, as the column `scale` says it."""
    return REFERENCE_FILM if slope.film else SPIKED
