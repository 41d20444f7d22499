"""The page in a real browser without a network: click, and the curve changes."""

from __future__ import annotations

import html
import re

import numpy as np
import pytest

import residuekit as rk
from residuekit.schema import make_points

N_Y, N_X = 5, 7
BANDS = [
    {"name": "own C-O", "low": 1060.0, "high": 1130.0},
    {"name": "own ridge", "low": 1140.0, "high": 1180.0},
]


def _true(array, pixels):
    """The mean spectrum of pixels (y, x), with y counted from the lowest."""
    return np.mean([array.values[y, x].astype(float) for y, x in pixels], axis=0)


@pytest.fixture
def shown(opened, small_map, gel):
    blanks = [small_map.isel(x=slice(0, 3)), small_map.isel(x=slice(3, 5))]
    limit = {"own C-O": float(rk.band_score(small_map, BANDS[:1])["score"].median())}
    opened.show(rk.view(small_map, blanks=blanks, gel=gel, markers=BANDS, limit=limit).to_html())
    return opened


def test_a_click_shows_the_spectrum_of_that_pixel_and_y_points_up(shown, small_map):
    mean = shown.data("curve", "y")
    valid = small_map["valid"].values
    np.testing.assert_allclose(mean, small_map.values[valid].mean(axis=0, dtype=float), atol=1e-6)
    shown.page.mouse.click(*shown.place(row_from_top=0, column=1))
    upper = shown.changed(mean)
    np.testing.assert_allclose(upper, _true(small_map, [(N_Y - 1, 1)]), atol=1e-6)
    assert shown.model("said", "text") == "x 5 µm, y 20 µm: valid"
    shown.page.wait_for_timeout(600)  # Two clicks at once are one double click, which is none.
    shown.page.mouse.click(*shown.place(row_from_top=N_Y - 1, column=N_X - 1))
    lower = shown.changed(upper)
    np.testing.assert_allclose(lower, _true(small_map, [(0, N_X - 1)]), atol=1e-6)
    assert (shown.asked, shown.errors) == ([], [])


def test_a_pixel_that_is_left_out_is_shown_with_its_reason(shown, small_map):
    mean = shown.data("curve", "y")
    shown.page.mouse.click(*shown.place(row_from_top=N_Y - 2, column=2))
    np.testing.assert_allclose(shown.changed(mean), _true(small_map, [(1, 2)]), atol=1e-6)
    reason = "left out: noise far above that of the other pixels of the map"
    assert shown.model("said", "text") == f"x 10 µm, y 5 µm: {reason}"


def test_a_box_shows_the_mean_of_its_valid_pixels_and_their_number(shown, small_map):
    mean = shown.data("curve", "y")
    start, end = shown.place(N_Y - 1, 1), shown.place(N_Y - 2, 3)
    shown.page.mouse.move(start[0] - 12, start[1] + 12)
    shown.page.mouse.down()
    shown.page.mouse.move(end[0], end[1], steps=5)
    shown.page.mouse.move(end[0] + 12, end[1] - 12)
    shown.page.mouse.up()
    inside = [(y, x) for y in (0, 1) for x in (1, 2, 3) if (y, x) != (1, 2)]
    np.testing.assert_allclose(shown.changed(mean), _true(small_map, inside), atol=1e-6)
    assert shown.model("said", "text") == "mean of 5 valid spectra in 6 places, 1 left out"


def test_another_score_changes_the_map_its_window_and_its_limit(shown, small_map):
    scores = rk.band_score(small_map, BANDS)["score"].values
    np.testing.assert_allclose(shown.data("pixels", "shown"), scores[0].ravel(), rtol=1e-5)
    assert shown.model("limit 0", "visible")
    assert shown.model("counts", "text").startswith("Above the pixel limit ")
    shown.page.get_by_label("Score shown").select_option("own ridge")
    np.testing.assert_allclose(shown.data("pixels", "shown"), scores[1].ravel(), rtol=1e-5)
    assert (shown.model("band", "left"), shown.model("band", "right")) == (1140.0, 1180.0)
    assert not shown.model("limit 0", "visible")
    assert shown.model("counts", "text") == "No pixel limit was given for this score."


def test_a_pixel_can_be_chosen_by_keyboard(shown, small_map):
    mean = shown.data("curve", "y")
    shown.page.get_by_label("Pixel number").focus()
    shown.page.keyboard.type("9")
    shown.page.keyboard.press("Enter")
    np.testing.assert_allclose(shown.changed(mean), _true(small_map, [(1, 2)]), atol=1e-6)


