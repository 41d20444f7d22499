"""The 100 % line and band positions against a certificate typed in."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.errors import ContractError
from residuekit.schema import make_points
from residuekit.spectra.instrument import air_to_vacuum, check_line, check_positions, vacuum_to_air

AXIS = np.arange(800.0, 3400.0, 1.0)
PLACES = (906.8, 1028.3, 1601.2, 2849.5, 3060.0)


def film(factor=1.0, noise=0.0, seed=0):
    """A film whose bands truly lie at PLACES, on an axis that reads true / factor."""
    true = AXIS * factor
    absorbance = sum(0.4 * np.exp(-(((true - place) / 4) ** 2)) for place in PLACES)
    rows = 10**-absorbance + np.random.default_rng(seed).normal(0, noise, AXIS.size)
    return make_points(rows, AXIS, quantity="transmittance")


def against(array, uncertainty=0.1, **options):
    certificate = [(place, uncertainty) for place in PLACES]
    given = {"coverage": 2.0, "certified_in": "vacuum", "measured_in": "vacuum", **options}
    return check_positions(array, certificate, **given)


def line(noise=1e-4, level=1.0):
    rows = level + np.random.default_rng(1).normal(0, noise, AXIS.size)
    return make_points(rows, AXIS, quantity="transmittance")


def test_a_good_line_passes_with_its_noise_window_and_number_of_points():
    found = check_line(line())
    assert found.failed == ""
    assert (found.low, found.high, found.n) == (2000, 2200, 201)
    assert found.rms == pytest.approx(1e-4, rel=0.15)


@pytest.mark.parametrize(
    ("array", "words"),
    [(line(level=1.01), "beyond 1"), (line(noise=1.5e-3), "RMS noise"),
     (line(level=0.99), "beyond 1")],
)  # fmt: skip
def test_a_bad_line_says_why(array, words):
    assert words in check_line(array).failed


def test_a_line_of_another_quantity_or_without_the_window_is_refused():
    with pytest.raises(ContractError, match="transmittance"):
        check_line(make_points(np.zeros(AXIS.size), AXIS))
    with pytest.raises(ContractError, match="3 points"):
        check_line(line(), low=100, high=200)


@given(factor=st.floats(0.9995, 1.0005))
@settings(max_examples=15, deadline=None)
@pytest.mark.parametrize("method", ["extremum", "centroid"])
def test_the_factor_of_the_axis_is_found(method, factor):
    found = against(film(factor), method=method)
    assert found.factor == pytest.approx(factor, abs=1e-5)


def test_the_error_of_the_factor_is_that_of_repeated_measurements():
    found = [against(film(1.0002, noise=0.005, seed=seed), uncertainty=1e-3) for seed in range(40)]
    factors = np.array([one.factor for one in found])
    typical = np.sqrt(np.mean([one.factor_se**2 for one in found]))
    assert factors.std(ddof=1) == pytest.approx(typical, rel=0.4)
    assert factors.mean() == pytest.approx(1.0002, abs=3 * typical)


def test_a_shifted_axis_fails_and_names_the_bands():
    found = against(film(1.0005))
    assert found.failed.startswith("beyond what is allowed")
    assert "3060.0 by -1.5" in found.failed
    assert against(film(1.0005), tolerance=2.0).failed == ""
    assert against(film()).failed == ""


def test_the_uncertainty_is_divided_by_its_coverage():
    rows = against(film(), uncertainty=0.4, coverage=4.0).rows
    assert {row["uncertainty"] for row in rows} == {0.1}
    assert rows[0]["allowed"] == pytest.approx(0.4, abs=0.05)


def test_air_and_vacuum_are_told_apart():
    assert against(film()).failed == ""
    mixed = against(film(), measured_in="air")
    assert mixed.factor == pytest.approx(1.000273, abs=2e-6)
    assert "3060.8" in mixed.failed
    np.testing.assert_allclose(air_to_vacuum(vacuum_to_air(3000.0)), 3000.0, rtol=1e-9)


@pytest.mark.parametrize("options", [{"measured_in": "vaccum"}, {"method": "centriod"}])
def test_words_that_are_not_known_are_answered(options):
    with pytest.raises(ContractError, match="did you mean"):
        against(film(), **options)


def test_a_film_without_the_band_is_refused():
    flat = make_points(np.linspace(0.8, 0.9, AXIS.size), AXIS, quantity="transmittance")
    with pytest.raises(ContractError, match="no band within"):
        against(flat)
