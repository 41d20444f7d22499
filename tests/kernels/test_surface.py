"""Patches and maps on a surface: chances against drawn places, inverses, ends."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residuekit.kernels.surface import (
    hit_on_square_grid,
    largest_missed_patch,
    missed_by_random_maps,
)


@pytest.mark.parametrize("radius", [0.2, 0.45, 0.55, 0.65, 0.7, 0.8])
def test_a_square_grid_hits_as_often_as_drawn_places_say(radius):
    centre = np.random.default_rng(1).uniform(-0.5, 0.5, (200_000, 2))
    corners = np.abs(centre)[:, None] - np.array([[0, 0], [1, 0], [0, 1], [1, 1]])
    drawn = (np.hypot(corners[..., 0], corners[..., 1]).min(axis=1) <= radius).mean()
    assert hit_on_square_grid(radius, 1.0) == pytest.approx(drawn, abs=0.004)
    assert hit_on_square_grid(3 * radius, 3.0) == pytest.approx(hit_on_square_grid(radius, 1.0))


@pytest.mark.parametrize(
    ("radius", "side", "maps"), [(8.0, 4.0, 1), (10.0, 6.0, 3), (0.0, 10.0, 2)]
)
def test_random_maps_miss_as_often_as_drawn_places_say(radius, side, maps):
    """On a surface without edges: 50 by 50, its ends joined."""
    rng = np.random.default_rng(2)
    apart = rng.uniform(-25, 25, (200_000, maps, 2))
    beyond = np.clip(np.abs(apart) - side / 2, 0, None)
    drawn = (np.hypot(beyond[..., 0], beyond[..., 1]) > radius).all(axis=1).mean()
    assert missed_by_random_maps(radius, side, maps, 2500.0) == pytest.approx(drawn, abs=0.004)


@given(st.floats(0.01, 3.0), st.integers(1, 60), st.floats(0.01, 0.5))
def test_the_largest_missed_patch_is_missed_with_its_chance(side, maps, chance):
    patch = largest_missed_patch(side, maps, 2500.0, chance)
    found = missed_by_random_maps(np.sqrt(patch / np.pi), side, maps, 2500.0)
    assert found <= chance * (1 + 1e-9) if patch == 0 else found == pytest.approx(chance)


def test_more_places_and_not_larger_maps_shrink_the_missed_patch():
    """Sixteen times the area of each map helps far less than sixteen times as many maps."""
    few, large, many = (
        largest_missed_patch(0.4, 2, 2500.0),
        largest_missed_patch(1.6, 2, 2500.0),
        largest_missed_patch(0.4, 32, 2500.0),
    )
    assert many < 0.15 * few
    assert large > 0.85 * few
    assert largest_missed_patch(60.0, 2, 2500.0) == 0.0
