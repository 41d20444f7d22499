"""Patches, family quantiles and correlated pixels, against scipy and against plain counting."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from scipy import stats

from residuekit.kernels.spatial import (
    autocorrelation,
    effective_pixels,
    family_quantile,
    largest_patch,
    texture_match,
)


def effective_count(rho):
    """n^2 / sum_i sum_j rho_ij of a correlation at each shift. Bayley & Hammersley 1946."""
    n_y, n_x = ((size + 1) // 2 for size in rho.shape)
    pairs = np.outer(n_y - np.abs(np.arange(1 - n_y, n_y)), n_x - np.abs(np.arange(1 - n_x, n_x)))
    return (n_y * n_x) ** 2 / max((pairs * rho).sum(), n_y * n_x)


MASKS = hnp.arrays(bool, st.tuples(st.integers(1, 7), st.integers(1, 7)))


@pytest.mark.parametrize("n", [1, 10, 1024, 10**6])
@pytest.mark.parametrize("alpha", [0.01, 0.05])
def test_the_largest_of_n_pixels_passes_with_probability_alpha(n, alpha):
    """Šidák, J. Am. Stat. Assoc. 62 (1967) 626, by scipy.stats."""
    passed = -np.expm1(n * stats.norm.logcdf(family_quantile(n, alpha)))
    assert passed == pytest.approx(alpha, rel=1e-6)


def flood(mask):
    """The largest patch by walking from pixel to pixel."""
    left = {tuple(place) for place in np.argwhere(mask)}
    largest = 0
    while left:
        front, size = [left.pop()], 0
        while front:
            y, x = front.pop()
            size += 1
            for near in ((y + 1, x), (y - 1, x), (y, x + 1), (y, x - 1)):
                if near in left:
                    left.remove(near)
                    front.append(near)
        largest = max(largest, size)
    return largest


@settings(max_examples=60, deadline=None)
@given(MASKS)
def test_the_largest_patch_is_what_walking_finds_whichever_way_the_map_lies(mask):
    expected = flood(mask)
    for turned in (mask, mask[::-1], mask[:, ::-1], mask.T):
        assert largest_patch(turned) == expected


def test_corners_do_not_connect():
    assert largest_patch(np.eye(5, dtype=bool)) == 1
    assert largest_patch(np.zeros((3, 3))) == 0


def test_the_correlation_of_a_map_with_itself_by_plain_sums():
    field = np.random.default_rng(1).normal(size=(4, 5))
    field[1, 2] = np.nan
    found = autocorrelation(field)
    centred = field - np.nanmean(field)
    assert found[3, 4] == pytest.approx(1.0)
    pairs = centred[1:, 2:] * centred[:-1, :-2]
    expected = np.nanmean(pairs) / np.nanmean(centred**2)
    assert found[3 + 1, 4 + 2] == pytest.approx(expected)
    np.testing.assert_allclose(found, found[::-1, ::-1], atol=1e-12)


def test_independent_pixels_count_in_full_and_equal_ones_as_one():
    alone = np.zeros((9, 9))
    alone[4, 4] = 1.0
    assert effective_count(alone) == pytest.approx(25)
    assert effective_count(np.ones((9, 9))) == pytest.approx(1)


@pytest.mark.parametrize("length", [1, 3, 5])
def test_the_count_for_an_exponential_correlation_is_that_computed_for_the_domain(shared, length):
    checks = json.loads((shared / "checks" / "check_values.json").read_text(encoding="utf-8"))
    lag = np.hypot(*np.meshgrid(np.arange(-31, 32), np.arange(-31, 32)))
    wanted = checks["neff_exp_32x32"][str(length)]
    assert effective_count(np.exp(-lag / length)) == pytest.approx(wanted, rel=1e-5)


def test_the_mean_of_correlated_pixels_scatters_as_their_effective_count_says():
    rng = np.random.default_rng(2)
    places = np.indices((6, 6)).reshape(2, -1).T
    distance = np.linalg.norm(places[:, None] - places[None], axis=-1)
    root = np.linalg.cholesky(np.exp(-distance / 2))
    means = (root @ rng.normal(size=(36, 20_000))).mean(axis=0)
    lag = np.hypot(*np.meshgrid(np.arange(-5, 6), np.arange(-5, 6)))
    assert 1 / means.var() == pytest.approx(effective_count(np.exp(-lag / 2)), rel=0.04)


@pytest.mark.parametrize(("length", "lowest", "highest"), [(1e-2, 800, 1024), (1, 130, 200),
                                                          (3, 20, 35)])  # fmt: skip
def test_effective_pixels_from_the_maps_themselves(length, lowest, highest):
    """60 fields of 32 x 32 with correlation exp(-r / length): true 1024, 169.5, 23.2."""
    rng = np.random.default_rng(4)
    place = np.stack(np.mgrid[:32, :32], axis=-1).reshape(-1, 2)
    apart = np.hypot(*(place[:, None] - place).transpose(2, 0, 1))
    root = np.linalg.cholesky(np.exp(-apart / length) + 1e-9 * np.eye(1024))
    found = [effective_pixels((root @ rng.normal(size=1024)).reshape(32, 32)) for _ in range(60)]
    assert lowest < np.median(found) < highest


def test_effective_pixels_of_flat_sloping_and_empty_maps():
    assert effective_pixels(np.full((4, 4), np.nan)) == 0
    assert effective_pixels([[1.0, np.nan]]) == 1
    slope = np.add.outer(np.arange(16.0), np.arange(16.0))
    assert 1 <= effective_pixels(slope) < 10
    holed = slope.copy()
    holed[::3] = np.nan
    assert 1 <= effective_pixels(holed) < 10


def _texture(rng, shape=(24, 24), length=1.5):
    from scipy.ndimage import gaussian_filter

    return gaussian_filter(rng.normal(size=shape), length)


TURNS = {
    "left to right": np.fliplr,
    "top to bottom": np.flipud,
    "half a turn": lambda a: np.rot90(a, 2),
    "a quarter turn": lambda a: np.rot90(a, -1),
    "a quarter turn back": np.rot90,
    "rows for columns": np.transpose,
    "rows for columns, turned": lambda a: np.rot90(a, 2).T,
}


@pytest.mark.parametrize("name", TURNS)
def test_a_turned_texture_is_found_by_the_way_that_puts_it_right(name):
    rng = np.random.default_rng(5)
    field = _texture(rng)
    noisy = field + 0.3 * field.std() * rng.normal(size=field.shape)
    noisy[2, 3:6] = np.nan
    correlation, way = texture_match(field, TURNS[name](noisy))
    assert way == name
    assert correlation < 0.6
    assert texture_match(field, noisy)[0] > 0.9
    assert texture_match(field, noisy)[1] == ""


def test_textures_of_two_places_are_not_taken_for_turned_ones():
    rng = np.random.default_rng(6)
    found = [texture_match(_texture(rng), _texture(rng))[1] for _ in range(300)]
    assert sum(map(bool, found)) <= 1
    oblong = [texture_match(_texture(rng, (12, 30)), _texture(rng, (12, 30)))[1] for _ in range(50)]
    assert not any(oblong)


def test_a_flat_or_an_unknown_map_correlates_with_nothing():
    field = _texture(np.random.default_rng(7))
    assert texture_match(np.ones((24, 24)), field) == (0.0, "")
    assert texture_match(np.full((24, 24), np.nan), field) == (0.0, "")
