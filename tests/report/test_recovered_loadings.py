"""Each spiked mock-up is found by a line that was made without it. All data are invented."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from residuekit.decision.panel_layout import panel_means, within_panels
from residuekit.kernels.recovery import recovery
from residuekit.kernels.slope import slope_through_zero
from residuekit.report.limit_table import Controls
from residuekit.report.recovered_loadings import recovered

LOADS = (1.0, 1.0, 2.0, 2.0, 4.0)
SPIKED = (1.1, 0.8, 2.1, 1.9, 4.4)


def test_each_is_found_by_the_line_of_the_others():
    found = recovery(LOADS, SPIKED, 0.1)
    for place, ratio in enumerate(found.ratios):
        others = [k for k in range(5) if k != place]
        slope = slope_through_zero(
            [LOADS[k] for k in others], [SPIKED[k] for k in others], 0.1
        ).value
        assert ratio == pytest.approx(SPIKED[place] / slope / LOADS[place])
    interval = stats.t.interval(0.95, 4, found.mean, stats.sem(found.ratios))
    assert (found.low, found.high) == pytest.approx(interval)


def test_the_interval_holds_one_where_the_line_is_right():
    rng, held, loads = np.random.default_rng(1), 0, np.repeat([1.0, 2.0, 4.0], 2)
    for _ in range(400):
        found = recovery(loads, loads + 0.1 * rng.standard_normal(6), 0.1)
        held += found.low <= 1 <= found.high
    assert held / 400 > 0.9


def test_within_panels_the_interval_holds_one_and_panels_do_not_widen_it():
    """Two blanks and two spiked mock-ups on each of three panels that differ three times as much as
    mock-ups do; taken against the mean of all blanks the intervals are twice as wide."""
    rng, on = np.random.default_rng(2), list("AABBCC")
    loads, held, widths = (6.0, 18.0) * 3, 0, []
    for _ in range(300):
        panel = 3 * rng.standard_normal(3).repeat(2)
        blanks = panel + rng.standard_normal(6)
        spiked = panel + np.array(loads) + rng.standard_normal(6)
        within = within_panels(blanks[:, None], on)[:, 0] - blanks.mean()
        apart = spiked - panel_means(blanks[:, None], on, on)[:, 0]
        given = [(within, apart, "block"), (blanks, spiked, "")]
        found, ignored = (
            recovered(Controls("band", paired, "ug cm-2", tuple(own), loads, tuple(k), (True,) * 6))
            for own, k, paired in given
        )
        held += found.low <= 1 <= found.high
        widths.append((found.high - found.low, ignored.high - ignored.low))
    assert held / 300 > 0.95
    assert np.mean(widths, axis=0)[0] < 0.6 * np.mean(widths, axis=0)[1]


def test_a_mockup_that_took_up_half_of_its_loading_shows():
    found = recovery(LOADS, [1.0, 1.0, 2.0, 2.0, 2.0], 0.1)
    assert found.ratios[4] == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize(("unit", "n"), [("reference", 5), ("ug cm-2", 2)])
def test_without_loadings_or_with_two_mockups_there_is_none(unit, n):
    blanks, found = (0.0, 0.1, -0.1), (True,) * n
    controls = Controls("net signal", "", unit, blanks, LOADS[:n], SPIKED[:n], found)
    assert recovered(controls) is None
    with pytest.raises(ValueError, match="3 or more"):
        recovery(LOADS[:2], SPIKED[:2], 0.1)
