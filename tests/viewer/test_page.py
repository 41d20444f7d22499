"""The page in a real browser without a network: click, and score and spectrum change."""

from __future__ import annotations

import html
import re

import numpy as np
import pytest
import xarray as xr

import residuekit as rk
from residuekit.schema import make_points
from residuekit.viewer import View
from residuekit.viewer.shown import gather

N_Y, N_X = 5, 7
BANDS = [
    {"name": "own C-O", "low": 1060.0, "high": 1130.0},
    {"name": "own ridge", "low": 1140.0, "high": 1180.0},
]
LEFT_OUT = "left out: noise far above that of the other pixels of the map"


def _true(array, pixels):
    """The mean spectrum of pixels (y, x), with y counted from the lowest."""
    return np.mean([array.values[y, x].astype(float) for y, x in pixels], axis=0)


def _score(array, y, x):
    return f"own C-O {float(rk.band_score(array, BANDS[:1])['score'][0, y, x]):.3g} A cm⁻¹"


@pytest.fixture
def limit(small_map):
    return float(rk.band_score(small_map, BANDS[:1])["score"].median())


@pytest.fixture
def shown(opened, small_map, gel, limit):
    blanks = [small_map.isel(x=slice(0, 3)), small_map.isel(x=slice(3, 5))]
    view = rk.view(small_map, blanks=blanks, gel=gel, markers=BANDS, limit={"own C-O": limit})
    opened.show(view.to_html())
    return opened


def test_a_click_shows_score_and_spectrum_of_that_pixel_and_y_points_up(shown, small_map, limit):
    valid = small_map["valid"].values
    np.testing.assert_allclose(shown.curve, small_map.values[valid].mean(axis=0), atol=1e-6)
    shown.click(row_from_top=0, column=1)
    np.testing.assert_allclose(shown.curve, _true(small_map, [(N_Y - 1, 1)]), atol=1e-6)
    above = f"above the pixel limit {limit:.3g}; valid"
    assert shown.text("said") == f"x 5 µm, y 20 µm: {_score(small_map, 4, 1)}, {above}"
    assert shown.box() == ["1", "4", "1", "1"]
    shown.click(row_from_top=N_Y - 1, column=0)
    np.testing.assert_allclose(shown.curve, _true(small_map, [(0, 0)]), atol=1e-6)
    assert shown.text("said") == f"x 0 µm, y 0 µm: {_score(small_map, 0, 0)}, not {above}"
    assert (shown.asked, shown.errors) == ([], [])


def test_a_pixel_that_is_left_out_is_shown_with_its_reason(shown, small_map):
    shown.click(row_from_top=N_Y - 2, column=2)
    np.testing.assert_allclose(shown.curve, _true(small_map, [(1, 2)]), atol=1e-6)
    assert shown.text("said") == f"x 10 µm, y 5 µm: {LEFT_OUT}"


def test_a_box_has_one_outline_its_own_numbers_and_the_mean_of_its_valid_pixels(shown, small_map):
    shown.click(row_from_top=0, column=6)
    shown.drag(shown.place(N_Y - 1.3, 0.7), shown.place(N_Y - 1.7, 3.2))
    inside = [(y, x) for y in (0, 1) for x in (1, 2, 3) if (y, x) != (1, 2)]
    np.testing.assert_allclose(shown.curve, _true(small_map, inside), atol=1e-6)
    mean = np.mean([rk.band_score(small_map, BANDS[:1])["score"].values[0][at] for at in inside])
    said = f"Mean of 5 valid spectra of 6, 1 left out: own C-O {mean:.3g} A cm⁻¹"
    assert shown.text("said") == f"{said}, 0 above the pixel limit"
    assert shown.box() == ["1", "0", "3", "2"]
    outline = shown.page.locator("#map rect.chosen")
    sides = [outline.get_attribute(name) for name in ("x", "y", "width", "height")]
    assert sides == ["1", "0", "3", "2"]
    shown.click(row_from_top=0, column=6)
    assert shown.box() == ["6", "4", "1", "1"]
    shown.page.get_by_role("button", name="Choose all").click()
    assert shown.box() == [""] * 4
    assert outline.count() == 0
    assert shown.text("said").startswith("Mean of all 34 valid spectra.")


def test_another_score_changes_map_words_window_and_limit(shown, small_map):
    scores = rk.band_score(small_map, BANDS)["score"].values
    shown.click(row_from_top=0, column=1)
    assert shown.text("counts").startswith("Above the pixel limit ")
    assert shown.page.locator("#limit").get_attribute("d")
    before = shown.page.locator("#band").get_attribute("x")
    shown.page.get_by_label("Score shown").select_option("own ridge")
    values = np.array(shown.page.evaluate("Array.from(view.layer.values)")).reshape(N_Y, N_X)
    left_out = ~small_map["valid"].values
    np.testing.assert_allclose(values[~left_out], scores[1][~left_out], rtol=1e-5)
    assert shown.text("counts") == "No pixel limit was given for this score."
    assert not shown.page.locator("#limit").get_attribute("d")
    assert shown.page.locator("#band").get_attribute("x") != before
    assert shown.text("said") == f"x 5 µm, y 20 µm: own ridge {scores[1][4, 1]:.3g} A cm⁻¹; valid"


