"""The scorer, on results and truths written by hand, and once through the files."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

import residuekit as rk
from residuekit.errors import StudyError
from residuekit.results import StudyResult
from residuekit.schema import ARM_COLUMNS
from residuekit.simulate import (
    Arm,
    Rate,
    StudyDesign,
    score_run,
    score_runs,
    scorecard_figure,
    simulate_study,
)
from residuekit.simulate.scorer import two_sided_interval

T95 = float(stats.t.ppf(0.95, 5))
ARMS = (  # exposure, true, estimate, detection limit, upper bound, positive, verdict
    (1.0, 0.0, 0.1, 1.0, 0.5, 0, "not detected"),
    (2.0, 0.0, 0.9, 1.0, 1.3, 1, "detected"),
    (3.0, 1.1, 1.0, 1.0, 1.4, 0, "detected"),
    (4.0, 1.2, 0.1, 1.0, 0.5, 0, "not detected"),
    (5.0, 6.0, 0.2, 1.0, 0.6, 0, "not detected"),
    (6.0, 7.0, 6.9, 1.0, 7.3, 6, "inconclusive"),
)


def arm(exposure):
    cells = ("alkyd", "none", 0.0, "PVA cryogel", exposure, 2.0, "gel")
    return dict(zip(ARM_COLUMNS, cells, strict=True))


def result(arms=ARMS, unit="ug cm-2", acceptance=5.0):
    rows = [
        {
            **arm(exposure), "score": "net signal", "unit": unit, "estimate": estimate,
            "standard_error": (bound - estimate) / T95, "decision_limit": 0.5,
            "detection_limit": limit, "upper_bound": bound, "positive_mockups": positive,
            "verdict": verdict,
        }
        for exposure, _, estimate, limit, bound, positive, verdict in arms
    ]  # fmt: skip
    study = {"alpha": 0.05, "beta": 0.05, "acceptance_limit_ug_cm2": acceptance}
    empty = pd.DataFrame()
    return StudyResult(Path(), pd.DataFrame(rows), empty, empty, empty, xr.Dataset(),
                       {"study": study})  # fmt: skip


def sealed(folder, arms=ARMS):
    truths = [{**arm(a[0]), "clean": a[1] == 0, "mean_loading_ug_cm2": a[1]} for a in arms]
    path = folder / "truth.json"
    path.write_text(json.dumps({"arms": truths}))
    return path


@pytest.fixture
def card(tmp_path):
    return score_run(result(), sealed(tmp_path))


@pytest.mark.parametrize(
    ("name", "hits", "n"),
    [
        ("clean arm called detected", 1, 2),
        ("clean arm above its decision limit", 1, 2),
        ("arm at or above its detection limit missed", 2, 4),
        ("arm above the acceptance limit called not detected", 1, 2),
        ("upper bound holds the true loading", 4, 6),
        ("two-sided interval holds the true loading", 3, 6),
        ("found within a factor 1.25 of the detection limit", 1, 2),
    ],
)
def test_each_rate_is_counted_as_by_hand(card, name, hits, n):
    found = next(rate for rate in card.rates if rate.name == name)
    assert (found.hits, found.n) == (hits, n)


def test_errors_are_in_units_of_the_standard_error(card):
    frame = card.to_frame()
    expected = (frame.estimate - frame.true) / frame.standard_error
    np.testing.assert_allclose(card.z, expected)


@pytest.mark.parametrize(("hits", "n"), [(0, 12), (3, 40), (7, 7)])
def test_intervals_of_rates_agree_with_statsmodels(hits, n):
    low, high = proportion_confint(hits, n, alpha=0.05, method="beta")
    assert Rate("", hits, n, 0.05, "").interval == pytest.approx((low, high))


@settings(max_examples=40, deadline=None)
@given(st.floats(1.5, 500), st.floats(-5, 5), st.floats(0.01, 10), st.sampled_from([0.05, 0.01]))
def test_the_two_sided_interval_is_that_of_students_t(nu, estimate, error, alpha):
    upper = estimate + stats.t.ppf(1 - alpha, nu) * error
    wanted = stats.t.interval(1 - alpha, nu, estimate, error)
    found = two_sided_interval(estimate, error, upper, alpha)
    assert found == pytest.approx(wanted, rel=1e-5, abs=1e-5 * error)


def test_the_two_sided_interval_of_endless_freedom_is_the_normal_one():
    found = two_sided_interval(0.0, 1.0, float(stats.norm.ppf(0.95)))
    assert found == pytest.approx(stats.norm.interval(0.95))


def test_without_a_loading_unit_only_the_decisions_are_counted(tmp_path):
    card = score_run(result(unit="reference"), sealed(tmp_path))
    counted = {rate.name for rate in card.rates if rate.n}
    assert counted == {
        "clean arm called detected",
        "clean arm above its decision limit",
        "arm above the acceptance limit called not detected",
    }
    assert card.z.size == 0


def test_without_an_acceptance_limit_no_absence_is_counted_wrong(tmp_path):
    card = score_run(result(acceptance=None), sealed(tmp_path))
    assert card.rates[3].n == 0
    assert card.rates[3].interval == (0.0, 1.0)


def test_the_truth_of_another_study_is_refused(tmp_path):
    with pytest.raises(StudyError, match="other arms"):
        score_run(result(), sealed(tmp_path, ARMS[:-1]))


def test_nothing_to_score_is_refused():
    with pytest.raises(StudyError, match="no arm"):
        score_runs([])


def test_many_studies_are_counted_together(tmp_path):
    truth = sealed(tmp_path)
    card = score_runs([(result(), truth), (result(), truth)])
    assert card.rates[0].n == 4
    assert "12 arms of 2 studies" in str(card)


def test_text_and_page_hold_every_rate(card):
    for rate in card.rates:
        assert rate.name in str(card)
        assert rate.name in card._repr_html_()


def test_the_picture_shows_estimates_limits_and_rates(card):
    figure = scorecard_figure(card)
    estimates, found, rates = figure.axes
    assert {text.get_text() for text in estimates.get_legend().get_texts()} == {
        "detected (2)", "not detected (3)", "inconclusive (1)"
    }  # fmt: skip
    assert "to 1.25\n(2)" in [label.get_text() for label in found.get_xticklabels()]
    assert len(rates.texts) == len(card.rates)


def test_a_study_on_disk_is_scored_against_its_sealed_truth(tmp_path):
    design = StudyDesign(
        arms=(Arm(2.0, n_mockups=3), Arm(60.0, n_mockups=3, loading_ug_cm2=20.0)),
        n_blanks=3, n_spiked=2, maps_per_mockup=1, shape=(6, 6), axis=(816.0, 1878.0, 6.0),
        question={"treatment": "PVA cryogel"}, spiked_ug_cm2=(4.0, 12.0),
    )  # fmt: skip
    folder, truth = tmp_path / "study", tmp_path / "truth.json"
    simulate_study(folder, design, 5, truth)
    rk.Study.open(folder).run()
    card = score_run(folder, truth)
    frame = card.to_frame()
    assert list(frame.clean) == [True, False]
    assert list(frame.verdict) == list(rk.open_run(folder).verdicts.verdict)
    assert frame.true[1] == pytest.approx(20.0, rel=0.5)
    assert abs(card.z).max() < 10
