"""A series over exposure or ageing: a dot a mock-up, a column a rung, its verdict below."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..decision.comparator import comparator_places
from ..errors import ContractError, Fault
from ..schema import STRATUM_COLUMNS
from ..trends.series import AGES, SERIES
from ..words.caption import deciding_limit
from ..words.common import number, rounded, score_words, stratum_of, stratum_words
from .mockup_panel import LIMITS, LOOK
from .style import INK, MM_PER_INCH, PALE, figure_style, fitted, place, wrapped, write

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..results import StudyResult

Rows = Sequence[Mapping[Any, Any]]

_OVER = {"exposure_min": ("min", SERIES), "ageing_h": ("h", AGES)}
_LEFT, _HEAD, _PANEL, _FOOT, _EDGE, _LINE = 12.0, 5.0, 36.0, 22.0, 1.0, 3.5
_KEY = (
    "Dot: a mock-up (grey: blank). Short line: mean. Dashed: the decision limit of the mean, "
    "dash-dotted: of one mock-up where that decides. "
    "DL: detection limit of the mean. UB: its one-sided upper bound."
)


def series_figure(
    result: StudyResult, over: str = "exposure_min", width_mm: float = 150.0
) -> Figure:
    """Draw every series of a run, a panel each, by the score that decides.

    Parameters
    ----------
    result : what a run found.
    over : ``exposure_min`` or ``ageing_h``.
    width_mm : of the figure.

    Returns
    -------
    The figure, a panel a series.

    Raises
    ------
    ContractError : `over` is neither, or no series has two rungs.

    >>> import residuekit as rk
    >>> rk.series_figure(None, over="dose")
    Traceback (most recent call last):
    ...
    residuekit.errors.ContractError: found over='dose'; needed exposure_min or ageing_h; ...
    """
    from matplotlib.figure import Figure

    if over not in _OVER:
        raise ContractError(Fault(f"over={over!r}", " or ".join(_OVER), "over='exposure_min'"))
    conditions = list(_OVER[over][1])
    judged = result.verdicts[result.verdicts["n_mockups"] > 0]
    series = [
        group.sort_values(over).to_dict("records")
        for _, group in judged.groupby(conditions, sort=False, dropna=False)
        if group[over].nunique() > 1
    ]
    if not series:
        raise ContractError(
            Fault(f"no series with two rungs of {over}", "arms that differ in it alone",
                  "more exposures or ages in measurements.csv")
        )  # fmt: skip
    limit = result.provenance["study"]["acceptance_limit_ug_cm2"]
    key = _KEY if limit is None else f"{_KEY} Solid line: acceptance limit."
    foot = wrapped(key, width_mm - 2 * _EDGE)
    block = _HEAD + _PANEL + _FOOT
    height = len(series) * block + len(foot) * _LINE + 2 * _EDGE
    mockups = result.mockups.to_dict("records")
    with figure_style():
        figure = Figure(figsize=(width_mm / MM_PER_INCH, height / MM_PER_INCH))
        for index, rungs in enumerate(series):
            top = _EDGE + index * block
            write(figure, _EDGE, top, fitted(_title(rungs[0], over), width_mm - 2 * _EDGE))
            ax = place(figure, _LEFT, top + _HEAD, width_mm - _LEFT - _EDGE, _PANEL)
            loading = rungs[0]["unit"] == "ug cm-2"
            draw_series(ax, rungs, mockups, over, limit if loading else None,
                        result.provenance["study"]["working_exposure_min"])  # fmt: skip
        for index, line in enumerate(foot):
            write(figure, _EDGE, len(series) * block + _EDGE + index * _LINE, line)
    return figure


def draw_series(
    ax: Axes,
    rungs: Rows,
    mockups: Rows,
    over: str,
    acceptance_limit: float | None,
    working: float | None = None,
) -> Axes:
    """Draw a column a rung, with n, limits and verdict below, after the blanks it stands against.

    Blanks that several rungs share are drawn once.

    Parameters
    ----------
    rungs : rows of ``verdicts.csv`` in the order of `over`. mockups : those of ``mockups.csv``.
    """
    ax.axhline(0, color=PALE, linewidth=0.5, zorder=0)
    if acceptance_limit is not None:
        ax.axhline(acceptance_limit, color=INK, linewidth=1.0, zorder=1)
    labels: list[str] = []
    blanks: Rows = []
    for rung in rungs:
        before, blanks = blanks, _blanks(mockups, rung)
        if blanks != before:
            _draw_column(ax, len(labels), blanks, "blank")
            labels.append(f"blanks\nn = {len(blanks)}")
        own = [row for row in mockups if row["role"] == "exposed" and _same(row, rung, _ARM)]
        _draw_column(ax, len(labels), own,
                     "working" if rung["exposure_min"] == working else "exposed")  # fmt: skip
        name = deciding_limit(rung)
        if np.isfinite(rung[name]):
            ends = [len(labels) - 0.4, len(labels) + 0.4]
            ax.plot(ends, [rung[name]] * 2, linewidth=1.0, zorder=2, **LIMITS[name])
        labels.append(
            f"{number(rung[over], 6)} {_OVER[over][0]}\nn = {len(own)}\n"
            f"DL {rounded(rung, 'detection_limit')}\nUB {rounded(rung, 'upper_bound')}\n"
            f"{rung['verdict']}"
        )
    ax.set_xlim(-0.5, len(labels) - 0.5)
    ax.set_xticks(range(len(labels)), labels)
    ax.tick_params(axis="x", length=0)
    ax.spines["bottom"].set_visible(False)
    ax.set_ylabel(score_words(rungs[0]["score"], rungs[0]["unit"]))
    ax.locator_params(axis="y", nbins=6)
    return ax


_ARM = (
    "paint",
    "soiling",
    "ageing_h",
    "treatment",
    "exposure_min",
    "clearance_min",
    "clearance",
    "residue",
    "score",
)


def _same(row: Mapping[Any, Any], rung: Mapping[Any, Any], columns: Sequence[str]) -> bool:
    """Do two rows have the same cells, two that were left empty among them?"""
    pairs = [(row[name], rung[name]) for name in columns if name in row and name in rung]
    return all(one == other or (one != one and other != other) for one, other in pairs)


def _blanks(mockups: Rows, rung: Mapping[Any, Any]) -> Rows:
    """The blanks that an arm was compared with."""
    columns = (*STRATUM_COLUMNS, "residue", "score")
    own = [row for row in mockups if row["role"] == "blank" and _same(row, rung, columns)]
    treatments, exposures = ([row[name] for row in own] for name in ("treatment", "exposure_min"))
    return [own[k] for k in comparator_places(treatments, exposures, rung["exposure_min"])]


def _draw_column(ax: Axes, column: int, rows: Rows, role: str) -> None:
    values = np.array([row["mean"] for row in rows], dtype=float)
    aside = 0.12 * (np.arange(values.size) % 3 - 1)
    ax.scatter(column + aside, values, s=9, linewidths=0.6, zorder=3, **LOOK[role])
    if values.size:
        mean = values.mean()
        ax.plot([column - 0.25, column + 0.25], [mean, mean], color=INK, linewidth=0.8, zorder=4)


def _title(rung: Mapping[Any, Any], over: str) -> str:
    paint, soiling, ageing = stratum_of(rung)
    words = [stratum_words((paint, soiling, ageing if over == "exposure_min" else 0.0))]
    words.append(str(rung["treatment"]))
    if over == "ageing_h":
        words[-1] += f" {number(rung['exposure_min'], 6)} min"
    return f"{', '.join(words)}, cleared {number(rung['clearance_min'], 6)} min"