def test_a_difference_has_colours_around_zero_and_a_line_on_either_side(opened, small_map):
    values = (np.arange(N_Y * N_X).reshape(1, N_Y, N_X) - 17) / 10.0
    values[0, 3, 3] = np.nan
    scores = xr.Dataset(
        {"score": (("marker", "y", "x"), values)},
        {"marker": ["difference, net signal"], "unit": ("marker", ["ug cm-2"]),
         "pixel_limit": ("marker", [0.75])},
    )  # fmt: skip
    name = "difference, net signal"
    given = (small_map, None, None, [], scores, None, None, "t", {name: (-2.0, 2.0)})
    opened.show(View(gather(*given, diverging={name})).to_html())
    red, _, blue, seen = np.moveaxis(opened.colours().astype(int), -1, 0)
    known = small_map["valid"].values & np.isfinite(values[0])
    np.testing.assert_array_equal(seen == 255, known)
    assert (red - blue > 40)[known & (values[0] > 0.75)].all()
    assert (blue - red > 20)[known & (values[0] < -0.75)].all()
    assert (np.minimum(red, blue) > 200)[known & (np.abs(values[0]) <= 0.75)].all()
    lines = [opened.page.locator(f"#{one}").get_attribute("d") for one in ("limit", "below")]
    assert all(lines)
    assert lines[0] != lines[1]
    opened.click(row_from_top=N_Y - 1, column=0)
    assert opened.text("said").endswith("below minus the pixel limit 0.75; valid")
    opened.click(row_from_top=N_Y - 1 - 3, column=3)
    assert opened.text("said").endswith(f"{name} not known here")
    assert "below minus it: 9." in opened.text("counts")
    assert not opened.errors


def test_pixels_and_boxes_are_chosen_by_keyboard_and_said_aloud(shown, small_map):
    said = shown.page.get_by_role("status").first
    assert said.get_attribute("aria-live") == "polite"
    shown.page.get_by_label("Column", exact=True).fill("2")
    shown.page.keyboard.press("Enter")
    shown.page.get_by_label("Row", exact=True).fill("1")
    shown.page.keyboard.press("Enter")
    assert shown.text("said") == f"x 10 µm, y 5 µm: {LEFT_OUT}"
    shown.page.locator("#map").focus()
    for key in ("ArrowRight", "ArrowUp", "Shift+ArrowRight", "Shift+ArrowUp", "Shift+ArrowUp"):
        shown.page.keyboard.press(key)
    assert shown.box() == ["3", "2", "2", "3"]
    inside = [(y, x) for y in (2, 3, 4) for x in (3, 4)]
    np.testing.assert_allclose(shown.curve, _true(small_map, inside), atol=1e-6)
    for key in ("ArrowLeft",) * 9:
        shown.page.keyboard.press(key)
    assert shown.box() == ["0", "2", "1", "1"]
    shown.page.keyboard.press("Escape")
    assert shown.box() == [""] * 4


def test_the_blank_mean_and_the_gel_stand_beside_and_can_be_hidden(shown, small_map, gel):
    parts = [small_map.isel(x=slice(0, 3)), small_map.isel(x=slice(3, 5))]
    means = [part.values[part["valid"].values].mean(axis=0, dtype=float) for part in parts]
    blank, drawn = (
        np.array(shown.page.evaluate(f"Array.from(lines[{k}].values)")) for k in range(2)
    )
    np.testing.assert_allclose(blank, np.mean(means, axis=0), atol=1e-6)
    pure = gel.values[0]
    assert np.ptp(drawn) == pytest.approx(np.ptp(blank) / 2, rel=1e-4)
    np.testing.assert_allclose(drawn / drawn.max(), pure / pure.max(), atol=1e-6)
    assert shown.page.locator("#spectrum path.gel").count() == 1
    shown.page.get_by_role("checkbox", name="pure gel").uncheck()
    assert shown.page.locator("#spectrum path.gel").count() == 0


