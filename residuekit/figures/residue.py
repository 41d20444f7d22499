"""The due-diligence figure: maps on one scale, spectra, a dot a mock-up, the verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..errors import ContractError, Fault
from .choice import Block, choose
from .maps import draw_colour_bar, draw_map, shared_scale
from .mockups import draw_mockups
from .spectra import draw_difference, draw_spectra, shade_windows
from .style import (
    BLANK,
    EXPOSED,
    GEL,
    INK,
    MASKED,
    MM_PER_INCH,
    figure_style,
    fitted,
    place,
    plain,
    text_width,
    wrapped,
    write,
)
from .words import Stratum, number, score_words, unit_words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..results import StudyResult

WIDTHS = (85.0, 260.0)
#: Below this width, mm, the spectra stand under the maps and the numbers are left to the table.
_NARROW = 150.0
_PAGE_HEIGHT = 245.0
_LINE = 3.5
_EDGE = 1.0
_ROW = 4.2
_UPPER, _LOWER = 16.0, 12.5
#: The scale of the maps ends at this many times the acceptance limit.
_ACCEPTANCE_SPAN = 5.0


@dataclass(frozen=True)
class Plan:
    """All that is drawn, and what is left out."""

    blocks: tuple[Block, ...]
    left_out: tuple[str, ...]
    scale: tuple[float, float]
    width: float
    height: float
    foot: tuple[str, ...]
    acceptance_limit: float | None
    markers: tuple[dict[str, Any], ...]


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
    width_mm : 85 to 260; the width of the study's settings (180) when left out.

    Raises
    ------
    ContractError : strata without a blank or with different units, which no one scale can hold; a
        width that cannot be printed; an unknown stratum.
    """
    return draw(plan_figure(result, strata=strata, width_mm=width_mm))


def plan_figure(
    result: StudyResult,
    *,
    strata: Sequence[str | Stratum] | None = None,
    width_mm: float | None = None,
) -> Plan:
    """Decide what the figure holds: blocks, scale, size; see `residue_figure`."""
    study = result.provenance["study"]
    width = float(study["figure"].get("width_mm", 180) if width_mm is None else width_mm)
    if not WIDTHS[0] <= width <= WIDTHS[1]:
        raise ContractError(
            Fault(
                f"a figure {width:g} mm wide",
                f"{WIDTHS[0]:g} to {WIDTHS[1]:g} mm",
                "width_mm = 85 for one column, 180 for the full width",
            )
        )
    blocks, left_out = choose(result, strata)
    acceptance = study["acceptance_limit_ug_cm2"] if blocks[0].unit == "ug cm-2" else None
    markers = tuple(result.provenance["markers"])
    foot = _foot(markers, width)
    room = _PAGE_HEIGHT - len(foot) * _LINE - 2 * _LINE - 3 * _EDGE
    drawn = len(blocks)
    while drawn > 1 and sum(_block_height(b, width) for b in blocks[:drawn]) > room:
        drawn -= 1
    if drawn < len(blocks):
        full = ", ".join(block.words for block in blocks[drawn:])
        left_out.append(f"Not drawn, because the page is full: {full}; see verdicts.csv.")
    blocks = blocks[:drawn]
    if left_out:
        said = "Part of the study is not drawn; the caption names it."
        foot = (*foot, *wrapped(said, width - 2 * _EDGE))
    lines = len(foot) + len(_legend_rows(blocks, acceptance, width))
    height = sum(_block_height(b, width) for b in blocks) + lines * _LINE + 4 * _EDGE
    return Plan(
        blocks=tuple(blocks),
        left_out=tuple(left_out),
        scale=_scale(blocks, acceptance),
        width=width,
        height=height,
        foot=foot,
        acceptance_limit=acceptance,
        markers=markers,
    )


def _scale(blocks: Sequence[Block], acceptance: float | None) -> tuple[float, float]:
    """One scale for every map: up to the spiked ones and a few times the acceptance limit."""
    import numpy as np

    maps = [panel for block in blocks for panel in block.maps]
    shown = [p.values for p in maps if acceptance is None or p.role == "spiked"]
    tops = [float(np.nanquantile(values, 0.99)) for values in shown if np.isfinite(values).any()]
    if acceptance is not None:
        tops.append(_ACCEPTANCE_SPAN * acceptance)
    limits = [block.pixel_limit for block in blocks]
    return shared_scale([panel.values for panel in maps], limits, max(tops, default=0.0))


def draw(plan: Plan) -> Figure:
    """Draw a plan."""
    from matplotlib.figure import Figure

    with figure_style():
        figure = Figure(figsize=(plan.width / MM_PER_INCH, plan.height / MM_PER_INCH))
        top = _EDGE
        for letter, block in zip("ABCDEFGHIJ", plan.blocks, strict=False):
            _draw_block(figure, plan, block, letter, top)
            top += _block_height(block, plan.width)
        top = _draw_legend(figure, plan, top)
        for line in plan.foot:
            write(figure, _EDGE, top, line)
            top += _LINE
    return figure


