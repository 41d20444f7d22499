"""Calibration as numbers: lines, saturation with depth, inverse prediction, lack of fit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .slope import slope_through_zero

Floats = NDArray[np.float64]


class Inverse(NamedTuple):
    """A load found from a response, its first-order standard error and its interval."""

    value: float
    standard_error: float
    lower: float
    upper: float


@dataclass(frozen=True)
class Line:
    """A straight line y = intercept + slope x with the sums its limits are made of.

    `sd` is the (weighted) residual standard deviation, `mean_x` and `sxx` the weighted mean and
    sum of squares of x, `weight` the sum of the weights (the number of points without weights).
    """

    intercept: float
    slope: float
    sd: float
    nu: int
    mean_x: float
    sxx: float
    weight: float

    @property
    def parameters(self) -> dict[str, tuple[float, float]]:
        """Each parameter with its standard error."""
        intercept_error = self.sd * math.sqrt(1 / self.weight + self.mean_x**2 / self.sxx)
        return {
            "intercept": (self.intercept, intercept_error),
            "slope": (self.slope, self.slope_error),
        }

    @property
    def slope_error(self) -> float:
        return self.sd / math.sqrt(self.sxx)

    @property
    def t_slope(self) -> float:
        """The slope over its standard error, b sqrt(Sxx) / s."""
        return self.slope / self.slope_error

    def predict(self, x: ArrayLike) -> Floats:
        return self.intercept + self.slope * np.asarray(x, float)

    def invert(
        self, y: float, replicates: float = 1, weight: float = 1.0, confidence: float = 0.95
    ) -> Inverse:
        """Find x for the mean `y` of some readings, each of the given `weight`.

        The interval is that of Fieller, J. R. Stat. Soc. B 16 (1954) 175: the x whose prediction
        band holds y. It is infinite where the slope is not above zero at this confidence. The
        standard error is the first-order one of Massart et al., Handbook of Chemometrics and
        Qualimetrics: Part A (1997), equations 8.28 and 8.38 (numbers from memory).
        """
        t = _two_sided_t(self.nu, confidence)
        above = y - self.intercept - self.slope * self.mean_x
        reading = self.sd**2 * (1 / (weight * replicates) + 1 / self.weight)
        lower, upper = fieller(above, self.slope, reading, self.slope_error**2, t)
        from_mean = above / self.slope
        error = math.sqrt(reading + (from_mean * self.slope_error) ** 2) / abs(self.slope)
        return Inverse(self.mean_x + from_mean, error, self.mean_x + lower, self.mean_x + upper)


@dataclass(frozen=True)
class ZeroLine:
    """A line through zero, y = slope x, of weights 1 / (blank_sd^2 + (relative slope x)^2).

    `scale` is the weighted residual standard deviation: near 1 where the weights tell the truth.
    """

    slope: float
    slope_error: float
    blank_sd: float
    relative: float
    scale: float
    nu: int

    @property
    def parameters(self) -> dict[str, tuple[float, float]]:
        """Each parameter with its standard error."""
        return {"slope": (self.slope, self.slope_error)}

    def predict(self, x: ArrayLike) -> Floats:
        return self.slope * np.asarray(x, float)

    def invert(
        self, y: float, replicates: float = 1, weight: float = 1.0, confidence: float = 0.95
    ) -> Inverse:
        """Find x for the mean `y` of some readings; Fieller's interval as in `Line.invert`.

        The variance of a reading is scale^2 (blank_sd^2 + (relative slope x)^2) / `weight`.
        """
        t = _two_sided_t(self.nu, confidence)
        share = self.scale**2 / (weight * replicates)
        constant = share * self.blank_sd**2
        square = self.slope_error**2 + share * (self.relative * self.slope) ** 2
        lower, upper = fieller(y, self.slope, constant, square, t)
        x = y / self.slope
        return Inverse(x, math.sqrt(constant + square * x**2) / abs(self.slope), lower, upper)


@dataclass(frozen=True)
class Saturation:
    """A response that saturates with depth, y = ceiling (1 - exp(-2 x / depth)).

    The fraction of the evanescent field inside a film of thickness x on an ATR crystal; `depth`
    is the depth of penetration in the unit of x. Harrick, Internal Reflection Spectroscopy (1967).
    """

    ceiling: float
    depth: float
    covariance: Floats
    sd: float
    nu: int

    @property
    def parameters(self) -> dict[str, tuple[float, float]]:
        """Each parameter with its standard error."""
        ceiling_error, depth_error = np.sqrt(np.diag(self.covariance))
        return {
            "ceiling": (self.ceiling, float(ceiling_error)),
            "depth": (self.depth, float(depth_error)),
        }

    def predict(self, x: ArrayLike) -> Floats:
        return saturating(np.asarray(x, float), self.ceiling, self.depth)

    def invert(
        self, y: float, replicates: float = 1, weight: float = 1.0, confidence: float = 0.95
    ) -> Inverse:
        """Find x for the mean `y` of some readings; NaN at and above the ceiling.

        The interval is first-order (delta method) in y, ceiling and depth.
        """
        if y >= self.ceiling:
            return Inverse(math.nan, math.nan, math.nan, math.nan)
        left = 1 - y / self.ceiling
        x = -0.5 * self.depth * math.log(left)
        by_y = 0.5 * self.depth / (self.ceiling * left)
        gradient = np.array([-by_y * y / self.ceiling, x / self.depth])
        reading = by_y**2 * self.sd**2 / (weight * replicates)
        error = math.sqrt(reading + float(gradient @ self.covariance @ gradient))
        reach = _two_sided_t(self.nu, confidence) * error
        return Inverse(x, error, x - reach, x + reach)


def _two_sided_t(nu: int, confidence: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(nu, 0.5 + confidence / 2))


def fieller(
    y: float, slope: float, constant: float, square: float, t: float
) -> tuple[float, float]:
    """Solve (y - slope u)^2 = t^2 (constant + square u^2) for u; infinite if the slope may be 0."""
    lead = slope**2 - t**2 * square
    if lead <= 0:
        return -math.inf, math.inf
    root = t * math.sqrt(square * y**2 + constant * lead)
    middle = slope * y
    return (middle - root) / lead, (middle + root) / lead


def fit_line(x: ArrayLike, y: ArrayLike, weights: ArrayLike | None = None) -> Line:
    """Fit a straight line by (weighted) least squares; (n,) each, n >= 3, two different x."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    w = np.ones_like(x) if weights is None else np.asarray(weights, float)
    total = float(w.sum())
    mean_x, mean_y = float(w @ x) / total, float(w @ y) / total
    dx, dy = x - mean_x, y - mean_y
    sxx = float(w @ dx**2)
    slope = float(w @ (dx * dy)) / sxx
    nu = x.size - 2
    sd = math.sqrt(float(w @ (dy - slope * dx) ** 2) / nu)
    return Line(mean_y - slope * mean_x, slope, sd, nu, mean_x, sxx, total)


