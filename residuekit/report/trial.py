"""The other criteria of the trial, for the report."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..trial import summary_of
from ..trial.summary import CAUTION
from ..trial.words import HEADS, block_words, cells, standing_words
from .as_html import items, table
from .pictures import picture

if TYPE_CHECKING:
    from ..results import StudyResult

_HOW = (
    "Residue and pigment pick-up are vetoes: no total stands against them. What is open is not "
    "passed.",
    "Soil removal: 100 (1 − ΔE00(cleaned, unsoiled) / ΔE00(soiled, unsoiled)), CIEDE2000, L*, a* "
    "and b* averaged within a mock-up and state; repeatability: mean ΔE00 of repeated readings "
    "from their mean.",
    "Gloss change: after less before, one angle a paint (60°; 20° above 70 GU, 85° below 10 GU). "
    "Means and standard deviations are over mock-ups.",
    "Pareto set: no other candidate on the same paint and soiling is as good in soil removal, "
    "size of gloss change, ease, and health and safety, and better in one. A missing value could "
    "be anything.",
)


def trial_section(result: StudyResult) -> str:
    """The section on the trial as HTML; nothing where the study had no ``trial.csv``.

    The picture is taken from the run folder and stands inside the page; the table tells the same.
    """
    summary = summary_of(result)
    if summary is None:
        return ""
    said = "; ".join(
        f"{one.treatment} on {block_words(one.block)}, {standing_words(one)}"
        for one in summary.candidates
    )
    alternative = f"Parallel coordinates of the criteria. {said}. The table below has the numbers."
    shown = picture((result.folder / "trial.svg").read_bytes(), "svg+xml", alternative)
    rows = [
        [one.treatment, block_words(one.block), standing_words(one),
         *cells(one, summary.alpha).values()]
        for one in summary.candidates
    ]  # fmt: skip
    heads = ["treatment", "on", "standing", *HEADS.values()]
    return (
        '<section class="page" aria-labelledby="trial"><h2 id="trial">The other criteria of the '
        f"trial</h2><figure>{shown}</figure>"
        + table("A candidate a row (trial.csv)", heads, rows, texts=len(heads))
        + items((*summary.remarks, *_HOW, CAUTION))
        + "</section>"
    )
