"""Films: what must hold of any stack, any cone of light and any instrument."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.errors import ContractError
from residuekit.kernels import layers
from residuekit.kernels.reflection import index_from_absorption, penetration_depth

AXIS = np.arange(800.0, 4000.5, 4.0)
STACKS = st.lists(
    st.tuples(st.floats(1.0, 4.0), st.floats(0.0, 2.0), st.floats(0.0, 20.0)), max_size=5
)
angle = st.floats(0.0, 85.0)


@settings(max_examples=60, deadline=None)
@given(stack=STACKS, last=st.floats(1.0, 4.0), angle=angle)
def test_what_is_reflected_and_transmitted_without_absorption_adds_up_to_one(stack, last, angle):
    indices = [1.0, *(n for n, _, _ in stack), last]
    light = layers.stack_powers(indices, [d for *_, d in stack], AXIS, angle)
    np.testing.assert_allclose(light.reflected + light.transmitted, 1.0, atol=1e-10)


@settings(max_examples=60, deadline=None)
@given(stack=STACKS, n=st.floats(1.0, 4.0), k=st.floats(0.0, 30.0), angle=angle)
def test_an_absorbing_stack_never_gives_back_more_than_it_was_given(stack, n, k, angle):
    indices = [1.0, *(n + 1j * k for n, k, _ in stack), n + 1j * k]
    light = layers.stack_powers(indices, [d for *_, d in stack], AXIS, angle)
    assert (light.reflected >= 0).all()
    assert (light.transmitted >= -1e-12).all()
    assert (light.reflected + light.transmitted <= 1 + 1e-10).all()


@settings(max_examples=30, deadline=None)
@given(stack=STACKS, angle=angle)
def test_light_that_goes_the_other_way_is_transmitted_alike(stack, angle):
    """Reciprocity: a stack in air transmits the same from both sides."""
    inner, depths = [n + 1j * k for n, k, _ in stack], [d for *_, d in stack]
    there = layers.stack_powers([1.0, *inner, 1.0], depths, AXIS, angle)
    back = layers.stack_powers([1.0, *inner[::-1], 1.0], depths[::-1], AXIS, angle)
    np.testing.assert_allclose(there.transmitted, back.transmitted, rtol=1e-9, atol=1e-14)


@settings(max_examples=8, deadline=None)
@given(
    bands=st.lists(
        st.tuples(st.floats(1000, 3000), st.floats(20, 60), st.floats(0.01, 0.3)),
        min_size=1, max_size=5,
    )
)  # fmt: skip
def test_n_and_k_of_oscillators_keep_kramers_and_kronig_s_relations(bands):
    axis = np.arange(2.5, 8000.0, 2.5)
    index = layers.band_index(axis, bands)
    inside = (axis > 900) & (axis < 3200)
    left = (index.real - index_from_absorption(index.imag, axis))[inside]
    assert left.std() < 2e-4
    assert left.mean() == pytest.approx(1.5, abs=2e-3)


def test_a_band_has_its_absorption_index():
    index = layers.band_index([1090.0], [[1090.0, 40.0, 0.01]])
    assert index.imag[0] == pytest.approx(0.01, rel=1e-3)


def test_a_stack_that_cannot_be_is_refused_with_all_its_faults():
    with pytest.raises(ContractError) as refused:
        layers.stack_powers([1.0 + 0.1j, 1.5, 1.5], [-1.0, 2.0], AXIS, 90.0)
    assert len(refused.value.faults) == 4


@pytest.mark.parametrize(("inner", "outer"), [(0.0, 30.0), (10.0, 23.6), (35.0, 55.0)])
def test_a_cone_is_averaged_as_the_sine_condition_says(inner, outer):
    angles, weights = layers.cone(inner, outer)
    assert weights.sum() == pytest.approx(1.0)
    assert ((angles > inner) & (angles < outer)).all()
    fine = inner + (outer - inner) * (np.arange(20000) + 0.5) / 20000
    density = np.sin(2 * np.radians(fine))
    expected = (np.cos(np.radians(fine)) * density).sum() / density.sum()
    assert weights @ np.cos(np.radians(angles)) == pytest.approx(expected, rel=1e-6)


def test_one_angle_is_a_cone_without_width():
    paint = layers.band_index(AXIS, [[1090.0, 40.0, 0.2]])
    narrow = layers.atr([], paint, AXIS, angles=(44.999, 45.001))
    np.testing.assert_allclose(narrow, layers.atr([], paint, AXIS), rtol=1e-6)


def test_more_bounces_add_up_in_each_polarisation_but_not_in_their_mean():
    paint = layers.band_index(AXIS, [[1090.0, 40.0, 0.2]])
    light = layers.stack_powers([2.4, paint], [], AXIS, 45.0).reflected
    np.testing.assert_allclose(
        layers.atr([], paint, AXIS, bounces=5), -np.log10((light**5).mean(axis=0))
    )
    assert (layers.atr([], paint, AXIS, bounces=5) < 5 * layers.atr([], paint, AXIS) + 1e-12).all()


def test_a_film_of_no_thickness_is_no_film_in_any_way_of_measuring():
    paint, gel = layers.band_index(AXIS, [[1730.0, 30.0, 0.2]]), 1.5 + 0.2j
    gold = layers.metal_index(AXIS)
    for measure, last in ((layers.atr, paint), (layers.external_reflection, paint),
                          (layers.transflection, gold)):  # fmt: skip
        np.testing.assert_allclose(
            measure([(gel, 0.0)], last, AXIS), measure([], last, AXIS), atol=1e-12
        )
    np.testing.assert_allclose(layers.transmission([(gel, 0.0)], AXIS), 0.0, atol=1e-12)


@pytest.mark.source("common practice", "", "above 97 %")
def test_gold_reflects_nearly_all_of_the_infrared():
    """Above 97 % between 800 and 4000 cm-1 (common practice, no source)."""
    assert layers.stack_powers([1.0, layers.metal_index(AXIS)], [], AXIS).reflected.min() > 0.97


def test_a_rough_surface_loses_more_at_high_wavenumbers():
    smooth, rough = (
        layers.external_reflection([], 1.5, AXIS, angles=(0.0, 0.0), roughness_um=height)
        for height in (0.0, 0.2)
    )
    lost = (4 * np.pi * 0.2 * AXIS / 1e4) ** 2 / np.log(10)
    np.testing.assert_allclose(rough - smooth, lost, rtol=1e-10)


def test_the_spot_grows_with_the_wave_and_the_step_and_dilutes_small_patches():
    assert layers.blur_sigma(1090.0, 0.4, 0.0) == pytest.approx(0.2185 * 9.174 / 0.4, rel=1e-3)
    wide = layers.blur_sigma(1090.0, 0.4, 25.0)
    assert wide**2 == pytest.approx(float(layers.blur_sigma(1090.0, 0.4, 0.0)) ** 2 + 625 / 12)
    shares = layers.patch_share([1.0, 10.0, 100.0], 1090.0, 0.4, 5.5)
    assert (np.diff(shares) > 0).all()
    assert shares[0] < 0.01
    assert shares[2] == pytest.approx(1.0)


@pytest.mark.parametrize("crystal", [2.4, 4.0])
@pytest.mark.parametrize("depth", [0.3, 1.0, 3.0])
def test_a_residue_that_sank_in_answers_as_the_evanescent_field_is_weaker_there(crystal, depth):
    """Harrick's field exp(-2z/dp), its mean over the depth, for a gel that hardly absorbs."""
    dp = float(penetration_depth(1092.0, crystal))
    mean = (1 - np.exp(-2 * depth / dp)) * dp / (2 * depth)
    found = layers.sunk_share(depth, crystal, gel=1.5 + 0.002j)
    assert found == pytest.approx(mean, rel=0.02)


