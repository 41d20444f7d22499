"""The due-diligence figure: maps on one scale, spectra, detection curve, series, a dot a mock-up,
the verdicts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from ..words.common import Stratum, number, rounded, score_words, unit_words
from .blocks import Block, Group
from .key import draw_key, key_width
from .layout import (
    BAR,
    EDGE,
    FOOT,
    LINE,
    SLIM_MIDDLE,
    TICKS,
    TITLE,
    Panel,
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
from .maps import bar_label_width, draw_colour_bar, draw_map
from .mockups import draw_mockups
from .photo import draw_photo
from .plan import LETTERS, Plan, photo_size, plan_figure
from .response import draw_series, draw_spiking
from .spectra import draw_difference, draw_spectra, shade_windows
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
_BESIDE_DOTS, _LABEL = 65.0, 42.0
_COLUMNS = {"estimate": ("mean", 15.0), "detection_limit": ("DL", 28.0),
            "upper_bound": ("UB", 41.0)}  # fmt: skip
_VERDICT = 44.0
_GEL_LINE: dict[str, object] = {"linestyle": (0, (3, 1.2)), "color": GEL}
_TIGHT = 2.0


def residue_figure(
    result: StudyResult,
    *,
    strata: Sequence[str | Stratum] | None = None,
    width_mm: float | None = None,
) -> Figure:
    """Draw the due-diligence figure of a run at its printed size.

    Parameters
    ----------
    result : what a run found.
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
        an unknown stratum; a visible image that is not what the run saw.

    >>> import residuekit as rk
    >>> rk.residue_figure(rk.open_run("my-study"))  # doctest: +SKIP
    >>> rk.residue_figure.__module__
    'residuekit.figures.residue'
    """
    return draw(plan_figure(result, strata=strata, width_mm=width_mm))


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


def _draw_block(figure: Figure, plan: Plan, block: Block, letter: str, top: float) -> None:
    write(figure, EDGE, top, letter, weight="bold")
    head = f"{block.words}: deciding score {score_words(block.score, block.unit)}"
    write(figure, EDGE + 4, top, fitted(head, plan.width - 2 * EDGE - 5))
    draw_kind: dict[str, Callable[[Figure, Plan, Block, Row, Panel, float], None]] = {
        "maps": _draw_maps,
        "spiking": _draw_spiking,
        "series": _draw_series,
        "spectra": _draw_spectra,
        "difference": _draw_difference,
        "mockups": _draw_mockups,
    }
    for row in rows(block, plan.width):
        for panel in row.panels:
            draw_kind[panel.kind](figure, plan, block, row, panel, top + row.top)


def _draw_maps(
    figure: Figure, plan: Plan, block: Block, _row: Row, panel: Panel, top: float
) -> None:
    side = map_side(block, plan.width)
    for k, (one, title) in enumerate(zip(block.maps, _map_titles(plan, block), strict=True)):
        left = panel.left + k * map_step(side)
        write(figure, left, top, fitted(title, side + 1))
        ax = place(figure, left, top + TITLE, *map_size(one, side))
        draw_map(ax, one.values, one.x, one.y, limit=block.pixel_limit, scale=plan.scale,
                 position_unit=one.position_unit, room_mm=side)  # fmt: skip
    left = panel.left + len(block.maps) * map_step(side) + bar_label_width(block.pixel_limit)
    high = maps_height(block, plan.width) - 2
    bar = place(figure, left, top + TITLE + 2, BAR, high)
    draw_colour_bar(bar, limit=block.pixel_limit, scale=plan.scale,
                    words=unit_words(block.unit))  # fmt: skip


def _map_titles(plan: Plan, block: Block) -> list[str]:
    """The names of the maps, the longest that fit for all; with the tags of their frames."""
    letter, room = LETTERS[plan.blocks.index(block)], map_side(block, plan.width) + 1
    tags = [f"{letter}{k} " if plan.photo else "" for k in range(1, len(block.maps) + 1)]
    words = [[one.words for one in block.maps], [one.short for one in block.maps]]
    ways = [[tag + name for tag, name in zip(tags, way, strict=True)] for way in words]
    return next((way for way in ways if all(text_width(name) <= room for name in way)), ways[-1])


def _axes(figure: Figure, row: Row, panel: Panel, top: float) -> Axes:
    height = row.height - TITLE - row.foot
    return place(figure, panel.left + TICKS, top + TITLE, panel.width - TICKS - 1.5, height)


def _name_upright(figure: Figure, row: Row, panel: Panel, top: float, words: str) -> None:
    height = row.height - TITLE - row.foot
    write(figure, panel.left, top + TITLE + height / 2, fitted(words, height), rotation=90,
          rotation_mode="anchor", ha="center")  # fmt: skip


def _draw_spiking(
    figure: Figure, plan: Plan, block: Block, row: Row, panel: Panel, top: float
) -> None:
    if block.spiking is None:
        return
    ax = _axes(figure, row, panel, top)
    draw_spiking(ax, block.spiking, plan.acceptance_limit)
    ax.set_xlabel(f"spiked ({unit_words(block.unit)})")
    _name_upright(figure, row, panel, top, "found")
    spread = block.spiking.spread_percent
    words = f"slope ± {number(spread, 2)}%" if np.isfinite(spread) else "slope"
    write(figure, panel.left, top, fitted(f"spiked: {words}", panel.width))


def _draw_series(
    figure: Figure, plan: Plan, block: Block, row: Row, panel: Panel, top: float
) -> None:
    if block.series is None:
        return
    ax = _axes(figure, row, panel, top)
    draw_series(ax, block.series, _acceptance(plan, block), panel.width - TICKS - 1.5)
    ax.set_xlabel(block.series.words)
    _name_upright(figure, row, panel, top, "mean")
    write(figure, panel.left, top, fitted(f"arm means ({unit_words(block.unit)})", panel.width))


def _colour(working: bool) -> str:
    return WORKING if working else EXPOSED


def _draw_spectra(
    figure: Figure, plan: Plan, block: Block, row: Row, panel: Panel, top: float
) -> None:
    ax = _axes(figure, row, panel, top)
    exposed = [(curves.spectra, _colour(curves.working)) for curves in block.exposed]
    draw_spectra(ax, block.wavenumber, block.blank.spectra, exposed, block.gel)
    tags = [
        f"({k})" if marker["name"] in block.blind else str(k)
        for k, marker in enumerate(plan.markers, start=1)
    ]
    shade_windows(ax, plan.markers, panel.width - TICKS - 1.5, tags)
    if row.foot < FOOT:
        ax.tick_params(labelbottom=False)
    else:
        ax.set_xlabel("wavenumber (cm⁻¹)")
    _name_upright(figure, row, panel, top, block.quantity)
    lines: list[tuple[str, dict[str, object]]] = [
        ("blank", {"linestyle": "-", "color": BLANK, "linewidth": 1.8})
    ]
    lines += [(c.words, {"linestyle": "-", "color": _colour(c.working)}) for c in block.exposed]
    if block.gel is not None:
        lines.append(("gel", _GEL_LINE))
    _write_key(figure, lines, panel, top)


def _draw_difference(
    figure: Figure, plan: Plan, block: Block, row: Row, panel: Panel, top: float
) -> None:
    ax = _axes(figure, row, panel, top)
    loading = plan.acceptance_limit or 1.0
    gel = None
    if block.gel is not None and block.gel_per_loading > 0:
        gel = block.gel * block.gel_per_loading * loading
    exposed = [(curves.spectra, _colour(curves.working)) for curves in block.exposed]
    draw_difference(ax, block.wavenumber, block.blank.spectra, exposed, gel)
    shade_windows(ax, plan.markers, panel.width - TICKS - 1.5)
    ax.set_xlabel("wavenumber (cm⁻¹)")
    _name_upright(figure, row, panel, top, "difference")
    words = "exposed − blank"
    write(figure, panel.left, top, words)
    if gel is not None:
        words = f"gel, {number(loading)} µg cm⁻²"
        _write_key(figure, [(words, _GEL_LINE)], panel, top, offset=28)


def _write_key(
    figure: Figure,
    entries: Sequence[tuple[str, dict[str, object]]],
    panel: Panel,
    top: float,
    offset: float = 0.0,
) -> None:
    """Write the key of a panel on one line above it; names that are too long are shortened."""
    room = panel.width - offset
    if key_width(entries, _TIGHT) > room:
        entries = [(fitted(words, room / len(entries) - 7), look) for words, look in entries]
    draw_key(figure, [entries], panel.left + offset, top, space=_TIGHT)


def _acceptance(plan: Plan, block: Block) -> float | None:
    return plan.acceptance_limit if block.unit == "ug cm-2" else None


def _draw_mockups(
    figure: Figure, plan: Plan, block: Block, _row: Row, panel: Panel, top: float
) -> None:
    slim = narrow(plan.width)
    height = pitch(plan.width) * len(block.groups)
    label, beside = (0.0, 0.0) if slim else (_LABEL, _BESIDE_DOTS)
    wide = panel.width - label - beside
    ax = place(figure, panel.left + label, top, wide, height)
    draw_mockups(ax, block.groups, _acceptance(plan, block), slim=slim)
    if slim:
        ax.set_ylim(len(block.groups) - SLIM_MIDDLE, -SLIM_MIDDLE)
    ax.set_xlabel(f"mean of a mock-up ({unit_words(block.unit)})")
    for line, group in enumerate(block.groups):
        if slim:
            _write_above(figure, group, panel, top + line * pitch(plan.width) + 0.9)
        else:
            middle = top + (line + 0.5) * pitch(plan.width) - LINE / 2 + 0.3
            words = fitted(group.words, label - 14) + f", n = {group.values.size}"
            write(figure, panel.left + label - 2, middle, words, ha="right")
    if not slim:
        _write_numbers(figure, block, panel.left + label + wide, top, pitch(plan.width))


def _write_above(figure: Figure, group: Group, panel: Panel, top: float) -> None:
    """One column: the name of a group above its dots, the numbers of its arm beside the name."""
    said = ""
    if group.verdict is not None:
        row = group.verdict
        said = str(row["verdict"])
        if np.isfinite(row["detection_limit"]):
            said = f"DL {rounded(row, 'detection_limit')}, UB {rounded(row, 'upper_bound')}: {said}"
    count = f", n = {group.values.size}"
    room = panel.width - text_width(said) - text_width(count) - 2
    write(figure, panel.left, top, fitted(group.words.removeprefix("exposed "), room) + count)
    write(figure, panel.left + panel.width, top, said, ha="right")


def _write_numbers(figure: Figure, block: Block, left: float, top: float, step: float) -> None:
    """Full width: mean, detection limit, upper bound and verdict of each arm beside its dots; the
    heads stand on the line of the last blank, just above."""
    tops = [top + (line + 0.5) * step - LINE / 2 + 0.3 for line in range(len(block.groups))]
    arms = [line for line, group in enumerate(block.groups) if group.verdict is not None]
    for head, right in _COLUMNS.values():
        write(figure, left + right, tops[arms[0] - 1], head, ha="right")
    write(figure, left + _VERDICT, tops[arms[0] - 1], "verdict")
    for group, middle in zip(block.groups, tops, strict=True):
        if group.verdict is None:
            continue
        for name, (_, right) in _COLUMNS.items():
            write(figure, left + right, middle, rounded(group.verdict, name), ha="right")
        write(figure, left + _VERDICT, middle, str(group.verdict["verdict"]))
