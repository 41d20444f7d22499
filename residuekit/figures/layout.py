"""Where each part of the figure stands, mm: which panels share a row, how high a block is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .map_panel import BAR_NUMBERS, bar_label_width
from .stratum import Block, Map

PAGE_HEIGHT = 245.0
LINE = 3.5
EDGE = 1.0
GAP = 2.0
#: Below this width, mm, a line of mock-ups has its words above its dots.
NARROW = 150.0
#: Where the dots of such a line stand, as a share of its height: below its words.
SLIM_MIDDLE = 0.74
HEAD = 4.5
#: Above an axes: its title; below it: its tick labels and its name.
TITLE, FOOT = 4.0, 8.5
#: Below an axes that shares the numbers of the one under it.
_SHARED_FOOT = 1.0
#: Left of an axes: its tick labels and its name.
TICKS = 15.5
#: The width of the colour bar.
BAR = 2.5
_LARGEST_MAP, _MAP_GAP, _BELOW_MAP = 26.0, 1.5, 5.0
_CURVE, _SPECTRUM = 40.0, 62.0
_CURVE_HEIGHT, _SPECTRUM_HEIGHT = 22.0, 17.5


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
    """Whether a figure is one column wide."""
    return width < NARROW


def map_side(block: Block, width: float) -> float:
    """The longer side of a map panel: all maps and their bar side by side, none above 26 mm."""
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
    """The height of the highest map; the colour bar is never lower than 20 mm."""
    side = map_side(block, width)
    return max(20.0 if not narrow(width) else 14.0,
               *(map_size(panel, side)[1] for panel in block.maps))  # fmt: skip


def _least(block: Block, kind: str, width: float) -> float:
    if kind == "maps":
        return len(block.maps) * map_step(map_side(block, width)) + bar_width(block)
    return _CURVE if kind in ("spiking", "series") else _SPECTRUM


def rows(block: Block, width: float) -> list[Row]:
    """Part the panels of a block into rows; the mock-ups stand in the last one."""
    parts = _parts(block, width)
    found, top = [], HEAD
    for kinds in parts:
        shared = kinds == ["spectra"] and ["difference"] in parts
        foot = _SHARED_FOOT if shared else FOOT
        height = _row_height(block, kinds, width) - (FOOT - foot)
        found.append(Row(top, height, _spread(block, kinds, width), foot))
        top += height + GAP
    mockups = Panel("mockups", EDGE, width - 2 * EDGE)
    return [*found, Row(top, pitch(width) * len(block.groups) + FOOT, (mockups,))]


def _parts(block: Block, width: float) -> list[list[str]]:
    """Which kinds of panels share a row: what fits beside the maps, then all of the rest if it
    fits, else spectra and curves apart."""

    def fits(kinds: Sequence[str]) -> bool:
        needed = sum(_least(block, kind, width) for kind in kinds)
        return needed + GAP * (len(kinds) - 1) <= width - 2 * EDGE

    def lines(kinds: Sequence[str]) -> list[list[str]]:
        found: list[list[str]] = []
        for kind in kinds:
            if found and fits([*found[-1], kind]):
                found[-1].append(kind)
            else:
                found.append([kind])
        return found

    spectra = ["spectra", *(["difference"] if block.exposed else [])]
    curves = [kind for kind in ("spiking", "series") if getattr(block, kind) is not None]
    parts = []
    if block.maps:
        beside = curves or spectra
        parts = lines(["maps", *beside])[:1]
        del beside[: len(parts[0]) - 1]
    together = [*spectra, *curves]
    return parts + (lines(together) if fits(together) else lines(spectra) + lines(curves))


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
    heights = {
        "maps": TITLE + _BELOW_MAP,
        "spiking": TITLE + _CURVE_HEIGHT + FOOT,
        "series": TITLE + _CURVE_HEIGHT + FOOT,
        "spectra": TITLE + _SPECTRUM_HEIGHT + FOOT,
        "difference": TITLE + _SPECTRUM_HEIGHT + FOOT,
    }
    if "maps" in kinds:
        heights["maps"] += maps_height(block, width)
    if "spectra" in kinds or "difference" in kinds:
        kinds = [kind for kind in kinds if kind not in ("spiking", "series")]
    return max(heights[kind] for kind in kinds)


def pitch(width: float) -> float:
    """From one line of mock-ups to the next."""
    return 8.2 if narrow(width) else 3.9


def block_height(block: Block, width: float) -> float:
    """The height of a block with the space below it."""
    last = rows(block, width)[-1]
    return last.top + last.height + GAP