def test_the_axis_descends_and_a_part_of_it_can_be_typed(shown):
    assert shown.page.evaluate("[plot.high, plot.low]") == [1198, 1000]
    shown.page.get_by_label("From", exact=True).fill("1150")
    shown.page.keyboard.press("Enter")
    assert shown.page.evaluate("[plot.high, plot.low]") == [1150, 1000]
    labels = shown.page.locator("#spectrum text[text-anchor=middle]").all_text_contents()[:-2]
    numbers = [float(one) for one in labels]
    places = [float(shown.page.locator("#spectrum text", has_text=re.compile(f"^{one}$"))
                    .first.get_attribute("x")) for one in labels]  # fmt: skip
    assert numbers == sorted(numbers)
    assert places == sorted(places, reverse=True)
    shown.page.get_by_role("button", name="Whole axis").click()
    assert shown.page.evaluate("[plot.high, plot.low]") == [1198, 1000]


def test_the_spectrum_can_be_saved(shown, small_map):
    shown.click(row_from_top=0, column=1)
    with shown.page.expect_download() as waiting:
        shown.page.get_by_role("button", name="Save the spectrum").click()
    rows = waiting.value.path().read_text("utf-8").splitlines()
    assert rows[0].endswith(',"chosen"')
    saved = np.array([row.split(",") for row in rows[1:]], float)
    np.testing.assert_allclose(saved[:, 0], small_map["wavenumber"].values)
    np.testing.assert_allclose(saved[:, -1], small_map.values[4, 1], atol=1e-6)


def test_point_spectra_have_a_list(opened, small_map):
    points = make_points(small_map.values[2], small_map["wavenumber"].values, list("abcdefg"))
    opened.show(rk.view(points, markers=BANDS).to_html())
    opened.page.get_by_label("Spectra").select_option(["1", "4"])
    np.testing.assert_allclose(opened.curve, points.values[[1, 4]].mean(axis=0), atol=1e-6)
    assert opened.text("said").startswith("Mean of 2 valid spectra of 2, 0 left out: own C-O ")
    opened.page.locator("#map").focus()
    opened.page.keyboard.press("ArrowRight")
    assert opened.text("said").startswith("f: own C-O ")
    opened.page.locator("#map").click(position=opened.place(2, 3))
    np.testing.assert_allclose(opened.curve, points.values[3], atol=1e-6)
    chosen = "Array.from(document.getElementById('list').selectedOptions, (one) => one.text)"
    assert opened.page.evaluate(chosen) == ["d"]
    assert (opened.asked, opened.errors) == ([], [])


def test_texts_of_the_data_stay_texts(opened, small_map):
    bad = "</script><img src=x onerror='window.fooled = 1'>"
    band = {**BANDS[0], "name": bad}
    opened.show(rk.view(small_map, markers=[band], title=bad).to_html())
    assert opened.page.title() == bad
    names = [f"{number} {bad}" for number in range(N_X)]
    points = make_points(small_map.values[2], small_map["wavenumber"].values, names)
    opened.show(rk.view(points, markers=[band], title=bad).to_html())
    opened.page.locator("#map").click(position=opened.place(2, 3))
    assert opened.text("said").startswith(f"3 {bad}: {bad} ")
    assert opened.page.evaluate("window.fooled") is None
    assert opened.asked == []


def test_the_page_refuses_to_fetch_and_to_run_whatever_asks(opened, small_map):
    opened.show(rk.view(small_map, markers=BANDS).to_html())
    fetched = "fetch('http://127.0.0.1:9/x').then(() => 'fetched', () => 'refused')"
    assert opened.page.evaluate(fetched) == "refused"
    script = "Object.assign(document.createElement('script'), {text: 'fooled = 1'})"
    opened.page.evaluate(f"document.body.append({script})")
    assert opened.page.evaluate("window.fooled") is None
    assert opened.asked == []
    told = [error for error in opened.errors if "Content Security Policy" in error]
    assert any("127.0.0.1" in error for error in told)
    assert any("inline script" in error for error in told)


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
    frame = opened.page.frame_locator("iframe")
    frame.get_by_label("Column", exact=True).fill("6")
    opened.page.keyboard.press("Enter")
    said = frame.locator("#said").text_content()
    assert said == f"x 30 µm, y 0 µm: {_score(small_map, 0, 6)}; valid"
    y = opened.page.frames[1].evaluate("Array.from(curve.values)")
    np.testing.assert_allclose(y, _true(small_map, [(0, 6)]), atol=1e-6)
    assert opened.asked == []


def test_without_scripts_the_picture_stays(opened, small_map):
    text = rk.view(small_map, markers=BANDS)._repr_mimebundle_()["text/html"]
    still = re.sub(r"<iframe.*</iframe>", "", text, flags=re.DOTALL)
    assert "<script" not in still
    opened.page.set_content(still)
    assert opened.page.evaluate("document.images[0].naturalWidth") > 500
    assert "7 x 5 pixels" in opened.page.evaluate("document.images[0].alt")
    assert "5 x 7" not in html.unescape(still)
