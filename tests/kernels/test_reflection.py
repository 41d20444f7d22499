"""Evanescent fields, diffuse and specular reflection: invariants and refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.errors import ProcedureError
from residuekit.kernels import reflection

AXIS = np.arange(800.0, 3000.0, 2.0)


def lorentz(axis, strength=120.0, place=1730.0, width=20.0):
    """n and k of one oscillator."""
    return np.sqrt(2.25 + strength**2 / (place**2 - axis**2 - 1j * width * axis))


@given(n1=st.floats(2.3, 4.2), n2=st.floats(1.2, 1.6), factor=st.floats(1.1, 3.0))
@settings(max_examples=25, deadline=None)
def test_depth_and_effective_thickness_fall_as_the_inverse_of_the_wavenumber(n1, n2, factor):
    for length in (reflection.penetration_depth, reflection.effective_thickness):
        near, far = length(np.array([1000.0, 1000.0 * factor]), n1, n2)
        assert near == pytest.approx(factor * far)


def test_no_total_reflection_is_refused_with_the_highest_index_that_would_do():
    with pytest.raises(ProcedureError, match=r"below 1\.697"):
        reflection.penetration_depth(1000.0, 2.4, 1.7, 45.0)


def test_a_thick_film_has_the_whole_signal_and_two_films_add_as_layers_do():
    depth = reflection.penetration_depth(1090.0)
    assert reflection.film_fraction(100.0, depth) == pytest.approx(1.0)
    lower, both = reflection.film_fraction(np.array([0.2, 0.5]), depth)
    assert both == pytest.approx(
        lower + (1 - reflection.film_fraction(0.2, depth)) * reflection.film_fraction(0.3, depth)
    )


def test_kubelka_munk_is_missing_where_nothing_comes_back():
    found = reflection.kubelka_munk([[1.0, 0.5, 0.0, -0.1]])[0]
    np.testing.assert_array_equal(np.isnan(found), [False, False, True, True])
    assert found[0] == 0


def test_reflectance_goes_to_n_and_k_and_back():
    index = lorentz(AXIS)
    reflected = np.abs((index - 1) / (index + 1)) ** 2
    n, k = reflection.kramers_kronig(reflected[None], AXIS)
    found = n[0] + 1j * k[0]
    np.testing.assert_allclose(np.abs((found - 1) / (found + 1)) ** 2, reflected)
    near = np.abs(AXIS - 1730) < 200
    np.testing.assert_allclose(k[0, near], index.imag[near], atol=2e-3)
    np.testing.assert_allclose(n[0, near], index.real[near], atol=5e-3)


def test_flat_reflectance_absorbs_nothing():
    n, k = reflection.kramers_kronig(np.full((1, 50), 0.04), np.arange(1000.0, 1200.0, 4.0))
    np.testing.assert_allclose(k, 0, atol=0.015)
    np.testing.assert_allclose(n, 1.5, atol=0.01)


def test_a_spectrum_that_no_mirror_gives_is_missing_and_alone():
    rows = np.full((3, 50), 0.04)
    rows[1, 7] = 1.2
    k = reflection.kramers_kronig(rows, np.arange(1000.0, 1200.0, 4.0)).k
    np.testing.assert_array_equal(np.isnan(k).all(axis=1), [False, True, False])


@pytest.mark.parametrize("axis", [np.geomspace(800, 3000, 50), np.arange(0.0, 200.0, 4.0)])
def test_an_axis_without_even_steps_or_from_zero_is_refused(axis):
    with pytest.raises(ProcedureError):
        reflection.kramers_kronig(np.full((1, axis.size), 0.04), axis)
