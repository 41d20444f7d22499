"""Matrix effect: spiked mock-ups beside reference films, as a table and a small panel."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np

from ..figures.style import GEL, INK, MM_PER_INCH, figure_style, fitted
from ..reprs import sentence_case
from ..words import scale as words
from ..words.common import stratum_of, stratum_words
from .text import Grid, grid

if TYPE_CHECKING:
    from ..results import StudyResult

#: More strata than this are left to the table.
MOST_LINES = 24
_WIDTH_MM, _LINE_MM, _AXIS_MM, _NAMES_MM = 120.0, 5.0, 14.0, 45.0


def matrix_sentences(result: StudyResult) -> Iterator[str]:
    """The matrix effect of each stratum that has spiked mock-ups and films of known loading."""
    for place, numbers in _effects(result).items():
        said = words.matrix_words(numbers)
        yield f"{place}: {said[0].lower()}{said[1:]}"


def matrix_table(result: StudyResult) -> Grid | None:
    """A line a stratum; None where no stratum has both."""
    rows = [words.matrix_row(sentence_case(place), n) for place, n in _effects(result).items()]
    return grid(words.MATRIX_CAPTION, words.MATRIX_HEADS, rows, texts=2) if rows else None


def matrix_panel(result: StudyResult) -> bytes | None:
    """Draw the ratios with their intervals, a line a stratum, as SVG; None where there are none.

    An interval without bounds runs through the whole panel.
    """
    from matplotlib.figure import Figure

    shown = list(_effects(result).items())[:MOST_LINES]
    if not shown:
        return None
    height = _LINE_MM * len(shown) + _AXIS_MM
    places = -np.arange(len(shown))
    ratios, low, high = np.array([[n[k] for k in ("value", "low", "high")] for _, n in shown]).T
    reach = 1.15 * max(1.0, *ratios, *high[np.isfinite(high)])
    with figure_style():
        figure = Figure(figsize=(_WIDTH_MM / MM_PER_INCH, height / MM_PER_INCH),
                        layout="constrained")  # fmt: skip
        ax = figure.subplots()
        ax.axvline(1.0, color=INK, linewidth=0.6)
        ax.hlines(places, np.clip(low, 0, reach), np.clip(high, 0, reach), color=GEL, linewidth=1.0)
        ax.plot(ratios, places, "D", ms=3.5, mfc="white", mec=GEL, mew=0.8)
        ax.set_yticks(places, [fitted(sentence_case(place), _NAMES_MM) for place, _ in shown])
        ax.set_ylim(places[-1] - 0.7, 0.7)
        ax.set_xlim(0, reach)
        ax.set_xlabel("response of spiked mock-ups / reference films")
        stream = BytesIO()
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    return stream.getvalue()


def _effects(result: StudyResult) -> dict[str, Mapping[str, Any]]:
    """Stratum (and residue where there are several) -> the numbers of the note."""
    found: dict[str, Mapping[str, Any]] = {}
    several = len(result.provenance["study"].get("residues", ())) > 1
    for row in result.verdicts.to_dict("records"):
        place = stratum_words(stratum_of(row)) + (f", {row['residue']}" if several else "")
        for note in result.notes(row).remarks:
            if note.code == "matrix-effect":
                found.setdefault(place, note.numbers)
    return found
