"""The candidates as parallel coordinates: vetoes crossed out, gaps where nothing was measured."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import ContractError, Fault, did_you_mean
from ..figures.style import (
    BOLD,
    INK,
    MM_PER_INCH,
    MUTED,
    PALE,
    figure_style,
    fitted,
    place,
    text_width,
    wrapped,
    write,
)
from ..figures.written import save_figure
from ..words.common import number
from ..words.trial import MISSING, block_words, picture_foot, standing_words, veto_words
from .summary import OPEN, VETOED, Candidate, TrialSummary

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

STEM = "trial"
NARROWEST_MM = 150.0
_LINE, _EDGE, _KEY = 3.6, 2.0, 9.0
#: From the upper edge of a line of text to the middle of its small letters.
_MIDDLE = 1.35
_TITLE, _HEADS, _PLOT, _LEFT, _RIGHT = 5.0, 11.5, 58.0, 27.0, 14.0
#: Below the axes, in units of their length: where what was not measured stands.
_GAP = -0.24
#: Marks that would cover each other stand side by side, this far apart in the distance of two axes,
#: all within `_SPREAD` of it.
_APART, _SPREAD = 0.07, 0.4
#: How far a bound reaches to each side of its whisker.
_CAP = 0.02
#: Heights closer than this, as a share of an axis, would cover each other.
_COVERED = 0.02
#: The least length of the axis of gloss, GU: a smaller one would blow up trifles. Our choice, no
#: source.
_GLOSS_SPAN_GU = 5.0
#: At least 20 L* apart, and told apart by all kinds of colour vision; none is that of an exposure.
_COLOURS = ("#000000", "#4b2a8a", "#2f7fc1", "#e6a8cc")
_MARKS = "oDsv^"
_VETOED_MARKS = "x+1"
_DASHES: tuple[Any, ...] = ("-", (0, (6, 1.5)), (0, (3, 1.2, 1, 1.2)))


@dataclass(frozen=True)
class _Axis:
    """One criterion: its heading, the value of a candidate, and what stands at its ends; `bound`
    is the one-sided bound of the value."""

    head: str
    name: str
    best: float
    worst: float
    ends: tuple[str, str]
    bound: str = ""

    def height(self, one: Candidate) -> float:
        """Where a candidate stands, 0 worst to 1 best; NaN where it was not measured."""
        value = getattr(one, self.name)
        return self._along(_RESIDUE.get(value, math.nan) if self.name == "residue" else value)

    def height_of_bound(self, one: Candidate) -> float:
        """Where the bound of a candidate stands; NaN where there is none."""
        return self._along(getattr(one, self.bound)) if self.bound else math.nan

    def _along(self, value: float) -> float:
        return float((value - self.worst) / (self.best - self.worst))


_RESIDUE_ORDER = ("not detected", "inconclusive", "not assessable", "detected")
_RESIDUE = {verdict: float(at) for at, verdict in enumerate(_RESIDUE_ORDER)}


def write_trial(summary: TrialSummary, folder: str | Path, title: str = "") -> dict[str, str]:
    """Write trial.csv (a row a candidate; empty means not measured) and trial.pdf, .svg, .png.

    The picture bears the title of the study. Returns file -> sha256 of the pictures. The same
    summary gives the same bytes.
    """
    folder = Path(folder)
    frame = summary.to_frame().astype({"best_set": object}).replace({True: "true", False: "false"})
    frame.to_csv(folder / f"{STEM}.csv", index=False, float_format="%.9g", lineterminator="\n")
    return save_figure(draw_trial(summary, title=title), folder, STEM)


def draw_trial(
    summary: TrialSummary,
    *,
    paints: Sequence[str] | None = None,
    width_mm: float = 170.0,
    title: str = "",
) -> Figure:
    """Draw the criteria of each candidate as parallel coordinates, a panel a paint and soiling.

    Up is better on every axis. A vetoed candidate is dotted and crossed at each value, and its name
    below is struck through beside the reason; a value that was not measured leaves a gap in the
    line and its mark on the lowest line. `str(summary)` tells the same in words.

    Parameters
    ----------
    summary : of `summarise` or `summary_of`.
    paints : the wanted paints; all when left out.
    width_mm : 150 or more.
    title : of the study, above the picture.

    Returns
    -------
    The figure.

    Raises
    ------
    ContractError : no candidate, an unknown paint, a width too small.
    """
    from matplotlib.figure import Figure

    blocks = _chosen(summary, paints, width_mm)
    keys = [[_key_lines(one, width_mm) for one in own] for own in blocks.values()]
    foot = wrapped(picture_foot(_GLOSS_SPAN_GU, summary.alpha), width_mm - 2 * _EDGE)
    heights = [
        _TITLE + _HEADS + _PLOT + _EDGE + _LINE * sum(map(len, lines)) + _EDGE * len(lines)
        for lines in keys
    ]
    head = [fitted(title, (width_mm - 2 * _EDGE) / BOLD)] if title else []
    total = sum(heights) + _LINE * (len(head) + len(foot)) + 2 * _EDGE
    with figure_style():
        figure = Figure(figsize=(width_mm / MM_PER_INCH, total / MM_PER_INCH))
        top = _LINE * len(head)
        for line in head:
            write(figure, _EDGE, _EDGE / 2, line, weight="bold")
        for (block, own), lines, height in zip(blocks.items(), keys, heights, strict=True):
            words = fitted(block_words(block), (width_mm - 2 * _EDGE) / BOLD)
            write(figure, _EDGE, top + 1, words, weight="bold")
            inner = (width_mm - _LEFT - _RIGHT, _PLOT)
            draw_coordinates(place(figure, _LEFT, top + _TITLE + _HEADS, *inner), own)
            _draw_key(figure, top + _TITLE + _HEADS + _PLOT + _EDGE, own, lines)
            top += height
        for at, line in enumerate(foot):
            write(figure, _EDGE, top + _EDGE + at * _LINE, line, color=MUTED)
    return figure


def draw_coordinates(ax: Axes, candidates: Sequence[Candidate]) -> Axes:
    """Draw the candidates of one paint and soiling on axes that are 120 mm wide or more.

    Parameters
    ----------
    ax : where to draw.
    candidates : of one paint and soiling.

    Returns
    -------
    The Axes.
    """
    axes = _axes_of(candidates)
    ax.set_xlim(0, len(axes) - 1)
    ax.set_ylim(_GAP - 0.06, 1.06)
    ax.set_axis_off()
    box = {"facecolor": "white", "edgecolor": "none", "pad": 0.6}
    for at, axis in enumerate(axes):
        ax.plot([at, at], [0, 1], color=INK, linewidth=0.6, zorder=1, clip_on=False)
        ax.annotate(axis.head, (at, 1), xytext=(0, 15), textcoords="offset points", ha="center",
                    va="bottom", linespacing=1.15)  # fmt: skip
        for words, level, shift, va in zip(axis.ends, (1, 0), (4, -4), ("bottom", "top"),
                                           strict=True):  # fmt: skip
            ax.annotate(words, (at, level), xytext=(0, shift), textcoords="offset points",
                        ha="center", va=va, bbox=box, zorder=5)  # fmt: skip
    for verdict in _RESIDUE_ORDER[1:-1]:
        ax.annotate(verdict, (0, 1 - _RESIDUE[verdict] / 3), xytext=(-6, 0), ha="right",
                    va="center", textcoords="offset points")  # fmt: skip
    ax.plot([0, len(axes) - 1], [_GAP, _GAP], color=PALE, linewidth=0.5, zorder=0, clip_on=False)
    heights = [[axis.height(one) for axis in axes] for one in candidates]
    places = _places(heights)
    for number_, one in enumerate(candidates):
        ax.plot(places[number_], heights[number_], clip_on=False, **_look(number_, one))
    for at, axis in enumerate(axes):
        for number_, one in enumerate(candidates):
            _draw_bound(ax, places[number_][at], heights[number_][at], axis.height_of_bound(one),
                        _look(number_, one)["color"])  # fmt: skip
    for at in range(len(axes)):
        gaps = [i for i in range(len(candidates)) if math.isnan(heights[i][at])]
        apart = min(0.09, 0.8 / max(len(gaps), 1))
        left = at - apart * max(len(gaps) - 1, 0) / 2
        for place_, i in enumerate(gaps):
            look = {**_look(i, candidates[i]), "markerfacecolor": "white", "linestyle": ""}
            ax.plot(left + apart * place_, _GAP, clip_on=False, **look)
        if at == 0:
            ax.annotate(MISSING, (left, _GAP), xytext=(-6, 0), textcoords="offset points",
                        ha="right", va="center", color=MUTED, annotation_clip=False)  # fmt: skip
    return ax


def _draw_bound(ax: Axes, at: float, height: float, bound: float, colour: str) -> None:
    """A whisker from what was observed to its bound."""
    if not math.isnan(bound):
        look: dict[str, Any] = {"color": colour, "linewidth": 0.8, "zorder": 2, "clip_on": False}
        ax.plot([at, at], [height, bound], **look)
        ax.plot([at - _CAP, at + _CAP], [bound] * 2, **look)


def _chosen(
    summary: TrialSummary, paints: Sequence[str] | None, width_mm: float
) -> dict[tuple[str, str], list[Candidate]]:
    known = list(dict.fromkeys(one.paint for one in summary.candidates))
    wrong = [paint for paint in paints or () if paint not in known]
    faults = [Fault(f"the paint {p!r}", "a paint of the trial", did_you_mean(p, known))
              for p in wrong]  # fmt: skip
    if not known:
        faults.append(Fault("no candidate", "one or more", "residuekit.trial.read_trial(...)"))
    if not width_mm >= NARROWEST_MM:
        faults.append(
            Fault(f"width_mm = {width_mm:g}", f"{NARROWEST_MM:g} or more", "width_mm=170")
        )
    if faults:
        raise ContractError(faults)
    return {
        block: own for block, own in summary.blocks().items()
        if paints is None or block[0] in paints
    }  # fmt: skip


def _axes_of(candidates: Sequence[Candidate]) -> list[_Axis]:
    removals = [one.soil_removal_percent for one in candidates]
    least = min([0.0, *(value for value in removals if value == value)])
    sizes = [one.gloss_size_gu for one in candidates if one.gloss_size_gu == one.gloss_size_gu]
    most = max([_GLOSS_SPAN_GU, *sizes])
    angles = {one.gloss_angle for one in candidates if one.gloss_mockups}
    at = f", {angles.pop():g}°" if angles else ""
    return [
        _Axis("residue\n(verdict)", "residue", 0, 3, (_RESIDUE_ORDER[0], _RESIDUE_ORDER[-1])),
        _Axis("pick-up\n(share, bound)", "pickup_share", 0, 1, ("0%", "100%"),
              "pickup_share_bound"),
        _Axis("soil removal\n(mean)", "soil_removal_percent", 100, least,
              ("100%", f"{number(least)}%")),
        _Axis(f"gloss change\n(mean size{at})", "gloss_size_gu", 0, most,
              ("0 GU", f"{number(most)} GU")),
        _Axis("ease\n(median)", "ease", 5, 1, ("5 easy", "1 hard")),
        _Axis("health, safety\n(median)", "health_safety", 5, 1, ("5 least hazard", "1 most")),
    ]  # fmt: skip


def _places(heights: Sequence[Sequence[float]]) -> list[list[float]]:
    """Where each candidate stands across each axis: on it, or beside those at the same height.

    On the first axis, which has words on its left, they stand to the right.
    """
    places = [[float(at) for at in range(len(row))] for row in heights]
    for at in range(len(heights[0])):
        order = sorted((row[at], i) for i, row in enumerate(heights) if row[at] == row[at])
        groups: list[list[int]] = []
        last = -math.inf
        for level, i in order:
            if level - last > _COVERED:
                groups.append([])
            groups[-1].append(i)
            last = level
        for group in groups:
            apart = min(_APART, _SPREAD / len(group))
            left = at - (apart * (len(group) - 1) / 2 if at else 0.0)
            for place_, i in enumerate(sorted(group)):
                places[i][at] = left + apart * place_
    return places


def _look(number_: int, one: Candidate) -> dict[str, Any]:
    """Line and marker of a candidate; the vetoed are dotted and crossed, the open hollow."""
    lap, place_ = divmod(number_, len(_COLOURS))
    colour = _COLOURS[place_]
    if one.standing == VETOED:
        mark = _VETOED_MARKS[lap % len(_VETOED_MARKS)]
        return {"color": colour, "linestyle": (0, (1, 2)), "linewidth": 0.9, "marker": mark,
                "markersize": 6, "markeredgewidth": 1.4, "zorder": 2}  # fmt: skip
    return {
        "color": colour, "linestyle": _DASHES[lap % len(_DASHES)],
        "linewidth": 1.2, "marker": _MARKS[number_ % len(_MARKS)], "markersize": 5,
        "markerfacecolor": "white" if one.standing == OPEN else colour, "zorder": 3,
    }  # fmt: skip


def _key_lines(one: Candidate, width_mm: float) -> list[str]:
    """Name and standing, then what was found for both vetoes."""
    room = width_mm - _KEY - _EDGE
    name = fitted(one.treatment, room / 2)
    return [*wrapped(f"{name}, {standing_words(one)}", room), *wrapped(veto_words(one), room)]


def _draw_key(
    figure: Figure, top: float, candidates: Sequence[Candidate], lines: Sequence[Sequence[str]]
) -> None:
    from matplotlib.lines import Line2D

    width, height = figure.get_size_inches() * MM_PER_INCH
    for number_, (one, own) in enumerate(zip(candidates, lines, strict=True)):
        middle = 1 - (top + _MIDDLE) / height
        look = {**_look(number_, one), "transform": figure.transFigure}
        figure.add_artist(Line2D([_EDGE / width, (_KEY - 1.2) / width], [middle] * 2,
                                 **{**look, "marker": ""}))  # fmt: skip
        figure.add_artist(Line2D([(_EDGE + _KEY - 1.2) / 2 / width], [middle],
                                 **{**look, "linestyle": ""}))  # fmt: skip
        for at, line in enumerate(own):
            write(figure, _KEY, top + at * _LINE, line, color=INK if at == 0 else MUTED)
        if one.standing == VETOED:
            name = fitted(one.treatment, (width - _KEY - _EDGE) / 2)
            ends = [_KEY / width, (_KEY + text_width(name)) / width]
            figure.add_artist(Line2D(ends, [middle] * 2, color=INK, linewidth=0.8,
                                     transform=figure.transFigure))  # fmt: skip
        top += _LINE * len(own) + _EDGE
