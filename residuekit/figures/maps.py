"""Score maps on one scale, and the colour bar that marks the pixel limit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from .style import INK, fitted, residue_colours
from .words import number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = npt.NDArray[np.float64]
_SCALE_SHARE = 0.4


def draw_map(
    ax: Axes,
    values: Floats,
    x: Floats,
    y: Floats,
    *,
    limit: float,
    scale: tuple[float, float],
    position_unit: str = "um",
) -> Axes:
    """Draw a map of scores (y, x): y upward, square pixels, a scale bar.

    What is not above the pixel `limit` is faded; masked pixels (NaN) are grey and hatched.
    """
    from matplotlib.patches import Rectangle

    step_x, step_y = _step(x), _step(y)
    extent = (x[0] - step_x / 2, x[-1] + step_x / 2, y[0] - step_y / 2, y[-1] + step_y / 2)
    colours = residue_colours(values, limit, *scale)
    ax.imshow(colours, origin="lower", extent=extent, interpolation="nearest", aspect="equal")
    for row, column in np.argwhere(~np.isfinite(values)):
        corner = (extent[0] + column * step_x, extent[2] + row * step_y)
        ax.add_patch(
            Rectangle(corner, step_x, step_y, fill=False, hatch="////", linewidth=0, color="#666666")
        )
    ax.set_xticks([])
    ax.set_yticks([])
    ax.spines[:].set_visible(True)
    _scale_bar(ax, extent, position_unit)
    return ax


def _step(places: Floats) -> float:
    return float(np.median(np.diff(places))) if places.size > 1 else 1.0


def _scale_bar(ax: Axes, extent: tuple[float, float, float, float], unit: str) -> None:
    """A bar of a round length below the map, with its length beside it."""
    width = extent[1] - extent[0]
    length = _round_length(width * _SCALE_SHARE)
    words = f"{length:g} µm" if unit == "um" else f"{length:g} pixel"
    frame: dict[str, Any] = {"transform": ax.transAxes, "clip_on": False}
    ax.plot([0, length / width], [-0.06, -0.06], color=INK, linewidth=1.5,
            solid_capstyle="butt", **frame)  # fmt: skip
    ax.text(length / width + 0.05, -0.06, words, va="center_baseline", **frame)


def _round_length(longest: float) -> float:
    """The longest of 1, 2, 5 x 10^k that is not above `longest`.

    >>> _round_length(170.0), _round_length(0.7)
    (100.0, 0.5)
    """
    decade = 10.0 ** np.floor(np.log10(longest))
    return float(max(f * decade for f in (1, 2, 5) if f * decade <= longest * (1 + 1e-9)))


def draw_colour_bar(
    ax: Axes, *, limit: float, scale: tuple[float, float], words: str, height_mm: float
) -> Axes:
    """Draw the scale of the maps upright, faded below the pixel limit, which a line and its number
    mark on the left; what lies beyond the ends takes the colour of the end."""
    low, high = scale
    steps = np.linspace(low, high, 512)
    colours = residue_colours(steps, limit, low, high)[:, None, :]
    ax.imshow(colours, origin="lower", extent=(0, 1, low, high), aspect="auto",
              interpolation="nearest")  # fmt: skip
    ax.set_ylim(low, high)
    ax.set_xticks([])
    ax.yaxis.tick_right()
    ax.yaxis.set_label_position("right")
    ax.locator_params(axis="y", nbins=5)
    ax.spines[:].set_visible(True)
    ax.set_ylabel(fitted(words, height_mm))
    if low <= limit <= high:
        ax.plot([-0.45, 1], [limit, limit], color=INK, linewidth=1.0, clip_on=False)
        ax.text(-0.6, limit, f"pixel limit {number(limit, 2)}", ha="right", va="center", rotation=90)
    return ax


def shared_scale(maps: list[Floats], limits: list[float]) -> tuple[float, float]:
    """One scale for all maps: from the lowest to the highest pixel, zero and every limit inside.

    Raises no error: without a finite value it is (0, 1).
    """
    found = [values[np.isfinite(values)] for values in maps]
    known = np.concatenate([np.zeros(1), *found, np.array([v for v in limits if np.isfinite(v)])])
    low, high = float(known.min()), float(known.max())
    margin = 0.05 * (high - low)
    return (low - margin * (low < 0), high + margin) if high > low else (0.0, 1.0)
