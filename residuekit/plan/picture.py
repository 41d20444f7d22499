"""The picture of a plan: the limit and the chance of an absence over mock-ups, and what decides."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from itertools import cycle
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import ContractError, Fault, WriteError
from .chances import chance_of_absence
from .compare import Plan
from .effort import Design

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..figures.key import Entry

_KINDS = ("pdf", "svg", "png")
_LEAST_MM = 120.0
_LEFT, _PANEL, _HEAD, _GAP = 12.0, 45.0, 9.0, 6.0
#: The lines of a plan, by lightness, dash and mark; none is the colour of an exposure.
_GREYS = ("#1a1a1a", "#565656", "#9a9a9a")
_DASHES: tuple[Any, ...] = ("-", (0, (5, 1.2)), (0, (1.5, 1)))
_MARKS = "os^vP"
#: Ticks stand no nearer than this, mm.
_TICK_MM = 5.0


def plan_figure(plan: Plan, width_mm: float = 170.0) -> Figure:
    """Draw what decides over mock-ups, a line each number of maps, pixels and scans.

    Left the detection limit with the wished one, right the chance that a clean arm ends as "not
    detected" with the share that is enough. The diamond is the design of fewest hours that is
    enough. Shaded: what the scatter leaves open that the pilot's mock-ups show, at 90 % confidence.

    Parameters
    ----------
    plan : of `compare_designs`.
    width_mm : 120 or more.

    Returns
    -------
    The figure.

    Raises
    ------
    ContractError : a width too small.
    """
    from matplotlib.figure import Figure

    from ..figures.key import draw_key, key_rows
    from ..figures.layout import EDGE, LINE
    from ..figures.style import BOLD, MM_PER_INCH, figure_style, fitted, place, wrapped, write

    if not width_mm >= _LEAST_MM:
        raise ContractError(
            Fault(f"width_mm = {width_mm:g}", f"{_LEAST_MM:g} or more", "width_mm=170")
        )
    room = width_mm - 2 * EDGE
    lines = list(_lines(plan))
    key = key_rows(_key(plan, lines), room)
    foot = wrapped(_foot(plan), room)
    above, below = 2 * LINE + EDGE, _PANEL + _HEAD
    height = above + below + LINE * (len(key) + len(foot)) + 2 * EDGE
    wide = (room - 2 * _LEFT - _GAP) / 2
    with figure_style():
        figure = Figure(figsize=(width_mm / MM_PER_INCH, height / MM_PER_INCH))
        write(figure, EDGE, EDGE, fitted(_headline(plan), room / BOLD), weight="bold")
        write(figure, EDGE, EDGE + LINE, fitted(f"Pilot: {plan.pilot.source}", room))
        left = place(figure, EDGE + _LEFT, above + EDGE, wide, _PANEL)
        right = place(figure, EDGE + 2 * _LEFT + _GAP + wide, above + EDGE, wide, _PANEL)
        draw_limits(left, plan, lines, wide)
        draw_chances(right, plan, lines, wide)
        top = draw_key(figure, key, EDGE, above + below)
        for at, line in enumerate(foot):
            write(figure, EDGE, top + at * LINE, line)
    return figure


Line = tuple[list[dict[str, Any]], dict[str, Any]]


def _lines(plan: Plan) -> Iterator[Line]:
    """The rows of each number of maps, pixels and scans by mock-ups, and how they are drawn."""
    looks = zip(cycle(_GREYS), cycle(_MARKS), cycle(_DASHES), strict=False)
    groups: dict[tuple[int, ...], list[dict[str, Any]]] = {}
    for row in sorted(plan.rows, key=lambda row: row["mockups"]):
        groups.setdefault((row["maps"], row["pixels"], row["scans"]), []).append(row)
    for (_, rows), (colour, mark, dash) in zip(sorted(groups.items()), looks, strict=False):
        yield rows, {"color": colour, "marker": mark, "linestyle": dash}


def draw_limits(ax: Axes, plan: Plan, lines: Sequence[Line], width_mm: float) -> Axes:
    """Draw the detection limit over mock-ups, below or above the wished one."""
    from ..figures.style import INK

    low, high = plan.pilot_factors()
    _draw(ax, plan, lines, "detection_limit",
          lambda row: (row["detection_limit"] * low, row["detection_limit"] * high))  # fmt: skip
    ax.axhline(plan.wished, color=INK, linewidth=1.0)
    highest = max(plan.wished, *(row["detection_limit"] for row in plan.rows))
    ax.set_ylim(0, 1.1 * highest)
    ax.set_ylabel("detection limit of the arm (µg cm⁻²)")
    return _over_mockups(ax, plan, width_mm)


def draw_chances(ax: Axes, plan: Plan, lines: Sequence[Line], width_mm: float) -> Axes:
    """Draw the chance of an absence over mock-ups, and the chance that is enough."""
    from matplotlib.ticker import PercentFormatter

    from ..figures.mockup_panel import LIMITS

    factors, rates = plan.pilot_factors(), {"alpha": plan.alpha, "beta": plan.beta}

    def span(row: dict[str, Any]) -> tuple[float, ...]:
        design = _design(row)
        return tuple(chance_of_absence(plan.pilot, design, plan.wished / factor, **rates)
                     for factor in factors)  # fmt: skip

    _draw(ax, plan, lines, "chance_of_absence", span)
    ax.axhline(plan.chance, linewidth=1.0, **LIMITS["decision_limit"])
    ax.set_ylim(0, 1.04)
    ax.yaxis.set_major_formatter(PercentFormatter(1, decimals=0))
    ax.set_ylabel("chance of an absence")
    return _over_mockups(ax, plan, width_mm)


def _draw(ax: Axes, plan: Plan, lines: Sequence[Line], name: str, span: Any) -> None:
    """A line each group of designs, the band of the one that is shown, and the diamond."""
    from ..figures.style import BLANK, INK

    shown = plan.row_of(plan.best) if plan.best else min(
        plan.rows, key=lambda row: float(row["detection_limit"])
    )  # fmt: skip
    for rows, look in lines:
        at = [row["mockups"] for row in rows]
        if shown in rows:
            low, high = zip(*map(span, rows), strict=True)
            ax.fill_between(at, low, high, color=BLANK, alpha=0.6, linewidth=0, zorder=0)
        ax.plot(at, [row[name] for row in rows], markersize=3, zorder=2, **look)
    if plan.best is not None:
        ax.plot(shown["mockups"], shown[name], "D", color=INK, markersize=5, zorder=3,
                markeredgecolor="white", markeredgewidth=0.6)  # fmt: skip


def _over_mockups(ax: Axes, plan: Plan, width_mm: float) -> Axes:
    counts = sorted({row["mockups"] for row in plan.rows})
    apart = _TICK_MM / width_mm * max(counts[-1] - counts[0], 1)
    ticks: list[int] = []
    for count in counts:
        if not ticks or count - ticks[-1] >= apart:
            ticks.append(count)
    ax.set_xticks(ticks)
    counted = plan.rows[0].get("counted")
    ax.set_xlabel(f"exposed mock-ups, {counted}" if counted else "exposed mock-ups")
    return ax


def _design(row: dict[str, Any]) -> Design:
    return Design(**{name: row[name] for name in asdict(Design())})


def _key(plan: Plan, lines: Sequence[Line]) -> list[Entry]:
    from ..figures.mockup_panel import LIMITS
    from ..figures.style import INK

    named = [(_line_words(plan, rows), look) for rows, look in lines]
    low, high = plan.pilot_factors()
    others: list[Entry] = [
        ("wished limit", {"linestyle": "-", "color": INK}),
        (f"{plan.chance:.0%}: enough", LIMITS["decision_limit"]),
        (f"pilot's scatter × {low:.2f} to {high:.2f}", {"patch": "scatter"}),
    ]
    if plan.best is not None:
        others.append(("least that is enough", {"marker": "D", "color": INK}))
    return [*named, *others]


def _line_words(plan: Plan, rows: Sequence[dict[str, Any]]) -> str:
    """A line of the picture, with the mock-ups from which it is enough and their hours."""
    row = rows[0]
    maps = f"{row['maps']} map{'s' * (row['maps'] != 1)}"
    said = f"{maps}, {row['pixels']} pixels, {row['scans']} scans"
    enough = next((row for row in rows if row["chance_of_absence"] >= plan.chance), None)
    if enough is None:
        return f"{said}: not enough"
    return f"{said}: {enough['mockups']} mock-ups, {enough['hours']:.3g} h"


def _headline(plan: Plan) -> str:
    if plan.best is None:
        return f"No design here is enough for {plan.wished:.3g} µg cm⁻²"
    best = plan.best
    return (
        f"Least that is enough for {plan.wished:.3g} µg cm⁻²: {best.mockups} exposed mock-ups, "
        f"{best.blanks} blanks, {best.maps} map{'s' * (best.maps != 1)} each"
    )


def _foot(plan: Plan) -> str:
    return (
        f"Enough: a clean arm ends as “not detected” in {plan.chance:.0%} of studies. The least "
        "is the design of fewest instrument hours among these; each line names its own. Shaded, "
        f"for the line of that design: what {plan.pilot.n_mockups} pilot mock-ups leave open of "
        "their scatter (90% confidence)."
    )


def write_figure(plan: Plan, path: str | os.PathLike[str]) -> None:
    """Save `plan_figure` as .pdf, .svg or .png (300 dpi); it is moved in place once whole.

    Parameters
    ----------
    plan : of `compare_designs`.
    path : where to.

    Raises
    ------
    WriteError : another suffix, or a place that cannot be written to.
    """
    from ..figures.style import figure_style

    target = Path(path)
    kind = target.suffix.lower().removeprefix(".")
    if kind not in _KINDS:
        raise WriteError(
            Fault(f"the suffix {target.suffix!r}", "one of .pdf, .svg, .png",
                  str(target.with_suffix(".pdf")), file=str(target))
        )  # fmt: skip
    aside = target.with_name(f".{target.name}.part")
    try:
        with figure_style():
            plan_figure(plan).savefig(aside, format=kind, dpi=300)
        aside.replace(target)
    except OSError as problem:
        raise WriteError(
            Fault(str(problem), "a folder that can be written to", "another place",
                  file=str(target))
        ) from problem  # fmt: skip
    finally:
        aside.unlink(missing_ok=True)
