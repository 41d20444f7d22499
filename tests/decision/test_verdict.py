"""The numbers of an assessment against their formulas, and the order of the four verdicts."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from residuekit.decision.blindness import assess_blindness
from residuekit.decision.bound import upper_bound
from residuekit.decision.confirmation import Confirmation
from residuekit.decision.limits import decision_levels
from residuekit.decision.verdict import MOST_UNEXPLAINED
from residuekit.errors import ContractError
from residuekit.kernels.netsignal import ShapeTest
from residuekit.kernels.slope import slope_through_zero
from residuekit.reprs import to_error
from residuekit.schema import LOADING_UNIT, VERDICT_COLUMNS

BLANKS = np.array([0.0, 0.02, -0.02, 0.01, -0.01, 0.0])
LOADINGS, SPIKED = [1.0, 1, 1, 3, 3, 3], [1.02, 0.98, 1.0, 3.05, 2.95, 3.0]
#: The same response in a unit in which the slope is far from 1.
WEAK = [0.4 * response for response in SPIKED]
S_B = float(np.std(BLANKS, ddof=1))
CLEAN = [0.0, 0.01, -0.01]
GEL = [1.0, 1.1, 0.9]
FLAT = {"loadings": [1.0, 1, 2, 2], "spiked": [0.5, -0.5, 0.4, -0.4]}
BARE = {"loadings": None, "spiked": None}


# the numbers


def test_the_mean_lies_beside_the_acceptance_limit_by_its_two_bounds(made):
    """Below it by the upper bound, above it by the lower one, which is as far from the mean."""
    found = made(GEL)
    apart = found.upper_bound - found.estimate
    for limit, said in ((found.upper_bound + 0.01, "below"), (found.estimate, "undecided"),
                        (found.estimate - apart + 0.01, "undecided"),
                        (found.estimate - apart - 0.01, "above"), (None, "")):  # fmt: skip
        ruled = replace(found, rules=replace(found.rules, acceptance_limit=limit))
        assert ruled.against_acceptance == said


@pytest.mark.parametrize(
    ("n", "exposed", "alpha", "beta"),
    [(6, [0.03, 0.05, 0.01], 0.05, 0.05), (3, [0.3, -0.5, 0.1], 0.05, 0.2),
     (2, [0.1, 0.2, 0.0], 0.05, 0.05), (6, [0.03, 0.05, 0.01], 0.2, 0.1)],
)  # fmt: skip
def test_the_limits_are_those_of_the_formulas(made, n, exposed, alpha, beta):
    """q1 s_b h / b, q2 s_b h1 / b; scipy's noncentral t misses delta with probability beta."""
    a = made(exposed, BLANKS[:n], spiked=WEAK, alpha=alpha, beta=beta)
    m, levels, s_b = len(exposed), decision_levels(n, len(exposed), alpha), BLANKS[:n].std(ddof=1)
    b = slope_through_zero(LOADINGS, WEAK, s_b).value
    arm, one = s_b * math.sqrt(1 / m + 1 / n) / b, s_b * math.sqrt(1 + 1 / n) / b
    assert a.decision_limit == pytest.approx(levels.arm * arm)
    assert a.mockup_decision_limit == pytest.approx(levels.mockup * one)
    missed = stats.nct.cdf([levels.arm, levels.mockup], n - 1,
                           [a.detection_limit / arm, a.mockup_detection_limit / one])  # fmt: skip
    assert missed == pytest.approx(beta, abs=1e-6)
    assert (a.unit, a.n_mockups, a.n_blank_mockups) == (LOADING_UNIT, m, n)
    assert (a.rules.alpha, a.rules.beta) == (alpha, beta)


