"""The due-diligence figure: maps on one scale, spectra, detection curve, a dot a mock-up, the
verdicts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..words.caption import headline
from ..words.common import Stratum, number, percent, rounded, unit_words
from .contents import BELOW_PHOTO, Place, Plan, photo_size, plan_figure
from .curve_panel import draw_spiking
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
    BOLD,
    DASHES,
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
    wrapped,
    write,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..results import StudyResult

#: What the values of paired mock-ups are, by the column `paired`.
_PAIRED = {"before": "; dots: change from before", "block": ", less its panel's blanks"}
#: Full width: the numbers and the verdict beside the dots, and the names before them.
_BESIDE_DOTS, _LABEL = 76.0, 42.0
_COLUMNS = {"estimate": ("mean", 14.0), "detection_limit": ("DL", 26.0),
            "identification_limit": ("IL", 38.0), "upper_bound": ("UB", 50.0)}  # fmt: skip
_VERDICT = 53.0
_GEL_LINE: dict[str, Any] = {"linestyle": DASHES[GEL], "color": GEL}
#: What stands for a quantity where its name is too long.
_SYMBOL_OF = {"absorbance": ("A",), "transmittance": ("T",), "reflectance": ("R",)}
_TIGHT = 2.0


def residue_figure(
    result: StudyResult,
    *,
    residue: str | None = None,
    strata: Sequence[str | Stratum] | None = None,
    width_mm: float | None = None,
    page: int | None = None,
) -> Figure:
    """Draw the due-diligence figure of a run at its printed size.

    Each block answers with its verdict first: dots against the limit that decides, the working
    exposure on top, the evidence below.

    Parameters
    ----------
    result : what a run found.
    residue : the material whose arms are drawn, as in the column `residue`; left out, every
        residue of the study, those of one stratum side by side where the width allows it.
    strata : the wanted strata, each by its paint or as (paint, soiling, ageing_h); all when left
        out.
    width_mm : 80 (one column) to 260; the width of the study's settings (170) when left out.
    page : of a figure that needs several, at most 200 mm high each; the first when left out.
        Letters and the scale of the maps run on over all pages.

    Returns
    -------
    The figure, at its printed size; ``.savefig(path)`` writes it.

    Raises
    ------
    ContractError : strata without a blank, without limits, with maps of which no scale bar can be
        made; a width that cannot be printed; an unknown page, stratum or residue; a detected arm
        that has no room, or stands on another page while none was asked for (the message holds
        the call that draws it); a visible image that is not what the run saw.

    >>> import residuekit as rk
    >>> rk.residue_figure(rk.open_run("my-study"))  # doctest: +SKIP
    >>> rk.residue_figure.__module__
    'residuekit.figures.residue'
    """
    return draw(plan_figure(result, residue=residue, strata=strata, width_mm=width_mm, page=page))


def draw(plan: Plan) -> Figure:
    """Draw a plan."""
    from matplotlib.figure import Figure

    with figure_style():
        figure = Figure(figsize=(plan.width / MM_PER_INCH, plan.height / MM_PER_INCH))
        top = EDGE
        for at in plan.places:
            _draw_block(figure, plan, at)
            top = max(top, at.top + block_height(at.block, at.width))
        top = _draw_photo(figure, plan, top)
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
    return top + high + BELOW_PHOTO


@dataclass(frozen=True)
class _Panel:
    """A panel on its figure; `top` is the upper edge of its row, mm."""

    figure: Figure
    plan: Plan
    at: Place
    row: Row
    left: float
    width: float
    top: float

    @property
    def block(self) -> Block:
        """What is drawn."""
        return self.at.block

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
    def windows(self) -> list[tuple[int, dict[str, Any]]]:
        """The markers that are scored here, with their numbers in the line below the figure."""
        numbered = enumerate(self.plan.markers, start=1)
        return [(k, marker) for k, marker in numbered if marker["name"] in self.block.scored]

    def axes(self, name: str, below: str) -> Axes:
        """The axes, its name upright on the left, its level one below."""
        ax = place(self.figure, self.left + TICKS, self.top + TITLE, self.inner, self.height)
        middle = self.top + TITLE + self.height / 2
        shown = first_fitting([name, *_SYMBOL_OF.get(name, ())], self.height)
        write(self.figure, self.left, middle, shown, rotation=90,
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


def _draw_block(figure: Figure, plan: Plan, at: Place) -> None:
    write(figure, at.left + EDGE, at.top, at.letter, weight="bold")
    room = at.width - 2 * EDGE - 4 - (0 if narrow(at.width) else _BESIDE_DOTS)
    several = len({block.residue for block in plan.blocks}) > 1
    said = wrapped(headline(at.block, several), room / BOLD)
    if not narrow(at.width):
        said = [fitted(" ".join(said), room / BOLD)]
    for k, line in enumerate(said[:2]):
        write(figure, at.left + EDGE + 4, at.top + k * LINE, line, weight="bold")
    draw_kind: dict[str, Callable[[_Panel], None]] = {
        "maps": _draw_maps,
        "spiking": _draw_spiking,
        "spectra": _draw_spectra,
        "difference": _draw_difference,
        "mockups": _draw_mockups,
    }
    for row in rows(at.block, at.width):
        for one in row.panels:
            left, top = at.left + one.left, at.top + row.top
            draw_kind[one.kind](_Panel(figure, plan, at, row, left, one.width, top))


def _draw_maps(p: _Panel) -> None:
    block, scale = p.block, p.plan.scale
    side = map_side(block, p.at.width)
    left = p.left
    for one, title in zip(block.maps, _map_titles(p), strict=True):
        write(p.figure, left, p.top, fitted(title, side + 1))
        ax = place(p.figure, left, p.top + TITLE, *map_size(one, side))
        draw_map(ax, one.values, one.x, one.y, limit=block.pixel_limit, scale=scale,
                 position_unit=one.position_unit, room_mm=side)  # fmt: skip
        left += map_step(side)
    high = maps_height(block, p.at.width) - 2
    left += bar_label_width(block.pixel_limit)
    bar = place(p.figure, left, p.top + TITLE + 2, BAR, high)
    draw_colour_bar(bar, limit=block.pixel_limit, scale=scale, words=p.unit)


def _map_titles(p: _Panel) -> list[str]:
    """The names of the maps, the longest that fit for all; with the tags of their frames."""
    block, room = p.block, map_side(p.block, p.at.width) + 1
    tags = [f"{p.at.letter}{k} " if p.plan.framed else "" for k in range(1, len(block.maps) + 1)]
    words = [[one.words for one in block.maps], [one.short for one in block.maps]]
    ways = [[tag + name for tag, name in zip(tags, way, strict=True)] for way in words]
    return next((way for way in ways if all(text_width(name) <= room for name in way)), ways[-1])


def _draw_spiking(p: _Panel) -> None:
    spiking = p.block.spiking
    if spiking is None:
        return
    draw_spiking(p.axes("found", f"spiked ({p.unit})"), spiking, p.block.acceptance)
    ways = [f"recovery ({p.unit})", p.unit]
    if np.isfinite(spiking.spread_percent):
        sure = percent(spiking.confidence)
        slope = f"slope ± {number(spiking.spread_percent, 2)}% ({sure})"
        ways = [*(f"{way}: {slope}" for way in ways), slope]
    p.title(first_fitting(ways, p.width))


def _colour(working: bool) -> str:
    return WORKING if working else EXPOSED


def _draw_spectra(p: _Panel) -> None:
    block = p.block
    shared = p.row.foot < FOOT
    ax = p.axes(block.quantity, "" if shared else "wavenumber (cm⁻¹)")
    ax.tick_params(labelbottom=not shared)
    exposed = [(curves.spectra, _colour(curves.working)) for curves in block.exposed]
    draw_spectra(ax, block.wavenumber, block.blank.spectra, exposed, block.gel)
    tags = [f"({k})" if one["name"] in block.blind else str(k) for k, one in p.windows]
    shade_windows(ax, [marker for _, marker in p.windows], p.inner, tags)
    lines: list[Entry] = [("blank", {"linestyle": "-", "color": BLANK, "linewidth": 1.8})]
    colours = [_colour(curves.working) for curves in block.exposed]
    lines += [(curves.words, {"linestyle": DASHES[colour], "color": colour})
              for curves, colour in zip(block.exposed, colours, strict=True)]  # fmt: skip
    if block.gel is not None:
        lines.append(("gel", _GEL_LINE))
    p.key(lines)


def _draw_difference(p: _Panel) -> None:
    block, loading = p.block, p.block.acceptance or 1.0
    gel = None
    if block.gel is not None and block.gel_per_loading > 0:
        gel = block.gel * block.gel_per_loading * loading
    exposed = [(curves.compared, _colour(curves.working)) for curves in block.exposed]
    symbol = _SYMBOL_OF.get(block.quantity, (block.quantity,))[0]
    ax = p.axes(f"Δ{symbol}", "wavenumber (cm⁻¹)")
    draw_difference(ax, block.wavenumber, block.blank.compared, exposed, gel)
    shade_windows(ax, [marker for _, marker in p.windows], p.inner)
    title = "exposed − blank" if block.blank.changes is None else "changes, exposed − blank"
    write(p.figure, p.left, p.top, title)
    if gel is not None:
        offset = text_width(title) + _TIGHT
        p.key([(f"gel, {number(loading)} µg cm⁻²", _GEL_LINE)], offset=offset)


def _draw_mockups(p: _Panel) -> None:
    """A line a group: beside its dots its name and its numbers, in one column above them."""
    groups, slim, step = p.block.groups, narrow(p.at.width), pitch(p.at.width)
    label, beside = (0.0, 0.0) if slim else (_LABEL, _BESIDE_DOTS)
    wide = p.width - label - beside
    ax = place(p.figure, p.left + label, p.top, wide, step * len(groups))
    draw_mockups(ax, groups, p.block.acceptance, slim=slim)
    change = _PAIRED.get(p.block.paired, "")
    label_words = f"{p.block.score} of a mock-up{change} ({p.unit})"
    ax.set_xlabel(label_words if slim else fitted(label_words, wide + label))
    if slim:
        ax.set_ylim(len(groups) - SLIM_MIDDLE, -SLIM_MIDDLE)
        for line, group in enumerate(groups):
            _write_above(p, group, p.top + line * step + 0.7)
        return
    tops = [p.top + (line + 0.5) * step - LINE / 2 + 0.3 for line in range(len(groups))]
    for group, top in zip(groups, tops, strict=True):
        words = fitted(group.words, label - 14) + f", n = {group.values.size}"
        write(p.figure, p.left + label - 2, top, words, ha="right", **_weight(group))
    _write_numbers(p, p.left + label + wide, tops)


def _weight(group: Group) -> dict[str, Any]:
    """The working exposure is bold."""
    return {"weight": "bold"} if group.working else {}


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
    stand on the line of the headline, just above."""
    columns = {name: column for name, column in _COLUMNS.items()
               if p.block.identified or name != "identification_limit"}  # fmt: skip
    for head, right in columns.values():
        write(p.figure, left + right, p.at.top, head, ha="right")
    write(p.figure, left + _VERDICT, p.at.top, "verdict")
    for group, top in zip(p.block.groups, tops, strict=True):
        if (row := group.verdict) is None:
            continue
        for name, (_, right) in columns.items():
            said = rounded(row, name) if np.isfinite(row[name]) else "–"
            write(p.figure, left + right, top, said, ha="right")
        write(p.figure, left + _VERDICT, top, str(row["verdict"]), **_weight(group))
