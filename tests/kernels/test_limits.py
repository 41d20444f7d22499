"""Kernels of limits, calibration and detection curves: invariants and simulation."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from residuekit.kernels import calibration_lines as fits
from residuekit.kernels import detection_curve as curves
from residuekit.kernels import growing_scatter as growing
from residuekit.kernels import limit_statistics as limits

RATES = st.floats(0.005, 0.4)
FEW = settings(max_examples=40, deadline=None)


@given(n=st.integers(1, 60), share=st.floats(0, 1), alpha=RATES)
@FEW
def test_upper_bound_leaves_alpha_below(n, share, alpha):
    k = round(share * n)
    upper = limits.clopper_pearson_upper(k, n, alpha)
    if k == n:
        assert upper == 1.0
    else:
        assert stats.binom.cdf(k, n, upper) == pytest.approx(alpha, rel=1e-8)
    lower = limits.clopper_pearson_lower(k, n, alpha)
    assert lower <= k / n <= upper
    if k > 0:
        assert stats.binom.sf(k - 1, n, lower) == pytest.approx(alpha, rel=1e-8)


@given(nu=st.integers(2, 200), q=st.floats(0.5, 8), beta=RATES)
@FEW
def test_noncentrality_solves_its_equation_by_scipy(nu, q, beta):
    delta = limits.noncentrality(nu, q, beta)
    assert stats.nct.cdf(q, nu, delta) == pytest.approx(beta, abs=2e-7)


def test_noncentrality_with_infinite_freedom_is_normal():
    far = limits.noncentrality(10**7, 1.645, 0.05)
    assert limits.noncentrality(math.inf, 1.645, 0.05) == pytest.approx(far, abs=1e-5)


def test_sigma_interval_covers_sigma_by_simulation():
    rng = np.random.default_rng(1)
    sd = rng.standard_normal((20_000, 6)).std(axis=1, ddof=1)
    low, high = limits.sigma_factors(5, 0.90)
    assert np.mean((sd * low < 1) & (sd * high > 1)) == pytest.approx(0.90, abs=0.01)


def test_slope_over_its_error_is_noncentral_t_so_its_interval_is_exact():
    rng = np.random.default_rng(2)
    x, slope = np.repeat([0.0, 1.0, 2.0, 4.0], 2), 1.5
    sxx = ((x - x.mean()) ** 2).sum()
    covered = []
    for _ in range(600):
        line = fits.fit_line(x, 0.3 + slope * x + rng.standard_normal(x.size))
        if line.slope <= 0:
            continue
        low, high = limits.slope_ratio_factors(line.nu, line.t_slope, 0.90)
        ratio = line.sd / line.slope
        covered.append(low * ratio <= 1 / slope <= high * ratio)
    assert line.sxx == pytest.approx(sxx)
    assert np.mean(covered) == pytest.approx(0.90, abs=0.035)


@pytest.mark.parametrize(("k", "n"), [(1, 5), (3, 10)])
def test_currie_limit_with_estimated_sigma_misses_beta_at_the_true_limit(k, n):
    rng = np.random.default_rng(3)
    t, delta = limits.t_and_delta(n - 1, 0.05, 0.05)
    h = math.sqrt(1 / k + 1 / n)
    blanks = rng.standard_normal((100_000, n))
    zero = rng.standard_normal((100_000, k)).mean(axis=1)
    critical = blanks.mean(axis=1) + t * h * blanks.std(axis=1, ddof=1)
    assert np.mean(zero > critical) == pytest.approx(0.05, abs=0.003)
    assert np.mean(zero + delta * h < critical) == pytest.approx(0.05, abs=0.003)


def test_iso_limit_misses_beta_at_the_true_limit_by_simulation():
    rng = np.random.default_rng(4)
    x = np.repeat([0.0, 1.0, 2.0, 3.0, 4.0], 2)
    nu, sxx = x.size - 2, ((x - x.mean()) ** 2).sum()
    t, delta = limits.t_and_delta(nu, 0.05, 0.05)
    truth = fits.Line(1.0, 2.0, 0.5, nu, float(x.mean()), float(sxx), float(x.size))
    true = fits.iso_11843(truth, t, delta, 1)
    y = truth.predict(x) + 0.5 * rng.standard_normal((50_000, x.size))
    slope = (y - y.mean(axis=1, keepdims=True)) @ (x - x.mean()) / sxx
    intercept = y.mean(axis=1) - slope * x.mean()
    sd = np.sqrt(((y - intercept[:, None] - slope[:, None] * x) ** 2).sum(axis=1) / nu)
    critical = intercept + t * sd * math.sqrt(1 + 1 / x.size + x.mean() ** 2 / sxx)
    noise = 0.5 * rng.standard_normal(50_000)
    assert np.mean(truth.predict(0.0) + noise > critical) == pytest.approx(0.05, abs=0.004)
    at_limit = truth.predict(true.detection) + noise
    assert np.mean(at_limit < critical) == pytest.approx(0.05, abs=0.004)


@given(mean=st.floats(1, 1e4), n=st.integers(1, 20), alpha=RATES, beta=RATES)
@FEW
def test_count_detection_limit_solves_its_equation(mean, n, alpha, beta):
    found = limits.currie_counts(mean, n, alpha, beta)
    sd = math.sqrt(found.detection + mean * (1 + 1 / n))
    missed = found.decision + stats.norm.ppf(1 - beta) * sd
    assert found.detection == pytest.approx(missed, rel=1e-9)


@given(count=st.integers(0, 500), confidence=st.floats(0.6, 0.99))
@FEW
def test_poisson_interval_leaves_equal_tails(count, confidence):
    low, high = limits.poisson_interval(count, confidence)
    tail = (1 - confidence) / 2
    assert stats.poisson.cdf(count, high) == pytest.approx(tail, rel=1e-6)
    assert low == 0.0 or stats.poisson.sf(count - 1, low) == pytest.approx(tail, rel=1e-6)


def test_mdl_of_blanks_follows_what_is_numeric():
    spikes = [1.9, 2.1, 2.3, 1.8, 2.0, 2.4, 2.2]
    some = limits.epa_mdl(spikes, [0.1, math.nan, 0.9, 0.3, math.nan, 0.2, 0.1])
    assert some.from_blanks == 0.9
    assert some.limit == 0.9
    none = limits.epa_mdl(spikes, [math.nan] * 7)
    assert math.isnan(none.from_blanks)
    assert none.limit == none.from_spikes
    below = limits.epa_mdl(spikes, [-1.0, -1.1, -0.9, -1.0, -1.2, -0.8, -1.0])
    assert below.from_blanks == pytest.approx(
        stats.t.ppf(0.99, 6) * np.std([-1.0, -1.1, -0.9, -1.0, -1.2, -0.8, -1.0], ddof=1)
    )


@given(n=st.integers(59, 300), confidence=st.floats(0.8, 0.95))
@FEW
def test_quantile_ranks_hold_and_are_the_closest(n, confidence):
    lower, upper = limits.quantile_ranks(n, 0.95, confidence)
    below = stats.binom(n, 0.95)
    assert below.cdf(upper - 1) >= confidence > below.cdf(upper - 2)
    assert below.sf(lower - 1) >= confidence > below.sf(lower)


LINES = st.tuples(st.floats(-5, 5), st.floats(0.5, 5), st.floats(0.01, 0.2), st.integers(0, 2**31))


@given(LINES)
@FEW
def test_fieller_ends_are_where_the_prediction_band_holds_the_reading(line):
    intercept, slope, sd, seed = line
    x = np.repeat([0.0, 1.0, 2.0, 3.0], 2)
    y = intercept + slope * x + sd * np.random.default_rng(seed).standard_normal(x.size)
    fit = fits.fit_line(x, y)
    reading = float(fit.predict(1.7))
    found = fit.invert(reading, replicates=2, confidence=0.9)
    t = stats.t.ppf(0.95, fit.nu)
    for end, side in ((found.lower, 1), (found.upper, -1)):
        reach = t * fit.sd * math.sqrt(1 / 2 + 1 / 8 + (end - fit.mean_x) ** 2 / fit.sxx)
        assert float(fit.predict(end)) + side * reach == pytest.approx(reading, abs=1e-8)
    assert found.value == pytest.approx(1.7)


@given(LINES)
@FEW
def test_hubaux_vos_limit_is_where_the_lower_band_meets_the_critical_response(line):
    intercept, slope, sd, seed = line
    x = np.repeat([0.0, 1.0, 2.0, 3.0], 2)
    y = intercept + slope * x + sd * np.random.default_rng(seed).standard_normal(x.size)
    fit = fits.fit_line(x, y)
    t = stats.t.ppf(0.95, fit.nu)
    found = fits.hubaux_vos(fit, t, t, 1)
    reach = math.sqrt(1 + 1 / 8 + (found.detection - fit.mean_x) ** 2 / fit.sxx)
    lower = float(fit.predict(found.detection)) - t * fit.sd * reach
    assert lower == pytest.approx(float(fit.predict(found.decision)), abs=1e-8)


def test_flat_line_has_an_unbounded_inverse():
    x = np.arange(6.0)
    fit = fits.fit_line(x, [0.0, 1.0, -1.0, 1.0, -1.0, 0.5])
    assert fit.invert(0.5)[2:] == (-math.inf, math.inf)
    assert fits.hubaux_vos(fit, 2.0, 2.0, 1).detection == math.inf
    assert fits.quantification(fit, 2.0, 1) == math.inf


def test_quantification_limit_is_three_times_its_half_width():
    x = np.repeat([0.0, 1.0, 2.0, 3.0], 2)
    fit = fits.fit_line(x, x + np.tile([0.05, -0.04], 4))
    at = fits.quantification(fit, 2.5, 1)
    h = math.sqrt(1 + 1 / 8 + (at - fit.mean_x) ** 2 / fit.sxx)
    assert at == pytest.approx(3 * 2.5 * fit.sd * h / fit.slope)


def test_line_through_zero_finds_loads_back_with_the_promised_coverage():
    rng = np.random.default_rng(5)
    x, hit = np.array([0.3, 0.3, 0.8, 0.8, 2.0, 2.0]), []
    for _ in range(1500):
        y = 2.0 * x + rng.standard_normal(6) * np.sqrt(0.1**2 + (0.1 * 2.0 * x) ** 2)
        fit = fits.fit_through_zero(x, y, 0.1)
        reading = 2.0 + rng.standard_normal() * math.hypot(0.1, 0.2)
        _, _, low, high = fit.invert(reading, confidence=0.9)
        hit.append(low <= 1.0 <= high)
    assert np.mean(hit) == pytest.approx(0.90, abs=0.025)


def test_saturation_finds_depth_ceiling_and_load_back():
    x = np.repeat([10.0, 50.0, 200.0, 500.0, 1000.0, 2000.0], 4)
    noise = 0.003 * np.random.default_rng(6).standard_normal(x.size)
    fit = fits.fit_saturation(x, fits.saturating(x, 0.5, 1840.0) + noise)
    for (value, error), truth in zip(fit.parameters.values(), (0.5, 1840.0), strict=True):
        assert abs(value - truth) < 3 * error < 0.1 * truth
    reading = float(fits.saturating(np.array(300.0), 0.5, 1840.0))
    found = fit.invert(reading)
    assert found.lower < 300 < found.upper
    assert math.isnan(fit.invert(0.6).value)


def test_straight_data_have_no_depth():
    x = np.arange(1.0, 9.0)
    assert fits.fit_saturation(x, 0.1 * x).depth == math.inf


def test_lack_of_fit_sees_a_bend_and_the_linear_range_ends_before_it():
    x = np.repeat([1.0, 2.0, 3.0, 4.0, 5.0, 8.0], 3)
    noise = np.tile([0.02, -0.01, -0.01], 6)
    straight = fits.fit_line(x, 2 * x + noise)
    assert fits.lack_of_fit(x, 2 * x + noise, straight.predict(x), 2).p_value > 0.99
    bent = 2 * np.minimum(x, 5) + noise
    fit = fits.fit_line(x, bent)
    assert fits.lack_of_fit(x, bent, fit.predict(x), 2).p_value < 1e-6
    assert fits.linear_range(x, bent, 0.05) == 5.0
    assert fits.lack_of_fit(np.unique(x), bent[::3], fit.predict(np.unique(x)), 2) is None


def test_two_component_likelihood_matches_dense_quadrature():
    x = np.array([0.0, 2.0, 40.0, 200.0])
    y = np.array([0.1, 4.9, 92.0, 470.0])
    a, b, sd, relative = 0.2, 2.3, 0.3, 0.03
    eta = np.linspace(-10, 10, 400_001) * relative
    dense = [
        np.trapezoid(
            stats.norm.pdf(yi, a + b * xi * np.exp(eta), sd) * stats.norm.pdf(eta, 0, relative), eta
        )
        for xi, yi in zip(x, y, strict=True)
    ]
    parameters = np.array([a, *np.log([b, sd, relative])])
    found = growing.two_component_log_likelihood(parameters, x, y)
    assert found == pytest.approx(np.log(dense).sum(), abs=1e-6)


def test_two_component_fit_finds_its_truth_and_its_detection_limit_misses_beta():
    rng = np.random.default_rng(7)
    x = np.repeat([0.0, 1.0, 5.0, 30.0, 100.0], 12)
    y = 0.5 + 2.0 * x * np.exp(0.1 * rng.standard_normal(60)) + 0.4 * rng.standard_normal(60)
    fit = growing.fit_two_component(x, y)
    truth = np.array([0.5, *np.log([2.0, 0.4, 0.1])])
    found = np.array([fit.intercept, *np.log([fit.slope, fit.sd_zero, fit.sd_relative])])
    assert (np.abs(found - truth) < 3 * np.sqrt(np.diag(fit.covariance))).all()
    exact = fit._replace(slope=2.0, sd_zero=0.4, sd_relative=0.1, intercept=0.5)
    value, _, (low, high) = growing.two_component_limits(exact, 0.05, 0.05, 1, 0.9)
    spread = np.exp(0.1 * rng.standard_normal(400_000))
    reading = 2.0 * value.detection * spread + 0.4 * rng.standard_normal(400_000)
    assert np.mean(reading < 2.0 * value.decision) == pytest.approx(0.05, abs=0.003)
    assert low < value.detection < high


def test_weighted_iso_limit_is_below_the_unweighted_one_where_scatter_grows():
    rng = np.random.default_rng(8)
    x = np.repeat([0.0, 1.0, 3.0, 10.0, 30.0], 6)
    y = 1 + 2 * x + (0.1 + 0.1 * x) * rng.standard_normal(x.size)
    line = fits.fit_line(x, y)
    plain = fits.iso_11843(line, *limits.t_and_delta(line.nu, 0.05, 0.05), 1)
    found = growing.iso_11843_weighted(x, y, 0.05, 0.05, 1)
    assert found.limits.detection < 0.3 * plain.detection
    at = found.sd_zero + found.sd_rise * found.limits.detection
    v = found.line.sd**2 * (1 / found.line.weight + found.line.mean_x**2 / found.line.sxx)
    delta = limits.t_and_delta(found.line.nu, 0.05, 0.05)[1]
    solved = delta * math.sqrt(at**2 + v) / found.line.slope
    assert found.limits.detection == pytest.approx(solved)


def test_weighted_iso_limit_is_undefined_where_scatter_falls_below_zero():
    y = [0.0, 0.9, 1.9, 2.1, 4.0, 4.0, 8.0, 8.0]
    found = growing.iso_11843_weighted([0, 0, 2, 2, 4, 4, 8, 8], y, 0.05, 0.05, 1)
    assert math.isnan(found.limits.detection)


def test_separation_is_seen_from_either_side():
    assert curves.is_separated([1, 2, 3], [1, 0, 0])
    assert curves.is_separated([1, 2, 2, 3], [0, 0, 1, 1])
    assert not curves.is_separated([1, 2, 2, 3, 0], [0, 0, 1, 1, 1])


def test_penalised_curve_is_the_maximum_of_the_penalised_likelihood():
    from scipy.optimize import minimize

    u, found = np.array([1.0, 2.0, 3.0, 4.0, 5.0]), np.array([0.0, 0.0, 1.0, 1.0, 1.0])

    def cost(beta):
        eta = beta[0] + beta[1] * u
        p = 1 / (1 + np.exp(-eta))
        design = np.column_stack([np.ones(5), u])
        information = (design.T * (p * (1 - p))) @ design
        return np.logaddexp(0, eta).sum() - found @ eta - 0.5 * np.log(np.linalg.det(information))

    best = minimize(
        cost, [-2.0, 1.0], method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12}
    )
    fit = curves.fit_detection_curve(u, found)
    assert fit.penalised
    assert (fit.intercept, fit.slope) == pytest.approx(best.x, abs=1e-6)


def test_wald_curve_meets_the_pointwise_band():
    rng = np.random.default_rng(9)
    u = np.repeat(np.log([0.2, 0.4, 0.8, 1.6, 3.2]), 12)
    fit = curves.fit_detection_curve(u, rng.random(60) < 1 / (1 + np.exp(-2 * u)))
    place = curves.crossing(fit, 0.9, 0.9)
    for end, side in zip(place.wald_curve, (1, -1), strict=True):
        gradient = np.array([1.0, end])
        eta = fit.intercept + fit.slope * end
        band = eta + side * 1.6448536 * math.sqrt(gradient @ fit.covariance @ gradient)
        assert band == pytest.approx(math.log(9), abs=1e-6)


def test_a_slope_lost_in_its_error_never_reaches_the_probability():
    u = np.array([0.0, 1.0, 2.0, 3.0, 0.0, 1.0, 2.0, 3.0])
    fit = curves.fit_detection_curve(u, [0, 1, 0, 1, 1, 0, 1, 1])
    assert curves.crossing(fit, 0.9, 0.9).wald_curve == (-math.inf, math.inf)


@given(st.floats(0.01, 100), st.floats(0.5, 3))
@FEW
def test_film_conversions_undo_each_other(loading, density):
    back = fits.film_loading(fits.film_thickness(loading, density), density)
    assert float(back) == pytest.approx(loading)