@pytest.mark.parametrize(("n", "m"), [(6, 3), (2, 3), (6, 2)])
def test_estimate_and_bound_are_differences_over_the_slope(made, n, m):
    blanks, exposed = 0.5 + BLANKS[:n], 0.5 + np.array([0.03, 0.05, 0.01])[:m]
    shared = [1.0, 1.0, 0.5, 0.5, 0.0, 0.0]
    a = made(exposed, blanks, spiked=WEAK, shared=shared, alpha=0.05)
    slope = slope_through_zero(LOADINGS, WEAK, blanks.std(ddof=1), shared=shared)
    difference = (exposed - blanks.mean()) / slope.value
    assert a.estimate == pytest.approx(difference.mean())
    assert a.mockups == pytest.approx(difference)
    assert a.blanks == pytest.approx((blanks - blanks.mean()) / slope.value)
    bound = upper_bound(a.estimate, blanks.var(ddof=1), n, exposed.var(ddof=1), m, slope, 0.05)
    assert a.upper_bound == pytest.approx(bound.upper)
    assert a.standard_error == pytest.approx(bound.standard_error)


def test_the_bound_has_the_confidence_that_is_asked_for(made):
    strict, mild = (made([0.03, 0.05, 0.01], alpha=alpha) for alpha in (0.05, 0.2))
    assert strict.standard_error == pytest.approx(mild.standard_error)
    slope = slope_through_zero(LOADINGS, SPIKED, S_B)
    bound = upper_bound(mild.estimate, S_B**2, 6, 0.0004, 3, slope, 0.2)
    assert mild.upper_bound == pytest.approx(bound.upper)
    share = made(CLEAN, alpha=0.2).share_upper_bound
    assert share == pytest.approx(1 - 0.2 ** (1 / 3))


def test_both_rates_are_5_per_cent_where_none_is_named(made):
    named = made(CLEAN, alpha=0.05, beta=0.05)
    plain = made(CLEAN)
    assert plain.row() == named.row()
    assert (plain.rules.alpha, plain.rules.beta) == (0.05, 0.05)


def test_blanks_that_the_spiked_mockups_share_are_not_counted_twice(made):
    apart, shared = (made([0.5, 0.52, 0.49], shared=share) for share in (0.0, 1.0))
    assert shared.standard_error < apart.standard_error


def test_one_blank_gives_an_estimate_and_no_limits(made):
    a = made(CLEAN, [0.0])
    numbers = (a.decision_limit, a.detection_limit, a.mockup_decision_limit,
               a.mockup_detection_limit, a.upper_bound, a.standard_error)  # fmt: skip
    assert all(math.isnan(number) for number in numbers)
    ratios = np.array(SPIKED) / LOADINGS
    assert a.blindness.slope == pytest.approx(ratios.mean())
    assert a.estimate == pytest.approx(0.0)
    assert (a.above, a.positive_mockups) == (False, 0)
    answers = [0.5, 0.4, 0.4, 1.2, 1.2, 1.2]
    slope = np.mean(np.array(answers) / LOADINGS)
    loaded = made([0.1, 0.3, 0.2], [0.0], spiked=answers)
    assert loaded.estimate == pytest.approx(0.2 / slope)
    assert loaded.unit == LOADING_UNIT


def test_one_exposed_mockup_borrows_the_scatter_of_the_blanks(made):
    a = made([0.03])
    slope = slope_through_zero(LOADINGS, SPIKED, S_B)
    assert a.upper_bound == pytest.approx(upper_bound(a.estimate, S_B**2, 6, 0, 1, slope).upper)
    assert a.decision_limit == pytest.approx(a.mockup_decision_limit)
    limit = stats.t.isf(0.05, 5) * S_B * math.sqrt(7 / 6) / slope.value
    assert a.decision_limit == pytest.approx(limit)


