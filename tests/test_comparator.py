"""What water alone did, against scipy's own Welch test."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from residuekit.decision.comparator import water_change


@pytest.mark.parametrize("shift", [0.0, 0.3, 3.0])
def test_a_change_by_water_is_told_as_welch_s_test_tells_it(shift):
    rng = np.random.default_rng(3)
    water, untreated = rng.normal(shift, 1.0, 6), rng.normal(0.0, 0.3, 3)
    change = water_change(water, untreated)
    error = math.sqrt(water.var(ddof=1) / 6 + untreated.var(ddof=1) / 3)
    assert change.standard_error == pytest.approx(error)
    told = stats.ttest_ind(water, untreated, equal_var=False).pvalue < 0.05
    assert change.words.startswith("told" if told else "not told")


def test_too_few_or_equal_mockups_raise_no_warning():
    assert math.isnan(water_change([1.0], [0.9, 1.1]).standard_error)
    assert water_change([1.0, 1.0], [1.0, 1.0]).words.startswith("not told")
    assert water_change([1.5, 1.5], [1.0, 1.0]).words.startswith("told")
