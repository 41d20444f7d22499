"""Score maps on one scale, and the colour bar that marks the pixel limit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ..words.caption import length_words
from ..words.common import number
from .style import INK, MM_PER_INCH, residue_colours, text_width

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = npt.NDArray[np.float64]
_SCALE_SHARE = 0.4
#: Right of the colour bar, mm: the numbers of its scale.
BAR_NUMBERS = 9.5
#: Right of it, mm: where its unit ends, before the title of the next panel.
_UNIT_ENDS = 6.5
_PT = 72 / MM_PER_INCH
#: A masked pixel, over its grey.
HATCHED: dict[str, Any] = {"fill": False, "hatch": "////", "linewidth": 0, "color": "#666666"}
#: Below a picture, mm: the middle of its scale bar.
_BELOW = 2.2


def draw_map(
    ax: Axes,
    values: Floats,
    x: Floats,
    y: Floats,
    *,
    limit: float,
    scale: tuple[float, float],
    position_unit: str = "um",
    room_mm: float | None = None,
    diverging: bool = False,
) -> Axes:
    """Draw a map of scores (y, x) by `draw_pixels`, in place of ticks a scale bar below that takes
    at most `room_mm` with its length (the width of the axes when left out)."""
    draw_pixels(ax, values, x, y, limit=limit, scale=scale, diverging=diverging)
    ax.set_anchor("NW")
    ax.set_xticks([])
    ax.set_yticks([])
    left, right, _, _ = map_extent(x, y)
    draw_scale_bar(ax, right - left, position_unit, room_mm)
    return ax


def draw_pixels(
    ax: Axes,
    values: Floats,
    x: Floats,
    y: Floats,
    *,
    limit: float,
    scale: tuple[float, float],
    diverging: bool = False,
) -> Axes:
    """Draw a map of scores (y, x): y upward, square pixels.

    What is not above the pixel `limit` is faded and parted from the rest by a line along the edges
    of the pixels, of a `diverging` map by a dotted one from what is below minus the limit; masked
    pixels (NaN) are grey and hatched.
    """
    from matplotlib.collections import LineCollection
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    extent, (step_x, step_y) = map_extent(x, y), pixel_steps(x, y)
    colours = residue_colours(values, limit, *scale, diverging=diverging)
    ax.imshow(colours, origin="lower", extent=extent, interpolation="nearest", aspect="equal")
    masked = np.argwhere(~np.isfinite(values))[:, ::-1]
    if len(masked):
        square = Path.unit_rectangle()
        corners = masked[:, None] + np.asarray(square.vertices)
        outline = corners.reshape(-1, 2) * [step_x, step_y] + [extent[0], extent[2]]
        codes = np.tile(np.asarray(square.codes), len(masked))
        ax.add_patch(PathPatch(Path(outline, codes), **HATCHED))
    with np.errstate(invalid="ignore"):
        parted = {"solid": values > limit, **({"dotted": values < -limit} if diverging else {})}
    for dash, beyond in parted.items() if np.isfinite(limit) else ():
        places = limit_edges(beyond) * [step_x, step_y] + [extent[0], extent[2]]
        if len(places):
            ax.add_collection(
                LineCollection(list(places), colors=INK, linewidths=0.5, linestyles=dash,
                               capstyle="projecting"),
                autolim=False,
            )  # fmt: skip
    ax.spines[:].set_visible(True)
    return ax


def pixel_steps(x: Floats, y: Floats) -> tuple[float, float]:
    """The distance of pixel centres along x and y; a single row or column takes the other's."""
    known = [float(np.median(np.diff(at))) for at in (x, y) if at.size > 1] or [1.0]
    return known[0], known[-1]


def map_extent(x: Floats, y: Floats) -> tuple[float, float, float, float]:
    """Left, right, lower and upper edge of a map."""
    dx, dy = pixel_steps(x, y)
    return x[0] - dx / 2, x[-1] + dx / 2, y[0] - dy / 2, y[-1] + dy / 2


def limit_edges(above: npt.NDArray[np.bool_]) -> Floats:
    """The edges between pixels above the limit and others, (n, 2 ends, x and y) in pixels from the
    lower left corner.

    >>> limit_edges(np.array([[True, False]])).tolist()
    [[[1.0, 0.0], [1.0, 1.0]]]
    """
    row, column = np.nonzero(above[:, 1:] != above[:, :-1])
    upright = np.stack([np.stack([column + 1, row], 1), np.stack([column + 1, row + 1], 1)], 1)
    row, column = np.nonzero(above[1:] != above[:-1])
    level = np.stack([np.stack([column, row + 1], 1), np.stack([column + 1, row + 1], 1)], 1)
    return np.concatenate([upright, level]).astype(np.float64)


