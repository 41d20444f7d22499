"""Exposed mock-ups that merely vary more are not residue."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from residuekit.decision.assessment import Rules, assess
from residuekit.decision.blindness import assess_blindness
from residuekit.decision.confirmation import Confirmation
from residuekit.decision.evenness import stands_out, welch_limit, welch_p
from residuekit.decision.limits import decision_levels
from residuekit.decision.verdict import judge
from residuekit.kernels.netsignal import ShapeTest

RIGHT = Confirmation(ShapeTest(1.0, 0.0, 1.0), 2.0, 1.0)

values = st.lists(st.floats(-5, 5), min_size=2, max_size=8, unique=True)


@given(values, values)
def test_welch_s_p_is_that_of_scipy(blanks, exposed):
    blank, found = np.array(blanks), np.array(exposed)
    assume(min(np.ptp(blank), np.ptp(found)) > 1e-3)
    expected = stats.ttest_ind(found, blank, equal_var=False, alternative="greater").pvalue
    assert welch_p(blank, found) == pytest.approx(expected, rel=1e-6, abs=1e-12)


def test_welch_s_limit_is_where_its_p_is_alpha():
    rng = np.random.default_rng(1)
    blanks, exposed = rng.normal(size=(5, 6)), rng.normal(scale=2, size=(5, 4))
    limits = welch_limit(blanks, exposed, 0.05)
    for blank, found, limit in zip(blanks, exposed, limits, strict=True):
        moved = found - found.mean() + blank.mean() + limit
        assert welch_p(blank, moved) == pytest.approx(0.05)


def test_a_group_of_one_has_no_welch_test_and_still_groups_are_told_by_their_means():
    assert np.isnan(welch_p(np.zeros(3), np.ones(1)))
    assert welch_p(np.zeros(3), np.ones(3)) == 0
    assert welch_p(np.zeros(3), np.zeros(3)) == 1


def test_the_largest_is_measured_by_the_wider_of_blanks_and_other_exposed():
    limit = 2.0 * np.sqrt(1 + 1 / 6)
    assert stands_out(np.array([0.0, 1.01 * limit, 0.0]), 1.0, 6, 2.0)
    assert not stands_out(np.array([0.0, 0.99 * limit, 0.0]), 1.0, 6, 2.0)
    assert not stands_out(np.array([3.0, 1.01 * limit, -3.0]), 1.0, 6, 2.0)
    assert stands_out(np.array([1.01 * limit, -9.0]), 1.0, 6, 2.0)


@pytest.mark.parametrize(("n", "m"), [(6, 6), (6, 3)])
def test_arms_that_vary_twice_as_much_are_rarely_called_detected(n, m):
    """Clean, with everything confirmed as gel: what Welch's test and the other exposed leave. Above
    the limit are far more."""
    rng, above, detected = np.random.default_rng(7), 0, 0
    runs = 800
    for _ in range(runs):
        blanks, exposed = rng.normal(size=n), rng.normal(scale=2, size=m)
        numbers = assess(
            blanks, exposed, assess_blindness(blanks), Rules(), confirm=lambda _: RIGHT
        )
        verdict = judge([numbers])
        above += numbers.above
        detected += verdict.verdict == "detected"
        assert numbers.uneven == ("uneven" in verdict.codes)
    assert above / runs > 0.2
    assert detected / runs < 0.12


def test_residue_on_all_alike_is_no_scatter():
    blanks = np.array([0.0, 1, -1, 0.5, -0.5, 0])
    numbers = assess(blanks, blanks + 5, assess_blindness(blanks), Rules(), confirm=lambda _: RIGHT)
    assert judge([numbers]).verdict == "detected"
    assert decision_levels(6, 6).arm > 0
