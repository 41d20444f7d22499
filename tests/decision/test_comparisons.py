"""Arms against each other: within panels, and through blanks that are not the same."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from residuekit.decision.assessment import Rules, assess
from residuekit.decision.blindness import assess_blindness
from residuekit.decision.comparisons import Compared, compare_arms, difference_within
from residuekit.decision.panel_layout import panel_means, panels_of, within_panels
from residuekit.decision.verdict import judge

ROW = {"paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "residue": "gel", "treatment": "gel",
       "exposure_min": 2.0, "clearance_min": 1.0, "clearance": ""}  # fmt: skip
ONE, TWO = list("AABBCC"), list("AABBBC")


def arm(blanks, exposed, on_blanks="", on_exposed="", **own):
    """An arm of these scores, on panels where they are named."""
    blanks, exposed, lie = np.array(blanks), np.array(exposed), None
    if on_blanks:
        lie = panels_of(on_blanks, on_exposed)
        beside = panel_means(blanks[:, None], on_blanks, on_exposed)[:, 0]
        exposed = exposed - beside + blanks.mean()
        blanks = within_panels(blanks[:, None], on_blanks)[:, 0]
    found = assess(blanks, exposed, assess_blindness(blanks), Rules(), panels=lie)
    row = {**ROW, "paired": "block" if on_blanks else "", **own}
    return Compared(row, judge([found]), " ".join(own.values()), list(on_exposed))


def compared(*arms):
    (found,) = compare_arms(arms)
    return found


def test_one_panel_is_welch_and_one_mockup_of_each_arm_a_panel_is_the_t_test_of_pairs():
    rng = np.random.default_rng(1)
    left, right = rng.standard_normal(6), 3 * rng.standard_normal(4) + 1
    made = difference_within(left, right, ("A" * 6, "A" * 4))
    welch = stats.ttest_ind(left, right, equal_var=False)
    assert made[:2] == pytest.approx((left.mean() - right.mean(), made.value / welch.statistic))
    assert made.freedom == pytest.approx(welch.df)
    pairs = left[:5] + 9.0 * np.arange(5), 0.3 * rng.standard_normal(5) + 9.0 * np.arange(5)
    made, paired = difference_within(*pairs, ("ABCDE",) * 2), stats.ttest_rel(*pairs)
    assert made.value / made.error == pytest.approx(paired.statistic)
    assert (made.freedom, made.panels) == (pytest.approx(paired.df), 5)


def test_uneven_panels_are_the_additive_model_of_panel_and_arm_by_least_squares():
    """Estimate, leverage and residuals by the design matrix written out."""
    rng = np.random.default_rng(2)
    left, right = rng.standard_normal(6), rng.standard_normal(6)
    made = difference_within(left, right, (ONE, TWO))
    first = np.arange(12) < 6
    design = np.column_stack([*(np.array(ONE + TWO) == name for name in "ABC"), first]).astype(
        float
    )
    inverse = np.linalg.pinv(design)
    values = np.concatenate([left, right])
    residuals, free = values - design @ (inverse @ values), 1 - np.diag(design @ inverse)
    parts = [
        (inverse[3, own] ** 2).sum() * (residuals[own] ** 2).sum() / free[own].sum()
        for own in (first, ~first)
    ]
    assert made.value == pytest.approx(inverse[3] @ values)
    assert made.error == pytest.approx(np.sqrt(sum(parts)))
    assert free.sum() == pytest.approx(12 - 4)
    assert made.freedom <= 8 + 1e-9


def test_blanks_and_what_panels_differ_by_fall_out_of_a_comparison_within_panels():
    rng, found = np.random.default_rng(3), []
    blanks, left, right = (rng.standard_normal(6) for _ in range(3))
    for shift, water in ((0.0, 0.0), (40.0, 3.0)):
        apart = shift * np.array([-1.0, 0.0, 2.0]).repeat(2)
        moved = blanks + apart + water * rng.standard_normal(6)
        arms = [arm(moved, values + apart, ONE, ONE, treatment=name)
                for name, values in (("agar", left), ("gellan", right))]  # fmt: skip
        found.append(compared(*arms))
    assert found[0].panels == found[1].panels == 3
    for name in ("difference", "low", "high", "p"):
        assert getattr(found[0], name) == pytest.approx(getattr(found[1], name)), name


def held(make, runs=300, seed=4):
    """The share of comparisons of arms without residue whose interval holds none, and how wide
    they are."""
    rng = np.random.default_rng(seed)
    made = [compared(*make(rng)) for _ in range(runs)]
    return np.mean([one.low <= 0 <= one.high for one in made]), np.mean(
        [one.high - one.low for one in made]
    )


def shared_panels(rng):
    """Three panels that differ, on each two blanks and two mock-ups of either gel."""
    panel = 3 * rng.standard_normal(3).repeat(2)
    blanks = panel + rng.standard_normal(6)
    return [arm(blanks, panel + rng.standard_normal(6), ONE, ONE, treatment=name)
            for name in ("agar", "gellan")]  # fmt: skip


def test_intervals_within_panels_hold_the_truth_and_are_no_wider_than_they_need_be():
    """95 % and three errors of 300; the width of an interval with 8 degrees of freedom, 3 % about
    it, where the scatter of the arms' values as they stand would make it 12 % wider."""
    share, width = held(shared_panels)
    assert 0.91 < share < 0.99
    needed = 2 * stats.t.ppf(0.975, 8) * np.sqrt(2 / 6)
    assert width == pytest.approx(needed, rel=0.05)


def panels_apart(rng):
    """Either gel on two panels of its own, two blanks and two mock-ups on each."""
    panel = 3 * rng.standard_normal(4).repeat(2)
    on, blanks = list("AABBCCDD"), panel + rng.standard_normal(8)
    return [arm(blanks, panel[own] + rng.standard_normal(4), on, on[own], treatment=name)
            for name, own in (("agar", slice(4)), ("gellan", slice(4, 8)))]  # fmt: skip


def other_blanks(rng):
    """Either exposure with three blanks of its own, without panels."""
    return [arm(rng.standard_normal(3), rng.standard_normal(6), exposure_min=time)
            for time in ("2", "60")]  # fmt: skip


@pytest.mark.parametrize("make", [panels_apart, other_blanks])
def test_where_blanks_do_not_fall_out_their_scatter_is_in_the_interval(make):
    """By the scatter of the exposed mock-ups alone some 90 and 77 % of them hold it."""
    assert held(make)[0] > 0.92
    assert compared(*make(np.random.default_rng(1))).panels == 0


def test_arms_on_shared_panels_without_blanks_enough_are_compared_within_them():
    """Neither is judged within panels; what panels differ by falls out of their difference."""
    rng = np.random.default_rng(5)
    panel, blanks = 9 * rng.standard_normal(3).repeat(2), rng.standard_normal(5)
    arms = [arm(blanks, panel + rng.standard_normal(6), "", ONE, treatment=name)
            for name in ("agar", "gellan")]  # fmt: skip
    found = compared(*arms)
    assert found.panels == 3
    unnamed = compared(*(one._replace(panels=[""] * 6) for one in arms))
    assert unnamed.panels == 0
    assert unnamed.high - unnamed.low > 2 * (found.high - found.low)


def test_one_pair_alone_gives_no_interval():
    made = difference_within([1.0], [0.5], (["A"], ["A"]))
    assert made.value == 0.5
    assert np.isnan(made.error)
