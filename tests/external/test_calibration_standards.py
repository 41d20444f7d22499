"""Calibration against DIN 32645, Massart et al. 1997 and statsmodels."""

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

import residuekit.calibration as lim
from residuekit.errors import ResiduekitWarning

pytestmark = pytest.mark.source("computed", "", "by scipy and statsmodels")

SHARED = Path(__file__).resolve().parents[2] / "shared"
DATA = json.loads((SHARED / "data/limits/lod_examples.json").read_text(encoding="utf-8"))
DIN = json.loads((SHARED / "checks/check_values.json").read_text(encoding="utf-8"))["din32645"]
MASSART = DATA["published"]["massart97ex1"]
WEIGHTED = DATA["published"]["massart97ex3_weighted_means"]


def din(method, rate=0.01):
    return lim.from_calibration(DIN["x"], DIN["y"], method=method, alpha=rate, beta=rate)


@pytest.mark.source("published", "din32645", "x_c 0.0698, x_d 0.14, x_Q 0.212, second hand")
def test_din_32645_published_limits():
    """DIN 32645 example data, alpha = 0.01: x_c 0.07, x_d 0.14, x_Q 0.212 (as published)."""
    limit = din("din 32645")
    published = DIN["pub"]
    assert round(limit.decision_limit, 2) == published["xc"]
    assert round(limit.decision_limit, 4) == published["xc_4dp"]
    assert round(limit.detection_limit, 2) == published["xd_2dp"]
    assert round(limit.quantification_limit, 3) == published["xq_3dp"]
    assert limit.critical_response == pytest.approx(published["yc_file"], abs=1e-3)


@pytest.mark.source("published", "din32645", "half width 0.07434, second hand")
def test_din_32645_half_width_of_a_load_at_a_response_of_3500():
    """Half width 0.07434 at y = 3500, 99 %, first-order (published test data of that example)."""
    fit = lim.calibrate(DIN["x"], DIN["y"], model="straight", unit="1")
    found = fit.inverse(3500.0, confidence=0.99)
    half = stats.t.ppf(0.995, 8) * found.standard_error
    assert half == pytest.approx(DIN["pub"]["half_width_at_y3500"], abs=5e-6)
    low, high = found.interval
    assert (high - low) / 2 == pytest.approx(half, rel=0.05)


@pytest.mark.parametrize(
    ("method", "name"),
    [("iso 11843-2", "xd_delta"), ("din 32645", "xd_2t"), ("hubaux-vos", "hv")],
)
@pytest.mark.source("computed", "iso11843p2", "x_d 0.1376, 0.1396, 0.1329")
def test_three_detection_limits_from_the_din_data(method, name):
    computed = DIN["comp"]
    assert din(method).detection_limit == pytest.approx(computed[name], abs=1e-9)
    assert din(method).decision_limit == pytest.approx(computed["xc"], abs=1e-12)
    assert din(method, 0.05).detection_limit == pytest.approx(computed["alpha05"][name], abs=1e-9)


@pytest.mark.source("computed", "hubaux1970", "x_d 0.132909 and 0.086555 by an open package")
def test_hubaux_vos_of_the_din_data_as_an_open_package_has_it():
    """0.132909 and 0.08655484 were found by a coarse numeric search: they agree to 1 in 10,000."""
    theirs = DIN["pub"]
    assert din("hubaux-vos").detection_limit == pytest.approx(theirs["hv_file"], rel=1e-4)
    small = din("hubaux-vos", 0.05).detection_limit
    assert small == pytest.approx(theirs["hv_alpha05_file"], rel=1.2e-4)


@pytest.mark.parametrize(
    ("response", "replicates", "name"), [(15.0, 1, "y15"), (90.0, 1, "y90"), (90.0, 5, "y90_m5")]
)
@pytest.mark.source("published", "massart1997", "6.1 +- 4.9, 43.9 +- 4.9, 43.9 +- 3.2")
def test_massart_1997_inverse_prediction(response, replicates, name):
    """Massart et al., Handbook of Chemometrics and Qualimetrics: Part A (1997), 8, example 1."""
    data = DATA["massart97ex1"]
    fit = lim.calibrate(data["x"], data["y"], model="straight", unit="1")
    found = fit.inverse(response, replicates=replicates)
    half = stats.t.ppf(0.975, 4) * found.standard_error
    assert [round(found.loading, 1), round(half, 1)] == MASSART[name]


