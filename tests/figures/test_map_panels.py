from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from residuekit.figures.map_panel import draw_map, limit_edges, shared_scale
from residuekit.figures.style import (
    BLANK,
    EXPOSED,
    GEL,
    MASKED,
    WORKING,
    fitted,
    plain,
    residue_colours,
    text_width,
    wrapped,
)

# Machado, Oliveira, Fernandes (2009), IEEE Trans. Vis. Comput. Graph. 15, 1291, severity 1.0;
# compared with the tables of PyPI colorspacious 1.1.2, all digits equal.
DEFICIENCIES = {
    "none": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216],
               [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413],
               [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602],
               [0.004733, 0.691367, 0.303900]],
}  # fmt: skip


def linear(srgb):
    """IEC 61966-2-1: sRGB to linear light."""
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def lightness(srgb, matrix=None):
    """CIE 1976 L* from relative luminance (CIE 15), as a colour-vision deficiency leaves it."""
    light = linear(np.asarray(srgb))
    if matrix is not None:
        light = np.clip(light @ np.asarray(matrix).T, 0, 1)
    luminance = light @ [0.2126, 0.7152, 0.0722]
    cubic = np.cbrt(luminance)
    return np.where(luminance > (6 / 29) ** 3, 116 * cubic - 16, luminance * (29 / 3) ** 3)