def test_the_blank_mean_and_the_gel_stand_beside(shown, small_map, gel):
    parts = [small_map.isel(x=slice(0, 3)), small_map.isel(x=slice(3, 5))]
    means = [part.values[part["valid"].values].mean(axis=0, dtype=float) for part in parts]
    blank = shown.data("blank", "y")
    np.testing.assert_allclose(blank, np.mean(means, axis=0), atol=1e-6)
    drawn, pure = shown.data("gel", "y"), gel.values[0]
    assert np.ptp(drawn) == pytest.approx(np.ptp(blank) / 2, rel=1e-4)
    np.testing.assert_allclose(drawn / drawn.max(), pure / pure.max(), atol=1e-6)
    axis = shown.model("spectrum", "x_range.start"), shown.model("spectrum", "x_range.end")
    assert axis == (1198.0, 1000.0)


def test_point_spectra_have_a_list(opened, small_map):
    points = make_points(small_map.values[2], small_map["wavenumber"].values, list("abcdefg"))
    opened.show(rk.view(points, markers=BANDS).to_html())
    mean = opened.data("curve", "y")
    opened.page.get_by_label("Spectra").select_option(["1", "4"])
    two = opened.changed(mean)
    np.testing.assert_allclose(two, points.values[[1, 4]].mean(axis=0, dtype=float), atol=1e-6)
    assert opened.model("said", "text") == "mean of 2 valid spectra in 2 places, 0 left out"
    assert (opened.asked, opened.errors) == ([], [])


def test_texts_of_the_data_stay_texts(opened, small_map):
    bad = "</script><img src=x onerror='window.fooled = 1'>$$x$$"
    band = {**BANDS[0], "name": bad}
    opened.show(rk.view(small_map, markers=[band], title=bad).to_html())
    names = [f"{number} {bad}" for number in range(N_X)]
    points = make_points(small_map.values[2], small_map["wavenumber"].values, names)
    opened.show(rk.view(points, markers=[band], title=bad).to_html())
    opened.page.mouse.move(*opened.dot(1))
    opened.page.mouse.move(*opened.dot(3))
    shown = "3 </script><img src=x onerror='window.fooled = 1'>$\u200b$x$\u200b$"
    opened.page.get_by_text(shown).nth(1).wait_for()  # The list, then the words at the dot.
    assert opened.page.evaluate("window.fooled") is None
    assert opened.asked == []


def test_the_page_refuses_to_fetch_whatever_asks(opened, small_map):
    opened.show(rk.view(small_map, markers=BANDS).to_html())
    fetched = "fetch('http://127.0.0.1:9/x').then(() => 'fetched', () => 'refused')"
    assert opened.page.evaluate(fetched) == "refused"
    assert opened.asked == []
    assert any("Content Security Policy" in error for error in opened.errors)


def test_the_frame_of_a_notebook_is_live_and_the_picture_stays_without_it(opened, small_map):
    bundle = rk.view(small_map, markers=BANDS)._repr_mimebundle_()
    text = bundle["text/html"]
    opened.page.set_content(text)
    frame = opened.page.frame_locator("iframe")
    frame.get_by_label("Score shown").wait_for()
    inner = opened.page.frames[1]
    inner.wait_for_function("window.Bokeh && Bokeh.documents[0].is_idle")
    assert inner.evaluate("Bokeh.documents[0].get_model_by_name('curve').data.y.length") == 100
    assert (opened.asked, opened.errors) == ([], [])
    still = re.sub(r"<iframe.*</iframe>", "", text, flags=re.DOTALL)
    assert "<script" not in still
    opened.page.set_content(still)
    assert opened.page.evaluate("document.images[0].naturalWidth") > 500
    assert "5 x 7" not in html.unescape(still)
    assert "7 x 5 pixels" in opened.page.evaluate("document.images[0].alt")


def test_an_exported_notebook_is_live_without_a_network(opened, small_map):
    nbconvert, v4 = pytest.importorskip("nbconvert"), pytest.importorskip("nbformat.v4")
    bundle = rk.view(small_map, markers=BANDS)._repr_mimebundle_()
    cell = v4.new_code_cell("rk.view(m)", outputs=[v4.new_output("display_data", bundle)])
    exporter = nbconvert.HTMLExporter()
    for name in exporter.trait_names():
        if name.endswith("_url"):
            setattr(exporter, name, "")
    text, _ = exporter.from_notebook_node(v4.new_notebook(cells=[cell]))
    opened.page.set_content(text)
    opened.page.frame_locator("iframe").get_by_label("Pixel number").fill("6")
    opened.page.keyboard.press("Enter")
    inner = opened.page.frames[1]
    said = "Bokeh.documents[0].get_model_by_name('said').text"
    inner.wait_for_function(f"{said} == 'x 30 µm, y 0 µm: valid'")
    y = inner.evaluate("Array.from(Bokeh.documents[0].get_model_by_name('curve').data.y)")
    np.testing.assert_allclose(y, _true(small_map, [(0, 6)]), atol=1e-6)
    assert opened.asked == []
