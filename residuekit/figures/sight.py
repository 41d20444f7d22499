"""What each score can see on each paint: selectivity, mock-up limit, what noise alone allows."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import ContractError, Fault
from ..schema import LIST_SEPARATOR, MARKER_COLUMNS, marker_of
from ..words.common import number, stratum_of, stratum_words, unit_words
from ..words.limits import digits
from .key import Entry, draw_key, key_rows
from .layout import LINE
from .style import BOLD, INK, MM_PER_INCH, MUTED, PALE, figure_style, fitted, place, write

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from ..decision.scores import BlindnessTable

Rows = Sequence[dict[str, Any]]

ROW_MM, TITLE_MM, FOOT_MM, NAME_MM, NUMBERS_MM = 4.6, 6.0, 9.0, 40.0, 34.0
NARROWEST_MM = 140.0
#: On a scale of more decades only powers of ten have numbers.
_LONG = 3.0
LOADING = "ug cm-2"
_NOISE: dict[str, Any] = {"marker": "o", "markerfacecolor": "white"}
_LIMIT: dict[str, Any] = {"marker": "o"}
_BLIND: dict[str, Any] = {"marker": "x"}
_DECIDES: dict[str, Any] = {"marker": "D"}
_MARK: dict[str, Any] = {"color": INK, "linestyle": "", "markersize": 4, "markeredgewidth": 0.7,
                        "clip_on": False}  # fmt: skip
_KEY = {"by noise alone": _NOISE, "limit of one mock-up": _LIMIT,
        "of the score that decides": _DECIDES, "of a blind score": _BLIND}  # fmt: skip


def sight_figure(
    table: BlindnessTable | pd.DataFrame,
    *,
    acceptance_limit: float | None = None,
    width_mm: float = 170.0,
    title: str = "",
) -> Figure:
    """Draw what each score can see on each paint, a block a paint and a line a score.

    Left the selectivity; right, on a logarithmic scale, the limit of one mock-up and what noise
    alone allows, joined by a line: a long line says that the paint's own variation, not the
    instrument, limits the score. Blind scores are crossed, the deciding one is a diamond.

    Parameters
    ----------
    table : of `residuekit.blindness`, or the `markers` table of a run.
    acceptance_limit : ug cm-2; drawn where the limits are in that unit.
    width_mm : 140 or more.
    title : of the study, above the picture.

    Returns
    -------
    The figure, at its printed size.

    Raises
    ------
    ContractError : a table without rows or columns of ``markers.csv``, a width too small.

    >>> import pandas as pd
    >>> sight_figure(pd.DataFrame())
    Traceback (most recent call last):
    ...
    residuekit.errors.ContractError: found ...
    """
    from matplotlib.figure import Figure

    blocks = _blocks(table)
    if width_mm < NARROWEST_MM:
        raise ContractError(
            Fault(f"width_mm = {width_mm:g}", f"{NARROWEST_MM:g} or more", "width_mm=170")
        )
    heights = [TITLE_MM + ROW_MM * len(rows) + FOOT_MM for _, rows in blocks]
    unit = _common_unit([row for _, rows in blocks for row in rows])
    span = _span(blocks, unit, acceptance_limit)
    key = key_rows(list(_entries(accepted=unit == LOADING and acceptance_limit is not None)),
                   width_mm - 4)  # fmt: skip
    above = (TITLE_MM if title else 0.0) + LINE * len(key) + 3
    with figure_style():
        high = above + sum(heights)
        figure = Figure(figsize=(width_mm / MM_PER_INCH, high / MM_PER_INCH))
        write(figure, 2, 1, fitted(title, (width_mm - 4) / BOLD), weight="bold")
        draw_key(figure, key, 2, above - LINE * len(key) - 2)
        top = above
        for (words, rows), height in zip(blocks, heights, strict=True):
            write(figure, 2, top + 1, fitted(words, (width_mm - 4) / BOLD), weight="bold")
            inner = (top + TITLE_MM, ROW_MM * len(rows))
            share = (width_mm - NAME_MM - NUMBERS_MM - 10) / 3
            left = place(figure, NAME_MM, inner[0], share, inner[1])
            right = place(figure, NAME_MM + share + 6, inner[0], 2 * share, inner[1])
            draw_selectivity(left, rows)
            draw_limits(right, rows, span, unit, acceptance_limit)
            top += height
    return figure


def draw_selectivity(ax: Axes, rows: Rows) -> Axes:
    """Draw a bar a score from 0 (the shape of the paint) to 1 (shares nothing with it), by name."""
    values = [row["selectivity"] for row in rows]
    colours = [PALE if row["blind"] else MUTED for row in rows]
    ax.barh(range(len(rows)), np.nan_to_num(values), height=0.5, color=colours)
    ax.set_xlim(0, 1)
    ax.set_xlabel("selectivity")
    names = [fitted(marker_of(row["score"]), NAME_MM - 4) for row in rows]
    labels = _lines(ax, rows, names)
    for label, row in zip(labels, rows, strict=True):
        label.set_color(MUTED if row["blind"] else INK)
        label.set_weight("bold" if row["deciding"] else "normal")
    return ax


def draw_limits(
    ax: Axes,
    rows: Rows,
    span: tuple[float, float],
    unit: str | None,
    acceptance_limit: float | None = None,
) -> Axes:
    """Draw the limit of one mock-up and what noise alone allows, a line a score.

    `span` is the range of the logarithmic scale; `unit` that of all rows, or None where they
    differ: then each limit is shown as a multiple of what noise alone allows.
    """
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    ax.set_xscale("log")
    ax.set_xlim(*span)
    ax.xaxis.set_major_locator(LogLocator(10, subs=_subs(span)))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda value, _: number(value)))
    ax.xaxis.set_minor_formatter(NullFormatter())
    if unit == LOADING and acceptance_limit is not None:
        ax.axvline(acceptance_limit, color=INK, linewidth=1.0, zorder=1)
    for line, row in enumerate(rows):
        noise, limit = _shown(row, unit)
        shown = min(limit, span[1])
        look = _BLIND if row["blind"] else _DECIDES if row["deciding"] else _LIMIT
        if np.isfinite(noise):
            ax.plot([noise, shown], [line, line], color=PALE, linewidth=1.5, zorder=2)
            ax.plot(noise, line, zorder=3, **_MARK, **_NOISE)
        ax.plot(shown, line, zorder=4, **_MARK, **look)
        said = digits(row["mockup_limit"])
        if np.isfinite(limit):
            said += f" {unit_words(row['unit'])}"
        said += ", blind" if row["blind"] else ""
        ax.annotate(said, (1, line), xycoords=("axes fraction", "data"), xytext=(6, 0),
                    textcoords="offset points", va="center",
                    color=MUTED if row["blind"] else INK)  # fmt: skip
    label = (
        f"limit of one mock-up ({unit_words(unit)})"
        if unit is not None
        else "limit, times what noise alone allows"
    )
    ax.set_xlabel(label)
    _lines(ax, rows, [""] * len(rows))
    return ax


def _blocks(table: BlindnessTable | pd.DataFrame) -> list[tuple[str, Rows]]:
    import pandas as pd

    frame = table if isinstance(table, pd.DataFrame) else table.to_frame()
    missing = [name for name in MARKER_COLUMNS[:-1] if name not in frame.columns]
    if missing or frame.empty:
        what = f"without {LIST_SEPARATOR.join(missing)}" if missing else "without rows"
        raise ContractError(
            Fault(f"a table {what}", "the columns of markers.csv and a row a score and paint",
                  "residuekit.blindness(...), or residuekit.open_run(folder).markers")
        )  # fmt: skip
    rows: list[dict[str, Any]] = [
        {str(name): value for name, value in row.items()} for row in frame.to_dict("records")
    ]
    strata = dict.fromkeys(stratum_of(row) for row in rows)
    return [(stratum_words(one), [row for row in rows if stratum_of(row) == one]) for one in strata]


def _common_unit(rows: Rows) -> str | None:
    units = {row["unit"] for row in rows}
    return str(units.pop()) if len(units) == 1 else None


def _shown(row: dict[str, Any], unit: str | None) -> tuple[float, float]:
    """Noise limit and mock-up limit as they stand on the scale."""
    noise, limit = float(row["noise_limit"]), float(row["mockup_limit"])
    if unit is not None:
        return noise, limit
    return 1.0, limit / noise if np.isfinite(limit) and noise > 0 else np.inf


def _span(
    blocks: Sequence[tuple[str, Rows]], unit: str | None, acceptance_limit: float | None
) -> tuple[float, float]:
    values = [value for _, rows in blocks for row in rows for value in _shown(row, unit)]
    if unit == LOADING and acceptance_limit is not None:
        values.append(acceptance_limit)
    finite = [value for value in values if np.isfinite(value) and value > 0] or [1.0]
    return min(finite) / 1.6, max(finite) * 1.6


def _subs(span: tuple[float, float]) -> tuple[float, ...]:
    """Which multiples of a power of ten have numbers: more of them on a short scale."""
    decades = np.log10(span[1] / span[0])
    return (1.0,) if decades > _LONG else (1.0, 3.0) if decades > 1 else (1.0, 2.0, 5.0)


def _lines(ax: Axes, rows: Rows, names: Sequence[str]) -> list[Any]:
    ax.set_ylim(len(rows) - 0.5, -0.5)
    ax.set_yticks(range(len(rows)), names)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    return list(ax.get_yticklabels())


def _entries(*, accepted: bool) -> Iterator[Entry]:
    """The symbols with their names."""
    for words, look in _KEY.items():
        yield words, {"color": INK, **look}
    if accepted:
        yield "acceptance limit", {"linestyle": "-", "color": INK}
