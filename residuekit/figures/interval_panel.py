"""Estimates with their intervals, a line each beside its name and its numbers."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from .key import Entry, draw_key, key_rows
from .layout import EDGE, LINE
from .mockup_panel import LOOK
from .style import BOLD, GEL, INK, MM_PER_INCH, PALE, figure_style, fitted, place, write

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_PITCH, _FOOT, _NUMBERS = 4.4, 8.5, 36.0
#: The share of the width that names have, and the least width of a number on the scale, mm.
_NAMES, _TICK = 0.4, 9.0
#: Of a panel whose values all lie on its line.
_LEAST_REACH = 0.1
_MARK: dict[str, Any] = {"marker": "o", "markersize": 3.6, "markeredgewidth": 0.7}
_NONE: dict[str, Any] = {"linestyle": "-", "color": PALE, "linewidth": 1.2}
LIMIT: dict[str, Any] = {"linestyle": "-", "color": INK, "linewidth": 1.0}
_OPEN: dict[str, Any] = {"color": INK, "markerfacecolor": "white"}
_FILLED: dict[str, Any] = {"color": INK, "markerfacecolor": INK}


@dataclass(frozen=True)
class Interval:
    """An estimate and its interval (NaN: none, infinite: not bounded), with what both are in words.

    `dots` are what it is the mean of; a `filled` one differs from the line of the panel.
    """

    words: str
    value: float
    low: float
    high: float
    said: str
    dots: tuple[float, ...] = ()
    filled: bool = True


def intervals_figure(
    title: str,
    blocks: Mapping[str, Sequence[Interval]],
    *,
    around: float,
    label: str,
    key: Sequence[Entry],
    limits: Iterable[float] = (),
    width_mm: float = 170.0,
) -> Figure:
    """Draw blocks of intervals on one scale, under the title of the study and above the key.

    Parameters
    ----------
    blocks : heading -> its lines. around : the value that says "no difference".
    label : of the scale. key : the symbols. limits : where a dark line stands.
    """
    from matplotlib.figure import Figure

    room = width_mm - 2 * EDGE
    rows = key_rows(key, room)
    lines = sum(map(len, blocks.values())) + len(blocks)
    top = EDGE + LINE + 1
    height = top + _PITCH * lines + _FOOT + LINE * len(rows) + 2 * EDGE
    with figure_style():
        figure = Figure(figsize=(width_mm / MM_PER_INCH, height / MM_PER_INCH))
        write(figure, EDGE, EDGE, fitted(title, room / BOLD), weight="bold")
        names = _NAMES * room
        wide = room - names - _NUMBERS
        ax = place(figure, EDGE + names, top, wide, _PITCH * lines)
        line, shown = 0, []
        for heading, intervals in blocks.items():
            at = top + line * _PITCH + (_PITCH - LINE) / 2
            write(figure, EDGE, at, fitted(heading, names / BOLD), weight="bold")
            for one in intervals:
                line, at = line + 1, at + _PITCH
                write(figure, EDGE + 2, at, fitted(one.words, names - 4))
                write(figure, width_mm - EDGE, at, fitted(one.said, _NUMBERS), ha="right")
                shown.append((line, one))
            line += 1
        draw_intervals(ax, shown, around=around, limits=tuple(limits))
        ax.locator_params(axis="x", nbins=max(2, min(6, int(wide / _TICK))))
        ax.set_ylim(lines - 0.5, -0.5)
        ax.set_xlabel(label)
        draw_key(figure, rows, EDGE, top + _PITCH * lines + _FOOT)
    return figure


def draw_intervals(
    ax: Axes,
    lines: Sequence[tuple[float, Interval]],
    *,
    around: float,
    limits: Sequence[float] = (),
) -> Axes:
    """Draw intervals at their lines, what they are about as a pale line, limits as dark ones.

    An interval that is not bounded runs through the whole panel.
    """
    low, high = _span(lines, around, limits)
    ax.axvline(around, zorder=0, **_NONE)
    for limit in limits:
        ax.axvline(limit, zorder=1, **LIMIT)
    for line, one in lines:
        if not math.isnan(one.low):
            ax.plot(np.clip([one.low, one.high], low, high), [line, line], color=INK,
                    linewidth=1.0, zorder=2)  # fmt: skip
        if one.dots:
            ax.scatter(one.dots, [line] * len(one.dots), s=7, linewidths=0.5, zorder=2,
                       **LOOK["spiked"])  # fmt: skip
        ax.plot(one.value, line, zorder=3, **_MARK, **(_FILLED if one.filled else _OPEN))
    ax.set_xlim(low, high)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    return ax


def _span(
    lines: Sequence[tuple[float, Interval]], around: float, limits: Sequence[float]
) -> tuple[float, float]:
    """The range of the scale: all that is finite, and a rim."""
    values = [v for _, one in lines for v in (one.value, one.low, one.high, *one.dots)]
    finite = [v for v in [*values, *limits, around] if math.isfinite(v)]
    rim = 0.06 * max(max(finite) - min(finite), _LEAST_REACH)
    return min(finite) - rim, max(finite) + rim


def interval_key(line: str, filled: str = "", hollow: str = "") -> list[Entry]:
    """The key: what the upright line is, and a filled and a hollow mark on their intervals."""
    own: list[Entry] = [(line, _NONE)]
    own += [(filled, {**_FILLED, "marker": "o", "linestyle": "-"})] if filled else []
    return own + ([(hollow, {**_OPEN, "marker": "o", "linestyle": "-"})] if hollow else [])


#: The symbol of the dots.
DOTS: Entry = ("one spiked mock-up", {"marker": "D", "color": GEL, "markerfacecolor": "none"})
