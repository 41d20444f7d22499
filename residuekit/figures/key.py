"""The key of the symbols, in rows that fit the width."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING, Any

from ..words.caption import deciding_limit
from .layout import EDGE, LINE
from .mockup_panel import LIMITS, LOOK, PAIR
from .stratum import Block
from .style import BLANK, GEL, INK, MASKED, MM_PER_INCH, fitted, text_width, write

if TYPE_CHECKING:
    from matplotlib.figure import Figure

Entry = tuple[str, dict[str, Any]]
_SYMBOL, _SPACE = 5.0, 2.6
#: The limits that decide, as the key names them.
DECIDES = {"decision_limit": "decision limit, mean",
           "mockup_decision_limit": "decision limit, one mock-up"}  # fmt: skip


def key_entries(blocks: Sequence[Block]) -> list[Entry]:
    """The symbols that are drawn, each with its name."""
    groups = [group for block in blocks for group in block.groups]
    panels = [panel for block in blocks for panel in block.maps]
    drawn = {deciding_limit(group.verdict) for group in groups if group.verdict is not None}
    if any(block.spiking for block in blocks):
        drawn.add("mockup_decision_limit")
    entries: list[tuple[bool, Entry]] = [
        (any(group.pairs is not None for group in groups), ("score before (above) to after", PAIR)),
        (bool(panels), ("pixel limit", {"patch": "limit"})),
        (any(panel.masked for panel in panels), ("masked pixel", {"patch": "masked"})),
        (any(b.spiking for b in blocks), ("slope, confidence band", {"patch": "band"})),
        (any(len(b.blank.spectra) > 1 for b in blocks), ("blanks ± 2 SD", {"patch": "scatter"})),
    ]
    working = {one.verdict["exposure_min"] for one in groups if one.working and one.verdict}
    known = known_entries(
        {"working" if group.working else group.role for group in groups}, drawn, working,
        accepted=any(block.acceptance is not None for block in blocks),
    )  # fmt: skip
    return known + [entry for shown, entry in entries if shown]


def known_entries(
    roles: Collection[str],
    limits: Collection[str],
    working: Collection[float],
    *,
    accepted: bool,
    upright: bool = False,
) -> list[Entry]:
    """The symbols of mock-ups, their mean and their limits: those of roles and limits drawn.

    `working` are the working exposures, min; `upright`, whiskers stand.
    """
    times = " or ".join(f"{time:g}" for time in sorted(working))
    line: dict[str, Any] = {"linestyle": "-", "color": INK}
    known = {"blank": "blank", "working": f"working exposure, {times} min",
             "exposed": "other exposure", "spiked": "spiked"}  # fmt: skip
    entries = [(said, _marker(role)) for role, said in known.items() if role in roles]
    if limits:
        whisker = "upright" if upright else "level"
        entries.append(("mean, upper bound (UB)", {"whisker": whisker, **line}))
    if accepted:
        entries.append(("acceptance limit", {**line, "linewidth": 1.0}))
    return entries + [(said, LIMITS[name]) for name, said in DECIDES.items() if name in limits]


def _marker(role: str) -> dict[str, Any]:
    look = LOOK[role]
    return {"marker": look["marker"], "color": look["edgecolors"],
            "markerfacecolor": look["facecolors"]}  # fmt: skip


def key_rows(entries: Sequence[Entry], width: float) -> list[list[Entry]]:
    """Part the entries into rows at most `width` mm wide, each into the first that has room."""
    rows: list[list[Entry]] = []
    for words, look in entries:
        entry = (fitted(words, width - _SYMBOL), look)
        room = [row for row in rows if key_width([*row, entry], _SPACE) <= width]
        if room:
            room[0].append(entry)
        else:
            rows.append([entry])
    return rows


def key_width(entries: Sequence[Entry], space: float) -> float:
    """The width of entries on one line, mm."""
    words = sum(text_width(name) for name, _ in entries)
    return words + _SYMBOL * len(entries) + space * (len(entries) - 1)


def draw_key(
    figure: Figure,
    rows: Sequence[Sequence[Entry]],
    left: float,
    top: float,
    space: float = _SPACE,
) -> float:
    """Draw the rows of a key from a place, mm from the upper left corner; return where it ends."""
    for row in rows:
        at = left
        for words, look in row:
            _draw_symbol(figure, look, at, top + LINE / 2)
            write(figure, at + _SYMBOL, top, words)
            at += _SYMBOL + text_width(words) + space
        top += LINE
    return top + EDGE


def _draw_symbol(figure: Figure, look: dict[str, Any], left: float, middle: float) -> None:
    """Draw a symbol 4 mm wide about a height, mm from the upper left corner."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Rectangle

    w, h = figure.get_size_inches() * MM_PER_INCH

    def line(xs: Sequence[float], ys: Sequence[float], **own: Any) -> None:
        places = [x / w for x in xs], [1 - y / h for y in ys]
        figure.add_artist(Line2D(*places, **{"linewidth": 1.0, "dash_capstyle": "butt", **own}))

    def box(x: float, wide: float, **own: Any) -> None:
        corner = (x / w, 1 - (middle + 1) / h)
        figure.add_artist(Rectangle(corner, wide / w, 2 / h, transform=figure.transFigure, **own))

    if look.get("patch") == "masked":
        box(left, 4, facecolor=MASKED, edgecolor="#666666", hatch="////////", linewidth=0)
    elif look.get("patch") == "limit":
        box(left, 2, facecolor="#5c2a63", linewidth=0)
        box(left + 2, 2, facecolor="#fdeee0", linewidth=0)
        line([left + 2] * 2, [middle - 1, middle + 1], color=INK, linewidth=0.8)
    elif look.get("patch") == "band":
        box(left, 4, facecolor=GEL, alpha=0.25, linewidth=0)
        line([left, left + 4], [middle] * 2, color=GEL, linewidth=0.8)
    elif look.get("patch") == "scatter":
        box(left, 4, facecolor=BLANK, alpha=0.6, linewidth=0)
    elif whisker := look.get("whisker"):
        mean, stem, bound = [-1.3, 1.3], [-1.6, 1.6], [-0.6, 0.6]
        for along, across, width in (([-1.6] * 2, mean, 0.8), (stem, [0, 0], 0.6),
                                     ([1.6] * 2, bound, 0.6)):  # fmt: skip
            xs, ys = (along, across) if whisker == "level" else (across, [-at for at in along])
            line([left + 2 + x for x in xs], [middle + y for y in ys], color=INK, linewidth=width)
    elif "marker" in look:
        look = dict(look)
        if dash := look.pop("linestyle", None):
            line([left, left + 4], [middle] * 2, linestyle=dash, color=look["color"])
        line([left + 2], [middle], linestyle="none", markersize=3.2, markeredgewidth=0.6, **look)
    else:
        line([left, left + 4], [middle] * 2, **look)
