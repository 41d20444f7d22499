"""Limits from spiked mock-ups: the probability of detection, and the MDL."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np

from ..errors import ContractError, Fault
from ..kernels import detection_curve as curves
from ..kernels import limit_statistics as kernel
from . import arguments as check
from .limit import LEVELS, NONE, Limit, number

DETECTION_METHODS = ("logistic, wald curve", "logistic, delta method")
RESULT_METHODS = ("epa mdl",)


def from_spiking(
    loadings: Any,
    detected: Any = None,
    responses: Any = None,
    *,
    method: str | None = None,
    level: str = "mockup",
    beta: float = 0.10,
    unit: str = "ug cm-2",
    confidence: float = 0.90,
) -> Limit:
    """Make a limit from spiked mock-ups: found or missed, or results in the unit of the load.

    Parameters
    ----------
    loadings : known loads, zero or above, one for each mock-up.
    detected : found (1) or missed (0) for each: the load found with probability 1 - `beta`, by
        logistic regression on ln load. ``logistic, wald curve`` (the default) reads its interval
        off the band of the curve, ``logistic, delta method`` off its standard error; at confidence
        0.90 the upper end is a90/95. Zero loads stand aside: they tell the rate of false alarms.
        Where the loads part misses from detections, Firth's penalised fit stands in and the
        result says so.
    responses : results in the unit of the load for ``epa mdl`` (40 CFR 136 Appendix B, revision
        2): rows of zero load are the blanks (7 or more; NaN for one without a number), the others
        the spikes at one load (7 or more). It controls alpha = 0.01 alone; `beta` does not enter.

    Returns
    -------
    A `Limit` of the type that `level` says.

    Raises
    ------
    ContractError : too few values, loads or outcomes of either kind, or a curve that does not rise.

    >>> loads = [0, 0, 1, 1, 1, 2, 2, 2, 4, 4, 4]
    >>> limit = from_spiking(loads, detected=[0, 0, 0, 0, 1, 0, 1, 1, 1, 1, 1])
    >>> limit.unit, 2 < limit.detection_limit < 4
    ('ug cm-2', True)
    """
    if (detected is None) == (responses is None):
        raise ContractError(
            Fault("both or neither of detected and responses", "exactly one of them",
                  "from_spiking(loadings, detected=...) or from_spiking(loadings, responses=...)")
        )  # fmt: skip
    known = RESULT_METHODS if detected is None else DETECTION_METHODS
    method = check.choose(method or known[0], known, "method")
    check.choose(level, LEVELS, "level")
    check.rate(beta, "beta")
    check.confidence_level(confidence)
    make = partial(LEVELS[level], unit=check.known_unit(unit), confidence=confidence)
    x = check.numbers(loadings, "loadings", 3)
    check.not_negative(x, "loadings")
    if detected is None:
        return _epa(make, x, responses, confidence)
    return _logistic(make, method, x, detected, beta, confidence)


def _logistic(
    make: Callable[..., Limit],
    method: str,
    loads: check.Floats,
    detected: Any,
    beta: float,
    confidence: float,
) -> Limit:
    outcome = check.numbers(detected, "detected", 3)
    check.same_length(loads, outcome, "outcomes")
    if not np.isin(outcome, (0.0, 1.0)).all():
        raise ContractError(
            Fault("outcomes other than found and missed", "0 or 1, or True and False",
                  "detected = score > decision limit; or responses=...")
        )  # fmt: skip
    notes = _false_alarms(outcome[loads == 0])
    x, found = loads[loads > 0], outcome[loads > 0]
    check.enough(np.unique(x).size, "different loadings above zero", 3)
    if found.all() or not found.any():
        count = int(found.sum())
        raise ContractError(
            Fault(f"{count} of {found.size} spiked mock-ups found",
                  "some found and some missed, to place the curve between them",
                  f"{'lower' if count else 'higher'} loads")
        )  # fmt: skip
    curve = curves.fit_detection_curve(np.log(x), found)
    check.rising(curve.slope, math.sqrt(curve.covariance[1, 1]))
    place = curves.crossing(curve, 1 - beta, confidence)
    low, high = place.wald_curve if method == DETECTION_METHODS[0] else place.delta_method
    if curve.penalised:
        notes.append("the loads part misses from detections: Firth's penalised fit stands in")
    counts = np.unique(x, return_counts=True)[1]
    if counts.size < 5 or counts.min() < 6:
        notes.append("fewer than 5 loads of 6 mock-ups each: the curve is poorly known")
    upper = f"a{100 * (1 - beta):g}/{50 * (1 + confidence):g}"
    reach = math.exp(high) if high < 700 else math.inf
    notes.append(f"{upper} = {number(reach)}")
    if math.isinf(reach):
        notes.append("the band of the curve never reaches this probability")
    return make(
        method="probability of detection, " + (
            "Firth's penalised logistic" if curve.penalised else "logistic"
        ) + f" on ln load, {method.removeprefix('logistic, ')}",
        decision_limit=math.nan,
        detection_limit=math.exp(place.value),
        alpha=math.nan,
        beta=beta,
        n=x.size,
        degrees_of_freedom=math.inf,
        decision_interval=NONE,
        detection_interval=(math.exp(low), reach),
        critical_response=math.nan,
        notes=tuple(notes),
    )  # fmt: skip


def _false_alarms(outcome: check.Floats) -> list[str]:
    if not outcome.size:
        return []
    k, n = int(outcome.sum()), outcome.size
    bound = kernel.clopper_pearson_upper(k, n, 0.05)
    return [f"{k} of {n} blanks called detected: at most {bound:.1%}, one-sided 95 %"]


def _epa(
    make: Callable[..., Limit], loads: check.Floats, responses: Any, confidence: float
) -> Limit:
    results = np.asarray(responses, dtype=float).ravel()
    check.same_length(loads, results, "responses")
    blanks, spikes = results[loads == 0], check.numbers(results[loads > 0], "spikes", 7)
    check.enough(blanks.size, "blanks", 7)
    if np.isinf(blanks).any() or np.unique(loads[loads > 0]).size > 1:
        raise ContractError(
            Fault("an infinite blank, or spikes at several loads",
                  "blanks that are numbers or NaN, spikes at one load",
                  "from_spiking for one spiking load at a time")
        )  # fmt: skip
    check.scatter(spikes, "spikes")
    found = kernel.epa_mdl(spikes, blanks)
    by_spikes = not found.from_blanks > found.from_spikes
    low, high = kernel.sigma_factors(spikes.size - 1, confidence)
    interval = (low * found.limit, high * found.limit) if by_spikes else NONE
    load, n = float(loads.max()), spikes.size if by_spikes else blanks.size
    notes = [
        f"MDLs {number(found.from_spikes)} ({spikes.size} spikes), "
        f"MDLb {number(found.from_blanks)} ({blanks.size} blanks): the larger stands",
        "alpha alone is controlled: a load at the MDL is missed about half the time",
        "revision 2 wants spikes and blanks from 3 batches or more",
    ]
    if not found.limit <= load <= 10 * found.limit:
        notes.append(f"spiked at {number(load)}, not between 1 and 10 times the MDL")
    return make(
        method="EPA 40 CFR 136 App. B, revision 2, MDL",
        decision_limit=found.limit,
        detection_limit=math.nan,
        alpha=0.01,
        beta=math.nan,
        n=n,
        degrees_of_freedom=n - 1,
        decision_interval=interval,
        detection_interval=NONE,
        critical_response=found.limit,
        notes=tuple(notes),
    )
