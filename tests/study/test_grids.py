"""What it means that the grids of two maps agree, and which of several belong together."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from residuekit.study.grids import Grid, partners, why_apart

X, Y = 100.0 + 25.0 * np.arange(6), 40.0 + 25.0 * np.arange(4)
GRID = Grid(X, Y, "um")


@given(st.floats(-2.4, 2.4), st.floats(-2.4, 2.4))
def test_recorded_centres_within_a_tenth_of_a_pixel_agree(right, up):
    assert why_apart(GRID, Grid(X + right, Y + up, "um")) == ""


@pytest.mark.parametrize(
    ("other", "why"),
    [
        (Grid(X + 2.6, Y, "um"), "place"),
        (Grid(X, Y - 25.0, "um"), "place"),
        (Grid(-X[::-1], Y, "um"), "place"),
        (Grid(X[:-1], Y, "um"), "size"),
        (Grid(Y, X, "um"), "size"),
        (Grid(X[0] + 1.03 * (X - X[0]), Y, "um"), "step"),
        (Grid(np.arange(6.0), np.arange(4.0), "pixel"), "unscaled"),
    ],
)
def test_what_differs_is_named(other, why):
    assert why_apart(GRID, other) == why
    assert why_apart(other, GRID) == why


def test_two_maps_whose_pixels_have_no_size_do_not_agree():
    bare = Grid(np.arange(6.0), np.arange(4.0), "pixel")
    assert why_apart(bare, bare) == "unscaled"


def test_each_map_has_the_one_that_lies_on_it():
    other = Grid(X + 500.0, Y, "um")
    assert partners([GRID, other], [other, GRID]) == [(1, ""), (0, "")]
    assert partners([GRID], [other, None, GRID]) == [(2, "")]
    assert partners([GRID, other], [GRID]) == [(0, ""), (None, "place")]


def test_several_that_agree_are_nobody_s():
    assert partners([GRID], [GRID, GRID]) == [(None, "several")]
    assert partners([GRID, GRID], [GRID]) == [(None, "several")] * 2


def test_points_have_no_difference_map_and_are_named_beside_a_map_alone():
    assert partners([None], [None]) == [(None, "")]
    assert partners([None], [GRID]) == [(None, "points")]
    assert partners([GRID], [None]) == [(None, "points")]
    assert partners([GRID, None], []) == [(None, "")] * 2


def test_of_several_reasons_that_of_the_nearest_grid_is_given():
    shorter, far = Grid(X[:-1], Y, "um"), Grid(X + 100.0, Y, "um")
    assert partners([GRID], [shorter, far]) == [(None, "place")]