@pytest.mark.parametrize(
    ("response", "weight", "name"), [(15.0, 1.67, "y15_ws1.67"), (90.0, 0.145, "y90_ws0.145")]
)
@pytest.mark.source("published", "massart1997", "5.9 +- 2.5, 44.1 +- 7.9")
def test_massart_1997_weighted_inverse_prediction(response, weight, name):
    """Same book, example 3: means of five, weighted by their variances."""
    data = DATA["massart97ex3"]
    x, y = np.array(data["x"]), np.array(data["y"])
    levels = np.unique(x)
    means = [y[x == level].mean() for level in levels]
    weights = [1 / y[x == level].var(ddof=1) for level in levels]
    fit = lim.calibrate(levels, means, model="weighted", weights=weights, unit="1")
    found = fit.inverse(response, weight=weight)
    half = stats.t.ppf(0.975, 4) * found.standard_error
    assert [round(found.loading, 1), round(half, 1)] == WEIGHTED[name]


def test_weighted_line_and_line_through_zero_agree_with_statsmodels():
    import statsmodels.api as sm

    data = DATA["massart97ex3"]
    x, y = np.array(data["x"]), np.array(data["y"])
    weights = 1 / (1 + 0.05 * x) ** 2
    with pytest.warns(ResiduekitWarning, match="lack of fit"):
        fit = lim.calibrate(x, y, model="weighted", weights=weights, unit="1")
    peer = sm.WLS(y, sm.add_constant(x), weights=weights).fit()
    assert [value for value, _ in fit.parameters.values()] == pytest.approx(peer.params)
    assert [error for _, error in fit.parameters.values()] == pytest.approx(peer.bse)
    assert fit.residual_sd**2 == pytest.approx(peer.scale)
    with pytest.warns(ResiduekitWarning, match="lack of fit"):
        zero = lim.calibrate(x, y - 4.0, blank_sd=0.7, unit="1")
    slope, error = zero.parameters["slope"]
    above = x > 0
    own = 1 / (0.7**2 + (0.1 * slope * x[above]) ** 2)
    peer = sm.WLS((y - 4.0)[above], x[above], weights=own).fit()
    assert (slope, error) == pytest.approx((peer.params[0], peer.bse[0]))


def test_lack_of_fit_agrees_with_an_analysis_of_variance_by_statsmodels():
    import statsmodels.api as sm

    data = DATA["massart97ex3"]
    x, y = np.array(data["x"]), np.array(data["y"])
    with pytest.warns(ResiduekitWarning, match="lack of fit"):
        test = lim.calibrate(x, y, model="straight", unit="1").lack_of_fit
    straight = sm.OLS(y, sm.add_constant(x)).fit()
    free = sm.OLS(y, (x[:, None] == np.unique(x)).astype(float)).fit()
    f, p, lack = free.compare_f_test(straight)
    assert (test.f, test.p_value, test.nu_lack) == pytest.approx((f, p, lack))


def test_saturation_agrees_with_scipy_curve_fit():
    from scipy.optimize import curve_fit

    x = np.repeat([20.0, 100.0, 400.0, 1000.0, 2000.0], 3)
    noise = 0.004 * np.random.default_rng(3).standard_normal(x.size)
    y = 0.4 * (1 - np.exp(-2 * x / 1157.0)) + noise
    fit = lim.calibrate(x, y, model="saturating", unit="nm")
    best, covariance = curve_fit(lambda t, a, d: a * (1 - np.exp(-2 * t / d)), x, y, (0.3, 900.0))
    values, errors = zip(*fit.parameters.values(), strict=True)
    assert values == pytest.approx(best, rel=1e-5)
    assert errors == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-3)
