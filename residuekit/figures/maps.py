"""Score maps on one scale, and the colour bar that marks the pixel limit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from .style import INK, residue_colours
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
            Rectangle(
                corner, step_x, step_y, fill=False, hatch="////", linewidth=0, color="#666666"
            )
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


def draw_colour_bar(ax: Axes, *, limit: float, scale: tuple[float, float], words: str) -> Axes:
    """Draw the scale of the maps upright, faded below the pixel limit.

    A line across marks the limit and a number below the bar tells it; pixels beyond the top have
    the colour of the arrow.
    """
    low, high = scale
    steps = np.linspace(low, high, 512)
    colours = residue_colours(steps, limit, low, high)[:, None, :]
    ax.imshow(colours, origin="lower", extent=(0, 1, low, high), aspect="auto",
              interpolation="nearest")  # fmt: skip
    ax.set_ylim(low, high)
    ax.set_xticks([])
    ax.yaxis.tick_right()
    ax.locator_params(axis="y", nbins=5)
    ax.spines[:].set_visible(True)
    ax.text(0.5, 1.14, words, ha="center", va="center_baseline", transform=ax.transAxes)
    top = residue_colours([high], limit, low, high)[0]
    ax.plot(0.5, 1.03, marker="^", markersize=6, color=top, markeredgecolor=INK,
            markeredgewidth=0.5, transform=ax.transAxes, clip_on=False)  # fmt: skip
    if low <= limit <= high:
        ax.plot([-0.5, 1.5], [limit, limit], color=INK, linewidth=1.2, clip_on=False,
                solid_capstyle="butt")  # fmt: skip
        ax.text(0.5, -0.06, f"pixel limit {number(limit)}", ha="center", va="center_baseline",
                transform=ax.transAxes)  # fmt: skip
    return ax


def shared_scale(
    maps: Sequence[Floats], limits: Sequence[float], top: float
) -> tuple[float, float]:
    """One scale for all maps: from the lowest pixel or zero to the highest or `top`.

    `top` cuts off a few very high pixels, which would take the colours from all others; every limit
    stays well inside.
    """
    known = np.concatenate([np.zeros(1), *(values[np.isfinite(values)] for values in maps)])
    lasting = [2.5 * limit for limit in limits if np.isfinite(limit)]
    low, high = float(known.min()), max(min(float(known.max()), top), *lasting, 0.0)
    return (low, high) if high > low else (low, low + 1.0)