@pytest.mark.parametrize(
    ("loadings", "spiked"), [(None, None), (LOADINGS, None), (None, SPIKED), ([0.0, 1.0], [0.1, 1])]
)
def test_without_two_spiked_mockups_numbers_stay_in_the_unit_of_the_score(made, loadings, spiked):
    a = made([0.3, 0.5, 0.1], loadings=loadings, spiked=spiked, unit="A")
    assert (a.unit, a.blindness.unit) == ("A", "A")
    assert a.estimate == pytest.approx(0.3)
    assert math.isnan(a.blindness.slope)
    assert not a.blindness.blind
    levels = decision_levels(6, 3, 0.05)
    assert a.decision_limit == pytest.approx(levels.arm * S_B * math.sqrt(1 / 3 + 1 / 6))
    bound = upper_bound(0.3, S_B**2, 6, 0.04, 3, None)
    assert (a.upper_bound, a.standard_error) == pytest.approx(bound[:2])
    assert made(CLEAN, **BARE).unit == "reference"


@pytest.mark.parametrize("spiked", [[-1.0, -2.0], [1.0, -0.5]])
def test_a_response_that_does_not_rise_divides_nothing(made, spiked):
    a = made([0.3, 0.5, 0.1], loadings=[1.0, 2.0], spiked=spiked, unit="A")
    assert a.estimate == pytest.approx(0.3)
    assert a.unit == "A"
    assert a.blindness.blind
    assert a.upper_bound == pytest.approx(upper_bound(0.3, S_B**2, 6, 0.04, 3, None).upper)


def test_two_spiked_mockups_are_enough_for_a_slope(made):
    a = made([0.3, 0.5, 0.1], loadings=[1.0, 2.0], spiked=[2.0, 4.0])
    assert (a.unit, a.estimate) == (LOADING_UNIT, pytest.approx(0.15))


def test_blindness_is_what_was_found_beforehand(made):
    before = assess_blindness(BLANKS, None)
    assert made(CLEAN, blindness=before, noise=0.001, acceptance_limit=0.01).blindness is before


def test_a_paint_that_varies_more_than_the_acceptance_limit_blinds_unless_noise_is_the_cause(made):
    blanks = [-0.5, 0.5, 0.3, -0.3, 0.0, 0.0]
    varied = made([0.0, 0.1, 0.2], blanks, noise=0.01, acceptance_limit=0.5)
    noisy = made([0.0, 0.1, 0.2], blanks, noise=0.3, acceptance_limit=0.5)
    assert varied.blindness.blind
    assert not noisy.blindness.blind


def test_the_mean_is_above_only_beyond_its_decision_limit(made):
    """Exactly at the limit it is not: two equal scores whose mean is the limit itself."""
    limit = made([0.0] * 2, **BARE).decision_limit
    levels = decision_levels(6, 2, 0.05)
    assert limit == pytest.approx(levels.arm * S_B * math.sqrt(1 / 2 + 1 / 6))
    assert (np.mean([limit] * 2), BLANKS.mean()) == (limit, 0.0)
    for mean, above in ((limit, False), (limit * (1 + 1e-12), True)):
        a = made([mean] * 2, **BARE)
        assert (a.above, a.positive_mockups) == (above, 0)


def test_a_mockup_is_positive_only_beyond_its_own_decision_limit(made):
    limit = made([0.0] * 6, **BARE).mockup_decision_limit
    levels = decision_levels(6, 6, 0.05)
    assert limit == pytest.approx(levels.mockup * S_B * math.sqrt(7 / 6))
    for one, positive in ((limit, False), (limit * (1 + 1e-12), True)):
        a = made([0.0, one, 0.0, -0.02, 0.0, 0.0], **BARE)
        assert a.positive == (False, positive, False, False, False, False)
        assert (a.above, a.positive_mockups) == (positive, int(positive))