def test_a_residue_mixed_into_its_own_depth_is_the_film():
    for crystal in (2.4, 4.0, None):
        assert layers.sunk_share(0.01, crystal) == pytest.approx(1.0)
    with pytest.raises(ContractError, match="um or more"):
        layers.sunk_share(0.001)


def test_what_the_guide_says_of_films_on_a_mirror_and_of_thick_ones(root):
    """The shares in the table of DEVELOPERS.md, of residue on the paint and in it."""
    nu, gel = [1092.0], 1.5 + 0.2j
    gold = layers.metal_index(nu)

    def beer(um):
        return 8 * np.pi * 0.2 * 1092e-4 * um / np.log(10)

    def per_nm(measure, um):
        return float((measure([(gel, um)]) - measure([]))[0]) / um

    on_gold = [f"{layers.transflection([(gel, um)], gold, nu)[0] / beer(um):.2f}"
               for um in (0.05, 0.2, 0.5)]  # fmt: skip
    guide = (root / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert ", ".join(on_gold) in guide
    for crystal in (2.4, 4.0):

        def measure(films, crystal=crystal):
            return layers.atr(films, 1.5, nu, crystal=crystal)

        shares = [per_nm(measure, um) / per_nm(measure, 0.01) for um in (0.05, 0.2, 1.0)]
        assert ", ".join(f"{one:.2f}" for one in shares) in guide

    def reflected(films):
        return layers.external_reflection(films, 1.5, nu)

    shares = [per_nm(reflected, um) / per_nm(reflected, 0.01) for um in (0.05, 0.2, 0.5)]
    assert ", ".join(f"{one:.2f}" for one in shares) in guide
    sunk = [f"{layers.sunk_share(1.0, crystal):.2f}" for crystal in (2.4, 4.0, None)]
    assert sunk == ["0.62", "0.30", "0.40"]
    assert f"spread over 1 µm it answers {sunk[0]} (diamond) or {sunk[1]} (germanium)" in guide
    assert f"spread over 1 µm of paint {sunk[2]}." in guide
