"""Response against known load: the fit, its test, and the way back from a response."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import ContractError, Fault, ResiduekitWarning
from ..kernels import calibration_lines as fits
from . import arguments as check
from .limit import PVA, Density, html_table, number

if TYPE_CHECKING:
    import pandas as pd

Fit = fits.Line | fits.ZeroLine | fits.Saturation

#: A lack of fit less likely than this by chance is warned of.
MISFIT = 0.01
MODELS = {
    "through zero": "response = slope x, weights 1 / (s_b^2 + (0.1 slope x)^2)",
    "straight": "response = intercept + slope x",
    "weighted": "response = intercept + slope x, weights as given",
    "saturating": "response = ceiling (1 - exp(-2 x / depth))",
}


@dataclass(frozen=True, repr=False)
class InversePrediction:
    """A load found from a response, with its standard error and two-sided interval."""

    loading: float
    standard_error: float
    interval: tuple[float, float]
    confidence: float
    unit: str

    def _lines(self) -> list[tuple[str, str]]:
        low, high = map(number, self.interval)
        return [
            ("loading", f"{number(self.loading)} {self.unit}"),
            ("standard error", f"{number(self.standard_error)} {self.unit}"),
            (f"{self.confidence:.0%} interval", f"{low} to {high} {self.unit}"),
        ]

    def __repr__(self) -> str:
        return "; ".join(f"{name} {text}" for name, text in self._lines())

    def _repr_html_(self) -> str:
        return html_table("inverse prediction", self._lines())

    def to_frame(self) -> pd.DataFrame:
        """Give the prediction as a table of one row."""
        import pandas as pd

        return pd.DataFrame(
            {
                "loading": [self.loading],
                "standard_error": [self.standard_error],
                "low": [self.interval[0]],
                "high": [self.interval[1]],
                "confidence": [self.confidence],
                "unit": [self.unit],
            }
        )


@dataclass(frozen=True, repr=False)
class Calibration:
    """A fitted response: `parameters` are (value, standard error) by name.

    `lack_of_fit` is the F test against replicates, None where nothing is replicated or no level is
    left over; `residual_sd` is weighted where the fit is.
    """

    model: str
    parameters: dict[str, tuple[float, float]]
    residual_sd: float
    n: int
    degrees_of_freedom: int
    lack_of_fit: fits.LackOfFit | None
    loading_range: tuple[float, float]
    unit: str
    fit: Fit

    def predict(self, loadings: Any) -> check.Floats:
        """Give the response expected at the loadings."""
        return self.fit.predict(loadings)

    def inverse(
        self,
        response: float,
        *,
        replicates: int = 1,
        weight: float = 1.0,
        confidence: float = 0.95,
    ) -> InversePrediction:
        """Find the load of a response, the mean of `replicates` readings.

        Lines: Fieller's interval (infinite where the slope is not above zero at this
        confidence); saturating: first-order. `weight` is the weight of one such reading on the
        scale of the weights of the fit. Negative loads are not cut off.

        Raises
        ------
        ContractError : a response at or above the ceiling of a saturating curve.
        """
        check.numbers(response, "responses", 1)
        check.positive(replicates, "replicates", "the readings averaged")
        check.positive(weight, "weight", "that of one reading")
        check.confidence_level(confidence)
        found = self.fit.invert(float(response), replicates, weight, confidence)
        if math.isnan(found.value):
            ceiling = self.parameters["ceiling"][0]
            raise ContractError(
                Fault(f"a response of {response:g}", f"one below the ceiling, {ceiling:.4g}",
                      "a film this thick is bulk to the crystal: report a lower bound")
            )  # fmt: skip
        return InversePrediction(
            found.value, found.standard_error, (found.lower, found.upper), confidence, self.unit
        )

    def to_frame(self) -> pd.DataFrame:
        """Give the parameters as a table, one row each."""
        import pandas as pd

        rows = [(name, *pair) for name, pair in self.parameters.items()]
        return pd.DataFrame(rows, columns=["parameter", "value", "standard_error"])

    def _lines(self) -> list[tuple[str, str]]:
        low, high = self.loading_range
        test = self.lack_of_fit
        return [
            ("model", MODELS[self.model]),
            *(
                (name, f"{number(value)} (standard error {number(error)})")
                for name, (value, error) in self.parameters.items()
            ),
            ("residual sd", number(self.residual_sd)),
            ("n, degrees of freedom", f"{self.n}, {self.degrees_of_freedom}"),
            ("loadings", f"{number(low)} to {number(high)} {self.unit}"),
            (
                "lack of fit",
                "not tested: no replicates to spare"
                if test is None
                else f"F({test.nu_lack}, {test.nu_pure}) = {number(test.f)}, "
                f"p = {number(test.p_value)}",
            ),
        ]

    def __repr__(self) -> str:
        lines = (f"  {name + ':':<23}{text}" for name, text in self._lines())
        return "\n".join(["Calibration", *lines])

    def _repr_html_(self) -> str:
        return html_table("Calibration", self._lines())


def calibrate(
    loadings: Any,
    responses: Any,
    *,
    model: str = "through zero",
    blank_sd: float | None = None,
    weights: Any = None,
    sample: Any = None,
    unit: str = "ug cm-2",
) -> Calibration:
    """Fit the response against known loads.

    Parameters
    ----------
    loadings, responses : one of each for every mock-up; 3 or more (4 for ``saturating``), at two
        loads or more (three). For ``through zero`` and ``saturating`` the blank mean is taken off
        the responses, and loads of zero do not enter.
    model : ``through zero``, ``straight``, ``weighted`` or ``saturating`` with depth on an ATR
        crystal, 1 - exp(-2 x / depth): the depth of penetration comes out in the unit of the loads.
    blank_sd : the standard deviation of blank mock-ups, for ``through zero``.
    weights : one each, inverse to the variance, for ``weighted``.
    sample : the name of the sample behind each response, where some were measured more than once:
        their mean counts once, for measurements of one sample are no replicates. Of 21 simulated
        samples of three measurements each, left out in turn, the 95 % interval held 20 with it and
        16 without it.
    unit : of the loadings, one of `residuekit.schema.UNITS`.

    Returns
    -------
    A `Calibration`, whose `inverse` finds a load from a response. A lack of fit with p below 0.01
    is a `ResiduekitWarning`.

    Raises
    ------
    ContractError : values or options that do not fit, a response that does not rise, a curve that
        does not bend.

    >>> fit = calibrate([0, 1, 2, 3], [0.1, 1.1, 1.9, 3.1], model="straight")
    >>> round(fit.inverse(2.0).loading, 4)
    1.9592
    """
    check.choose(model, MODELS, "model")
    _refuse_foreign_options(model, blank_sd, weights)
    saturates = model == "saturating"
    least = {"least": 4 if saturates else 3, "levels": 2 + saturates}
    x, y = check.pairs(loadings, responses, **least)
    if sample is not None:
        _refuse_weights_of_samples(weights)
        x, y = check.pairs(*check.samples(x, y, sample), **least)
    if model in ("through zero", "saturating"):
        x, y = x[x > 0], y[x > 0]
        check.enough(x.size, "loadings above zero", 2 + saturates)
    w = None
    fit: Fit
    if model == "through zero":
        blank_sd = check.positive(blank_sd, "blank_sd", "the scatter of blank mock-ups")
        fit = fits.fit_through_zero(x, y, blank_sd)
        check.rising(fit.slope, fit.slope_error)
        sd, w = fit.scale, 1 / (blank_sd**2 + (fit.relative * fit.slope * x) ** 2)
    elif saturates:
        fit = _bent(x, y)
        sd = fit.sd
    else:
        if weights is not None:
            w = check.numbers(weights, "weights", x.size)
            check.same_length(x, w, "weights")
            check.positive(float(w.min()), "weights", "1 / variance of each response")
        fit = fits.fit_line(x, y, w)
        check.rising(fit.slope, fit.slope_error)
        sd = fit.sd
    lack = fits.lack_of_fit(x, y, fit.predict(x), len(fit.parameters), w)
    warn_of_misfit(lack)
    return Calibration(
        model=model,
        parameters=fit.parameters,
        residual_sd=sd,
        n=x.size,
        degrees_of_freedom=fit.nu,
        lack_of_fit=lack,
        loading_range=(float(x.min()), float(x.max())),
        unit=check.known_unit(unit),
        fit=fit,
    )


def warn_of_misfit(lack: fits.LackOfFit | None) -> str:
    """Say, and warn, that a line does not describe the data; empty where it does."""
    if lack is None or lack.p_value >= MISFIT:
        return ""
    said = (
        f"lack of fit: F({lack.nu_lack}, {lack.nu_pure}) = {number(lack.f)}, p = "
        f"{lack.p_value:.2g}: the line does not describe these data, and what is read from it is "
        "in doubt; model='saturating', or loads within linear_range(...)"
    )
    warnings.warn(said, ResiduekitWarning, stacklevel=3)
    return said


def _refuse_weights_of_samples(weights: Any) -> None:
    if weights is not None:
        raise ContractError(
            Fault("weights with sample", "one or the other", "average the samples, then give "
                  "weights of these means")
        )  # fmt: skip


def _refuse_foreign_options(model: str, blank_sd: float | None, weights: Any) -> None:
    faults = [
        Fault(f"{name} {'given' if given else 'missing'} with model {model!r}",
              f"{name} for the model {owner!r}, and for no other",
              f"model={owner!r}" if given else f"{name}=...")
        for name, owner, given in (
            ("blank_sd", "through zero", blank_sd is not None),
            ("weights", "weighted", weights is not None),
        )
        if given != (model == owner)
    ]  # fmt: skip
    if faults:
        raise ContractError(faults)


def _bent(x: check.Floats, y: check.Floats) -> fits.Saturation:
    line = fits.fit_line(x, y)
    check.rising(line.slope, line.slope_error)
    fit = fits.fit_saturation(x, y)
    _, error = fit.parameters["depth"]
    if not 2 * error < fit.depth < math.inf:
        raise ContractError(
            Fault(f"a response without a bend up to {x.max():g} (depth {fit.depth:.3g}, standard "
                  f"error {error:.2g})", "loads thick enough to saturate the response",
                  "model='straight' or model='through zero'")
        )  # fmt: skip
    return fit


def linear_range(loadings: Any, responses: Any, *, alpha: float = 0.05) -> tuple[float, float]:
    """Find the loads, from the lowest up, over which a straight line shows no lack of fit.

    Loads are dropped from the top until the F test against replicates passes at level `alpha`.
    A wide scatter passes a bent curve: the range is only as sharp as the data.

    Parameters
    ----------
    loadings, responses : one of each for every mock-up, some loads measured more than once.
    alpha : level of the F test.

    Returns
    -------
    The lowest load and the highest of the straight stretch.

    Raises
    ------
    ContractError : fewer than 3 loads, no replicates, or no straight stretch of 3 loads.

    >>> linear_range([0, 0, 1, 1, 2, 2, 3, 3], [0.0, 0.1, 1.0, 1.1, 2.0, 2.1, 2.1, 2.2])
    (0.0, 2.0)
    """
    x, y = check.pairs(loadings, responses, least=4)
    check.rate(alpha, "alpha")
    if np.unique(x).size == x.size:
        raise ContractError(
            Fault("no loading twice", "replicates, to tell a bend from scatter",
                  "two mock-ups or more at each loading")
        )  # fmt: skip
    top = fits.linear_range(x, y, alpha)
    if math.isnan(top):
        raise ContractError(
            Fault("lack of fit over the lowest 3 loads already", "three loads on a straight line",
                  "more loads near zero, or model='saturating'")
        )  # fmt: skip
    return float(x.min()), top


def film_thickness_nm(loading_ug_cm2: Any, density: Density = PVA) -> Any:
    """Convert a loading in ug cm-2 into nm of an even film: 10 loading / density.

    Parameters
    ----------
    loading_ug_cm2 : number or array.
    density : of the film, g cm-3, with its source.

    Returns
    -------
    The thickness, nm.

    >>> round(float(film_thickness_nm(0.13)), 6)
    1.0
    """
    check.positive(density.value, "density", "g cm-3")
    return fits.film_thickness(loading_ug_cm2, density.value)


def film_loading_ug_cm2(thickness_nm: Any, density: Density = PVA) -> Any:
    """Convert nm of an even film into a loading in ug cm-2; undoes `film_thickness_nm`.

    Parameters
    ----------
    thickness_nm : number or array.
    density : of the film, g cm-3, with its source.

    Returns
    -------
    The loading, ug cm-2.

    >>> round(float(film_loading_ug_cm2(10.0)), 6)
    1.3
    """
    check.positive(density.value, "density", "g cm-3")
    return fits.film_loading(thickness_nm, density.value)