def fit_through_zero(
    x: ArrayLike, y: ArrayLike, blank_sd: float, relative: float = 0.1
) -> ZeroLine:
    """Fit a line through zero with the weights of `decision.slope_through_zero`."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    fit = slope_through_zero(x, y, blank_sd, relative)
    weight = 1 / (blank_sd**2 + (relative * fit.value * x) ** 2)
    scale = fit.standard_error * math.sqrt(float(weight @ x**2))
    return ZeroLine(fit.value, fit.standard_error, blank_sd, relative, scale, fit.n_spiked - 1)


def saturating(x: Floats, ceiling: float, depth: float) -> Floats:
    """Give ceiling (1 - exp(-2 x / depth)).

    >>> bool(np.isclose(saturating(np.array(10.0), 1.0, 1840.0), 0.0108, atol=1e-4))
    True
    """
    return np.asarray(-ceiling * np.expm1(-2 * x / depth))


def fit_saturation(x: ArrayLike, y: ArrayLike) -> Saturation:
    """Fit ceiling and depth of `saturating` by least squares; (n,) each, n >= 4.

    The search runs in the initial slope and in the curvature 1 / depth, of which both are well
    determined where ceiling and depth are not. Where the curve bends by less than 0.05 % over the
    range of x the depth is infinite: the data are straight.
    """
    from scipy.optimize import least_squares

    x, y = np.asarray(x, float), np.asarray(y, float)
    x_unit, y_unit = float(x.max()), float(np.abs(y).max())
    u, v = x / x_unit, y / y_unit

    def model(p: Floats) -> Floats:
        slope, rate = p
        if rate <= 0:
            return np.asarray(slope * u)
        return np.asarray(-slope * np.expm1(-rate * u) / rate)

    def residuals(p: Floats) -> Floats:
        return model(p) - v

    start = np.array([2.0 * float(u @ v) / float(u @ u), 1.0])
    found = least_squares(residuals, start, bounds=([0.0, 0.0], np.inf), xtol=1e-14, ftol=1e-14)
    slope, rate = (float(value) for value in found.x)
    nu = x.size - 2
    sd = math.sqrt(2 * float(found.cost) / nu) * y_unit
    if rate < 1e-3:
        return Saturation(math.inf, math.inf, np.full((2, 2), math.inf), sd, nu)
    ceiling, depth = slope / rate * y_unit, 2.0 / rate * x_unit
    decay = np.exp(-2 * x / depth)
    jacobian = np.column_stack([1 - decay, -2 * ceiling * x / depth**2 * decay])
    return Saturation(ceiling, depth, sd**2 * np.linalg.inv(jacobian.T @ jacobian), sd, nu)


class LackOfFit(NamedTuple):
    """The F test of a fitted curve against the scatter of its replicates."""

    f: float
    p_value: float
    nu_lack: int
    nu_pure: int


def lack_of_fit(
    x: ArrayLike,
    y: ArrayLike,
    fitted: ArrayLike,
    n_parameters: int,
    weights: ArrayLike | None = None,
) -> LackOfFit | None:
    """Compare the misfit of the level means with the pure error of replicates.

    F = [SS_lack / (levels - parameters)] / [SS_pure / (n - levels)]. Draper and Smith, Applied
    Regression Analysis, chapter 2. None without replicates, or with no more levels than parameters.
    """
    from scipy.special import fdtrc

    x, y, fitted = (np.asarray(values, float) for values in (x, y, fitted))
    w = np.ones_like(x) if weights is None else np.asarray(weights, float)
    levels, place = np.unique(x, return_inverse=True)
    means = np.bincount(place, w * y) / np.bincount(place, w)
    nu_lack, nu_pure = levels.size - n_parameters, x.size - levels.size
    if nu_lack < 1 or nu_pure < 1:
        return None
    pure = float(w @ (y - means[place]) ** 2)
    lack = float(w @ (means[place] - fitted) ** 2)
    if pure == 0.0:
        return LackOfFit(math.inf, 0.0, nu_lack, nu_pure)
    f = lack / nu_lack / (pure / nu_pure)
    return LackOfFit(f, float(fdtrc(nu_lack, nu_pure, f)), nu_lack, nu_pure)


class Limits(NamedTuple):
    """Decision and detection limit above zero load."""

    decision: float
    detection: float


def iso_11843(line: Line, t: float, factor: float, replicates: float) -> Limits:
    """Give x_c = t s h / b and x_d = factor s h / b, h^2 = 1/K + 1/N + mean_x^2 / Sxx.

    `factor` is delta(nu; alpha, beta) for ISO 11843-2 (2000), 2 t for the approximation of
    DIN 32645; K is `replicates`, the readings averaged for the unknown. (Formulae from memory,
    those of ISO 11843-2 without its corrigendum of 2007, which was not read.)
    """
    h = math.sqrt(1 / replicates + 1 / line.weight + line.mean_x**2 / line.sxx)
    return Limits(t * line.sd * h / line.slope, factor * line.sd * h / line.slope)


def hubaux_vos(line: Line, t_alpha: float, t_beta: float, replicates: float) -> Limits:
    """Give x_c as ISO 11843-2, and x_d where the lower prediction band equals y_c.

    Hubaux and Vos, Anal. Chem. 42 (1970) 849. The limit is infinite where the band never rises
    to y_c.
    """
    decision = iso_11843(line, t_alpha, t_alpha, replicates).decision
    above = decision - line.mean_x
    ratio = (line.sd / line.slope) ** 2
    constant = ratio * (1 / replicates + 1 / line.weight)
    return Limits(
        decision, line.mean_x + fieller(above, 1.0, constant, ratio / line.sxx, t_beta)[1]
    )


def quantification(line: Line, t: float, replicates: float, k: float = 3.0) -> float:
    """Give x_Q, k times the half width of its own interval (DIN 32645; from memory).

    x_Q = k t s sqrt(1/K + 1/N + (x_Q - mean_x)^2 / Sxx) / b, a quadratic equation in x_Q;
    infinite where the relative half width 1/k is reached nowhere.
    """
    reach = (k * t * line.sd / line.slope) ** 2
    lead = 1 - reach / line.sxx
    if lead <= 0:
        return math.inf
    half = -reach * line.mean_x / line.sxx
    constant = reach * (1 / replicates + 1 / line.weight + line.mean_x**2 / line.sxx)
    return (half + math.sqrt(half**2 + lead * constant)) / lead


def linear_range(x: ArrayLike, y: ArrayLike, alpha: float) -> float:
    """Find the highest level up to which a straight line shows no lack of fit at level `alpha`.

    Levels are dropped from the top, one at a time, until the F test of `lack_of_fit` passes; NaN
    where it passes for no three levels, or where no level below is replicated.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    for top in np.unique(x)[:1:-1]:
        kept = x <= top
        line = fit_line(x[kept], y[kept])
        test = lack_of_fit(x[kept], y[kept], line.predict(x[kept]), 2)
        if test is not None and test.p_value >= alpha:
            return float(top)
    return math.nan


def film_thickness(loading: ArrayLike, density: float) -> Floats:
    """Convert ug cm-2 into nm of a film of `density` (g cm-3): 10 loading / density.

    >>> float(film_thickness(0.13, 1.3))
    1.0
    """
    return 10.0 * np.asarray(loading, float) / density


def film_loading(thickness: ArrayLike, density: float) -> Floats:
    """Convert nm of a film of `density` (g cm-3) into ug cm-2; undoes `film_thickness`."""
    return np.asarray(thickness, float) * density / 10.0
