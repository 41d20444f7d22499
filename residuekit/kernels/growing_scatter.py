"""Limits where the scatter grows with the load: ISO 11843-2 weighted and two-component error."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .calibration_lines import Limits, Line, fit_line
from .limit_statistics import t_and_delta

Floats = NDArray[np.float64]


class WeightedLimits(NamedTuple):
    """The limits, the weighted line, and the scatter at zero and its rise with x."""

    limits: Limits
    line: Line
    sd_zero: float
    sd_rise: float


def iso_11843_weighted(
    x: ArrayLike, y: ArrayLike, alpha: float, beta: float, replicates: float
) -> WeightedLimits:
    """Give the limits of ISO 11843-2 for scatter that grows as sigma(x) = c + d x.

    The standard deviations of the levels are fitted on x with weights 1 / sigma(x)^2, three
    rounds; then y on x with weights 1 / sigma(x)^2. x_c = t sqrt(sigma(0)^2/K + V) / b with
    V = s^2 (1/T1 + mean_x^2 / Sxx), and x_d the same with delta and sigma(x_d), in rounds.
    (ISO 11843-2 (2000), section 5.3; formulae from memory, without its corrigendum of 2007, which
    was not read.)

    The limits are NaN where the fitted scatter is not above zero over the range of x.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    levels = np.unique(x)
    scatter = np.array([y[x == level].std(ddof=1) for level in levels])
    trend = fit_line(levels, scatter)
    for _ in range(3):
        expected = trend.predict(levels)
        if expected.min() <= 0:
            break
        trend = fit_line(levels, scatter, 1 / expected**2)
    line = fit_line(x, y, 1 / np.square(trend.predict(x)))
    t, delta = t_and_delta(line.nu, alpha, beta)
    fit_variance = line.sd**2 * (1 / line.weight + line.mean_x**2 / line.sxx)

    def limit(factor: float, at: float) -> float:
        scatter_at = float(trend.predict(at))
        return factor * math.sqrt(scatter_at**2 / replicates + fit_variance) / line.slope

    if trend.predict(levels).min() <= 0 or trend.intercept <= 0:
        return WeightedLimits(Limits(math.nan, math.nan), line, trend.intercept, trend.slope)
    detection = limit(delta, 0.0)
    for _ in range(100):
        before, detection = detection, limit(delta, detection)
        if abs(detection - before) <= 1e-10 * detection:
            break
    return WeightedLimits(Limits(limit(t, 0.0), detection), line, trend.intercept, trend.slope)


class TwoComponent(NamedTuple):
    """Maximum likelihood estimates of the two-component model and their covariance.

    `sd_zero` is sigma_epsilon (response units), `sd_relative` sigma_eta; the covariance is that of
    (intercept, ln slope, ln sd_zero, ln sd_relative).
    """

    intercept: float
    slope: float
    sd_zero: float
    sd_relative: float
    covariance: Floats
    log_likelihood: float


_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(20)


def two_component_log_likelihood(parameters: Floats, x: Floats, y: Floats) -> float:
    """Give the log likelihood of y = a + b x exp(eta) + epsilon, both errors normal.

    `parameters` are (a, ln b, ln sigma_epsilon, ln sigma_eta). eta is integrated out by
    Gauss-Hermite nodes centred and scaled, point by point, on the peak of the integrand: nodes laid
    over the whole of eta miss that peak at high loads, where it is much narrower than eta.
    """
    a, b, sd, relative = parameters[0], *np.exp(parameters[1:])
    at_peak = np.zeros_like(x)
    for _ in range(40):
        mean = b * x * np.exp(at_peak)
        curvature = (mean / sd) ** 2 + relative**-2
        at_peak = at_peak + ((y - a - mean) * mean / sd**2 - at_peak / relative**2) / curvature
    curvature = (b * x * np.exp(at_peak) / sd) ** 2 + relative**-2
    eta = at_peak[:, None] + _NODES / np.sqrt(curvature)[:, None]
    residual = (y[:, None] - a - b * x[:, None] * np.exp(eta)) / sd
    exponent = 0.5 * (_NODES**2 - residual**2 - (eta / relative) ** 2)
    top = exponent.max(axis=1)
    total = np.exp(exponent - top[:, None]) @ _NODE_WEIGHTS
    density = np.log(total) + top - 0.5 * np.log(curvature) - np.log(2 * np.pi * sd * relative)
    return float(density.sum())


