"""The other criteria of the trial, for the report."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..trial import summary_of
from ..words import trial as words
from .as_html import items, table
from .pictures import picture

if TYPE_CHECKING:
    from ..results import StudyResult


def trial_section(result: StudyResult) -> str:
    """The section on the trial as HTML; nothing where the study had no ``trial.csv``.

    The picture is taken from the run folder and stands inside the page; the table tells the same.
    """
    summary = summary_of(result)
    if summary is None:
        return ""
    alternative = words.picture_alternative(summary.candidates)
    shown = picture((result.folder / "trial.svg").read_bytes(), "svg+xml", alternative)
    rows = words.rows(summary.candidates, summary.alpha)
    heads = list(rows[0])
    cells = [list(row.values()) for row in rows]
    return (
        '<section class="page" aria-labelledby="trial"><h2 id="trial">The other criteria of the '
        f"trial</h2><figure>{shown}</figure>"
        + table("A candidate a row (trial.csv)", heads, cells, texts=len(heads))
        + items((*summary.remarks, *words.HOW, words.CAUTION))
        + "</section>"
    )