def draw_scale_bar(ax: Axes, width: float, unit: str, room_mm: float | None = None) -> None:
    """Draw a bar of a round length below a picture `width` units wide, its length beside it."""
    from matplotlib.transforms import ScaledTranslation

    wide = ax.get_window_extent().width / ax.figure.dpi * MM_PER_INCH
    mm, room = wide / width, wide if room_mm is None else room_mm
    length = _round_length(width * _SCALE_SHARE)
    while length * mm + 1 + text_width(length_words(length, unit)) > room and length * mm > 1:
        length = _round_length(length * 0.6)
    below = ScaledTranslation(0, -_BELOW / MM_PER_INCH, ax.figure.dpi_scale_trans)
    frame: dict[str, Any] = {"transform": ax.transAxes + below, "clip_on": False}
    ax.plot([0, length / width], [0, 0], color=INK, linewidth=1.5, solid_capstyle="butt",
            scalex=False, scaley=False, **frame)  # fmt: skip
    beside = ScaledTranslation(1 / MM_PER_INCH, 0, ax.figure.dpi_scale_trans)
    ax.text(length / width, 0, length_words(length, unit), va="center_baseline",
            transform=frame["transform"] + beside)  # fmt: skip


def _round_length(longest: float) -> float:
    """The longest of 1, 2, 5 x 10^k that is not above `longest`.

    >>> _round_length(170.0), _round_length(0.7)
    (100.0, 0.5)
    """
    decade = 10.0 ** np.floor(np.log10(longest))
    return float(max(f * decade for f in (1, 2, 5) if f * decade <= longest * (1 + 1e-9)))


def draw_colour_bar(
    ax: Axes, *, limit: float, scale: tuple[float, float], words: str, diverging: bool = False
) -> Axes:
    """Draw the scale of the maps upright, faded below the pixel limit.

    The limit is a line across and a bold number on the left, on a `diverging` scale with a line for
    minus the limit too; the scale's own numbers stand on the right; pixels beyond the ends have the
    colour of the arrows.
    """
    low, high = scale
    steps = np.linspace(low, high, 512)
    colours = residue_colours(steps, limit, low, high, diverging=diverging)[:, None, :]
    ax.imshow(colours, origin="lower", extent=(0, 1, low, high), aspect="auto",
              interpolation="nearest")  # fmt: skip
    ax.set(xlim=(0, 1), ylim=(low, high))
    ax.set_xticks([])
    ax.yaxis.tick_right()
    ax.locator_params(axis="y", nbins=5)
    ax.spines[:].set_visible(True)
    for at, mark, end in ((1.03, "^", -1), (-0.03, "v", 0))[: 2 if diverging else 1]:
        ax.plot(0.5, at, marker=mark, markersize=6, color=colours[end, 0], markeredgecolor=INK,
                markeredgewidth=0.5, transform=ax.transAxes, clip_on=False)  # fmt: skip
    ax.annotate(words, (1, 1), xycoords="axes fraction", xytext=(_UNIT_ENDS * _PT, 3.2 * _PT),
                textcoords="offset points", ha="right", va="bottom")  # fmt: skip
    for line, dash in ((limit, "solid"), (-limit, "dotted"))[: 2 if diverging else 1]:
        if low <= line <= high:
            ax.plot([-0.6, 1.0], [line, line], color=INK, linewidth=1.2, linestyle=dash,
                    clip_on=False, solid_capstyle="butt")  # fmt: skip
    if low <= limit <= high:
        ax.annotate(f"{'±' * diverging}{number(limit)}", (-0.6, limit), xycoords="data",
                    xytext=(-1.5, 0), textcoords="offset points", ha="right", va="center",
                    weight="bold", annotation_clip=False)  # fmt: skip
    return ax


def bar_label_width(limit: float) -> float:
    """How wide the number of the limit is, mm; bold letters are a tenth wider."""
    return 1.15 * text_width(number(limit)) + 1.5


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


def difference_scale(maps: Iterable[Floats], limits: Iterable[float]) -> tuple[float, float]:
    """One scale around zero for all difference maps: to the 99th percentile of what they reach,
    every limit well inside."""
    reached = np.concatenate([np.zeros(1), *(np.abs(one[np.isfinite(one)]) for one in maps)])
    reach = max(float(np.quantile(reached, 0.99)), *(1.5 * one for one in limits if one == one), 0)
    return -(reach or 1.0), reach or 1.0
