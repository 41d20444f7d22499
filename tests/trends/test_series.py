"""Series, exposure margins, normalisation. All data are invented."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from residuekit import trends
from residuekit.errors import ContractError, ResiduekitWarning
from residuekit.kernels.limit_statistics import clopper_pearson_upper
from residuekit.reprs import to_error


def arm(exposure, verdict, positive=0, n=6):
    return {
        "paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "treatment": "gel",
        "exposure_min": exposure, "clearance_min": 2.0, "n_mockups": n, "score": "net signal",
        "positive_mockups": positive, "verdict": verdict, "detection_limit": 0.4,
        "upper_bound": 0.3, "standard_error": 0.12, "unit": "ug cm-2",
    }  # fmt: skip


def margin(*arms):
    (found,) = trends.exposure_margins(pd.DataFrame(arms), working_exposure_min=2)
    return found


def test_the_margin_is_at_least_when_the_longest_rung_is_clean():
    found = margin(arm(2, "not detected"), arm(60, "not detected"))
    assert found.margin == 30
    assert found.at_least
    assert "exposure margin at least 30, 60 min not detected" in str(found)
    assert found.share_upper_bound == clopper_pearson_upper(0, 12, 0.05)


@pytest.mark.parametrize("verdict", ["detected", "inconclusive", "not assessable"])
def test_a_rung_that_is_not_clean_ends_the_margin(verdict):
    found = margin(arm(2, "not detected"), arm(10, verdict), arm(60, "not detected"))
    assert found.margin == 1
    assert not found.at_least
    assert found.n_mockups == 6


def test_without_a_clean_rung_there_is_no_margin():
    found = margin(arm(2, "detected"), arm(10, "not detected"))
    assert np.isnan(found.margin)
    assert "no exposure margin, for none from 2 min on" in str(found)
    assert found.share_upper_bound == 1.0


def test_a_mockup_that_met_two_exposures_counts_once_in_the_pooled_bound():
    """Six mock-ups at both rungs: 0 of 6, not of 12 (one-sided Clopper and Pearson: 39.3 %)."""
    arms = pd.DataFrame([arm(2, "not detected"), arm(60, "not detected")])
    rows = pd.DataFrame(
        [{**arm(exposure, ""), "role": "exposed", "mockup": f"{k}", "positive": False}
         for exposure in (2, 60) for k in range(6)]
    )  # fmt: skip
    (found,) = trends.exposure_margins(arms, 2, mockups=rows)
    assert found.n_mockups == 6
    assert found.share_upper_bound == pytest.approx(0.393, abs=5e-4)
    assert found.n_longest == 6
    assert "6 mock-ups, detection limit 0.40, upper bound 0.30 ug cm-2" in str(found)


def test_positive_mockups_are_counted_however_the_table_was_read():
    """A table from a file holds true and false beside empty cells, one in memory may hold texts."""
    table = mockups({2: 0.0, 60: 1.0})
    (words,) = trends.series(table, score="net signal")
    (booleans,) = trends.series(
        table.assign(positive=(table["positive"] == "true").astype(object)), score="net signal"
    )
    assert words.positive == booleans.positive == (0, 6)


def test_a_shorter_exposure_than_the_working_one_does_not_count():
    assert margin(arm(1, "detected"), arm(2, "not detected")).margin == 1


def mockups(loading):
    rng = np.random.default_rng(3)
    return pd.DataFrame(
        [
            {**arm(exposure, ""), "role": "exposed", "score": "net signal",
             "mockup": f"{exposure}-{k}", "mean": load + rng.normal(0, 0.1),
             "positive": "true" if load > 0.5 else "false"}
            for exposure, load in loading.items()
            for k in range(6)
        ]
    )  # fmt: skip


def test_residue_that_rises_with_exposure_is_found_and_a_flat_series_is_not():
    (rising,) = trends.series(mockups({2: 0.0, 10: 0.3, 60: 1.0}), score="net signal")
    (flat,) = trends.series(mockups({2: 0.0, 10: 0.0, 60: 0.0}), score="net signal")
    assert rising.rise.p_value < 1e-3
    assert rising.positives.p_value < 1e-3
    assert rising.positive == (0, 0, 6)
    assert flat.rise.p_value > 0.05
    assert len(rising.to_frame()) == 3
    error = flat.standard_errors[0]
    assert error == pytest.approx(np.sqrt(0.01 / 6), rel=0.6)
    assert f"mean {to_error(flat.means[0], error)} ± {to_error(error, error)}, " in str(flat)
    assert "share above the limit" in str(rising)
    assert re.search(r"means: exact p = \S+\. .* shares: exact p = \S+\.", str(rising))


def test_where_no_mockup_or_every_one_is_above_the_limit_no_p_value_is_said():
    (none,) = trends.series(mockups({2: 0.0, 10: 0.0, 60: 0.0}), score="net signal")
    (every,) = trends.series(mockups({2: 1.0, 10: 1.0}), score="net signal")
    assert "shares: nothing to test, no mock-up is above the limit." in str(none)
    assert "shares: nothing to test, every mock-up is above the limit." in str(every)
    assert none.to_frame()["p_share_rises"].isna().all()
    assert "nan" not in str(none)


def test_of_many_mockups_the_normal_deviate_is_said():
    loading = {1: 0.0, 2: 0.0, 10: 0.3, 60: 1.0}
    (found,) = trends.series(mockups(loading), score="net signal")
    assert f"means: z = {found.rise.z:.2f}, p = " in str(found)


def test_series_over_something_else_or_an_unknown_score_are_refused():
    with pytest.raises(ContractError, match="exposure_min or ageing_h"):
        trends.series(mockups({2: 0.0}), over="time", score="net signal")
    with pytest.raises(ContractError, match="no exposed row"):
        trends.series(mockups({2: 0.0}), score="net")


def test_a_true_rise_of_10_percent_appears_as_4_8_on_a_band_where_the_gel_absorbs():
    """Paint 0.60 at 1735 and 0.20 at 1090, residue 0.03 and 0.02: worked by hand, 0.22/0.63."""
    with pytest.warns(ResiduekitWarning, match=r"a true 10.0% rise .* appears as 4.8%"):
        true, apparent = trends.normalised_rise((0.20, 0.60), (0.02, 0.03))
    assert true == pytest.approx(0.10)
    assert apparent == pytest.approx(0.22 / 0.63 * 3 - 1)


def test_a_band_free_of_gel_keeps_the_rise_without_a_warning():
    true, apparent = trends.normalised_rise((0.20, 0.60), (0.02, 0.0))
    assert apparent == pytest.approx(true)
    with pytest.raises(ContractError, match="paint above 0"):
        trends.normalised_rise((0.0, 0.60), (0.02, 0.03))


@pytest.mark.parametrize(
    ("level", "hours", "unit", "value", "of"),
    [
        (50, 3000, "lx", 0.15e6, "lx h"),
        (200, 3650, "lx", 0.73e6, "lx h"),
        (1.10, 100, "W m-2 nm-1", 396, "kJ m-2 nm-1"),
        (0.51, 100, "W m-2 nm-1", 183.6, "kJ m-2 nm-1"),
    ],
)
def test_doses_by_hand_and_what_does_not_follow(level, hours, unit, value, of):
    found = trends.dose(level, hours, unit)
    assert found.value == pytest.approx(value)
    assert found.unit == of
    assert "No years of display" in str(found)


def test_a_dose_of_an_unknown_unit_or_below_zero_is_refused():
    with pytest.raises(ContractError, match="did you mean"):
        trends.dose(50, 10, "lxx")
    with pytest.raises(ContractError, match="from 0 up"):
        trends.dose(-1, 10, "lx")


def test_what_ages_with_and_without_gel_is_no_growth_by_gel():
    rng = np.random.default_rng(9)
    axis = np.arange(120.0)
    common, own = (np.exp(-0.5 * ((axis - place) / 4) ** 2) for place in (30, 90))
    young, blank = rng.normal(0, 0.01, (2, 6, 120))
    aged, aged_blank = rng.normal(0, 0.01, (2, 6, 120)) + common
    grown, error, limit = trends.growth_by_gel(young, aged + own, blank, aged_blank)
    assert grown[90] > 50 * error[90]
    assert np.abs(grown[:60] / error[:60]).max() < 5
    assert (grown > limit)[90]
    assert not (grown > limit)[:60].any()
    with pytest.raises(ContractError, match="two mock-ups or more"):
        trends.growth_by_gel(young[:1], aged, blank, aged_blank)