@pytest.mark.parametrize(("positive", "share"), [(0, 0.393038), (1, 0.581803), (6, 1.0)])
@pytest.mark.source("from memory", "clopper1934", "0.393 and 0.582")
def test_the_share_is_bounded_as_clopper_and_pearson_do(made, positive, share):
    """One-sided 95 % bounds of 0 and 1 of 6, from memory; by scipy's binomial too."""
    a = made([5.0] * positive + [0.0] * (6 - positive))
    assert a.positive_mockups == positive
    assert a.share_upper_bound == pytest.approx(share, abs=1e-6)
    if positive < 6:
        assert stats.binom.cdf(positive, 6, a.share_upper_bound) == pytest.approx(0.05)


def test_one_loaded_mockup_of_several_is_tested_alone_for_its_shape(made):
    asked = []

    def confirm(worst):
        asked.append(worst)
        return Confirmation(ShapeTest(1.0, 0.0, 1.0), 2.0, 1.0)

    for exposed in ([0.0, 0.11, 0.0, 0.0, 0.0, -0.02], GEL, CLEAN):
        made(exposed, shape=confirm)
    assert asked[:2] == [1, None]
    assert made(CLEAN, shape="right").confirmation is None
    assert made(GEL, shape="right").confirmation is not None


scores = st.lists(st.floats(-1, 1), min_size=3, max_size=3)


@settings(max_examples=30, deadline=None)
@given(scores, scores, st.floats(0.01, 100), st.floats(-10, 10))
def test_loadings_do_not_depend_on_the_score_s_scale_or_zero(made, blanks, exposed, unit, zero):
    blanks = np.array([value + 0.1 * k for k, value in enumerate(blanks)])
    plain = made(exposed, blanks)
    moved = made(np.array(exposed) * unit + zero, blanks * unit + zero,
                 spiked=np.array(SPIKED) * unit)  # fmt: skip
    assert moved.estimate == pytest.approx(plain.estimate, rel=1e-6, abs=1e-8)
    assert moved.upper_bound == pytest.approx(plain.upper_bound, rel=1e-6, abs=1e-8)
    assert moved.decision_limit == pytest.approx(plain.decision_limit, rel=1e-6)


@pytest.mark.parametrize("bad", [[], [math.nan], [math.inf, 1.0], [[1.0]], 1.0])
def test_scores_that_are_not_finite_numbers_a_mockup_are_refused(made, bad):
    with pytest.raises(ContractError, match="one finite score"):
        made(bad)
    with pytest.raises(ContractError, match="one finite score"):
        made(CLEAN, bad)


# the verdict


@pytest.fixture(scope="module")
def clean(made):
    """Far below every limit: detection limit and bound within 0.5 ug cm-2."""
    a = made(CLEAN)
    assert max(a.detection_limit, a.upper_bound) < 0.1
    return a


def test_clean_mockups_within_a_set_limit_are_not_detected(clean, judged):
    assert judged(clean, 0.5).verdict == "not detected"


def test_no_absence_is_printed_without_its_numbers(clean, judged):
    verdict = judged(clean, 0.5)
    for number in (clean.detection_limit, clean.upper_bound, clean.mockup_detection_limit):
        assert to_error(number, clean.standard_error) in verdict.reason
    assert f"{clean.share_upper_bound:.0%}" in verdict.reason
    assert "3 mock-ups" in verdict.reason


@pytest.mark.parametrize("options", [{}, BARE, FLAT, {"shape": "right"}, {"shape": "wrong"}])
@pytest.mark.parametrize("exposed", [CLEAN, GEL])
@pytest.mark.parametrize("n", [2, 6])
def test_a_failed_quality_check_comes_before_everything(made, judged, options, exposed, n):
    a = made(exposed, BLANKS[:n], **options)
    assert judged(a, 0.5, failed="all dead").verdict == "not assessable"
    assert judged(a, 0.5).verdict != "not assessable" or a.blindness.blind


@pytest.mark.parametrize("options", [{}, FLAT, {"shape": "right"}])
@pytest.mark.parametrize("n", [1, 2])
def test_fewer_than_three_blanks_are_inconclusive_whatever_is_found(made, judged, options, n):
    """Also where the score is blind."""
    blanks = 0.001 * BLANKS[:n]
    for exposed in (CLEAN, GEL):
        assert judged(made(exposed, blanks, **options), 50.0).verdict == "inconclusive"


