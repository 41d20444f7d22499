"""Difference maps of paired mock-ups, after treatment less before, on one scale around zero."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from ..errors import ContractError, Fault
from ..reprs import sentence_case
from ..schema import DIFFERENCE
from ..words.common import score_words, stratum_words
from .choice import choose
from .layout import BAR, EDGE, LINE, PAGE_WIDTH, TITLE
from .map_panel import (
    BAR_NUMBERS,
    bar_label_width,
    difference_scale,
    draw_colour_bar,
    draw_map,
    map_extent,
)
from .style import BOLD, MM_PER_INCH, figure_style, fitted, place, write

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..results import StudyResult

#: More rows of maps than this are left to the files: a page is at most 200 mm high.
MOST_ROWS = 4
_GAP, _SIDE, _BELOW = 3.0, 34.0, 6.0


@dataclass(frozen=True)
class DifferenceRow:
    """The difference maps of a stratum and residue by the deciding score, each with its name."""

    words: str
    unit: str
    maps: tuple[tuple[str, xr.Dataset], ...]

    @property
    def limit(self) -> float:
        """The highest pixel limit of a difference."""
        return max(float(one["pixel_limit"]) for _, one in self.maps)


def difference_rows(result: StudyResult) -> list[DifferenceRow]:
    """The difference maps of the mock-ups that the due-diligence figure maps, a row a stratum and
    residue; of the unit of the first row, at most `MOST_ROWS`."""
    rows = list(_rows(result))
    return [row for row in rows if row.unit == rows[0].unit][:MOST_ROWS]


def _rows(result: StudyResult) -> Iterator[DifferenceRow]:
    names = result.residues if result.map_entries(DIFFERENCE) else ()
    for name in names:
        part = result.of_residue(name)
        places = {one["file"]: one["map"] for one in part.map_entries(DIFFERENCE)}
        try:
            blocks, _ = choose(part)
        except ContractError:
            continue
        for block in blocks:
            maps = tuple(
                (one.words, part.score_map(part.folder / places[one.file]).sel(marker=block.score))
                for one in block.maps if one.file in places
            )  # fmt: skip
            if maps:
                said = [stratum_words(block.stratum), *([name] if len(names) > 1 else [])]
                words = f"{sentence_case(', '.join(said))}: {score_words(block.score, block.unit)}"
                yield DifferenceRow(words, block.unit, maps)


def differences_figure(result: StudyResult, width_mm: float = PAGE_WIDTH) -> Figure:
    """Draw what the pixels of paired mock-ups differ by from the same pixels before treatment.

    A row a stratum and residue: the mock-ups that the due-diligence figure maps, by the deciding
    score, on one scale around zero for all.

    Parameters
    ----------
    result : what a run found.
    width_mm : of the figure.

    Returns
    -------
    The figure, at its printed size.

    Raises
    ------
    ContractError : no mapped mock-up has a map before treatment on the grid of its map after.

    >>> import residuekit as rk
    >>> rk.differences_figure(rk.open_run("my-study"))  # doctest: +SKIP
    """
    from matplotlib.figure import Figure

    rows = difference_rows(result)
    if not rows:
        raise ContractError(
            Fault("no difference map", "mock-ups with a map before treatment and one after it, "
                  "pixel for pixel at the same places", "rows of role before in measurements.csv")
        )  # fmt: skip
    maps = [one for row in rows for _, one in row.maps]
    limits = [row.limit for row in rows]
    scale = difference_scale([one["score"].values.astype(np.float64) for one in maps], limits)
    label = max(bar_label_width(-limit) for limit in limits)
    room = width_mm - 2 * EDGE - label - BAR - BAR_NUMBERS
    across = max(len(row.maps) for row in rows)
    side = min(_SIDE, room / across - _GAP)
    pitch = LINE + TITLE + side + _BELOW
    top = EDGE + LINE + 2
    height = top + pitch * len(rows) + EDGE
    with figure_style():
        figure = Figure(figsize=(width_mm / MM_PER_INCH, height / MM_PER_INCH))
        title = fitted(result.provenance["study"]["title"], (width_mm - 2 * EDGE) / BOLD)
        write(figure, EDGE, EDGE, title, weight="bold")
        for row in rows:
            _draw_row(figure, row, top, side, scale)
            top += pitch
    return figure


def _draw_row(
    figure: Figure, row: DifferenceRow, top: float, side: float, scale: tuple[float, float]
) -> None:
    width = figure.get_size_inches()[0] * MM_PER_INCH - 2 * EDGE
    write(figure, EDGE, top, fitted(row.words, width))
    left, under = EDGE, top + LINE + TITLE
    for words, one in row.maps:
        write(figure, left, top + LINE + 0.5, fitted(words, side + 1))
        x, y = one["x"].values, one["y"].values
        first, last, lower, upper = map_extent(x, y)
        share = side / max(last - first, upper - lower)
        ax = place(figure, left, under, share * (last - first), share * (upper - lower))
        draw_map(ax, one["score"].values.astype(np.float64), x, y, limit=row.limit, scale=scale,
                 position_unit=str(one["x"].attrs["units"]), room_mm=side,
                 diverging=True)  # fmt: skip
        left += side + _GAP
    bar = place(figure, left + bar_label_width(-row.limit), under + 2, BAR, side - 4)
    draw_colour_bar(bar, limit=row.limit, scale=scale, words="", diverging=True)
