"""Blindness: 3.29 s_b / b, the slope against t(.99, k-1) s1, and what more scans would help."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from residuekit.decision.blindness import (
    LIMIT_FACTOR,
    LOADING_UNIT,
    Blindness,
    assess_blindness,
    scatter_of,
)
from residuekit.kernels.slope import Slope

#: Their standard deviation is 3 exactly.
BLANKS = [-3.0, 0.0, 3.0]
SEEN = Slope(2.0, 0.01, 4)


def test_the_factor_is_twice_the_one_sided_normal_quantile_at_5_per_cent():
    assert pytest.approx(2 * stats.norm.isf(0.05), abs=5e-4) == LIMIT_FACTOR


def test_the_limits_of_a_single_mockup_and_of_noise_alone():
    found = assess_blindness(BLANKS, SEEN, noise=0.5)
    assert found == Blindness(2.0, 0.01, pytest.approx(3.29 * 3 / 2), pytest.approx(3.29 * 0.5 / 2),
                              LOADING_UNIT, "", 3)  # fmt: skip
    assert not found.blind


@pytest.mark.parametrize("slope", [None, Slope(math.nan, math.nan, 1)])
def test_without_a_slope_a_score_keeps_its_unit_and_is_never_blind(slope):
    found = assess_blindness(BLANKS, slope, noise=0.1, acceptance_limit=1e-6, unit="A")
    assert found.mockup_limit == pytest.approx(3.29 * 3)
    assert found.noise_limit == pytest.approx(0.329)
    assert math.isnan(found.slope)
    assert math.isnan(found.slope_se)
    assert math.isnan(found.slope_degrees_of_freedom)
    assert (found.unit, found.blind) == ("A", False)
    assert assess_blindness(BLANKS).unit == "reference"
    assert math.isnan(assess_blindness(BLANKS).noise_limit)


@pytest.mark.parametrize(("k", "quantile"), [(2, 31.82), (3, 6.965), (4, 4.541), (6, 3.365)])
@pytest.mark.source("from memory", "", "1 % points of t")
def test_a_slope_is_told_from_zero_by_student_s_t_at_99_per_cent(k, quantile):
    """Quantiles of Student's t, from memory; exactly at the limit a score is blind."""
    at = float(stats.t.ppf(0.99, k - 1))
    assert at == pytest.approx(quantile, abs=0.005)
    assert assess_blindness(BLANKS, Slope(at * (1 - 1e-9), 1.0, k)).blind
    assert not assess_blindness(BLANKS, Slope(at * (1 + 1e-9), 1.0, k)).blind
    assert assess_blindness(BLANKS, Slope(0.0, 0.0, k)).blind


@pytest.mark.parametrize("value", [0.0, -2.0])
def test_a_slope_that_does_not_rise_is_blind_without_any_limit(value):
    found = assess_blindness(BLANKS, Slope(value, 0.01, 4), noise=0.1, unit="A")
    assert (found.mockup_limit, found.noise_limit) == (math.inf, math.inf)
    assert (found.unit, found.numbers["unit"]) == ("A", LOADING_UNIT)
    assert found.blind
    assert found.slope == value


@pytest.mark.parametrize(
    ("acceptance", "noise", "blind"),
    [
        (None, 0.1, False),
        (100.0, 0.1, False),
        (1.0, 0.1, True),
        (1.0, 1.0, True),
        (1.0, 1.001, False),
        (1.0, math.nan, False),
        (3.29 * 3, 0.1, False),
        (3.29 * 3 * 0.9999, 0.1, True),
    ],
)
def test_a_limit_above_the_acceptance_limit_blinds_unless_noise_makes_it(acceptance, noise, blind):
    """Slope 1, scatter 3: blind where 3.29 x 3 is above it and noise is no more than a third."""
    found = assess_blindness(BLANKS, Slope(1.0, 0.01, 4), noise=noise, acceptance_limit=acceptance)
    assert found.blind is blind


def test_the_scatter_is_the_sample_standard_deviation_and_none_of_a_single_one():
    assert scatter_of(np.array([1.0, 3.0])) == pytest.approx(math.sqrt(2))
    assert scatter_of(np.array(BLANKS)) == 3.0
    assert math.isnan(scatter_of(np.array([1.0])))