def test_three_blanks_and_three_exposed_are_enough(made, judged):
    assert judged(made(CLEAN, BLANKS[:3]), 5.0).verdict == "not detected"
    assert judged(made(GEL, BLANKS[:3], shape="right"), 5.0).verdict == "detected"


@pytest.mark.parametrize("exposed", [CLEAN, GEL])
def test_a_blind_score_says_nothing_above_or_below(made, judged, exposed):
    blind = made(exposed, shape="right", **FLAT)
    assert blind.above == (exposed is GEL)
    assert judged(blind, 50.0).verdict == "not assessable"


@pytest.mark.parametrize(
    ("shape", "verdict"),
    [
        ("right", "detected"),
        ("wrong", "inconclusive"),
        ("foreign", "inconclusive"),
        (None, "inconclusive"),
    ],
)
@pytest.mark.parametrize("exposed", [GEL, GEL[:2], GEL[:1], [0.0, 0.11, 0.0, 0.0, 0.0, 0.0]])
@pytest.mark.parametrize("acceptance", [None, 1e-4, 50.0])
def test_what_is_above_is_detected_only_with_the_gel_s_shape(
    made, judged, shape, verdict, exposed, acceptance
):
    """Whatever is acceptable, and for one mock-up as for many."""
    assert judged(made(exposed, shape=shape), acceptance).verdict == verdict


def test_without_an_acceptance_limit_or_a_loading_unit_nothing_is_not_detected(made, judged, clean):
    assert judged(clean, None).verdict == "inconclusive"
    assert judged(made(CLEAN, **BARE), 0.5).verdict == "inconclusive"
    assert judged(made(CLEAN, **BARE), None).verdict == "inconclusive"


@pytest.mark.parametrize(
    ("detection", "bound", "verdict"),
    [
        (0.5, 0.4999, "not detected"),
        (0.5001, 0.4, "inconclusive"),
        (0.4, 0.5, "inconclusive"),
        (0.4, 0.5001, "inconclusive"),
        (math.nan, 0.4, "inconclusive"),
        (0.4, math.nan, "inconclusive"),
        (0.6, 0.6, "inconclusive"),
    ],
)
def test_detection_limit_and_bound_must_lie_within_the_acceptance_limit(
    clean, judged, detection, bound, verdict
):
    """A detection limit at 0.5 is within it, a bound must be below."""
    a = replace(clean, detection_limit=detection, upper_bound=bound)
    assert judged(a, 0.5).verdict == verdict


@pytest.mark.parametrize(("count", "verdict"), [(1, "inconclusive"), (2, "inconclusive"),
                                                (3, "not detected")])  # fmt: skip
def test_fewer_than_three_exposed_mockups_are_never_not_detected(made, judged, count, verdict):
    assert judged(made(CLEAN[:count]), 5.0).verdict == verdict


@pytest.mark.parametrize(
    ("rest", "verdict"),
    [(0.0, "not detected"), (10.0, "not detected"), (10.001, "inconclusive"),
     (500.0, "inconclusive"), (math.inf, "inconclusive")],
)  # fmt: skip
def test_something_else_on_the_arm_is_never_an_absence(made, judged, rest, verdict):
    """What is not the gel biases the score, downwards too: ten times what blanks leave."""
    assert MOST_UNEXPLAINED == 10.0
    assert made(CLEAN).unexplained == 0.0
    assert judged(made(CLEAN, unexplained=rest), 0.5).verdict == verdict
    assert judged(made(GEL, unexplained=rest, shape="right"), 0.5).verdict == "detected"


def scattered(scores, variance):
    """Scores with this variance about 0."""
    scores = np.array(scores) - np.mean(scores)
    return scores * math.sqrt(variance / scores.var(ddof=1))


