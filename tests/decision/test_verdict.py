"""The four verdicts: their order, their numbers, and that no absence stands alone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

import residuekit as rk
from residuekit.decision.blindness import LOADING_UNIT
from residuekit.decision.limits import decision_levels
from residuekit.errors import ContractError
from residuekit.schema import VERDICT_COLUMNS

BLANKS = [0.0, 0.02, -0.02, 0.01, -0.01, 0.0]
SPIKES = {"loadings": [1.0, 1, 1, 3, 3, 3], "spiked": [1.02, 0.98, 1.0, 3.05, 2.95, 3.0]}


@dataclass(frozen=True)
class Shape:
    refused: bool
    reason: str = "as the test says"


def assess(exposed, blanks=BLANKS, *, shape=None, **options):
    asked = None if shape is None else lambda _: Shape(shape == "wrong")
    return rk.assess(blanks, exposed, shape=asked, **{**SPIKES, **options})


def test_clean_mockups_within_a_set_limit_are_not_detected_and_the_reason_says_how_little_is_seen():
    verdict = rk.judge(assess([0.0, 0.01, -0.01]), acceptance_limit=0.5)
    assert verdict.verdict == "not detected"
    a = verdict.deciding
    for number in (a.detection_limit, a.upper_bound, a.mockup_detection_limit):
        assert f"{number:.3g}" in verdict.reason
    assert "3 mock-ups" in verdict.reason
    assert f"{a.share_upper_bound:.0%}" in verdict.reason
    assert "may be missed" in verdict.reason


@pytest.mark.parametrize(
    ("options", "acceptance", "said"),
    [
        ({}, None, "no acceptance limit"),
        ({"loadings": None, "spiked": None}, 0.5, "without spiked mock-ups"),
        ({}, 1e-4, "is above the acceptance limit"),
    ],
)
def test_what_stands_between_a_clean_arm_and_not_detected_is_named(options, acceptance, said):
    verdict = rk.judge(assess([0.0, 0.01, -0.01], **options), acceptance_limit=acceptance)
    assert verdict.verdict == "inconclusive"
    assert said in verdict.reason
    assert f"{verdict.deciding.upper_bound:.3g}" in verdict.reason


def test_two_exposed_mockups_are_never_not_detected():
    verdict = rk.judge(assess([0.0, 0.01]), acceptance_limit=0.5)
    assert verdict.verdict == "inconclusive"
    assert "exposed mock-ups: only 2" in verdict.reason


def test_an_upper_bound_above_the_acceptance_limit_is_inconclusive():
    verdict = rk.judge(assess([0.4, -0.45, 0.01, -0.02], blanks=[-0.3, 0.3, 0.0, 0.1, -0.1]),
                       acceptance_limit=1.5)  # fmt: skip
    bound = verdict.deciding.upper_bound
    assert rk.judge(verdict.deciding, acceptance_limit=bound * 0.999).verdict == "inconclusive"


def test_a_residue_of_the_gel_s_shape_is_detected():
    found = rk.judge(assess([1.0, 1.1, 0.9], shape="right"))
    assert found.verdict == "detected"
    assert "does not refuse the gel" in found.reason


def test_a_residue_of_another_shape_or_without_a_reference_is_inconclusive():
    other = rk.judge(assess([1.0, 1.1, 0.9], shape="wrong"))
    without = rk.judge(assess([1.0, 1.1, 0.9]))
    assert other.verdict == without.verdict == "inconclusive"
    assert "not of the gel's shape" in other.reason
    assert "without a pure reference" in without.reason


def test_one_loaded_mockup_of_several_is_tested_alone_for_its_shape():
    asked = []
    rk.assess(
        BLANKS, [0.0, 0.11, 0.0, 0.0, 0.0, 0.0], shape=lambda k: asked.append(k) or Shape(False)
    )
    rk.assess(BLANKS, [1.0, 1.1, 1.0], shape=lambda k: asked.append(k) or Shape(False))
    rk.assess(BLANKS, [0.0, 0.0, 0.0], shape=lambda k: asked.append(k) or Shape(False))
    assert asked == [1, None]


def test_two_blanks_are_inconclusive_whatever_is_found():
    verdict = rk.judge(assess([5.0, 5.0, 5.0], blanks=[0.0, 0.1], shape="right"))
    assert verdict.verdict == "inconclusive"
    assert "Blank mock-ups: only 2" in verdict.reason


def test_a_failed_quality_check_comes_before_everything():
    verdict = rk.judge(assess([5.0, 5.0, 5.0], shape="right"), quality_failed="all dead")
    assert verdict.verdict == "not assessable"
    assert "all dead" in verdict.reason


def test_a_score_without_response_is_blind_and_a_high_one_is_said():
    spikes = {"loadings": [1.0, 1, 2, 2], "spiked": [0.5, -0.5, 0.4, -0.4]}
    verdict = rk.judge(assess([5.0, 5.0, 5.0], **spikes), acceptance_limit=1.0)
    assert verdict.verdict == "not assessable"
    assert "cannot be told from zero" in verdict.reason
    assert "above its decision limit all the same" in verdict.reason


def test_a_paint_that_varies_more_than_the_acceptance_limit_blinds_unless_noise_is_the_cause():
    blanks = [-0.5, 0.5, 0.3, -0.3, 0.0]
    varied = assess([0.0, 0.1, 0.2], blanks=blanks, noise=0.01, acceptance_limit=0.5)
    noisy = assess([0.0, 0.1, 0.2], blanks=blanks, noise=0.3, acceptance_limit=0.5)
    assert varied.blindness.blind
    assert not noisy.blindness.blind


def test_the_first_score_that_is_not_blind_decides_not_the_one_with_the_lowest_limit():
    blind = assess([0.0] * 3, loadings=[1.0, 2.0], spiked=[0.1, -0.1], score="net signal")
    coarse = assess([0.0] * 3, blanks=[-0.1, 0.1, 0.0, 0.05], score="band: first")
    fine = assess([0.0] * 3, score="band: second")
    verdict = rk.judge([blind, coarse, fine], acceptance_limit=3.0)
    assert verdict.deciding.score == "band: first"
    assert verdict.blind_markers == ("net signal",)
    assert [row["score"] for row in verdict.score_rows()] == [
        "net signal", "band: first", "band: second",
    ]  # fmt: skip
    assert verdict.score_rows()[1] == verdict.row()


def test_the_limits_are_those_of_the_formulas():
    a = assess([0.03, 0.05, 0.01, 0.02])
    levels, s_b, n, m = decision_levels(6, 4), np.std(BLANKS, ddof=1), 6, 4
    b = a.blindness.slope
    h, h1 = math.sqrt(1 / m + 1 / n), math.sqrt(1 + 1 / n)
    assert a.unit == LOADING_UNIT
    assert a.decision_limit == pytest.approx(levels.arm * s_b * h / b)
    assert a.mockup_decision_limit == pytest.approx(levels.mockup * s_b * h1 / b)
    missed = stats.nct.cdf(levels.arm, n - 1, a.detection_limit * b / (s_b * h))
    assert missed == pytest.approx(0.05, abs=1e-6)
    assert a.share_upper_bound == pytest.approx(1 - 0.05**0.25)


def test_zero_of_six_bounds_the_share_as_clopper_pearson_does():
    assert assess([0.0] * 6).share_upper_bound == pytest.approx(0.393038, abs=1e-6)


scores = st.lists(st.floats(-1, 1), min_size=3, max_size=3)


@settings(max_examples=40, deadline=None)
@given(scores, scores, st.floats(0.01, 100), st.floats(-10, 10))
def test_verdict_and_loadings_do_not_depend_on_the_score_s_scale_or_zero(
    blanks, exposed, unit, zero
):
    blanks = [value + 0.1 * k for k, value in enumerate(blanks)]
    plain = rk.assess(blanks, exposed, **SPIKES)
    moved = rk.assess(
        np.array(blanks) * unit + zero, np.array(exposed) * unit + zero,
        loadings=SPIKES["loadings"], spiked=np.array(SPIKES["spiked"]) * unit,
    )  # fmt: skip
    assert moved.estimate == pytest.approx(plain.estimate, rel=1e-6, abs=1e-8)
    assert moved.upper_bound == pytest.approx(plain.upper_bound, rel=1e-6, abs=1e-8)
    assert moved.decision_limit == pytest.approx(plain.decision_limit, rel=1e-6)


@pytest.mark.parametrize("exposed", [[], [math.nan], [[1.0]]])
def test_scores_that_are_not_finite_numbers_a_mockup_are_refused(exposed):
    with pytest.raises(ContractError, match="one finite score"):
        rk.assess(BLANKS, exposed)


def test_a_verdict_shows_itself_as_row_text_and_table():
    verdict = rk.judge(assess([0.0, 0.01, -0.01]), acceptance_limit=0.5)
    assert set(verdict.row()) <= set(VERDICT_COLUMNS)
    assert list(verdict.to_frame()["verdict"]) == ["not detected"]
    assert "not detected" in str(verdict)
    assert "<table>" in verdict._repr_html_()


def test_something_else_on_the_arm_is_never_an_absence():
    """What is not the gel biases the score, downwards too: then nothing is known of the gel."""
    clean = assess([0.0, 0.02, -0.01, 0.01, 0.0, -0.02], unexplained=3.0)
    assert rk.judge(clean, acceptance_limit=5.0).verdict == "not detected"
    strange = rk.judge(
        assess([-0.5, -0.52, -0.51, -0.5, -0.5, -0.52], unexplained=500.0), acceptance_limit=5.0
    )
    assert strange.verdict == "inconclusive"
    assert "500 times what blanks leave" in strange.reason


@pytest.mark.parametrize(("times", "told"), [(1.0, False), (2.0, False), (6.0, True)])
def test_exposed_mockups_that_scatter_beyond_the_blanks_are_told(times, told):
    """The F test of scipy's own distribution decides: 5 and 5 degrees of freedom, 1 %: 10.97."""
    assert stats.f.isf(0.01, 5, 5) == pytest.approx(10.97, abs=0.01)
    blanks = np.array([-1.0, 1, -1, 1, 0, 0])
    found = rk.judge(rk.assess(blanks, 0.1 + times * blanks, **SPIKES), acceptance_limit=9.0)
    assert ("times as widely as the blanks" in found.reason) is told
