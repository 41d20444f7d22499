"""Which blanks an arm is compared with, and what water alone did, against scipy's Welch test."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from residuekit.decision.comparator import comparator_notes, comparator_places, water_change
from residuekit.words.codes import sentence

NAN = math.nan


def told(change):
    """Whether a change by water is told from nothing."""
    return bool(change.changed)


@pytest.mark.parametrize("shift", [0.0, 0.3, 3.0])
def test_a_change_by_water_is_told_as_welch_s_test_tells_it(shift):
    rng = np.random.default_rng(3)
    water, untreated = rng.normal(shift, 1.0, 6), rng.normal(0.0, 0.3, 3)
    change = water_change(water, untreated)
    error = math.sqrt(water.var(ddof=1) / 6 + untreated.var(ddof=1) / 3)
    assert change.size == pytest.approx(water.mean() - untreated.mean())
    assert change.standard_error == pytest.approx(error)
    assert told(change) == (stats.ttest_ind(water, untreated, equal_var=False).pvalue < 0.05)


def test_the_scatters_of_the_two_sides_are_not_pooled():
    """Three untreated mock-ups that scatter widely: Student's test would see a change."""
    water, untreated = np.array([1.1, 1.3, 1.1, 1.3, 1.2, 1.2]), np.array([-1.0, 0.0, 1.0])
    assert stats.ttest_ind(water, untreated).pvalue < 0.05
    assert stats.ttest_ind(water, untreated, equal_var=False).pvalue > 0.05
    assert not told(water_change(water, untreated))


@pytest.mark.parametrize(("p", "expected"), [(0.051, False), (0.049, True)])
def test_the_level_is_5_per_cent_two_sided(p, expected):
    """Four against four of one scatter: nu = 6, SE = s / sqrt(2)."""
    shape = np.array([-1.0, 1.0, -1.0, 1.0])
    shift = stats.t.isf(p / 2, 6) * math.sqrt(shape.var(ddof=1) / 2)
    for sign in (1, -1):
        assert told(water_change(shape + sign * shift, shape)) is expected


def test_two_mockups_a_side_are_the_least():
    assert math.isnan(water_change([1.0], [0.9, 1.1]).standard_error)
    assert math.isnan(water_change([0.9, 1.1], [1.0]).standard_error)
    assert water_change([1.5], [1.0]).size == 0.5
    assert not told(water_change([9.0], [0.0, 0.1]))
    two = water_change([1.0, 1.2], [0.0, 0.2])
    assert two.standard_error == pytest.approx(math.sqrt(0.02))
    assert told(two)


def test_equal_mockups_raise_no_warning():
    assert not told(water_change([1.0, 1.0], [1.0, 1.0]))
    assert told(water_change([1.5, 1.5], [1.0, 1.0]))


@pytest.mark.parametrize(
    ("treatments", "exposures", "exposure", "places"),
    [
        # three water-only blanks of the arm's exposure stand by themselves
        (["water"] * 5, [2, 60, 2, 60, 2], 2, [0, 2, 4]),
        # two are too few: all water-only blanks
        (["water"] * 5, [2, 60, 2, 60, 60], 2, [0, 1, 2, 3, 4]),
        (["water"] * 4, [60] * 4, 2, [0, 1, 2, 3]),
        # untreated ones are never pooled with them
        (["none", "water", "none", "none"], [2, 60, 2, 2], 2, [1]),
        (["none", "water", "water", "water"], [2, 2, 2, 2], 2, [1, 2, 3]),
        # and stand in alone
        (["none", "none"], [NAN, NAN], 2, [0, 1]),
        ([], [], 2, []),
        (["water"] * 4, [NAN, 2, 2, 2], None, [0, 1, 2, 3]),
    ],
)
def test_the_blanks_an_arm_is_compared_with(treatments, exposures, exposure, places):
    assert comparator_places(treatments, exposures, exposure) == places


@pytest.mark.parametrize(
    ("treatments", "exposures", "notes"),
    [
        (["water"] * 3, [2, 2, 2], []),
        (["none", "none"], [NAN, 2], [("untreated-comparator", {})]),
        (["water", "none"], [2, 2], []),
        (["water"] * 4, [60, 2, 0, 60],
         [("other-exposure", {"exposures": [0, 2, 60], "unstated": False, "exposure_min": 2})]),
        (["water"] * 2, [NAN, NAN],
         [("other-exposure", {"exposures": [], "unstated": True, "exposure_min": 2})]),
        (["water"] * 3, [NAN, 60, 2],
         [("other-exposure", {"exposures": [2, 60], "unstated": True, "exposure_min": 2})]),
    ],
)  # fmt: skip
def test_what_is_said_of_the_chosen_blanks(treatments, exposures, notes):
    assert [(note.code, dict(note.numbers)) for note in
            comparator_notes(treatments, exposures, 2)] == notes  # fmt: skip


def test_other_exposures_are_named_in_the_sentence():
    def said(*exposures):
        (note,) = comparator_notes(["water"] * len(exposures), exposures, 2)
        return sentence(note)

    assert "of 2 and 60 min, not all of the arm's 2 min" in said(60, 2)
    assert "of 60 min or unstated exposure, not" in said(NAN, 60)
    assert "of unstated exposure, not" in said(NAN)


@pytest.mark.parametrize(
    ("water", "untreated", "few", "changed"),
    [([1.0, 1.2], [0.0, 0.2], False, True), ([1.0, 1.2], [1.1, 1.0, 1.2], False, False),
     ([1.0], [0.9, 1.1], True, False)],
)  # fmt: skip
def test_a_change_by_water_is_a_note_on_the_deciding_score(water, untreated, few, changed):
    change = water_change(water, untreated)
    note = change.note("net signal", "ug cm-2")
    assert note.code == "water-change"
    numbers = dict(note.numbers)
    assert numbers.pop("error") == pytest.approx(change.standard_error, nan_ok=True)
    assert numbers == {
        "score": "net signal", "unit": "ug cm-2", "size": change.size, "n_water": len(water),
        "n_untreated": len(untreated), "level": 0.05, "few": few, "changed": changed,
    }  # fmt: skip
    said = sentence(note)
    assert f"{len(water)} water-only less {len(untreated)} untreated mock-ups" in said
    assert ("too few mock-ups" in said) is few
    assert ("could not tell this change from zero" in said) is (not few and not changed)
