"""What a claim rests on, against examples from outside: tolerance, conformity, patches, none of n.

Where a value was only computed, or is from memory, its mark says so.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from residuekit.decision.bound import upper_bound
from residuekit.kernels.limit_statistics import (
    clopper_pearson_lower,
    clopper_pearson_upper,
    distribution_free_n,
    tolerance_factor,
)
from residuekit.kernels.slope import Slope
from residuekit.kernels.surface import hit_on_square_grid, largest_missed_patch

CHECKS = json.loads(
    (Path(__file__).parents[2] / "shared/checks/check_values.json").read_text(encoding="utf-8")
)["second_edition"]


@pytest.mark.source("published", "nisthandbook", "7.2.6.3: n = 43, 90/99, k 1.8752 approximate")
def test_the_tolerance_factor_of_the_nist_handbook():
    """NIST/SEMATECH e-Handbook 7.2.6.3: wafers, mean 97.07, s 0.0268 (the page misprints 2.68)."""
    coverage, confidence = stats.norm.ppf([0.90, 0.99])
    a = 1 - confidence**2 / (2 * (43 - 1))
    b = coverage**2 - confidence**2 / 43
    approximate = (coverage + np.sqrt(coverage**2 - a * b)) / a
    assert round(approximate, 4) == CHECKS["tolerance_k_one_sided"]["43_90_99_nist_approximate"]
    exact = tolerance_factor(43, 0.90, 0.99)
    assert exact == pytest.approx(approximate, rel=1e-3)
    assert exact < approximate
    assert 97.07 + exact * 0.0268 == pytest.approx(97.120, abs=5e-4)


@pytest.mark.source("computed", "owen1968", "k exact 1.8740; 3.006; 3.708; 2.911")
@pytest.mark.parametrize(
    ("n", "coverage", "confidence", "k"),
    [(43, 0.90, 0.99, 1.8740), (6, 0.90, 0.95, 3.006), (6, 0.95, 0.95, 3.708),
     (10, 0.95, 0.95, 2.911)],
)  # fmt: skip
def test_exact_tolerance_factors_hold_by_the_noncentral_t(n, coverage, confidence, k):
    found = tolerance_factor(n, coverage, confidence)
    assert found == pytest.approx(k, abs=6e-5 if n == 43 else 6e-4)
    shift = stats.norm.ppf(coverage) * np.sqrt(n)
    assert stats.nct.cdf(found * np.sqrt(n), n - 1, shift) == pytest.approx(confidence, abs=1e-6)


@pytest.mark.source("published", "jcgm106", "-5.47 V, u 0.05, limit -5.40: p 0.919")
def test_conformity_of_a_voltage_and_the_bound_that_touches_its_limit():
    """JCGM 106:2012, inputs as there, p by the formula: the bound at confidence p is the limit."""
    p = stats.norm.cdf((-5.40 + 5.47) / 0.05)
    assert p == pytest.approx(CHECKS["jcgm106"]["voltage_p"], abs=5e-4)
    many = 10**8
    bound = upper_bound(-5.47, 0.0, many, 0.05**2 * many, many, None, alpha=1 - p)
    assert bound.upper == pytest.approx(-5.40, abs=1e-6)
    assert upper_bound(-5.47, 0.0, many, 0.05**2 * many, many, None).upper > -5.40


@pytest.mark.source("published", "jcgm106", "1500 ohm: p 0.904, risks 0.0099 and 0.069")
def test_the_risks_of_accepting_and_of_refusing_a_resistor():
    """JCGM 106:2012, inputs as there, the risks by integration: tolerance 0.20, acceptance 0.18."""
    prior, measured, limit, accepted = 0.12, 0.04, 0.20, 0.18
    true = np.linspace(-6 * prior, 6 * prior, 200_001)
    density = stats.norm.pdf(true, 0, prior)
    taken = stats.norm.cdf(accepted, true, measured) - stats.norm.cdf(-accepted, true, measured)
    good = np.abs(true) <= limit
    conform, consumer, producer = (
        np.trapezoid(density * part, true) for part in (good, ~good * taken, good * (1 - taken))
    )
    wanted = CHECKS["jcgm106"]
    assert conform == pytest.approx(wanted["resistor_p"], abs=5e-4)
    assert consumer == pytest.approx(wanted["R_C"], abs=5e-5)
    assert producer == pytest.approx(wanted["R_P"], abs=5e-4)


@pytest.mark.source("computed", "", "r/G 0.3 gives 0.2827, 0.5 gives 0.7854; geometry")
def test_a_hot_spot_on_a_square_grid():
    """Area of the circle over that of the square; the scope of ASTM D6982 was read, no table."""
    wanted = CHECKS["hot_spot_square_grid"]
    assert hit_on_square_grid(0.3, 1.0) == pytest.approx(wanted["r_over_G_0.3"], abs=5e-5)
    assert hit_on_square_grid(0.5, 1.0) == pytest.approx(wanted["0.5"], abs=5e-5)


@pytest.mark.source("computed", "", "two maps of 0.4 mm on 25 cm2: 76 %")
def test_two_small_maps_miss_a_patch_of_three_quarters_of_the_surface():
    assert largest_missed_patch(0.4, 2, 2500.0) / 2500 == pytest.approx(0.76, abs=0.005)


@pytest.mark.source("from memory", "wilks1941", "22, 29, 59 for 90/90, 90/95, 95/95")
@pytest.mark.parametrize(
    ("coverage", "confidence", "name"),
    [(0.90, 0.90, "90_90"), (0.90, 0.95, "90_95"), (0.95, 0.95, "95_95")],
)
def test_none_of_22_29_and_59_bounds_the_share(coverage, confidence, name):
    n = CHECKS["all_detected_runs"][name]
    assert distribution_free_n(coverage, confidence) == n
    assert clopper_pearson_upper(0, n, 1 - confidence) <= 1 - coverage
    assert clopper_pearson_upper(0, n - 1, 1 - confidence) > 1 - coverage
    assert clopper_pearson_lower(n, n, 1 - confidence) >= coverage


def fieller_upper(estimate, error, slope_error, quantile):
    """The upper root of (D - U b)^2 = t^2 (SE^2 + U^2 s1^2), with b = 1."""
    free = 1 - (quantile * slope_error) ** 2
    return (estimate + np.sqrt(estimate**2 - free * (estimate**2 - (quantile * error) ** 2))) / free


@pytest.mark.source("computed", "fieller1954", "the exact bound of a ratio, by its equation")
@pytest.mark.parametrize("error", [0.1, 0.3, 1.0])
def test_where_the_first_order_bound_and_fieller_s_part(error):
    """The first-order bound is the lower one, by less than g = (t s1 / b)^2 of Fieller's.

    They agree to 1 % while the slope is known to 5 %, to 3 % at 10 %, to 11 % at 20 %.
    """
    quantile, many = stats.norm.ppf(0.95), 10**8
    for slope_error, most in ((0.0, 1e-6), (0.05, 0.01), (0.10, 0.03), (0.20, 0.11)):
        slope = Slope(1.0, slope_error, many)
        first = upper_bound(1.0, 0.0, many, error**2 * many, many, slope).upper
        exact = fieller_upper(1.0, error, slope_error, quantile)
        short = (exact - first) / exact
        assert -1e-6 < short < most
        assert short <= (quantile * slope_error) ** 2 + 1e-6
    assert short > 0.07