def _foot(markers: Sequence[dict[str, Any]], width: float) -> tuple[str, ...]:
    names = ", ".join(f"{k} {plain(marker['name'])}" for k, marker in enumerate(markers, start=1))
    said = (
        f"Shaded marker windows: {names}; in brackets where blind on the paint. "
        "DL: detection limit of the arm's mean; UB: upper bound of the mean."
    )
    return tuple(wrapped(said, width - 2 * _EDGE))


def _narrow(width: float) -> bool:
    return width < _NARROW


def _map_size(width: float) -> float:
    """The side of a map panel, mm: three of them, their bar and, if wide, the spectra beside."""
    return (width - 28) / 3 if _narrow(width) else width * 0.155


def _upper_height(block: Block, width: float) -> float:
    maps = _map_size(width) + 10 if block.maps else 0.0
    spectra = 4 + _UPPER + 5 + _LOWER + 9
    return maps + spectra if _narrow(width) else max(maps, spectra)


def _lower_height(block: Block) -> float:
    return _ROW * len(block.groups) + 14


def _block_height(block: Block, width: float) -> float:
    return 5 + _upper_height(block, width) + _lower_height(block) + 4


def _draw_block(figure: Figure, plan: Plan, block: Block, letter: str, top: float) -> None:
    write(figure, _EDGE, top, letter, weight="bold")
    head = f"{block.words}: deciding score {score_words(block.score, block.unit)}"
    write(figure, _EDGE + 4, top, fitted(head, plan.width - 2 * _EDGE - 5))
    top += 5
    size = _map_size(plan.width)
    left = _EDGE
    if block.maps:
        _draw_maps(figure, plan, block, top)
        left = _EDGE if _narrow(plan.width) else 3 * size + 25
    below = size + 10 if block.maps and _narrow(plan.width) else 0.0
    _draw_spectra(figure, plan, block, left, top + below)
    _draw_mockups(figure, plan, block, top + _upper_height(block, plan.width))


def _draw_maps(figure: Figure, plan: Plan, block: Block, top: float) -> None:
    size = _map_size(plan.width)
    for number_, panel in enumerate(block.maps):
        left = _EDGE + number_ * (size + 1.5)
        write(figure, left, top, fitted(panel.role if _narrow(plan.width) else panel.words, size))
        ax = place(figure, left, top + 4, size, size)
        draw_map(ax, panel.values, panel.x, panel.y, limit=block.pixel_limit, scale=plan.scale,
                 position_unit=panel.position_unit)  # fmt: skip
    left = _EDGE + len(block.maps) * (size + 1.5) + 7
    bar = place(figure, left, top + 4, 2.5, size)
    draw_colour_bar(bar, limit=block.pixel_limit, scale=plan.scale,
                    words=unit_words(block.unit))  # fmt: skip


def _draw_spectra(figure: Figure, plan: Plan, block: Block, left: float, top: float) -> None:
    ticks = 15.5
    wide = plan.width - left - ticks - _EDGE
    upper = place(figure, left + ticks, top + 4, wide, _UPPER)
    exposed = None if block.exposed is None else block.exposed.spectra
    words = ("blank", block.exposed.words if block.exposed else "", "gel")
    draw_spectra(upper, block.wavenumber, block.blank.spectra, exposed, block.gel, words)
    tags = [
        f"({k})" if marker["name"] in block.blind else str(k)
        for k, marker in enumerate(plan.markers, start=1)
    ]
    shade_windows(upper, plan.markers, wide, tags)
    upper.legend(loc="lower left", bbox_to_anchor=(0, 1.02), ncols=3)
    last = upper
    if exposed is not None:
        upper.tick_params(labelbottom=False)
        last = place(figure, left + ticks, top + 4 + _UPPER + 5, wide, _LOWER)
        loading = plan.acceptance_limit or 1.0
        gel = None
        if block.gel is not None and block.gel_per_loading > 0:
            gel = block.gel * block.gel_per_loading * loading
        draw_difference(last, block.wavenumber, block.blank.spectra, exposed, gel,
                        ("difference", f"gel, {number(loading)} µg cm⁻²"))  # fmt: skip
        last.legend(loc="lower left", bbox_to_anchor=(0, 1.02), ncols=2)
        shade_windows(last, plan.markers, wide)
    last.set_xlabel("wavenumber (cm⁻¹)")
    height = _UPPER if last is upper else _UPPER + 5 + _LOWER
    write(figure, left, top + 4 + height / 2, fitted(block.quantity, height), rotation=90,
          rotation_mode="anchor", ha="center")  # fmt: skip


