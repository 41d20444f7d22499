"""Detection limits against standards, tables and general libraries; each test says which."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

import residuekit.calibration as lim
from residuekit.kernels import detection_curve as curves
from residuekit.kernels import growing_scatter as growing
from residuekit.kernels import limit_statistics as kernel

pytestmark = pytest.mark.source("computed", "", "by scipy and statsmodels")

SHARED = Path(__file__).resolve().parents[2] / "shared"
CHECKS = json.loads((SHARED / "checks/check_values.json").read_text(encoding="utf-8"))
DATA = json.loads((SHARED / "data/limits/lod_examples.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize(("method", "sigma_d"), [("known sigma", 1.0), ("paired", math.sqrt(2.0))])
@pytest.mark.source("from memory", "currie1968", "1.645, 3.29, 10 sigma")
def test_currie_1968_working_formulae_for_known_sigma(method, sigma_d):
    """Currie, Anal. Chem. 40 (1968) 586, table II (from memory): 1.645, 3.29, 10 sigma_D."""
    limit = lim.from_blanks([0.0, 0.1, 0.2], method=method, sigma=1.0)
    assert limit.decision_limit == pytest.approx(1.645 * sigma_d, abs=1e-3)
    assert limit.detection_limit == pytest.approx(3.29 * sigma_d, abs=1e-3)
    assert limit.quantification_limit == pytest.approx(10 * sigma_d)
    assert limit.detection_interval == (limit.detection_limit, limit.detection_limit)


@pytest.mark.parametrize(("method", "case"), [("counts, paired", "paired"),
                                              ("counts, known blank", "known")])  # fmt: skip
@pytest.mark.source("from memory", "currie1968", "L_D = 2.71 + 4.65 sqrt B")
def test_currie_1968_counts_over_a_background_of_100(method, case):
    """L_C = 2.33 sqrt B, L_D = 2.71 + 4.65 sqrt B and the like (Currie 1968, from memory)."""
    limit = lim.from_blanks([100], method=method, unit="1")
    found = (limit.decision_limit, limit.detection_limit, limit.quantification_limit)
    assert found == pytest.approx(CHECKS["currie_B100"][case], abs=1e-3)
    if case == "paired":
        assert limit.detection_limit == pytest.approx(2.71 + 4.65 * 10, abs=0.03)


@pytest.mark.parametrize(("nu", "delta"), CHECKS["delta_05_05"].items())
@pytest.mark.source("from memory", "currie1995", "delta 4.07 for nu = 4")
def test_noncentral_delta_of_iupac_1995(nu, delta):
    """delta(nu; 0.05, 0.05): 4.07 for four degrees of freedom (Currie 1995, from memory)."""
    t, found = kernel.t_and_delta(int(nu), 0.05, 0.05)
    assert found == pytest.approx(delta, abs=1e-7)
    assert stats.nct.cdf(t, int(nu), found) == pytest.approx(0.05, abs=1e-8)


def test_estimated_sigma_uses_the_noncentral_delta():
    blanks = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    limit = lim.from_blanks(blanks)
    unit = blanks.std(ddof=1) * math.sqrt(1 + 1 / 5)
    assert limit.detection_limit / unit == pytest.approx(CHECKS["delta_05_05"]["4"], abs=1e-6)


@pytest.mark.parametrize("nu", [2, 8, 50, 3000])
@pytest.mark.parametrize("quantile", [0.7, 2.0, 6.0, 40.0])
def test_noncentral_t_agrees_with_scipy(nu, quantile):
    missed = kernel.noncentral_t_cdf(nu, quantile)
    for delta in (-1.0, 0.0, quantile, 1.3 * quantile + 1):
        assert missed(delta) == pytest.approx(stats.nct.cdf(quantile, nu, delta), abs=1e-8)


@pytest.mark.parametrize(("n", "t"), DATA["published"]["t99_one_sided"].items())
@pytest.mark.source("published", "epa40cfr136", "t 3.143 to 2.528, second hand")
def test_epa_table_of_t(n, t):
    """40 CFR 136 Appendix B, table of t(n - 1, 0.99)."""
    spread = np.zeros(int(n))
    spread[0] = 1.0
    found = kernel.epa_mdl(spread, np.full(7, np.nan)).from_spikes / spread.std(ddof=1)
    assert found == pytest.approx(t, abs=6e-4)


@pytest.mark.source("computed", "epa40cfr136", "MDL 0.6789 of made-up numbers")
def test_the_mdl_of_made_up_spikes_and_blanks():
    example = CHECKS["epa_example"]
    loads = np.r_[np.zeros(7), np.full(7, 2.0)]
    results = np.r_[example["blanks"], example["spikes"]]
    found = kernel.epa_mdl(example["spikes"], example["blanks"])
    assert found.from_spikes == pytest.approx(example["comp"]["MDLs"], abs=1e-8)
    assert found.from_blanks == pytest.approx(example["comp"]["MDLb"], abs=1e-8)
    limit = lim.from_spiking(loads, responses=results)
    assert limit.decision_limit == pytest.approx(0.6789, abs=5e-5)
    assert math.isnan(limit.detection_limit)


@pytest.mark.source("from memory", "epa40cfr136", "0.64 and 2.20 MDL")
def test_epa_confidence_limits_of_seven_spikes():
    """40 CFR 136 Appendix B, revision 1.11: 0.64 MDL and 2.20 MDL for n = 7 (from memory)."""
    loads = np.r_[np.zeros(7), np.full(7, 2.0)]
    results = np.r_[CHECKS["epa_example"]["blanks"], CHECKS["epa_example"]["spikes"]]
    limit = lim.from_spiking(loads, responses=results, confidence=0.95)
    ratio = np.array(limit.decision_interval) / limit.decision_limit
    assert ratio == pytest.approx([0.64, 2.20], abs=0.005)


@pytest.mark.parametrize(("n", "k"), CHECKS["tolerance_95_95"].items())
@pytest.mark.source("from memory", "owen1968", "k 2.911 and 2.396")
def test_tolerance_factors_95_95(n, k):
    """One-sided normal 95/95 factors, 2.911 and 2.396 (Owen 1968; handbook table from memory)."""
    assert kernel.tolerance_factor(int(n), 0.95, 0.95) == pytest.approx(k, abs=1e-6)
    blanks = np.random.default_rng(1).standard_normal(int(n))
    limit = lim.from_blanks(blanks, method="tolerance")
    assert limit.decision_limit == pytest.approx(k * blanks.std(ddof=1), rel=1e-6)


@pytest.mark.parametrize(("coverage", "confidence", "n"), [(0.95, 0.95, 59), (0.90, 0.95, 29),
                                                           (0.99, 0.95, 299)])  # fmt: skip
@pytest.mark.source("from memory", "wilks1941", "59, 29, 299")
def test_wilks_sample_sizes(coverage, confidence, n):
    """59, 29 and 299 (Wilks 1941; tables of nonparametric tolerance limits, from memory)."""
    assert kernel.distribution_free_n(coverage, confidence) == n


@pytest.mark.parametrize(("n", "upper"), CHECKS["zero_of_n_one_sided95"].items())
@pytest.mark.source("computed", "clopper1934", "1 - 0.05^(1/n)")
def test_zero_of_n(n, upper):
    assert kernel.clopper_pearson_upper(0, int(n), 0.05) == pytest.approx(upper, abs=1e-6)


@pytest.mark.source("from memory", "nisthandbook", "0.071354 to 0.401029")
def test_clopper_pearson_4_of_20():
    """NIST/SEMATECH handbook, 4 of 20 at 90 %: 0.071354 to 0.401029 (from memory)."""
    found = kernel.clopper_pearson_interval(4, 20, 0.10)
    assert found == pytest.approx(CHECKS["cp_4_of_20_90"], abs=1e-6)
    assert found == pytest.approx((0.071354, 0.401029), abs=2e-6)


@pytest.mark.parametrize(("k", "n"), [(0, 6), (4, 20), (29, 29), (7, 9)])
def test_clopper_pearson_agrees_with_scipy_and_statsmodels(k, n):
    from statsmodels.stats.proportion import proportion_confint

    found = kernel.clopper_pearson_interval(k, n, 0.05)
    exact = stats.binomtest(k, n).proportion_ci(0.95, method="exact")
    assert found == pytest.approx((exact.low, exact.high), abs=1e-9)
    beta = proportion_confint(k, n, alpha=0.05, method="beta")
    assert found == pytest.approx(np.nan_to_num(beta, nan=0.0), abs=1e-9)


@pytest.mark.source("common practice", "", "29 of 29")
def test_all_of_29_found_bounds_the_share_at_90_percent():
    """The 29 of 29 rule of detection trials (common practice): lower bound 90.2 %."""
    assert kernel.clopper_pearson_lower(29, 29, 0.05) == pytest.approx(0.902, abs=5e-4)


def beetles():
    data = CHECKS["bliss"]
    dose = np.repeat(data["dose"], data["n"])
    killed = [np.r_[np.ones(y), np.zeros(n - y)] for y, n in zip(data["y"], data["n"], strict=True)]
    return dose, np.concatenate(killed)


@pytest.mark.source("from memory", "dobson2018", "coefficients -60.7175, 34.2703")
def test_bliss_beetles_logistic_curve():
    """Bliss (1935), in Dobson, Introduction to Generalized Linear Models (from memory)."""
    expected = CHECKS["bliss"]["comp"]
    curve = curves.fit_detection_curve(*beetles())
    assert (curve.intercept, curve.slope) == pytest.approx(expected["b"], abs=1e-6)
    assert np.sqrt(np.diag(curve.covariance)) == pytest.approx(expected["se"], abs=1e-6)
    assert curve.deviance == pytest.approx(expected["deviance"], abs=1e-7)
    assert not curve.penalised
    assert curves.crossing(curve, 0.5, 0.9).value == pytest.approx(expected["x50"], abs=1e-7)


@pytest.mark.parametrize(
    ("method", "name"),
    [("logistic, wald curve", "x90_95_wald_curve"), ("logistic, delta method", "x90_95_delta")],
)
@pytest.mark.source("computed", "bliss1935", "x90 1.8358")
def test_bliss_beetles_a90_and_a90_95(method, name):
    """The stored upper ends took z = 1.645 where this takes 1.64485: hence 2e-6."""
    dose, killed = beetles()
    limit = lim.from_spiking(np.exp(dose), killed, method=method)
    expected = CHECKS["bliss"]["comp"]
    assert math.log(limit.detection_limit) == pytest.approx(expected["x90"], abs=1e-7)
    assert math.log(limit.detection_interval[1]) == pytest.approx(expected[name], abs=2e-6)


def test_logistic_curve_agrees_with_statsmodels_and_scikit_learn():
    import statsmodels.api as sm
    from sklearn.linear_model import LogisticRegression

    dose, killed = beetles()
    curve = curves.fit_detection_curve(dose, killed)
    peer = sm.GLM(killed, sm.add_constant(dose), family=sm.families.Binomial()).fit()
    assert (curve.intercept, curve.slope) == pytest.approx(peer.params, rel=1e-6)
    assert curve.covariance == pytest.approx(peer.cov_params(), rel=1e-4)
    learner = LogisticRegression(C=np.inf, tol=1e-10, max_iter=1000)
    learner.fit((dose - dose.mean())[:, None], killed)
    assert curve.slope == pytest.approx(learner.coef_[0, 0], rel=1e-4)


@pytest.mark.source("from memory", "firth1993", "half a case added to each cell")
def test_firth_on_a_separated_2_by_2_table_is_half_added_to_each_cell():
    """Firth (1993): in a saturated table the penalty adds 1/2 to each cell (from memory)."""
    u, found = np.repeat([0.0, 1.0], [5, 7]), np.repeat([0, 1], [5, 7])
    curve = curves.fit_detection_curve(u, found)
    assert curve.penalised
    assert curve.intercept == pytest.approx(math.log(0.5 / 5.5))
    assert curve.slope == pytest.approx(math.log(7.5 / 0.5) - math.log(0.5 / 5.5))


def cadmium():
    data = DATA["rl95_cadmium"]
    return np.array(data["concentration"]), np.array(data["absorption"])


@pytest.mark.source("computed", "rocke1995", "the likelihood of the published data")
def test_rocke_lorenzato_cadmium_is_the_maximum_of_the_exact_likelihood():
    """Rocke and Lorenzato, Technometrics 37 (1995) 176, cadmium by atomic absorption.

    The likelihood is checked by dense quadrature. The parameters in check_values.json are a local
    maximum of a 60-node rule that does not resolve the integrand at high concentration (next test).
    """
    x, y = cadmium()
    fit = growing.fit_two_component(x, y)
    at = np.array([fit.intercept, *np.log([fit.slope, fit.sd_zero, fit.sd_relative])])

    def dense(parameters):
        a, b, sd, relative = parameters[0], *np.exp(parameters[1:])
        eta = np.linspace(-9, 9, 40_001)[:, None] * relative
        joint = stats.norm.pdf(y, a + b * x * np.exp(eta), sd) * stats.norm.pdf(eta, 0, relative)
        return np.log(np.trapezoid(joint, eta[:, 0], axis=0)).sum()

    best = dense(at)
    assert fit.log_likelihood == pytest.approx(best, abs=1e-5)
    for step in 0.02 * np.eye(4):
        assert dense(at + step) < best
        assert dense(at - step) < best
    stored = CHECKS["rocke_lorenzato_cadmium"]["comp_ml"]
    other = [stored["a"], *np.log([stored[name] for name in ("b", "sigma_eps", "sigma_eta")])]
    assert dense(np.array(other)) < best - 0.3
    assert fit.slope == pytest.approx(stored["b"], rel=0.01)
    assert (fit.sd_zero, fit.sd_relative) == pytest.approx(
        (stored["sigma_eps"], stored["sigma_eta"]), rel=0.12
    )


def test_stored_cadmium_parameters_come_from_an_unresolved_60_node_rule():
    from scipy.optimize import minimize

    x, y = cadmium()
    nodes, weights = np.polynomial.hermite_e.hermegauss(60)

    def coarse(parameters):
        a, b, sd, relative = parameters[0], *np.exp(parameters[1:])
        mean = a + b * x[:, None] * np.exp(relative * nodes)
        density = np.exp(-0.5 * ((y[:, None] - mean) / sd) ** 2) @ weights
        return -np.log(density / (2 * np.pi * sd)).sum()

    stored = CHECKS["rocke_lorenzato_cadmium"]["comp_ml"]
    start = [-0.35, *np.log([2.304, 0.27, 0.026])]
    options = {"xatol": 1e-9, "fatol": 1e-11, "maxiter": 5000}
    found = minimize(coarse, start, method="Nelder-Mead", options=options).x
    assert found[0] == pytest.approx(stored["a"], abs=1e-5)
    assert np.exp(found[1:]) == pytest.approx(
        [stored["b"], stored["sigma_eps"], stored["sigma_eta"]], abs=1e-6
    )


def test_two_component_limit_of_cadmium_is_far_below_that_of_constant_scatter():
    x, y = cadmium()
    table = lim.compare(x, y, methods=("iso 11843-2", "iso 11843-2 weighted", "rocke-lorenzato"))
    constant, weighted, two = (limit.detection_limit for limit in table.limits)
    assert weighted < constant / 4
    assert two < constant / 4
    low, high = table.limits[2].detection_interval
    assert low < weighted < high
