"""What the quality check found: in sentences, in counts of files, in words file by file."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from ..schema import FLAGS
from ..words.common import counted, in_words
from .text import Grid, grid

if TYPE_CHECKING:
    from ..results import StudyResult


def _rows(result: StudyResult) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = result.provenance["quality"]
    return rows


def quality_sentences(result: StudyResult) -> Iterator[str]:
    """How much was checked, how much was left out, what was flagged most."""
    rows = _rows(result)
    pixels = sum(int(row["n_pixels"]) for row in rows)
    excluded = sum(int(row["n_pixels"] - row["n_valid"]) for row in rows)
    yield (
        f"{counted(len(rows), 'file')} with {counted(pixels, 'pixel')} were checked before the "
        f"procedure; {counted(excluded, 'pixel')} that could not be used were left out of every "
        "mean."
    )
    flagged = sum(bool(_flags(row)) for row in rows)
    remarked = sum(bool(row.get("words")) for row in rows)
    failed = sum(bool(row["failed"]) for row in rows)
    yield (
        f"{counted(flagged, 'file')} had flagged pixels, {remarked} a remark of the check, and "
        f"{failed} {'was' if failed == 1 else 'were'} not fit to be judged."
    )
    kinds = sorted({name for row in rows for name in _flags(row)}, key=list(FLAGS).index)
    if kinds:
        told = (
            f"{name} ({FLAGS[name][1]}): {counted(_files(rows, name), 'file')}, "
            f"{counted(_pixels(rows, name), 'pixel')}"
            for name in kinds
        )
        yield f"Flags: {'; '.join(told)}."


def _flags(row: dict[str, Any]) -> list[str]:
    return [name for name in FLAGS if row.get(f"n_{name}")]


def _files(rows: list[dict[str, Any]], name: str) -> int:
    return sum(bool(row.get(f"n_{name}")) for row in rows)


def _pixels(rows: list[dict[str, Any]], name: str) -> int:
    return sum(int(row.get(f"n_{name}") or 0) for row in rows)


def words_by_file(result: StudyResult) -> list[tuple[str, str]]:
    """What the check said of each file of which it said anything."""
    return [
        (str(row["file"]), in_words(" ".join(row["words"])))
        for row in _rows(result)
        if row.get("words")
    ]


def flag_grid(result: StudyResult) -> Grid | None:
    """Each flag that was set: what it means, in how many files and pixels."""
    rows = _rows(result)
    cells = [
        (name.replace("_", " "), FLAGS[name][1], str(_files(rows, name)), str(_pixels(rows, name)))
        for name in FLAGS
        if _files(rows, name)
    ]
    if not cells:
        return None
    return grid(
        "Flags of the quality check", ("flag", "meaning", "files", "pixels"), cells, texts=2
    )