def _draw_mockups(figure: Figure, plan: Plan, block: Block, top: float) -> None:
    height = _ROW * len(block.groups)
    label = 42.0 if not _narrow(plan.width) else 38.0
    columns = 70.0 if not _narrow(plan.width) else 23.0
    wide = plan.width - label - columns - 2 * _EDGE
    top += 1
    ax = place(figure, _EDGE + label, top + 4, wide, height)
    limit = plan.acceptance_limit if block.unit == "ug cm-2" else None
    draw_mockups(ax, block.groups, limit, label - 2)
    unit = unit_words(block.unit)
    ax.set_xlabel(unit if _narrow(plan.width) else f"mean of a mock-up ({unit})")
    left = _EDGE + label + wide
    _write_numbers(figure, block, left, top, narrow=_narrow(plan.width))


def _write_numbers(figure: Figure, block: Block, left: float, top: float, *, narrow: bool) -> None:
    """The verdict of each arm beside its dots, with mean, detection limit and upper bound."""
    columns = {} if narrow else {"estimate": 12.0, "detection_limit": 26.0, "upper_bound": 41.0}
    heads = {"estimate": "mean", "detection_limit": "DL", "upper_bound": "UB"}
    for name, right in columns.items():
        write(figure, left + right, top, heads[name], ha="right")
    start = left + (45 if columns else 2)
    write(figure, start, top, "verdict")
    for line, group in enumerate(block.groups):
        if group.verdict is None:
            continue
        middle = top + 4 + (line + 0.5) * _ROW - _LINE / 2 + 0.3
        for name, right in columns.items():
            write(figure, left + right, middle, number(group.verdict[name]), ha="right")
        write(figure, start, middle, str(group.verdict["verdict"]))


Entry = tuple[str, dict[str, Any]]


def _legend_entries(blocks: Sequence[Block], acceptance: float | None) -> list[Entry]:
    """The symbols that are drawn, each with its name."""
    import numpy as np

    roles = {group.role for block in blocks for group in block.groups}
    masked = any(np.isnan(panel.values).any() for block in blocks for panel in block.maps)
    limit = any(g.verdict is not None for block in blocks for g in block.groups)
    entries: list[tuple[bool, Entry]] = [
        (True, ("blank mock-up", {"marker": "o", "color": BLANK, "mfc": "none"})),
        ("exposed" in roles, ("exposed", {"marker": "o", "color": EXPOSED})),
        ("spiked" in roles, ("spiked", {"marker": "D", "color": GEL, "mfc": "none"})),
        (True, ("mean", {"marker": "|", "color": INK})),
        (limit, ("decision limit, one mock-up", {"line": (0, (2, 1)), "color": EXPOSED})),
        (acceptance is not None, ("acceptance limit", {"line": "-", "color": INK})),
        (masked, ("masked pixel", {"patch": MASKED})),
    ]
    return [entry for shown, entry in entries if shown]


def _legend_rows(
    blocks: Sequence[Block], acceptance: float | None, width: float
) -> list[list[Entry]]:
    rows: list[list[Entry]] = [[]]
    used = 0.0
    for words, look in _legend_entries(blocks, acceptance):
        needed = text_width(words) + 6.3
        if used + needed > width - 2 * _EDGE and rows[-1]:
            rows.append([])
            used = 0.0
        rows[-1].append((words, look))
        used += needed
    return rows


def _draw_legend(figure: Figure, plan: Plan, top: float) -> float:
    """Draw the key of the symbols; return where it ends."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    w, h = plan.width, plan.height
    for row in _legend_rows(plan.blocks, plan.acceptance_limit, plan.width):
        left, middle = _EDGE, 1 - (top + _LINE / 2) / h
        for words, look in row:
            if "patch" in look:
                box = Rectangle((left / w, middle - 1 / h), 3 / w, 2 / h, facecolor=look["patch"],
                                edgecolor="#666666", hatch="////////", linewidth=0,
                                transform=figure.transFigure)  # fmt: skip
                figure.add_artist(box)
            else:
                shown = {"marker": look.get("marker", ""), "color": look["color"],
                         "markerfacecolor": look.get("mfc", look["color"]), "markersize": 3.2,
                         "markeredgewidth": 0.6, "linewidth": 1.0,
                         "linestyle": look.get("line", "none")}  # fmt: skip
                ends = [left, left + 3] if "line" in look else [left + 1.5]
                figure.add_artist(Line2D([x / w for x in ends], [middle] * len(ends), **shown))
            write(figure, left + 4, top, words)
            left += text_width(words) + 6.3
        top += _LINE
    return top + _EDGE
