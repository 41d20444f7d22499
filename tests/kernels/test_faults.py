"""Marks of a bad measurement: each is found where it was put, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.kernels import faults

AXIS = np.arange(800.0, 3800.0, 4.0)
NOISE = 1e-3


def spectra(count: int = 6, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    bands = sum(np.exp(-(((AXIS - p) / 15) ** 2)) for p in (1000, 1240, 1735, 2930))
    return 0.3 * bands + rng.normal(0, NOISE, (count, AXIS.size))


@given(channel=st.integers(3, AXIS.size - 4), height=st.sampled_from([-0.1, 0.1]))
@settings(max_examples=30, deadline=None)
def test_a_spike_is_found_in_its_channel_and_goes(channel, height):
    rows = spectra()
    rows[2, channel] += height
    mended, found = faults.without_spikes(rows)
    assert np.argwhere(found).tolist() == [[2, channel]]
    np.testing.assert_allclose(mended[2, channel], spectra()[2, channel], atol=0.02)
    np.testing.assert_array_equal(np.delete(mended, 2, 0), np.delete(rows, 2, 0))


def test_bands_two_channels_wide_noise_and_rounding_are_no_spikes():
    narrow = np.exp(-4 * np.log(2) * ((AXIS - 1500) / 8) ** 2)
    rows = np.vstack([spectra(200), spectra(1) + narrow, np.round(spectra(20), 2), narrow[None]])
    assert not faults.find_spikes(rows).any()


def test_nan_is_no_spike_and_short_spectra_have_none():
    rows = spectra(2)
    rows[0, 100] = np.nan
    assert not faults.find_spikes(rows).any()
    assert not faults.find_spikes([[0.0, 9.0, 0.0]]).any()


@pytest.mark.source("from memory", "", "d2 = 4.498 of 50 points")
def test_line_noise_is_that_of_the_residuals_and_knows_no_slope():
    rows = np.random.default_rng(3).normal(0, 1, (2000, AXIS.size)) + 0.01 * AXIS
    noise = faults.line_noise(rows, AXIS, 2000, 2196)
    assert noise.n == 50
    assert np.sqrt((noise.rms**2).mean()) == pytest.approx(1.0, abs=0.01)
    # The mean range of 50 normal values is 4.498 sigma: the d2 of control charts, from memory;
    # the fitted line takes sqrt(48/50) of the variance.
    assert noise.peak_to_peak.mean() == pytest.approx(4.498 * np.sqrt(48 / 50), abs=0.05)


def test_line_noise_outside_the_axis_is_nothing():
    assert np.isnan(faults.line_noise(spectra(), AXIS, 100, 200).rms).all()


@given(slope=st.floats(-0.5, 0.5))
@settings(max_examples=20, deadline=None)
def test_the_slope_of_the_baseline_is_found_under_bands(slope):
    found = faults.baseline_slope(spectra() + slope * AXIS / 1000, AXIS)
    np.testing.assert_allclose(found, slope, atol=0.02)


@given(period=st.floats(40, 380), phase=st.floats(0, 6.2))
@settings(max_examples=25, deadline=None)
def test_a_fringe_is_found_with_its_period_and_amplitude(period, phase):
    rows = spectra() + 0.01 * np.cos(2 * np.pi * AXIS / period + phase)
    found = faults.fit_fringes(rows, AXIS)
    np.testing.assert_allclose(1 / found.period, 1 / period, atol=0.4 / 800)
    np.testing.assert_allclose(found.amplitude.mean(), 0.01, rtol=0.2)
    np.testing.assert_allclose(found.amplitude, 0.01, rtol=0.3)  # up to 28 % on a grid of fringes
    assert (found.share > 0.7).all()


def test_noise_alone_is_no_fringe():
    assert (faults.fit_fringes(spectra(300), AXIS).share < 0.3).all()


def test_the_excess_of_noise_is_one_and_lines_raise_it():
    rows = spectra(400)
    sigma = np.full(400, NOISE)
    assert faults.second_difference_excess(rows, AXIS, sigma).mean() == pytest.approx(1, abs=0.03)
    rows[:, np.abs(AXIS - 1844) < 2] += 0.02
    assert (faults.second_difference_excess(rows, AXIS, sigma) > 2).all()


@pytest.mark.parametrize(
    ("shape", "phase"),
    [
        (lambda x: np.exp(-(x**2) / 2), 0),
        (lambda x: 1 / (1 + x**2), 0),
        (lambda x: x / (1 + x**2), 90),
        (lambda x: -x / (1 + x**2), 90),
        (lambda x: 1 / (1 + x**2) + x / (1 + x**2), 45),
        (lambda x: -np.exp(-(x**2) / 2), 180),
    ],
    ids=["Gaussian", "Lorentzian", "dispersive", "other sign", "both alike", "inverted"],
)
@pytest.mark.parametrize("spacing", [1.0, 4.0])
def test_the_phase_of_the_bands_tells_absorption_from_dispersion(shape, phase, spacing):
    fine = np.arange(800.0, 2200.0, spacing)
    rows = (shape((fine - 1500) / 25) + 0.4 * shape((fine - 1100) / 15))[None]
    assert faults.band_phase(rows, fine, [1e-9])[0] == pytest.approx(phase, abs=3)


def test_crowded_absorption_bands_are_not_dispersive():
    """Bands of one width side by side: a wave on a plateau, of which half bends upward."""
    fine = np.arange(800.0, 2200.0, 4.0)
    rows = sum(np.exp(-(((fine - p) / 14) ** 2)) for p in range(1000, 1300, 28))[None]
    assert faults.band_phase(rows, fine, [1e-9])[0] < 20


def test_noise_and_a_coarse_axis_have_no_phase():
    rows = np.random.default_rng(0).normal(0, 1, (20, 400))
    assert np.isnan(faults.band_phase(rows, np.arange(400.0) * 4 + 800, np.ones(20))).all()
    curve = np.exp(-(((AXIS - 2000) / 600) ** 2))[None]
    assert np.isnan(faults.band_phase(curve, AXIS * 10, [1e-9])).all()


def test_a_kink_in_a_flank_and_a_spike_in_loud_noise_do_not_stand_out():
    """The kink of 0.027 on a step of 0.19 is that of the oils at 1474 cm-1 (tests/external)."""
    rows = np.vstack([spectra(400).mean(axis=0), spectra(1)])
    channel = int(np.argmin(np.abs(AXIS - 1748)))
    flank = rows[0, channel + 1] - rows[0, channel - 1]
    rows[0, channel] += 0.14 * abs(flank)
    rows[1, 400] += 0.05
    found = faults.find_spikes(rows)
    assert np.argwhere(found).tolist() == [[0, channel], [1, 400]]
    assert np.argwhere(faults.stands_out(rows, found)).tolist() == [[1, 400]]
    rows[1, 386:415] += np.random.default_rng(0).normal(0, 0.01, 29)
    assert not faults.stands_out(rows, found)[1].any()


def test_the_strength_of_a_spectrum_is_its_factor_over_any_line():
    typical = spectra(1)[0]
    rows = np.array([0.2, 1.0, 1.7])[:, None] * typical + 0.1 + 1e-4 * AXIS
    np.testing.assert_allclose(faults.contact_strength(rows, AXIS, typical), [0.2, 1.0, 1.7])
