"""The calibration plot: what the deciding score finds of known loadings, and its caption."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..figures.style import BLANK, GEL, INK, MM_PER_INCH, figure_style, fitted
from ..schema import LOADING_UNIT
from ..words import limits as words
from ..words.common import Stratum, unit_words
from .facts import by_residue, of_stratum, strata, where
from .limit_table import Controls, controls_of
from .small_panels import svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..results import StudyResult

#: More strata than this are left to the tables.
MOST_PANELS = 6
_COLUMNS = 3
_PANEL_MM = (60.0, 58.0)
_PANEL_PIXELS = 310


class Plot(NamedTuple):
    """An SVG, its caption, and its width on a page in pixels."""

    svg: bytes
    caption: str
    width: int


def calibration_plot(result: StudyResult) -> Plot | None:
    """Draw found against known loading, a panel a stratum.

    None where no stratum has spiked mock-ups.
    """
    panels: list[tuple[str, Controls, float]] = []
    for part in by_residue(result):
        for stratum in strata(part):
            held = controls_of(part, stratum)
            if held is not None and held.loads and held.unit == LOADING_UNIT:
                error = _slope_error(part, stratum, held.score)
                panels.append((where(part, stratum), held, error))
    if not panels:
        return None
    shown = panels[:MOST_PANELS]
    said = [
        (place, held.score, held.unit, len(held.blanks), _by_loading(held))
        for place, held, _ in shown
    ]
    caption = words.calibration_caption(said, len(panels) - len(shown))
    return Plot(svg(_draw(shown)), caption, min(len(shown), _COLUMNS) * _PANEL_PIXELS)


def _by_loading(held: Controls) -> list[tuple[float, list[float]]]:
    found: dict[float, list[float]] = {}
    for load, value in zip(held.loads, held.spiked, strict=True):
        found.setdefault(load, []).append(value)
    return sorted(found.items())


def _slope_error(result: StudyResult, stratum: Stratum, score: str) -> float:
    """The standard error of the slope as a share of it."""
    for row in of_stratum(result.markers, stratum):
        if row["score"] == score and row["slope"] > 0:
            return float(row["slope_se"] / row["slope"])
    return float("nan")


def _draw(panels: list[tuple[str, Controls, float]]) -> Figure:
    from matplotlib.figure import Figure

    columns = min(len(panels), _COLUMNS)
    rows = -(-len(panels) // columns)
    size = (_PANEL_MM[0] * columns / MM_PER_INCH, _PANEL_MM[1] * rows / MM_PER_INCH)
    with figure_style():
        figure = Figure(figsize=size, layout="constrained")
        axes = figure.subplots(rows, columns, squeeze=False).ravel()
        for ax in axes[len(panels) :]:
            ax.set_axis_off()
        for ax, (place, held, error) in zip(axes, panels, strict=False):
            _panel(ax, held, error)
            ax.set_title(fitted(place, _PANEL_MM[0] - 8), loc="left")
    return figure


def _panel(ax: Axes, held: Controls, error: float) -> None:
    top = 1.08 * max(*held.loads, *held.spiked)
    line = np.array([0.0, top])
    ax.plot(line, line, color=INK, linewidth=0.6)
    if np.isfinite(error):
        ax.fill_between(line, line * (1 - error), line * (1 + error), color=GEL, alpha=0.15, lw=0)
    ax.plot(np.zeros(len(held.blanks)), held.blanks, "o", ms=3.5, mfc="none", mec=BLANK, mew=0.8,
            clip_on=False)  # fmt: skip
    ax.plot(held.loads, held.spiked, "D", ms=3.5, mfc="none", mec=GEL, mew=0.8)
    ax.set_xlim(-0.04 * top, top)
    ax.set_ylim(min((0.0, *held.blanks)) - 0.06 * top, top)
    ax.set_xlabel(f"known loading ({unit_words(held.unit)})")
    ax.set_ylabel(f"found ({unit_words(held.unit)})")
