"""Matrix effect: spiked mock-ups beside reference films, in sentences and as a table."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from ..reprs import sentence_case
from ..words import scale as words
from ..words.common import stratum_of, stratum_words
from .text import Grid, grid

if TYPE_CHECKING:
    from ..results import StudyResult


def matrix_sentences(result: StudyResult) -> Iterator[str]:
    """The matrix effect of each stratum that has spiked mock-ups and films of known loading."""
    for place, numbers in effects(result).items():
        said = words.matrix_words(numbers)
        yield f"{place}: {said[0].lower()}{said[1:]}"


def matrix_table(result: StudyResult) -> Grid | None:
    """A line a stratum; None where no stratum has both."""
    rows = [words.matrix_row(sentence_case(place), n) for place, n in effects(result).items()]
    return grid(words.MATRIX_CAPTION, words.MATRIX_HEADS, rows, texts=2) if rows else None


def effects(result: StudyResult) -> dict[str, Mapping[str, Any]]:
    """Stratum (and residue where there are several) -> the numbers of the note."""
    found: dict[str, Mapping[str, Any]] = {}
    several = len(result.provenance["study"].get("residues", ())) > 1
    for row in result.verdicts.to_dict("records"):
        place = stratum_words(stratum_of(row)) + (f", {row['residue']}" if several else "")
        for note in result.notes(row).remarks:
            if note.code == "matrix-effect":
                found.setdefault(place, note.numbers)
    return found
