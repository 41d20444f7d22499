"""The due-diligence figure: maps on one scale, spectra, detection curve, series, a dot a mock-up,
the verdicts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..words.caption import LETTERS
from ..words.common import Stratum, number, rounded, score_words, unit_words
from .contents import Plan, photo_size, plan_figure
from .curve_panel import draw_series, draw_spiking
from .key import Entry, draw_key, key_width
from .layout import (
    BAR,
    EDGE,
    FOOT,
    LINE,
    SLIM_MIDDLE,
    TICKS,
    TITLE,
    Row,
    block_height,
    map_side,
    map_size,
    map_step,
    maps_height,
    narrow,
    pitch,
    rows,
)
from .map_panel import bar_label_width, draw_colour_bar, draw_map
from .mockup_panel import draw_mockups
from .spectra_panel import draw_difference, draw_spectra, shade_windows
from .stage_panel import draw_photo
from .stratum import Block, Group
from .style import (
    BLANK,
    EXPOSED,
    GEL,
    INK,
    MM_PER_INCH,
    WORKING,
    figure_style,
    first_fitting,
    fitted,
    place,
    text_width,
    write,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..results import StudyResult

#: Full width: the numbers and the verdict beside the dots, and the names before them.
_BESIDE_DOTS, _LABEL = 76.0, 42.0
_COLUMNS = {"estimate": ("mean", 14.0), "detection_limit": ("DL", 26.0),
            "identification_limit": ("IL", 38.0), "upper_bound": ("UB", 50.0)}  # fmt: skip
_VERDICT = 53.0
_GEL_LINE: dict[str, Any] = {"linestyle": (0, (3, 1.2)), "color": GEL}
_TIGHT = 2.0


def residue_figure(
    result: StudyResult,
    *,
    residue: str | None = None,
    strata: Sequence[str | Stratum] | None = None,
    width_mm: float | None = None,
) -> Figure:
    """Draw the due-diligence figure of a run at its printed size.

    Parameters
    ----------
    result : what a run found.
    residue : the material whose arms are drawn, as in the column `residue`; the first that the
        study asks for when left out. The caption names what is not shown.
    strata : the wanted strata, each by its paint or as (paint, soiling, ageing_h); as many as fit
        on a page when left out.
    width_mm : 85 (one column) to 260; the width of the study's settings (180) when left out.

    Returns
    -------
    The figure, at its printed size; ``.savefig(path)`` writes it.

    Raises
    ------
    ContractError : strata without a blank, without limits, with maps of which no scale bar can be
        made, or with different units, which no one scale can hold; a width that cannot be printed;
        an unknown stratum or residue; a detected arm of it that has no room (the message holds the
        call that draws it); a visible image that is not what the run saw.

    >>> import residuekit as rk
    >>> rk.residue_figure(rk.open_run("my-study"))  # doctest: +SKIP
    >>> rk.residue_figure.__module__
    'residuekit.figures.residue'
    """
    return draw(plan_figure(result, residue=residue, strata=strata, width_mm=width_mm))


def draw(plan: Plan) -> Figure:
    """Draw a plan."""
    from matplotlib.figure import Figure

    with figure_style():
        figure = Figure(figsize=(plan.width / MM_PER_INCH, plan.height / MM_PER_INCH))
        top = _draw_photo(figure, plan, EDGE)
        for letter, block in zip(LETTERS, plan.blocks, strict=False):
            _draw_block(figure, plan, block, letter, top)
            top += block_height(block, plan.width)
        top = draw_key(figure, plan.key, EDGE, top)
        for line in plan.foot:
            write(figure, EDGE, top, line)
            top += LINE
    return figure


def _draw_photo(figure: Figure, plan: Plan, top: float) -> float:
    """The visible image; the names of its frames beside it, each joined to its frame."""
    from matplotlib.lines import Line2D

    if plan.photo is None:
        return top
    photo = plan.photo
    wide, high = photo_size(photo, plan.width)
    draw_photo(place(figure, EDGE, top, wide, high), photo, wide)
    ends = []
    for frame in photo.frames:
        corner = frame.corners[frame.corners[:, 0].argmax()]
        share = (corner + 0.5) / np.array(photo.shape[::-1])
        ends.append(np.clip(share, 0, 1) * (wide, high))
    order = sorted(range(len(ends)), key=lambda k: float(ends[k][1]))
    step = min(LINE + 0.5, high / max(1, len(order)))
    start = top + max(0.0, (high - step * len(order)) / 2)
    at, w, h = EDGE + wide + 5, plan.width, plan.height
    for line, k in enumerate(order):
        y = start + line * step
        x_end, y_end = EDGE + float(ends[k][0]), top + float(ends[k][1])
        for colour, weight in (("white", 1.4), (INK, 0.5)):
            figure.add_artist(Line2D([x_end / w, (at - 0.7) / w],
                                     [1 - y_end / h, 1 - (y + LINE / 2) / h],
                                     color=colour, linewidth=weight))  # fmt: skip
        frame = photo.frames[k]
        names = (f"{frame.tag} {frame.words}, {frame.mockup}", f"{frame.tag} {frame.words}")
        write(figure, at, y, first_fitting(names, plan.width - at - EDGE))
    return top + high + 7


@dataclass(frozen=True)
class _Panel:
    """A panel on its figure; `top` is the upper edge of its row, mm."""

    figure: Figure
    plan: Plan
    block: Block
    row: Row
    left: float
    width: float
    top: float

    @property
    def height(self) -> float:
        """The height of the axes."""
        return self.row.height - TITLE - self.row.foot

    @property
    def inner(self) -> float:
        """The width of the axes."""
        return self.width - TICKS - 1.5

    @property
    def unit(self) -> str:
        """The unit of the deciding score."""
        return unit_words(self.block.unit)

    @property
    def acceptance(self) -> float | None:
        """The acceptance limit, where the score is a loading."""
        return self.plan.acceptance_limit if self.block.unit == "ug cm-2" else None

    def axes(self, name: str, below: str) -> Axes:
        """The axes, its name upright on the left, its level one below."""
        ax = place(self.figure, self.left + TICKS, self.top + TITLE, self.inner, self.height)
        middle = self.top + TITLE + self.height / 2
        write(self.figure, self.left, middle, fitted(name, self.height), rotation=90,
              rotation_mode="anchor", ha="center")  # fmt: skip
        ax.set_xlabel(below)
        return ax

    def title(self, words: str) -> None:
        """Write a title above the axes."""
        write(self.figure, self.left, self.top, fitted(words, self.width))

    def key(self, entries: Sequence[Entry], offset: float = 0.0) -> None:
        """Write the key of a panel on one line above it; names that are too long are shortened."""
        room = self.width - offset
        if key_width(entries, _TIGHT) > room:
            entries = [(fitted(words, room / len(entries) - 7), look) for words, look in entries]
        draw_key(self.figure, [entries], self.left + offset, self.top, space=_TIGHT)


def _draw_block(figure: Figure, plan: Plan, block: Block, letter: str, top: float) -> None:
    write(figure, EDGE, top, letter, weight="bold")
    head = f"{block.words}: deciding score {score_words(block.score, block.unit)}"
    write(figure, EDGE + 4, top, fitted(head, plan.width - 2 * EDGE - 5))
    draw_kind: dict[str, Callable[[_Panel], None]] = {
        "maps": _draw_maps,
        "spiking": _draw_spiking,
        "series": _draw_series,
        "spectra": _draw_spectra,
        "difference": _draw_difference,
        "mockups": _draw_mockups,
    }
    for row in rows(block, plan.width):
        for at in row.panels:
            draw_kind[at.kind](_Panel(figure, plan, block, row, at.left, at.width, top + row.top))


def _draw_maps(p: _Panel) -> None:
    block, scale = p.block, p.plan.scale
    side = map_side(block, p.plan.width)
    left = p.left
    for one, title in zip(block.maps, _map_titles(p.plan, block), strict=True):
        write(p.figure, left, p.top, fitted(title, side + 1))
        ax = place(p.figure, left, p.top + TITLE, *map_size(one, side))
        draw_map(ax, one.values, one.x, one.y, limit=block.pixel_limit, scale=scale,
                 position_unit=one.position_unit, room_mm=side)  # fmt: skip
        left += map_step(side)
    high = maps_height(block, p.plan.width) - 2
    left += bar_label_width(block.pixel_limit)
    bar = place(p.figure, left, p.top + TITLE + 2, BAR, high)
    draw_colour_bar(bar, limit=block.pixel_limit, scale=scale, words=p.unit)


def _map_titles(plan: Plan, block: Block) -> list[str]:
    """The names of the maps, the longest that fit for all; with the tags of their frames."""
    letter, room = LETTERS[plan.blocks.index(block)], map_side(block, plan.width) + 1
    tags = [f"{letter}{k} " if plan.photo else "" for k in range(1, len(block.maps) + 1)]
    words = [[one.words for one in block.maps], [one.short for one in block.maps]]
    ways = [[tag + name for tag, name in zip(tags, way, strict=True)] for way in words]
    return next((way for way in ways if all(text_width(name) <= room for name in way)), ways[-1])


def _draw_spiking(p: _Panel) -> None:
    spiking = p.block.spiking
    if spiking is None:
        return
    draw_spiking(p.axes("found", f"spiked ({p.unit})"), spiking, p.plan.acceptance_limit)
    spread = spiking.spread_percent
    p.title(f"spiked: slope ± {number(spread, 2)}%" if np.isfinite(spread) else "spiked: slope")


def _draw_series(p: _Panel) -> None:
    series = p.block.series
    if series is not None:
        draw_series(p.axes("mean", series.words), series, p.acceptance, p.inner)
        p.title(f"arm means ({p.unit})")


def _colour(working: bool) -> str:
    return WORKING if working else EXPOSED


def _draw_spectra(p: _Panel) -> None:
    block, markers = p.block, p.plan.markers
    shared = p.row.foot < FOOT
    ax = p.axes(block.quantity, "" if shared else "wavenumber (cm⁻¹)")
    ax.tick_params(labelbottom=not shared)
    exposed = [(curves.spectra, _colour(curves.working)) for curves in block.exposed]
    draw_spectra(ax, block.wavenumber, block.blank.spectra, exposed, block.gel)
    blind = [marker["name"] in block.blind for marker in markers]
    tags = [f"({k})" if hidden else str(k) for k, hidden in enumerate(blind, start=1)]
    shade_windows(ax, markers, p.inner, tags)
    lines: list[Entry] = [("blank", {"linestyle": "-", "color": BLANK, "linewidth": 1.8})]
    lines += [(c.words, {"linestyle": "-", "color": _colour(c.working)}) for c in block.exposed]
    if block.gel is not None:
        lines.append(("gel", _GEL_LINE))
    p.key(lines)


def _draw_difference(p: _Panel) -> None:
    block, loading = p.block, p.plan.acceptance_limit or 1.0
    gel = None
    if block.gel is not None and block.gel_per_loading > 0:
        gel = block.gel * block.gel_per_loading * loading
    exposed = [(curves.spectra, _colour(curves.working)) for curves in block.exposed]
    ax = p.axes("difference", "wavenumber (cm⁻¹)")
    draw_difference(ax, block.wavenumber, block.blank.spectra, exposed, gel)
    shade_windows(ax, p.plan.markers, p.inner)
    write(p.figure, p.left, p.top, "exposed − blank")
    if gel is not None:
        p.key([(f"gel, {number(loading)} µg cm⁻²", _GEL_LINE)], offset=28)


def _draw_mockups(p: _Panel) -> None:
    """A line a group: beside its dots its name and its numbers, in one column above them."""
    groups, slim, step = p.block.groups, narrow(p.plan.width), pitch(p.plan.width)
    label, beside = (0.0, 0.0) if slim else (_LABEL, _BESIDE_DOTS)
    wide = p.width - label - beside
    ax = place(p.figure, p.left + label, p.top, wide, step * len(groups))
    draw_mockups(ax, groups, p.acceptance, slim=slim)
    ax.set_xlabel(f"mean of a mock-up ({p.unit})")
    if slim:
        ax.set_ylim(len(groups) - SLIM_MIDDLE, -SLIM_MIDDLE)
        for line, group in enumerate(groups):
            _write_above(p, group, p.top + line * step + 0.9)
        return
    tops = [p.top + (line + 0.5) * step - LINE / 2 + 0.3 for line in range(len(groups))]
    for group, top in zip(groups, tops, strict=True):
        words = fitted(group.words, label - 14) + f", n = {group.values.size}"
        write(p.figure, p.left + label - 2, top, words, ha="right")
    _write_numbers(p, p.left + label + wide, tops)


def _write_above(p: _Panel, group: Group, top: float) -> None:
    """One column: the name of a group above its dots, the numbers of its arm beside the name."""
    said = ""
    if group.verdict is not None:
        row = group.verdict
        said = str(row["verdict"])
        if np.isfinite(row["detection_limit"]):
            said = f"DL {rounded(row, 'detection_limit')}, UB {rounded(row, 'upper_bound')}: {said}"
    count = f", n = {group.values.size}"
    room = p.width - text_width(said) - text_width(count) - 2
    write(p.figure, p.left, top, fitted(group.words.removeprefix("exposed "), room) + count)
    write(p.figure, p.left + p.width, top, said, ha="right")


def _write_numbers(p: _Panel, left: float, tops: Sequence[float]) -> None:
    """Full width: mean, limits, upper bound and verdict of each arm beside its dots; the heads
    stand on the line of the last blank, just above."""
    arms = [(g.verdict, top) for g, top in zip(p.block.groups, tops, strict=True) if g.verdict]
    heads = tops[tops.index(arms[0][1]) - 1]
    for head, right in _COLUMNS.values():
        write(p.figure, left + right, heads, head, ha="right")
    write(p.figure, left + _VERDICT, heads, "verdict")
    for row, top in arms:
        for name, (_, right) in _COLUMNS.items():
            said = rounded(row, name) if np.isfinite(row[name]) else "–"
            write(p.figure, left + right, top, said, ha="right")
        write(p.figure, left + _VERDICT, top, str(row["verdict"]))
