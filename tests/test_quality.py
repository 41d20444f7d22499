"""Pixels that are not fit to be used are found, and sound ones are left alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.schema import FLAGS, flag_words, make_map, make_points
from residuekit.spectra.quality import EXCLUDING, check_quality

AXIS = 900.0 + 4.0 * np.arange(400)
PAINT = 0.1 + 0.4 * np.exp(-0.5 * ((AXIS - 1730) / 15) ** 2)
NOISE = 1e-3
BAD = {"missing": (0, 1), "dead": (2, 3), "noisy": (4, 5)}


def sound(shape=(8, 8), seed=0):
    rng = np.random.default_rng(seed)
    return PAINT + NOISE * rng.standard_normal((*shape, AXIS.size))


def spoilt(seed=0):
    values = sound(seed=seed)
    values[BAD["missing"]][100] = np.nan
    values[BAD["dead"]] = 0.2
    values[BAD["noisy"]] += 20 * NOISE * np.random.default_rng(seed + 1).standard_normal(AXIS.size)
    return values


@settings(max_examples=10, deadline=None)
@given(st.integers(0, 10_000))
def test_missing_dead_and_noisy_pixels_are_found_and_no_sound_one(seed):
    quality = check_quality(make_map(spoilt(seed), AXIS))
    expected = np.ones((8, 8), dtype=bool)
    for place in BAD.values():
        expected[place] = False
    np.testing.assert_array_equal(quality.array["valid"].values, expected)
    for name, place in BAD.items():
        assert int(quality.array["flag"].values[place]) & FLAGS[name][0]
        assert quality.counts[name] == 1
    assert (quality.n_pixels, quality.n_valid, quality.failed) == (64, 61, "")


def test_a_sound_map_has_no_flag_and_its_noise_is_that_of_its_making():
    quality = check_quality(make_map(sound(), AXIS))
    assert quality.array["valid"].all()
    assert not any(quality.counts[name] for name in EXCLUDING)
    assert quality.noise == pytest.approx(NOISE, rel=0.05)


def test_a_map_with_most_pixels_unfit_fails_and_says_which():
    values = sound()
    values.reshape(64, -1)[:40] = 0.1
    quality = check_quality(make_map(values, AXIS))
    assert quality.failed == "only 38% of 64 pixels are valid (40 dead)"
    assert check_quality(make_map(values, AXIS), least_valid=0.3).failed == ""


def test_a_map_without_any_value_fails_without_a_warning():
    quality = check_quality(make_map(np.full((2, 2, AXIS.size), np.nan), AXIS))
    assert quality.failed == "only 0% of 4 pixels are valid (4 missing)"
    assert np.isnan(quality.noise)


@pytest.mark.source("common practice", "", "absorbance 1.2 and 1.5")
def test_saturation_is_flagged_and_counted_above_what_the_detector_follows():
    """1.2 for a map and 1.5 for points: common practice, no source."""
    high = sound((2, 2))
    high[0, 0] += 1.3 * np.exp(-0.5 * ((AXIS - 1730) / 15) ** 2) - 0.3
    quality = check_quality(make_map(high, AXIS))
    assert quality.counts["saturated"] == 1
    assert "detector" in flag_words(quality.array["flag"].values[0, 0])
    assert check_quality(make_points(high[0], AXIS)).counts["saturated"] == 0
    assert check_quality(make_points(high[0], AXIS), saturation=1.2).counts["saturated"] == 1


def test_transmittance_above_one_is_flagged():
    values = 10.0 ** -sound((1, 3))
    values[0, 1, 50] = 1.1
    quality = check_quality(make_map(values, AXIS, quantity="transmittance"))
    assert quality.counts["over_range"] == 1
    assert quality.array["flag"].values[0, 1] & FLAGS["over_range"][0]


def test_the_array_that_was_given_is_left_as_it_was():
    array = make_map(spoilt(), AXIS)
    before = array.copy(deep=True)
    check_quality(array)
    assert array.identical(before)


def test_the_numbers_of_a_map_are_one_row_and_say_themselves():
    quality = check_quality(make_map(spoilt(), AXIS))
    frame = quality.to_frame()
    assert len(frame) == 1
    assert frame.loc[0, "n_valid"] == 61
    assert frame.loc[0, "n_dead"] == 1
    assert "n_valid" in str(quality)
    assert "<table>" in quality._repr_html_()
