"""A series over exposure or ageing: a dot a mock-up, a column a rung, its verdict below."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..decision.comparator import comparator_places
from ..errors import ContractError, Fault
from ..schema import LOADING_UNIT, STRATUM_COLUMNS
from ..trends.series import AGES, SERIES
from ..words.caption import deciding_limit
from ..words.common import (
    number,
    rounded,
    score_words,
    stratum_of,
    stratum_words,
    treated_words,
    working_exposure,
)
from .key import Entry, draw_key, key_rows, known_entries
from .layout import EDGE, LINE
from .mockup_panel import LIMITS, LOOK
from .style import BOLD, INK, MM_PER_INCH, PALE, figure_style, fitted, place, write

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..results import StudyResult

Row = Mapping[Any, Any]
Rows = Sequence[Row]

_OVER = {"exposure_min": ("min", SERIES), "ageing_h": ("h", AGES)}
_LEFT, _HEAD, _PANEL, _FOOT = 12.0, 5.0, 36.0, 20.0
_FOOT_WORDS = "DL: detection limit, UB: upper bound, both of the mean."
#: How far a bound reaches to each side of its whisker.
_CAP = 0.06


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
    asked = {name: result.of_residue(name).provenance["study"] for name in result.residues}
    room, mockups = width_mm - 2 * EDGE, result.mockups.to_dict("records")
    key = key_rows(_key(series, asked), room)
    block = _HEAD + _PANEL + _FOOT
    height = 3 * EDGE + LINE * (len(key) + 2) + len(series) * block
    with figure_style():
        figure = Figure(figsize=(width_mm / MM_PER_INCH, height / MM_PER_INCH))
        title = result.provenance["study"]["title"]
        write(figure, EDGE, EDGE, fitted(title, room / BOLD), weight="bold")
        for index, rungs in enumerate(series):
            top = EDGE + LINE + index * block
            words = _title(rungs[0], over, several=len(asked) > 1)
            write(figure, EDGE, top + EDGE, fitted(words, room))
            ax = place(figure, _LEFT, top + _HEAD, width_mm - _LEFT - EDGE, _PANEL)
            study = asked[rungs[0]["residue"]]
            draw_series(ax, rungs, mockups, over, _accepted(study, rungs), _working(study, rungs))
        top = draw_key(figure, key, EDGE, EDGE + LINE + len(series) * block)
        write(figure, EDGE, top, fitted(_FOOT_WORDS, room))
    return figure


def _accepted(study: Mapping[str, Any], rungs: Rows) -> float | None:
    """The acceptance limit of a series in the unit of its score."""
    limit: float | None = study["acceptance_limit_ug_cm2"]
    return limit if rungs[0]["unit"] == LOADING_UNIT else None


def _working(study: Mapping[str, Any], rungs: Rows) -> float | None:
    """The working exposure, where a series is of a gel that leaves the residue."""
    gel = rungs[0]["treatment"]
    return working_exposure(study, gel) if gel in study["left_by"] else None


def _key(series: Sequence[Rows], asked: Mapping[str, Mapping[str, Any]]) -> list[Entry]:
    """The symbols that are drawn, each with its name."""
    roles, limits, times = {"blank"}, set(), set[float]()
    for rungs in series:
        working = _working(asked[rungs[0]["residue"]], rungs)
        roles |= {role_of(rung, working) for rung in rungs}
        limits |= {name for rung in rungs if np.isfinite(rung[name := deciding_limit(rung)])}
        times |= {time for rung in rungs if (time := rung["exposure_min"]) == working}
    accepted = [_accepted(asked[rungs[0]["residue"]], rungs) for rungs in series]
    return known_entries(
        roles, limits, times, accepted=any(one is not None for one in accepted), upright=True
    )


def role_of(rung: Row, working: float | None) -> str:
    """Working or other exposure."""
    return "working" if rung["exposure_min"] == working else "exposed"


def draw_series(
    ax: Axes,
    rungs: Rows,
    mockups: Rows,
    over: str,
    acceptance_limit: float | None,
    working: float | None = None,
) -> Axes:
    """Draw a column a rung, with n, limits and verdict below, after the blanks it stands against.

    Each rung has its mean with the upper bound and the limit that decides it. Blanks that several
    rungs share are drawn once.

    Parameters
    ----------
    rungs : rows of ``verdicts.csv`` in the order of `over`. mockups : those of ``mockups.csv``.
    working : the working exposure, min.
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
        _draw_column(ax, len(labels), own, role_of(rung, working))
        _draw_bound(ax, len(labels), rung)
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


def _same(row: Row, rung: Row, columns: Sequence[str]) -> bool:
    """Do two rows have the same cells, two that were left empty among them?"""
    pairs = [(row[name], rung[name]) for name in columns if name in row and name in rung]
    return all(one == other or (one != one and other != other) for one, other in pairs)


def _blanks(mockups: Rows, rung: Row) -> Rows:
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


def _draw_bound(ax: Axes, column: int, rung: Row) -> None:
    """The upper bound of the mean, beside the dots."""
    mean, bound = rung["estimate"], rung["upper_bound"]
    if np.isfinite(bound):
        at = column + 0.25
        ax.plot([at, at], [mean, bound], color=INK, linewidth=0.6, zorder=2)
        ax.plot([at - _CAP, at + _CAP], [bound] * 2, color=INK, linewidth=0.6, zorder=2)


def _title(rung: Row, over: str, *, several: bool) -> str:
    paint, soiling, ageing = stratum_of(rung)
    words = [stratum_words((paint, soiling, ageing if over == "exposure_min" else 0.0))]
    varies = {"exposure_min"} if over == "exposure_min" else set()
    words.append(treated_words({name: rung[name] for name in rung if name not in varies}))
    if several:
        words.append(f"residue of {rung['residue']}")
    return ", ".join(words)
