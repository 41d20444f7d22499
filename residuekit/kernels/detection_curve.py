"""The probability of detection as a logistic curve on a load axis, plain or penalised."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


class DetectionCurve(NamedTuple):
    """logit p = intercept + slope u, with the covariance of both and the deviance.

    `penalised` says that the outcomes were separated and Firth's penalty stood in.
    """

    intercept: float
    slope: float
    covariance: Floats
    deviance: float
    penalised: bool


class Crossing(NamedTuple):
    """The place u where the curve reaches a probability, and its two intervals."""

    value: float
    wald_curve: tuple[float, float]
    delta_method: tuple[float, float]


def is_separated(u: ArrayLike, detected: ArrayLike) -> bool:
    """Say whether a threshold on u parts all misses from all detections (a tie counts as parted).

    Then the likelihood has no maximum: Albert and Anderson, Biometrika 71 (1984) 1.

    >>> is_separated([1, 2, 3, 4], [0, 0, 1, 1]), is_separated([1, 2, 3, 4], [0, 1, 0, 1])
    (True, False)
    """
    u, found = np.asarray(u, float), np.asarray(detected, bool)
    return bool(u[~found].max() <= u[found].min() or u[found].max() <= u[~found].min())


def fit_detection_curve(u: ArrayLike, detected: ArrayLike) -> DetectionCurve:
    """Fit a logistic curve by maximum likelihood; by Firth's penalty where separated.

    Parameters
    ----------
    u : (n,) load axis, at least two values; detected : (n,) 0 or 1, both present.

    Newton steps on the score, halved where the likelihood falls. The penalty adds half the log
    determinant of the information (Jeffreys prior): Firth, Biometrika 80 (1993) 27; as a cure for
    separation, Heinze and Schemper, Stat. Med. 21 (2002) 2409.

    Raises
    ------
    ArithmeticError : no convergence in 200 steps.
    """
    u, found = np.asarray(u, float), np.asarray(detected, float)
    middle, spread = float(u.mean()), float(u.std())
    design = np.column_stack([np.ones_like(u), (u - middle) / spread])
    penalised = is_separated(u, found)
    beta = np.zeros(2)
    for _ in range(200):
        step = _newton_step(design, found, beta, penalised)
        size = 1.0
        now = _log_likelihood(design, found, beta, penalised)
        while _log_likelihood(design, found, beta + size * step, penalised) < now - 1e-12:
            size /= 2
            if size < 1e-10:
                break
        beta = beta + size * step
        if np.abs(size * step).max() < 1e-10:
            return _curve(design, found, beta, middle, spread, penalised)
    raise ArithmeticError("the logistic fit did not converge in 200 steps")


def _probability(design: Floats, beta: Floats) -> Floats:
    from scipy.special import expit

    return np.asarray(expit(design @ beta))


def _information(design: Floats, p: Floats) -> Floats:
    return np.asarray((design.T * (p * (1 - p))) @ design)


def _newton_step(design: Floats, found: Floats, beta: Floats, penalised: bool) -> Floats:
    p = _probability(design, beta)
    inverse = np.linalg.inv(_information(design, p))
    residual = found - p
    if penalised:
        leverage = np.einsum("ij,jk,ik->i", design, inverse, design) * p * (1 - p)
        residual = residual + leverage * (0.5 - p)
    return np.asarray(inverse @ (design.T @ residual))


def _log_likelihood(design: Floats, found: Floats, beta: Floats, penalised: bool) -> float:
    eta = design @ beta
    value = float(found @ eta - np.logaddexp(0.0, eta).sum())
    if penalised:
        value += 0.5 * float(np.linalg.slogdet(_information(design, _probability(design, beta)))[1])
    return value


def _curve(
    design: Floats, found: Floats, beta: Floats, middle: float, spread: float, penalised: bool
) -> DetectionCurve:
    back = np.array([[1.0, -middle / spread], [0.0, 1.0 / spread]])
    intercept, slope = back @ beta
    covariance = back @ np.linalg.inv(_information(design, _probability(design, beta))) @ back.T
    deviance = _grouped_deviance(design, found, beta)
    return DetectionCurve(float(intercept), float(slope), covariance, deviance, penalised)


def _grouped_deviance(design: Floats, found: Floats, beta: Floats) -> float:
    """Twice the log likelihood lost against one free share for each load."""
    from scipy.special import xlogy

    _, place = np.unique(design[:, 1], return_inverse=True)
    n, k = np.bincount(place), np.bincount(place, found)
    full = float((xlogy(k, k / n) + xlogy(n - k, 1 - k / n)).sum())
    return 2 * (full - _log_likelihood(design, found, beta, penalised=False))


def crossing(curve: DetectionCurve, probability: float, confidence: float) -> Crossing:
    """Find where the curve reaches `probability`, with two-sided intervals of `confidence`.

    (logit(probability) - intercept) / slope. The Wald curve: where the pointwise band of the
    curve reaches it (the logic of MIL-HDBK-1823A, from memory), infinite where it never does; the
    delta method: first-order standard error. At confidence 0.90 the upper ends are a90/95.
    """
    from scipy.special import logit, ndtri

    z = float(ndtri(0.5 + confidence / 2))
    at = float(logit(probability))
    u = (at - curve.intercept) / curve.slope
    (v00, v01), (_, v11) = curve.covariance.tolist()
    gradient = np.array([1.0, u]) / curve.slope
    reach = z * math.sqrt(float(gradient @ curve.covariance @ gradient))
    # (intercept - at + slope u)^2 = z^2 (v00 + 2 v01 u + v11 u^2)
    lead = curve.slope**2 - z**2 * v11
    half = curve.slope * (curve.intercept - at) - z**2 * v01
    last = (curve.intercept - at) ** 2 - z**2 * v00
    band = (-math.inf, math.inf)
    if lead > 0:
        root = math.sqrt(max(half**2 - lead * last, 0.0))
        band = ((-half - root) / lead, (-half + root) / lead)
    return Crossing(u, band, (u - reach, u + reach))