def lab(srgb, matrix=DEFICIENCIES["none"]):
    """CIE 1976 L*a*b* (D65, IEC 61966-2-1), as a colour-vision deficiency leaves it."""
    light = np.clip(linear(np.asarray(srgb)) @ np.asarray(matrix).T, 0, 1)
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722],
                       [0.0193, 0.1192, 0.9505]])  # fmt: skip
    share = light @ to_xyz.T / to_xyz.sum(axis=1)
    f = np.where(share > (6 / 29) ** 3, np.cbrt(share), share * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = np.moveaxis(f, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def test_the_colour_distance_is_that_of_the_standard():
    # L*a*b* of the sRGB red primary, as PyPI colorspacious 1.1.2 gives it.
    np.testing.assert_allclose(lab([1.0, 0.0, 0.0]), [53.2314, 80.1144, 67.2200], atol=0.05)


@pytest.mark.parametrize("matrix", DEFICIENCIES.values(), ids=DEFICIENCIES.keys())
def test_lines_and_dots_of_two_kinds_stay_apart_also_for_colour_blind_readers(matrix):
    """A distance of 2.3 is just noticeable (Mahy and others 1994, Color Res. Appl. 19, 105; from
    memory); thin lines need far more."""
    colours = [to_rgb(colour) for colour in (BLANK, WORKING, EXPOSED, GEL)]
    for one, other in combinations(colours, 2):
        assert np.linalg.norm(lab(one, matrix) - lab(other, matrix)) > 20
    for colour in colours:  # dots of blanks have an edge, and their line is thick
        away = lab([1.0, 1.0, 1.0])[0] - lab(colour, matrix)[0]
        assert away > (20 if colour == to_rgb(BLANK) else 35)


@pytest.mark.parametrize("matrix", DEFICIENCIES.values(), ids=DEFICIENCIES.keys())
def test_masked_pixels_stay_apart_from_every_score_also_for_colour_blind_readers(matrix):
    scores = lab(residue_colours(np.linspace(0, 10, 400), 3.0, 0.0, 10.0), matrix)
    assert np.linalg.norm(scores - lab(MASKED, matrix), axis=-1).min() > 8


def test_a_drawn_map_has_its_first_row_at_the_bottom():
    values = np.zeros((6, 6))
    values[5, 0] = 9.0
    figure = Figure(figsize=(1, 1), dpi=100)
    canvas = FigureCanvasAgg(figure)
    draw_map(figure.add_axes((0, 0.2, 0.8, 0.8)), *places(values), limit=1.0, scale=(0.0, 10.0),
             room_mm=20.0)  # fmt: skip
    canvas.draw()
    drawn = np.asarray(canvas.buffer_rgba())[:80, :80, :3].sum(axis=-1)
    assert drawn[7, 7] < 200
    assert min(drawn[72, 7], drawn[72, 72], drawn[7, 72]) > 500


@given(arrays(bool, array_shapes(min_dims=2, max_dims=2, max_side=6)))
@settings(max_examples=60, deadline=None)
def test_the_limit_runs_between_pixels_above_and_others_and_nowhere_else(above):
    edges = limit_edges(above)
    known = {tuple(sorted(map(tuple, edge))) for edge in edges.tolist()}
    wanted = set()
    for row, column in np.argwhere(above):
        for y, x, ends in (
            (row, column - 1, ((column, row), (column, row + 1))),
            (row, column + 1, ((column + 1, row), (column + 1, row + 1))),
            (row - 1, column, ((column, row), (column + 1, row))),
            (row + 1, column, ((column, row + 1), (column + 1, row + 1))),
        ):
            if 0 <= y < above.shape[0] and 0 <= x < above.shape[1] and not above[y, x]:
                wanted.add(ends)
    assert known == wanted
    assert len(edges) == len(wanted)


@pytest.mark.parametrize("matrix", DEFICIENCIES.values(), ids=DEFICIENCIES.keys())
def test_more_residue_is_always_darker_also_for_colour_blind_readers(matrix):
    values = np.linspace(0, 10, 200)
    found = lightness(residue_colours(values, 3.0, 0.0, 10.0), matrix)
    assert np.diff(found).max() < 0
    assert found[0] - found[-1] > 60
    step_at_limit = -np.diff(found)[np.searchsorted(values, 3.0) - 1]
    assert step_at_limit > 10


def test_above_the_limit_equal_steps_are_about_equal_steps_of_lightness():
    found = lightness(residue_colours(np.linspace(0.1, 10, 25), 0.0, 0.0, 10.0))
    steps = -np.diff(found)
    assert steps.max() < 1.6 * steps.mean()
    assert steps.min() > 0.4 * steps.mean()


def test_masked_pixels_have_a_grey_that_no_score_has():
    values = np.linspace(-5, 15, 2000)
    colours = residue_colours(values, 3.0, 0.0, 10.0)
    assert np.abs(colours - MASKED).max(axis=-1).min() > 0.08
    assert np.array_equal(residue_colours([np.nan], 3.0, 0.0, 10.0)[0], MASKED)


def places(values, step=25.0):
    rows, columns = values.shape
    return values, np.arange(columns) * step, np.arange(rows) * step


def test_a_map_stands_with_y_upward_square_pixels_and_hatched_masks():
    values = np.zeros((3, 4))
    values[2, 0] = 9.0
    values[0, 3] = np.nan
    ax = Figure().add_subplot()
    draw_map(ax, *places(values), limit=1.0, scale=(0.0, 10.0))
    image = ax.images[0]
    assert image.origin == "lower"
    assert image.get_extent() == [-12.5, 87.5, -12.5, 62.5]
    assert ax.get_aspect() == 1.0
    darkest = np.unravel_index(image.get_array().sum(axis=-1).argmin(), values.shape)
    assert darkest == (2, 0)
    (patch,) = ax.patches
    assert patch.get_hatch()
    assert patch.get_path().get_extents().extents.tolist() == [62.5, -12.5, 87.5, 12.5]
    assert [text.get_text() for text in ax.texts] == ["20 µm"]


def test_many_masked_pixels_are_one_shape_of_as_many_squares():
    values = np.where(np.arange(10_000).reshape(100, 100) % 3, 0.0, np.nan)
    ax = Figure().add_subplot()
    draw_map(ax, *places(values), limit=1.0, scale=(0.0, 10.0))
    (patch,) = ax.patches
    squares = patch.get_path().to_polygons()
    assert len(squares) == np.isnan(values).sum()
    assert {tuple(np.ptp(one, axis=0)) for one in squares} == {(25.0, 25.0)}


@given(
    st.lists(st.floats(-1e3, 1e3), min_size=1, max_size=9),
    st.floats(0, 1e3),
    st.floats(0, 1e3),
)
@settings(max_examples=60, deadline=None)
def test_the_scale_holds_zero_and_the_limit(values, limit, top):
    low, high = shared_scale([np.array(values)], [limit], top)
    assert low <= 0 <= limit <= high
    assert low <= min(values)
    assert high > low


def test_a_scale_without_any_value_is_still_a_scale():
    assert shared_scale([np.full((2, 2), np.nan)], [np.nan], 0.0) == (0.0, 1.0)


@given(st.text(max_size=60), st.floats(3, 80))
@settings(max_examples=60, deadline=None)
def test_a_fitted_name_fits(text, width):
    assert text_width(fitted(text, width)) <= max(width, text_width("…"))
    assert all(text_width(line) <= max(width, text_width("…")) for line in wrapped(text, width))


def test_a_long_name_keeps_both_ends_and_a_missing_letter_has_its_box():
    short = fitted("panel number one of the eastern wall, mock-up 17", 40)
    assert short.startswith("panel")
    assert short.endswith("17")
    assert plain("a\nb\t漆 \U0001f3a8$x$") == "a b □ □$x$"
