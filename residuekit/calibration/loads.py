"""Limits from responses at known loads, and the methods side by side."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from ..errors import ContractError, Fault
from ..kernels import calibration_lines as fits
from ..kernels import growing_scatter as growing
from ..kernels import limit_statistics as kernel
from . import arguments as check
from .calibrate import warn_of_misfit
from .limit import LEVELS, Comparison, Limit, number, side_by_side

#: What `compare` sets side by side when not told otherwise: one straight line, three numbers.
ONE_LINE = ("iso 11843-2", "din 32645", "hubaux-vos")
CALIBRATION_METHODS = (*ONE_LINE, "iso 11843-2 weighted", "rocke-lorenzato")


def from_calibration(
    loadings: Any,
    responses: Any,
    *,
    method: str = "iso 11843-2",
    level: str = "mockup",
    alpha: float = 0.05,
    beta: float = 0.05,
    replicates: int = 1,
    sample: Any = None,
    unit: str = "ug cm-2",
    confidence: float = 0.90,
) -> Limit:
    """Make a decision and a detection limit from responses at known loads.

    Parameters
    ----------
    loadings, responses : one of each for every mock-up (map, ...), 4 or more, at 3 loads or more.
    method : how scatter is described and beta is held:

        - ``iso 11843-2``: straight line, constant scatter, exact delta (noncentral t); formulae
          from memory, without the corrigendum of 2007;
        - ``din 32645``: the same with 2 t for delta (alpha for both rates), quantification k = 3;
        - ``hubaux-vos``: the lower prediction band meets the critical response;
        - ``iso 11843-2 weighted``: scatter fitted as c + d x; each load 2 times or more;
        - ``rocke-lorenzato``: constant and proportional error by maximum likelihood; 8 or more,
          replicates at the lowest and highest load, the lowest at or near zero.
    level : ``pixel``, ``map``, ``mockup`` or ``arm``.
    replicates : readings averaged for the unknown (K); for an arm its mock-ups.
    sample : the name of the sample behind each response; see `calibrate`.
    unit : unit of the loadings.
    confidence : of the two-sided interval of the limit itself. For straight lines it is exact:
        b sqrt(Sxx) / s is noncentral t, which is inverted for sigma / slope (with weights taken as
        known, where there are some); for rocke-lorenzato it is first-order in ln limit.

    Returns
    -------
    A `PixelLimit`, `MapLimit`, `MockupLimit` or `ArmLimit`, as `level` says. Where a straight line
    does not fit (p below 0.01) that is among its `notes`, and a `ResiduekitWarning`.

    Raises
    ------
    ContractError : too few values, loads or replicates, values not finite, a response that does
        not rise, a limit the method cannot give.

    >>> from_calibration([0, 0, 1, 1, 2, 2], [0.1, 0.0, 1.1, 1.0, 2.0, 2.1]).level
    'mockup'
    """
    check.choose(method, CALIBRATION_METHODS, "method")
    check.choose(level, LEVELS, "level")
    x, y = check.pairs(loadings, responses, least=4)
    x, y = check.pairs(*check.samples(x, y, sample), least=4)
    check.rate(alpha, "alpha")
    check.rate(beta, "beta")
    check.confidence_level(confidence)
    check.positive(replicates, "replicates", "the readings averaged")
    line = fits.fit_line(x, y)
    check.rising(line.slope, line.slope_error)
    make = partial(
        LEVELS[level],
        unit=check.known_unit(unit), alpha=alpha, n=x.size, confidence=confidence,
    )  # fmt: skip
    if method == "rocke-lorenzato":
        return _rocke_lorenzato(make, x, y, alpha, beta, replicates, confidence)
    if method == "iso 11843-2 weighted":
        return _weighted(make, x, y, alpha, beta, replicates, confidence)
    misfit = warn_of_misfit(fits.lack_of_fit(x, y, line.predict(x), 2))
    check.positive(line.sd, "the residual standard deviation", "points must not lie on the line")
    limit = _one_line(make, method, x, line, alpha, beta, replicates, confidence)
    return replace(limit, notes=(*filter(None, [misfit]), *limit.notes))


def _one_line(
    make: Callable[..., Limit],
    method: str,
    x: check.Floats,
    line: fits.Line,
    alpha: float,
    beta: float,
    replicates: int,
    confidence: float,
) -> Limit:
    from scipy.special import stdtrit

    t, delta = kernel.t_and_delta(line.nu, alpha, beta)
    t_beta = float(stdtrit(line.nu, 1 - beta))
    quantification = math.nan
    if method == "iso 11843-2":
        name = "ISO 11843-2, constant scatter, exact delta"
        limits_of = partial(fits.iso_11843, t=t, factor=delta, replicates=replicates)
    elif method == "din 32645":
        if alpha != beta:
            raise ContractError(
                Fault(f"alpha = {alpha:g}, beta = {beta:g}", "equal rates: 2 t stands for delta",
                      f"beta={alpha:g}, or method='iso 11843-2'")
            )  # fmt: skip
        name = "DIN 32645, 2 t in place of delta"
        limits_of = partial(fits.iso_11843, t=t, factor=2 * t, replicates=replicates)
        two_sided = float(stdtrit(line.nu, 1 - alpha / 2))
        quantification = fits.quantification(line, two_sided, replicates)
    else:
        name = "Hubaux and Vos (1970), prediction band"
        limits_of = partial(fits.hubaux_vos, t_alpha=t, t_beta=t_beta, replicates=replicates)
    value = limits_of(line)
    factors = kernel.slope_ratio_factors(line.nu, line.t_slope, confidence)
    low, high = (limits_of(replace(line, sd=line.sd * factor)) for factor in factors)
    return make(
        method=name,
        decision_limit=value.decision,
        detection_limit=_finite(value.detection, line),
        quantification_limit=quantification,
        beta=beta,
        degrees_of_freedom=line.nu,
        decision_interval=(low.decision, high.decision),
        detection_interval=(low.detection, high.detection),
        critical_response=line.intercept + line.slope * value.decision,
        notes=_design_notes(x, value.detection, high.detection),
    )


def _finite(detection: float, line: fits.Line) -> float:
    if not math.isfinite(detection):
        raise ContractError(
            Fault(f"a slope of {line.slope:.3g} with standard error {line.slope_error:.2g}",
                  "a slope well above its error: here no load is ever told from none",
                  "more mock-ups, higher loads, or a score that answers to the residue")
        )  # fmt: skip
    return detection


def _design_notes(x: check.Floats, detection: float, high: float) -> tuple[str, ...]:
    levels, counts = np.unique(x, return_counts=True)
    notes = []
    if levels.size < 5 or counts.min() < 2:
        notes.append("ISO 11843-2 aims at 5 loads or more, each prepared twice or more")
    if levels[-1] > 10 * detection:
        notes.append(
            f"the highest load is {levels[-1] / detection:.3g} times the detection limit; "
            "ISO 11843-2 aims at 10 or less"
        )
    if levels[0] > 0:
        notes.append("no load of zero among the data: the intercept is extrapolated")
    if math.isinf(high):
        notes.append("the slope is not above zero at this confidence: the limit has no upper end")
    return tuple(notes)


def _weighted(
    make: Callable[..., Limit],
    x: check.Floats,
    y: check.Floats,
    alpha: float,
    beta: float,
    replicates: int,
    confidence: float,
) -> Limit:
    check.enough(int(np.unique(x, return_counts=True)[1].min()), "replicates of each loading", 2)
    found = growing.iso_11843_weighted(x, y, alpha, beta, replicates)
    line, value = found.line, found.limits
    if math.isnan(value.decision):
        raise ContractError(
            Fault(f"scatter fitted as {found.sd_zero:.3g} + {found.sd_rise:.3g} x, not above zero "
                  "over the loads", "scatter that is above zero at no load and grows",
                  "method='iso 11843-2' for constant scatter, or more replicates")
        )  # fmt: skip
    low, high = kernel.slope_ratio_factors(line.nu, line.t_slope, confidence)
    scatter = f"scatter {number(found.sd_zero)} + {number(found.sd_rise)} x (response)"
    return make(
        method="ISO 11843-2, scatter linear in x, weighted, exact delta",
        decision_limit=value.decision,
        detection_limit=_finite(value.detection, line),
        beta=beta,
        degrees_of_freedom=line.nu,
        decision_interval=(low * value.decision, high * value.decision),
        detection_interval=(low * value.detection, high * value.detection),
        critical_response=line.intercept + line.slope * value.decision,
        notes=(scatter, *_design_notes(x, value.detection, high)),
    )


def _rocke_lorenzato(
    make: Callable[..., Limit],
    x: check.Floats,
    y: check.Floats,
    alpha: float,
    beta: float,
    replicates: int,
    confidence: float,
) -> Limit:
    check.enough(x.size, "pairs of loading and response", 8)
    counts = np.unique(x, return_counts=True)[1]
    check.enough(int(min(counts[0], counts[-1])), "replicates at the lowest and highest loading", 2)
    fit = growing.fit_two_component(x, y)
    value, decision, detection = growing.two_component_limits(
        fit, alpha, beta, replicates, confidence
    )
    return make(
        method="Rocke and Lorenzato (1995), two-component error, maximum likelihood",
        decision_limit=value.decision,
        detection_limit=value.detection,
        beta=beta,
        degrees_of_freedom=math.inf,
        decision_interval=decision,
        detection_interval=detection,
        critical_response=fit.intercept + fit.slope * value.decision,
        notes=(
            f"constant error {number(fit.sd_zero)} (response), "
            f"proportional error {100 * fit.sd_relative:.3g} %",
            "asymptotic: normal deviates, the intercept taken as known",
        ),
    )


def compare(
    loadings: Any, responses: Any, *, methods: Sequence[str] = ONE_LINE, **options: Any
) -> Comparison:
    """Set the methods of `from_calibration` side by side for one data set.

    Several legitimate numbers come from one data set: a limit without the name of its method is
    not a limit. Limits made elsewhere are set side by side by `side_by_side`.

    Parameters
    ----------
    loadings, responses : as in `from_calibration`.
    methods : names of its methods.
    options : go to `from_calibration`.

    Returns
    -------
    A `Comparison`.

    Raises
    ------
    ContractError : as `from_calibration`.

    >>> loads, scores = [0, 0, 1, 1, 2, 2], [0.1, 0.0, 1.1, 1.0, 2.0, 2.1]
    >>> [round(limit.detection_limit, 3) for limit in compare(loads, scores).limits]
    [0.296, 0.311, 0.304]
    """
    return side_by_side(
        *(from_calibration(loadings, responses, method=method, **options) for method in methods)
    )
