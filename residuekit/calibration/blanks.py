"""Limits from blanks alone: Currie's cases and tolerance limits."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..decision.limits import difference_error
from ..errors import ContractError, Fault
from ..kernels import limit_statistics as kernel
from . import arguments as check
from .limit import LEVELS, NONE, Limit

LEAST = 3


@dataclass(frozen=True)
class _Blanks:
    values: check.Floats
    alpha: float
    beta: float
    replicates: float
    sigma: float | None
    confidence: float

    def known_sigma(self) -> float:
        return check.positive(self.sigma, "sigma", "the known standard deviation of one blank")

    def scatter(self) -> float:
        return check.scatter(self.values, "blanks")


_Numbers = dict[str, Any]


def from_blanks(
    blanks: Any,
    *,
    level: str = "mockup",
    method: str = "estimated sigma",
    alpha: float = 0.05,
    beta: float = 0.05,
    replicates: int = 1,
    sigma: float | None = None,
    slope: float = 1.0,
    unit: str = "A",
    confidence: float = 0.90,
) -> Limit:
    """Make a decision and a detection limit from the scatter of blanks.

    Parameters
    ----------
    blanks : responses of blanks, one for each pixel, map or mock-up, as `level` says; 3 or more
        (one count or more for counts; 59 for a 95/95 distribution-free limit).
    level : ``pixel``, ``map``, ``mockup`` or ``arm``: what the limit is a limit of. For an arm the
        blanks are mock-ups and `replicates` the number of exposed mock-ups.
    method : what is known about the blank. With K the `replicates`, n the blanks:

        - ``estimated sigma``: t s h and delta s h, h = sqrt(1/K + 1/n), the noncentral t of
          Currie, Pure Appl. Chem. 67 (1995) 1699 (IUPAC), equations from memory;
        - ``known sigma``, a well-known blank: z sigma h, h = sqrt(1/K), and twice that; and
          ``paired``, as many blank as sample readings: h = sqrt(2/K); quantification at 10 sigma h.
          Currie, Anal. Chem. 40 (1968) 586;
        - ``counts, paired`` (the blank known from these counts) and ``counts, known blank``:
          Poisson counts, same paper;
        - ``tolerance``: mean + k s above 1 - `alpha` of all blanks; normal scores;
        - ``distribution-free``: the order statistic that does the same for any distribution.

        The last two set a decision limit only, at the one-sided confidence (1 + `confidence`) / 2:
        95/95 with the defaults.
    sigma : standard deviation of one blank, for ``known sigma`` and ``paired`` alone.
    slope : response per unit of load, taken as known, to give the limit as a load.
    unit : unit of the limit, one of `residuekit.schema.UNITS`.
    confidence : of the two-sided interval of the limit itself: the chi-square interval of sigma
        carried to it; for counts that of the Poisson mean (Garwood 1936).

    Returns
    -------
    A `PixelLimit`, `MapLimit`, `MockupLimit` or `ArmLimit`, as `level` says.

    Raises
    ------
    ContractError : too few blanks, values that are not finite, rates, names or sigma that do not
        fit.

    >>> limit = from_blanks([0.9, 1.1, 1.0, 1.2, 0.8], level="mockup")
    >>> round(limit.detection_limit / limit.decision_limit, 3)
    1.908
    """
    check.choose(method, BLANK_METHODS, "method")
    check.choose(level, LEVELS, "level")
    _refuse_foreign_options(method, sigma, replicates)
    least = 1 if "counts" in method else LEAST
    given = _Blanks(
        check.numbers(blanks, "blanks", least),
        check.rate(alpha, "alpha"),
        check.rate(beta, "beta"),
        check.positive(replicates, "replicates", "the readings averaged"),
        sigma,
        check.confidence_level(confidence),
    )
    slope = check.positive(slope, "slope", "response per unit of load")
    made = BLANK_METHODS[method](given)
    above = made["decision_limit"]
    notes = made.pop("notes", ())
    if slope != 1.0:
        notes = (*notes, f"slope {slope:g} taken as known; its uncertainty is not in the interval")
    for name in ("decision_limit", "detection_limit", "quantification_limit"):
        made[name] = made.get(name, math.nan) / slope
    for name in ("decision_interval", "detection_interval"):
        low, high = made[name]
        made[name] = (low / slope, high / slope)
    return LEVELS[level](
        unit=check.known_unit(unit),
        alpha=alpha,
        beta=made.pop("beta", beta),
        n=given.values.size,
        confidence=confidence,
        critical_response=float(given.values.mean()) + above,
        notes=notes,
        **made,
    )


def _refuse_foreign_options(method: str, sigma: float | None, replicates: float) -> None:
    faults = []
    if sigma is not None and method not in ("known sigma", "paired"):
        faults.append(
            Fault(f"sigma = {sigma!r} with method {method!r}", "no sigma: it comes from the blanks",
                  "method='known sigma' or method='paired'")
        )  # fmt: skip
    if replicates != 1 and method not in ("estimated sigma", "known sigma", "paired"):
        faults.append(
            Fault(f"replicates = {replicates!r} with method {method!r}", "one reading",
                  "replicates=1, or method='estimated sigma'")
        )  # fmt: skip
    if faults:
        raise ContractError(faults)


def _scaled(method: str, unit_sd: float, nu: float, given: _Blanks, quantify: bool) -> _Numbers:
    t, delta = kernel.t_and_delta(nu, given.alpha, given.beta)
    low, high = kernel.sigma_factors(nu, given.confidence)
    decision, detection = t * unit_sd, delta * unit_sd
    return {
        "method": method,
        "decision_limit": decision,
        "detection_limit": detection,
        "quantification_limit": 10 * unit_sd if quantify else math.nan,
        "degrees_of_freedom": nu,
        "decision_interval": (low * decision, high * decision),
        "detection_interval": (low * detection, high * detection),
    }


def _estimated(given: _Blanks) -> _Numbers:
    n = given.values.size
    sd = difference_error(given.scatter(), n, given.replicates)
    return _scaled("Currie (IUPAC 1995), estimated sigma, exact delta", sd, n - 1, given, False)


def _known(given: _Blanks) -> _Numbers:
    sd = given.known_sigma() / math.sqrt(given.replicates)
    return _scaled("Currie (1968), known sigma, well-known blank", sd, math.inf, given, True)


def _paired(given: _Blanks) -> _Numbers:
    sd = given.known_sigma() * math.sqrt(2 / given.replicates)
    return _scaled("Currie (1968), known sigma, paired", sd, math.inf, given, True)


def _counts(given: _Blanks, name: str, n_blanks: float) -> _Numbers:
    check.not_negative(given.values, "counts")
    if (given.values != np.round(given.values)).any():
        raise ContractError(
            Fault("counts that are not whole numbers", "Poisson counts",
                  "method='estimated sigma' for scores")
        )  # fmt: skip
    total, n = float(given.values.sum()), given.values.size
    rates = (given.alpha, given.beta)
    value = kernel.currie_counts(total / n, n_blanks, *rates)
    low, high = (
        kernel.currie_counts(bound / n, n_blanks, *rates)
        for bound in kernel.poisson_interval(total, given.confidence)
    )
    few = ("below ten counts the normal approximation is poor",) if total / n < 10 else ()
    return {
        "method": f"Currie (1968), Poisson counts, {name}",
        "decision_limit": value.decision,
        "detection_limit": value.detection,
        "quantification_limit": value.quantification,
        "degrees_of_freedom": math.inf,
        "decision_interval": (low.decision, high.decision),
        "detection_interval": (low.detection, high.detection),
        "notes": few,
    }


def _paired_counts(given: _Blanks) -> _Numbers:
    n = given.values.size
    return _counts(given, "paired" if n == 1 else f"blank from {n} counts", n)


def _known_counts(given: _Blanks) -> _Numbers:
    return _counts(given, "well-known blank", math.inf)


def _one_sided(given: _Blanks) -> tuple[float, float, tuple[str, ...]]:
    coverage, confidence = 1 - given.alpha, (1 + given.confidence) / 2
    note = f"{coverage:.4g} of all blanks lie below it, said with confidence {confidence:.4g}"
    return coverage, confidence, (note, "a decision limit alone: beta is not controlled")


def _tolerance(given: _Blanks) -> _Numbers:
    coverage, confidence, notes = _one_sided(given)
    n = given.values.size
    limit = kernel.tolerance_factor(n, coverage, confidence) * given.scatter()
    low, high = kernel.sigma_factors(n - 1, given.confidence)
    return {
        "method": f"upper normal tolerance limit {100 * coverage:g}/{100 * confidence:g}",
        "decision_limit": limit,
        "detection_limit": math.nan,
        "beta": math.nan,
        "degrees_of_freedom": n - 1,
        "decision_interval": (low * limit, high * limit),
        "detection_interval": NONE,
        "notes": notes,
    }


def _distribution_free(given: _Blanks) -> _Numbers:
    coverage, confidence, notes = _one_sided(given)
    n = given.values.size
    check.enough(n, "blanks", kernel.distribution_free_n(coverage, confidence))
    lower, upper = kernel.quantile_ranks(n, coverage, confidence)
    low, high = np.sort(given.values)[[lower - 1, upper - 1]] - given.values.mean()
    return {
        "method": f"distribution-free tolerance limit {100 * coverage:g}/{100 * confidence:g}",
        "decision_limit": float(high),
        "detection_limit": math.nan,
        "beta": math.nan,
        "degrees_of_freedom": n - 1,
        "decision_interval": (float(low), float(high)),
        "detection_interval": NONE,
        "notes": (*notes, f"rank {upper} of {n}; its interval is that of the quantile"),
    }


BLANK_METHODS: dict[str, Callable[[_Blanks], _Numbers]] = {
    "estimated sigma": _estimated,
    "known sigma": _known,
    "paired": _paired,
    "counts, paired": _paired_counts,
    "counts, known blank": _known_counts,
    "tolerance": _tolerance,
    "distribution-free": _distribution_free,
}
