"""Where each part of the figure stands, mm: which panels share a row, how high a block is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .map_panel import BAR_NUMBERS, bar_label_width
from .stratum import Block, Map

PAGE_HEIGHT = 200.0
#: The width of a figure where none is asked for, mm.
PAGE_WIDTH = 170.0
LINE = 3.1
EDGE = 1.0
GAP = 1.5
#: Below this width, mm, a line of mock-ups has its words above its dots.
NARROW = 150.0
#: The narrowest block: from twice this width on, two residues stand side by side.
LEAST = 80.0
#: Where the dots of such a line stand, as a share of its height: below its words.
SLIM_MIDDLE = 0.74
#: Above an axes: its title; below it: its tick labels and its name.
TITLE, FOOT = 3.6, 7.5
#: Below an axes that shares the numbers of the one under it.
_SHARED_FOOT = 1.0
#: Left of an axes: its tick labels and its name.
TICKS = 13.0
#: The width of the colour bar.
BAR = 2.5
_LARGEST_MAP, _MAP_GAP, _BELOW_MAP = 18.0, 1.5, 4.5
_LEAST_WIDTH = {"spiking": 36.0, "spectra": 56.0, "difference": 56.0}
_AXES_HEIGHT = {"spiking": 14.0, "spectra": 15.0, "difference": 15.0}


@dataclass(frozen=True)
class Panel:
    """One panel: what it shows, its left edge and its width."""

    kind: str
    left: float
    width: float


@dataclass(frozen=True)
class Row:
    """Panels beside each other; `top` counts from the top of the block, `foot` is what is left for
    the numbers and names below the axes."""

    top: float
    height: float
    panels: tuple[Panel, ...]
    foot: float = FOOT


def narrow(width: float) -> bool:
    """Whether a block is one column wide."""
    return width < NARROW


def map_side(block: Block, width: float) -> float:
    """The longer side of a map panel: all maps and their bar side by side."""
    room = width - 2 * EDGE - bar_width(block) - len(block.maps) * _MAP_GAP
    return min(_LARGEST_MAP, room / len(block.maps))


def bar_width(block: Block) -> float:
    """What the colour bar takes with its numbers on both sides."""
    return bar_label_width(block.pixel_limit) + BAR + BAR_NUMBERS


def map_size(panel: Map, side: float) -> tuple[float, float]:
    """Width and height of a map, mm, in its own proportions."""
    left, right, lower, upper = panel.extent
    across, up = right - left, upper - lower
    return side * min(1.0, across / up), side * min(1.0, up / across)


def map_step(side: float) -> float:
    """From the left edge of a map to that of the next."""
    return side + _MAP_GAP


def maps_height(block: Block, width: float) -> float:
    """The height of the highest map; the colour bar is never lower than 14 mm."""
    side = map_side(block, width)
    return max(14.0, *(map_size(panel, side)[1] for panel in block.maps))


def _least(block: Block, kind: str, width: float) -> float:
    if kind == "maps":
        return len(block.maps) * map_step(map_side(block, width)) + bar_width(block)
    return _LEAST_WIDTH[kind]


def rows(block: Block, width: float) -> list[Row]:
    """Part the panels of a block into rows; the mock-ups, which answer, stand in the first."""
    first = pitch(width) * len(block.groups) + FOOT
    found = [Row(head(width), first, (Panel("mockups", EDGE, width - 2 * EDGE),))]
    parts = _parts(block, width)
    top = head(width) + first + GAP
    for kinds in parts:
        shared = kinds == ["spectra"] and ["difference"] in parts
        foot = _SHARED_FOOT if shared else FOOT
        height = _row_height(block, kinds, width) - (FOOT - foot)
        found.append(Row(top, height, _spread(block, kinds, width), foot))
        top += height + GAP
    return found


def _parts(block: Block, width: float) -> list[list[str]]:
    """Which kinds of panels share a row: as many as fit, in their order."""
    kinds = ["maps"] if block.maps else []
    kinds += ["spiking"] if block.spiking is not None else []
    kinds += ["difference", "spectra"] if block.exposed and not narrow(width) else []
    kinds += ["spectra", "difference"] if block.exposed and narrow(width) else []
    kinds += [] if block.exposed else ["spectra"]
    found: list[list[str]] = []
    for kind in kinds:
        needed = sum(_least(block, one, width) + GAP for one in [*(found or [[]])[-1], kind])
        if found and needed - GAP <= width - 2 * EDGE:
            found[-1].append(kind)
        else:
            found.append([kind])
    return found


def _spread(block: Block, kinds: Sequence[str], width: float) -> tuple[Panel, ...]:
    """The panels of a row; what room is left goes to all but the maps."""
    least = {kind: _least(block, kind, width) for kind in kinds}
    left_over = width - 2 * EDGE - sum(least.values()) - GAP * (len(kinds) - 1)
    share = left_over / max(1, sum(kind != "maps" for kind in kinds))
    panels, left = [], EDGE
    for kind in kinds:
        wide = least[kind] + (0.0 if kind == "maps" else share)
        panels.append(Panel(kind, left, wide))
        left += wide + GAP
    return tuple(panels)


def _row_height(block: Block, kinds: Sequence[str], width: float) -> float:
    heights = [TITLE + _AXES_HEIGHT[kind] + FOOT for kind in kinds if kind != "maps"]
    if "maps" in kinds:
        heights.append(TITLE + maps_height(block, width) + _BELOW_MAP)
    return max(heights)


def head(width: float) -> float:
    """The height of the headline: two lines in one column."""
    return LINE * (2 if narrow(width) else 1) + 0.9


def pitch(width: float) -> float:
    """From one line of mock-ups to the next."""
    return 7.0 if narrow(width) else 3.4


def block_height(block: Block, width: float) -> float:
    """The height of a block with the space below it."""
    last = rows(block, width)[-1]
    return last.top + last.height + GAP
