"""A small invented map in which every pixel has its own spectrum, and a browser without network."""

from __future__ import annotations

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
        self.page.wait_for_function("document.getElementById('said').textContent")

    @property
    def curve(self) -> Any:
        """The chosen spectrum, as the page holds it."""
        return np.array(self.page.evaluate("Array.from(curve.values)"))

    def text(self, name: str) -> str:
        return str(self.page.locator(f"#{name}").text_content())

    def box(self) -> list[str]:
        """What the fields of the chosen pixels hold."""
        return [self.page.locator(f"#{name}").input_value()
                for name in ("column", "row", "wide", "high")]  # fmt: skip

    def place(self, row_from_top: float, column: float, n_x: int = N_X, n_y: int = N_Y) -> Any:
        """Where a pixel's middle lies in the map, counted in what the eye sees."""
        frame = self.page.evaluate("map.frame")
        return {"x": frame["left"] + (column + 0.5) / n_x * frame["width"],
                "y": frame["top"] + (row_from_top + 0.5) / n_y * frame["height"]}  # fmt: skip

    def click(self, row_from_top: float, column: float, **size: int) -> None:
        self.page.locator("#map").click(position=self.place(row_from_top, column, **size))

    def drag(self, start: Any, end: Any) -> None:
        """Draw a box from one place in the map to another."""
        self.page.locator("#map").scroll_into_view_if_needed()
        corner = self.page.locator("#map").bounding_box()
        one, other = ((corner["x"] + at["x"], corner["y"] + at["y"]) for at in (start, end))
        self.page.mouse.move(*one)
        self.page.mouse.down()
        self.page.mouse.move(*other, steps=4)
        self.page.mouse.up()

    def colours(self) -> Any:
        """The colours (n_y, n_x, 4) of the picture of the map, the lowest row first."""
        found = self.page.evaluate(
            """async () => {
              const image = new Image()
              image.src = map.picture
              await image.decode()
              const sheet = document.createElement("canvas")
              Object.assign(sheet, {width: image.width, height: image.height})
              const pen = sheet.getContext("2d")
              pen.drawImage(image, 0, 0)
              return [image.height, image.width,
                      Array.from(pen.getImageData(0, 0, image.width, image.height).data)]
            }"""
        )
        return np.reshape(found[2], (found[0], found[1], 4))


@pytest.fixture
def opened(browser: Any) -> Iterator[Page]:
    context = browser.new_context(viewport={"width": 1280, "height": 800}, offline=True)
    yield Page(context.new_page())
    context.close()
