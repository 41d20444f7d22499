"""A small invented map in which every pixel has its own spectrum, and a browser without network."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
import xarray as xr

from residuekit.schema import make_map, make_points

N_Y, N_X = 5, 7
AXIS = np.arange(1000.0, 1200.0, 2.0)
BAND = {"name": "own C-O", "low": 1060.0, "high": 1130.0}
OTHER = {"name": "own ridge", "low": 1140.0, "high": 1180.0}
CHROMIUM = shutil.which("chromium")


def peak(centre: float, width: float = 15.0) -> Any:
    return np.exp(-(((AXIS - centre) / width) ** 2))


@pytest.fixture
def small_map() -> xr.DataArray:
    """5 x 7 pixels; a band that grows with the number of the pixel; one left out, one flagged."""
    heights = 1 + np.arange(N_Y * N_X).reshape(N_Y, N_X, 1)
    noise = np.random.default_rng(1).normal(0, 1e-3, (N_Y, N_X, AXIS.size))
    values = 0.01 * heights * peak(1095) + 0.3 * peak(1160, 8.0) / heights + noise
    array = make_map(values, AXIS, 5.0 * np.arange(N_X), 5.0 * np.arange(N_Y))
    valid, flag = np.ones((N_Y, N_X), bool), np.zeros((N_Y, N_X), np.uint16)
    valid[1, 2], flag[1, 2], flag[3, 4] = False, 8, 128
    return array.assign_coords(valid=(("y", "x"), valid), flag=(("y", "x"), flag))


@pytest.fixture
def gel() -> xr.DataArray:
    return make_points(3.0 * peak(1095), AXIS, ["pure gel"])


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Chromium; the test skips where there is none."""
    sync_api = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    quiet = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
             "--disable-background-networking", "--disable-component-update"]  # fmt: skip
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=quiet)
        yield running
        running.close()


class Page:
    """A page of the viewer in the browser: what was asked of a network, and hands on the map."""

    def __init__(self, page: Any):
        self.page = page
        self.asked: list[str] = []
        self.errors: list[str] = []
        page.route("**/*", self._refuse)
        page.on("console", lambda m: self.errors.append(m.text) if m.type == "error" else None)
        page.on("pageerror", lambda error: self.errors.append(str(error)))

    def _refuse(self, route: Any) -> None:
        self.asked.append(route.request.url)
        route.abort()

    def show(self, html: str) -> None:
        self.page.goto("about:blank")
        self.page.set_content(html)
        self.page.wait_for_function(
            "window.Bokeh && Bokeh.documents.length && Bokeh.documents[0].is_idle"
        )

    def data(self, name: str, column: str) -> Any:
        """A column of a named data source, as the page holds it."""
        code = "([n, c]) => Array.from(Bokeh.documents[0].get_model_by_name(n).data[c])"
        return np.array(self.page.evaluate(code, [name, column]))

    def model(self, name: str, attribute: str) -> Any:
        code = f"(name) => Bokeh.documents[0].get_model_by_name(name).{attribute}"
        return self.page.evaluate(code, name)

    def frame(self) -> tuple[float, float, float, float]:
        """Left, top, width, height of the frame of the map on the screen."""
        found = self.page.evaluate(
            """() => {
              const plot = Bokeh.documents[0].get_model_by_name("map")
              const view = Bokeh.index.find_one_by_id(plot.id)
              const {x, y} = view.el.getBoundingClientRect()
              const {left, top, width, height} = view.frame.bbox
              return [x + left, y + top, width, height]
            }"""
        )
        return tuple(found)

    def place(self, row_from_top: int, column: int) -> tuple[float, float]:
        """The screen position of a pixel's middle, counted in what the eye sees."""
        left, top, width, height = self.frame()
        return (left + (column + 0.5) / N_X * width, top + (row_from_top + 0.5) / N_Y * height)

    def dot(self, number: int) -> tuple[float, float]:
        """The screen position of a point spectrum's dot."""
        x, y = self.data("pixels", "x")[number], self.data("pixels", "shown")[number]
        found = self.page.evaluate(
            """([x, y]) => {
              const plot = Bokeh.documents[0].get_model_by_name("map")
              const view = Bokeh.index.find_one_by_id(plot.id)
              const corner = view.el.getBoundingClientRect()
              const {x_scale, y_scale} = view.frame
              return [corner.x + x_scale.compute(x), corner.y + y_scale.compute(y)]
            }""",
            [float(x), float(y)],
        )
        return tuple(found)

    def changed(self, before: Any) -> Any:
        """The curve, once it is another than `before`."""
        code = """(y) => {
          const now = Bokeh.documents[0].get_model_by_name("curve").data.y
          return Array.from(now).some((value, k) => value !== y[k])
        }"""
        self.page.wait_for_function(code, arg=[float(value) for value in before])
        return self.data("curve", "y")


@pytest.fixture
def opened(browser: Any) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1280, "height": 800}, offline=True)
    yield Page(context.new_page())
    context.close()