def fit_two_component(x: ArrayLike, y: ArrayLike) -> TwoComponent:
    """Fit the two-component error model of Rocke and Lorenzato, Technometrics 37 (1995) 176.

    Maximum likelihood; x and y are (n,) with replicates, some of them at or near zero load.
    """
    from scipy.optimize import minimize

    x, y = np.asarray(x, float), np.asarray(y, float)
    start = _two_component_start(x, y)

    def cost(step: Floats) -> float:
        value = -two_component_log_likelihood(start + step * scale, x, y)
        return value if math.isfinite(value) else 1e300

    scale = np.array([math.exp(start[2]), 0.05, 0.3, 0.3])
    found = np.zeros(4)
    for _ in range(3):
        found = minimize(
            cost,
            found,
            method="Nelder-Mead",
            options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 2000},
        ).x
    best = start + found * scale
    information = _hessian(cost, found) / np.outer(scale, scale)
    slope, sd_zero, sd_relative = (float(value) for value in np.exp(best[1:]))
    covariance = np.asarray(np.linalg.inv(information), float)
    return TwoComponent(float(best[0]), slope, sd_zero, sd_relative, covariance, -cost(found))


def _two_component_start(x: Floats, y: Floats) -> Floats:
    levels = np.unique(x)
    scatter = {level: y[x == level].std(ddof=1) for level in levels if (x == level).sum() > 1}
    low, high = min(scatter), max(scatter)
    line = fit_line(x, y, 1 / (x + levels[levels > 0].min()) ** 2)
    unit = max(scatter.values()) / 10
    relative = max(scatter[high], unit) / (line.slope * high)
    return np.array(
        [
            line.intercept,
            math.log(line.slope),
            math.log(max(scatter[low], unit / 10)),
            math.log(relative),
        ]
    )


def _hessian(cost: Callable[[Floats], float], at: Floats, step: float = 1e-2) -> Floats:
    size = at.size
    matrix = np.empty((size, size))
    unit = step * np.eye(size)
    for i in range(size):
        for j in range(i + 1):
            corners = [
                cost(at + s * unit[i] + r * unit[j]) * s * r for s in (1, -1) for r in (1, -1)
            ]
            matrix[i, j] = matrix[j, i] = sum(corners) / (4 * step**2)
    return matrix


def two_component_limits(
    fit: TwoComponent, alpha: float, beta: float, replicates: float, confidence: float
) -> tuple[Limits, tuple[float, float], tuple[float, float]]:
    """Give the limits of the two-component model, and the interval of each.

    x_c = z(1 - alpha) sigma_epsilon / (b sqrt(K)); x_d solves
    b (x_d - x_c) = z(1 - beta) sqrt([sigma_epsilon^2 + b^2 x_d^2 v] / K) with
    v = exp(sigma_eta^2) (exp(sigma_eta^2) - 1), the relative variance of the model. The intervals
    are first-order in the logarithm of the limit. x_d is infinite where z(1 - beta) sqrt(v / K)
    reaches 1.
    """
    from scipy.special import ndtri

    z_alpha, z_beta, z = (float(ndtri(p)) for p in (1 - alpha, 1 - beta, 0.5 + confidence / 2))

    def logs(parameters: Floats) -> Floats:
        slope, sd, relative = np.exp(parameters[1:])
        decision = z_alpha * sd / (slope * math.sqrt(replicates))
        variance = math.exp(relative**2) * math.expm1(relative**2) / replicates
        lead = 1 - z_beta**2 * variance
        if lead <= 0:
            return np.array([math.log(decision), math.inf])
        constant = z_beta**2 * (sd / slope) ** 2 / replicates
        root = math.sqrt(decision**2 - lead * (decision**2 - constant))
        return np.log([decision, (decision + root) / lead])

    at = np.array([fit.intercept, *np.log([fit.slope, fit.sd_zero, fit.sd_relative])])
    found = logs(at)
    limits = Limits(*(float(value) for value in np.exp(found)))
    if not np.isfinite(found).all():
        return limits, (math.nan, math.nan), (math.nan, math.nan)
    step = 1e-5
    gradient = np.array(
        [(logs(at + step * e) - logs(at - step * e)) / (2 * step) for e in np.eye(4)]
    )
    reach = z * np.sqrt(np.einsum("il,ij,jl->l", gradient, fit.covariance, gradient))
    low, high = np.exp(found - reach), np.exp(found + reach)
    return limits, (float(low[0]), float(high[0])), (float(low[1]), float(high[1]))
