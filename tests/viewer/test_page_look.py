"""Every pixel, whatever the size; the page at each width, light and dark, in a notebook, aloud."""

from __future__ import annotations

import re

import numpy as np
import pytest
from PIL import Image

import residuekit as rk
from residuekit.figures.stage_panel import image_corners
from residuekit.schema import make_map, make_points
from residuekit.words.common import number

BAND = {"name": "own band", "low": 1012.0, "high": 1040.0}
AFFINE = [0.9, 0.1, 60.0, 0.12, -1.1, 140.0]


@pytest.fixture(scope="module")
def wide_map():
    """256 x 256 pixels, each with a score of its own."""
    values = np.random.default_rng(3).normal(1.0, 0.1, (256, 256, 60)).astype(np.float32)
    steps = 2.0 * np.arange(256)
    return make_map(values, 1000.0 + np.arange(60.0), steps, steps)


@pytest.fixture
def photo(tmp_path):
    Image.new("RGB", (320, 200), (170, 180, 160)).save(tmp_path / "photo.png")
    return tmp_path / "photo.png"


def test_every_pixel_of_a_large_map_has_its_score_and_its_colour(opened, wide_map):
    score = rk.band_score(wide_map, [BAND])["score"].values[0]
    limit = float(np.quantile(score, 0.97))
    view = rk.view(wide_map, markers=[BAND], limit=limit, most_mb=3.0)
    text = view.to_html()
    assert len(text.encode()) < 3_000_000
    assert view.shown.space > 1
    opened.show(text)
    values = np.array(opened.page.evaluate("Array.from(layers[0].values)"))
    np.testing.assert_allclose(values.reshape(256, 256), score, rtol=1e-6)
    colours = opened.colours()
    assert colours.shape == (256, 256, 4)
    faded = colours[..., :3].min(axis=-1) >= 0.6 * 255 - 1
    np.testing.assert_array_equal(faded, score <= limit)
    row, column = np.argwhere(score > limit)[-1]
    opened.page.get_by_label("Column", exact=True).fill(str(column))
    opened.page.keyboard.press("Enter")
    opened.page.get_by_label("Row", exact=True).fill(str(row))
    opened.page.keyboard.press("Enter")
    said = opened.text("said")
    assert f": own band {number(score[row, column])} A cm⁻¹, above the pixel limit" in said
    space = view.shown.space
    first = [k // space * space for k in (row, column)]
    own = wide_map.values[first[0] : first[0] + space, first[1] : first[1] + space]
    assert said.endswith(f"Spectrum: mean of {own[..., 0].size} valid pixels in the dashed square.")
    np.testing.assert_allclose(opened.curve, own.mean(axis=(0, 1), dtype=float), rtol=1e-5)
    assert opened.page.locator("#map rect.block").count() == 1


def test_a_box_on_averaged_spectra_has_the_score_of_the_same_pixels(opened, wide_map):
    view = rk.view(wide_map, markers=[BAND], most_mb=3.0)
    opened.show(view.to_html())
    size = {"n_x": 256, "n_y": 256}
    opened.drag(opened.place(200, 30, **size), opened.place(90, 111, **size))
    column, row, wide, high = map(int, opened.box())
    assert {n % view.shown.space for n in (column, row, wide, high)} == {0}
    part = wide_map.values[row : row + high, column : column + wide]
    np.testing.assert_allclose(opened.curve, part.mean(axis=(0, 1), dtype=float), rtol=1e-5)
    score = rk.band_score(wide_map, [BAND])["score"].values[0]
    mean = score[row : row + high, column : column + wide].mean()
    assert f"own band {number(mean)} A cm⁻¹" in opened.text("said")


def test_the_limit_is_outlined_along_pixel_edges_and_closed_at_the_border(opened):
    heights = np.zeros((4, 6))
    heights[:, 4:] = 1.0
    heights[1, 0] = 1.0
    array = make_map(heights[..., None] * np.ones(60), 1000.0 + np.arange(60.0))
    scores = rk.band_score(array, [BAND])
    scores["score"] = scores["score"].copy(data=heights[None])
    opened.show(rk.view(array, markers=[], scores=scores, limit=0.5).to_html())
    drawn = re.findall(r"M(\d) (\d)([vh])1", opened.page.locator("#limit").get_attribute("d"))
    right = {(x, str(y), "v") for x in "46" for y in range(4)}
    right |= {(x, y, "h") for x in "45" for y in "04"}
    alone = {("0", "1", "v"), ("1", "1", "v"), ("0", "1", "h"), ("0", "2", "h")}
    assert set(drawn) == right | alone
    assert len(drawn) == len(set(drawn))


@pytest.mark.parametrize("colours", ["light", "dark"])
@pytest.mark.parametrize("width", [400, 768, 1280])
def test_nothing_is_cut_and_no_barrier_is_found(
    opened, barriers, small_map, gel, photo, width, colours
):
    opened.page.set_viewport_size({"width": width, "height": 800})
    opened.page.emulate_media(color_scheme=colours)
    shown = rk.view(small_map, blanks=small_map, gel=gel, markers=[BAND | {"high": 1090.0}],
                    image=photo, image_affine=AFFINE, title="panel 1, sheet 2")  # fmt: skip
    opened.show(shown.to_html())
    assert opened.page.evaluate("document.documentElement.scrollWidth") == width
    for part in ("#spectrum svg", "#map svg", ".legend", ".legend li:last-child"):
        place = opened.page.locator(part).bounding_box()
        assert place["width"] > 60
        assert place["x"] >= 0
        assert place["x"] + place["width"] <= width
    paper = opened.page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert paper == {"light": "rgb(255, 255, 255)", "dark": "rgb(17, 17, 17)"}[colours]
    assert barriers(opened.page) == []


def test_a_page_of_points_has_no_barrier(opened, barriers, small_map):
    points = make_points(small_map.values[2], small_map["wavenumber"].values, list("abcdefg"))
    opened.show(rk.view(points, markers=[]).to_html())
    assert barriers(opened.page) == []


@pytest.mark.parametrize(("width", "letters"), [(760, "#e0e0e0"), (760, "#222"), (400, "#222")])
def test_the_frame_of_a_notebook_takes_height_and_lightness_of_its_place(
    opened, small_map, gel, width, letters
):
    text = rk.view(small_map, gel=gel, markers=[BAND])._repr_mimebundle_()["text/html"]
    opened.page.set_viewport_size({"width": width, "height": 900})
    opened.page.set_content(f'<body style="color: {letters}">{text}</body>')
    inner = opened.page.frame_locator("iframe")
    inner.locator("#spectrum path.curve").wait_for()
    opened.page.wait_for_function("document.querySelector('iframe').style.height.endsWith('px')")
    frame = opened.page.locator("iframe").bounding_box()
    last = inner.locator("main > :last-child").bounding_box()
    assert frame["width"] > 0.9 * width
    assert 0 <= frame["y"] + frame["height"] - last["y"] - last["height"] < 40
    assert not opened.page.locator("img").is_visible()
    theme = opened.page.frames[1].evaluate("document.documentElement.dataset.theme")
    assert theme == ("dark" if letters == "#e0e0e0" else "light")
    beside = inner.locator("#map").bounding_box()["y"]
    assert (inner.locator("#spectrum").bounding_box()["y"] < beside + 200) == (width > 600)
    assert (opened.asked, opened.errors) == ([], [])


def test_three_points_in_map_and_picture_give_the_numbers_of_study_toml(opened, small_map, photo):
    opened.show(rk.view(small_map, markers=[]).to_html())
    opened.page.locator("#photo summary").click()
    assert opened.text("step").startswith("Choose a picture first.")
    opened.page.get_by_label("Picture", exact=True).set_input_files(photo)
    opened.page.locator("#stage svg").wait_for()
    stage = opened.page.locator("#stage")
    scale = stage.bounding_box()["width"] / 320
    for k, (row, column) in enumerate([(4, 0), (4, 6), (0, 0)], 1):
        x, y = 5.0 * column, 5.0 * (4 - row)
        assert opened.text("step").startswith(f"Point {k} of 3: click a spot in the picture")
        place = np.array([AFFINE[:2], AFFINE[3:5]]) @ [x, y] + [AFFINE[2], AFFINE[5]] + 0.5
        stage.click(position={"x": place[0] * scale, "y": place[1] * scale})
        assert opened.text("step") == f"Point {k} of 3: now click the same spot in the map."
        opened.click(row, column)
    assert opened.text("step").startswith("The map is placed.")
    line = opened.text("affine")
    assert line.startswith("image_affine = [")
    found = [float(one) for one in line[len("image_affine = [") : -1].split(",")]
    corners = image_corners(found, (0, 30, 0, 20)), image_corners(AFFINE, (0, 30, 0, 20))
    np.testing.assert_allclose(*corners, atol=2.0)  # a pixel of the screen or two
    assert (opened.asked, opened.errors) == ([], [])


def test_the_points_can_be_typed_and_points_on_a_line_are_refused(opened, small_map, photo):
    opened.show(rk.view(small_map, markers=[], image=photo).to_html())
    names = ("map x in µm", "map y in µm", "picture column", "picture row")
    for k, (x, y) in enumerate([(0.0, 0.0), (30.0, 0.0), (30.0, 20.0)], 1):
        column = AFFINE[0] * x + AFFINE[1] * y + AFFINE[2]
        row = AFFINE[3] * x + AFFINE[4] * y + AFFINE[5]
        for name, value in zip(names, (x, y, column, row), strict=True):
            opened.page.get_by_label(f"Point {k}, {name}").fill(f"{value:g}")
    opened.page.keyboard.press("Enter")
    assert opened.text("affine") == "image_affine = [0.9, 0.1, 60, 0.12, -1.1, 140]"
    opened.page.get_by_label("Point 3, map y in µm").fill("0")
    opened.page.keyboard.press("Enter")
    assert opened.text("affine") == ""
    assert opened.text("step") == "The three points lie on one line: choose others."
    opened.page.get_by_role("button", name="Start again").click()
    assert opened.text("step").startswith("Point 1 of 3")


def test_a_known_place_lays_the_map_where_the_figure_frames_it(opened, small_map, photo):
    opened.show(rk.view(small_map, markers=[], image=photo, image_affine=AFFINE).to_html())
    corner = opened.page.evaluate(
        """() => {
          const matrix = document.getElementById("over").transform.baseVal[0].matrix
          return [[0, 0], [nx, 0], [nx, ny], [0, ny]].map(([x, y]) => {
            const at = new DOMPoint(x, y).matrixTransform(matrix)
            return [at.x - 0.5, at.y - 0.5]
          })
        }"""
    )
    np.testing.assert_allclose(corner, image_corners(AFFINE, (-2.5, 32.5, -2.5, 22.5)), atol=1e-3)
    assert opened.text("affine") == "image_affine = [0.9, 0.1, 60, 0.12, -1.1, 140]"


def test_a_map_without_micrometres_cannot_be_placed(opened, small_map):
    counted = make_map(small_map.values, small_map["wavenumber"].values)
    opened.show(rk.view(counted, markers=[]).to_html())
    assert opened.page.locator("#photo").count() == 0
    assert opened.errors == []