@pytest.mark.parametrize(("m", "n", "limit"), [(6, 6, 10.97), (3, 6, 13.27), (3, 3, 99.00)])
@pytest.mark.source("from memory", "", "1 % points of F")
def test_exposed_mockups_that_scatter_beyond_the_blanks_are_told(made, judged, uneven, m, n, limit):
    """1 % points of F with m - 1 and n - 1 degrees of freedom, from memory."""
    assert stats.f.isf(0.01, m - 1, n - 1) == pytest.approx(limit, abs=0.005)
    shape = [-1.0, 1.0, 0.3, -0.3, 0.5, -0.5]
    blanks = scattered(shape[:n], 0.01)
    for ratio, told in ((limit * 1.01, True), (limit * 0.99, False), (1.0, False)):
        exposed = scattered(shape[:m], 0.01 * ratio)
        assert uneven(judged(made(exposed, blanks), 9.0)) is told


def test_scatter_is_compared_from_three_mockups_a_side_on(made, judged, uneven):
    wide = [-1.0, 1.0, 0.0]
    assert uneven(judged(made(wide, BLANKS), 9.0))
    assert not uneven(judged(made(wide[:2], BLANKS), 9.0))
    assert not uneven(judged(made(wide, 0.01 * BLANKS[:2]), 9.0))
    assert not uneven(judged(made(wide, [0.0, 0.0, 0.0]), 9.0))


def test_the_first_score_that_is_not_blind_decides_not_the_one_with_the_lowest_limit(made, judged):
    blind = made([0.0] * 3, loadings=[1.0, 2.0], spiked=[0.1, -0.1], score="net signal")
    coarse = made([0.0] * 3, [-0.1, 0.1, 0.0, 0.05, 0.0, -0.05], score="band: first")
    fine = made([0.0] * 3, score="band: second")
    verdict = judged([blind, coarse, fine], 3.0)
    assert verdict.deciding.score == coarse.score
    assert fine.detection_limit < coarse.detection_limit
    assert verdict.blind_markers == ("net signal",)
    rows = verdict.score_rows()
    assert [row["score"] for row in rows] == ["net signal", "band: first", "band: second"]
    assert rows[1] == verdict.row()
    assert [row["verdict"] for row in rows] == ["not assessable", "not detected", "not detected"]
    assert {row["blind_markers"] for row in rows} == {"net signal"}


def test_where_every_score_is_blind_the_first_one_speaks(made, judged):
    first, second = (made(CLEAN, score=f"band: {name}", **FLAT) for name in ("first", "second"))
    verdict = judged([first, second], 3.0)
    assert verdict.deciding.score == first.score
    assert verdict.verdict == "not assessable"
    assert verdict.blind_markers == ("first", "second")
    assert verdict.row()["blind_markers"] == "first; second"


def test_other_scores_are_judged_by_the_same_acceptance_limit(made, judged):
    first, second = made(CLEAN), made(CLEAN, score="band: second")
    for limit, verdict in ((0.5, "not detected"), (1e-3, "inconclusive"), (None, "inconclusive")):
        rows = judged([first, second], limit).score_rows()
        assert [row["verdict"] for row in rows] == [verdict, verdict]


def test_no_assessment_is_refused(judged):
    with pytest.raises(ContractError, match="at least one score"):
        judged([])


def test_a_verdict_shows_itself_as_row_text_and_table(clean, judged):
    verdict = judged(clean, 0.5)
    assert set(verdict.row()) <= set(VERDICT_COLUMNS)
    assert list(verdict.to_frame()["verdict"]) == ["not detected"]
    assert list(clean.to_frame()["estimate"]) == [clean.estimate]
    assert "not detected" in str(verdict)
    assert "net signal" in str(clean)
    for shown in (verdict, clean):
        assert "<table>" in shown._repr_html_()
