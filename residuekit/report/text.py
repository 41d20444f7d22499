"""A text before it has a form: sections of paragraphs, lists and tables, of plain text alone.

The same blocks become Markdown, LaTeX and HTML; each writer makes every text harmless.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Paragraph:
    """Sentences; `lead` stands before them and stands out."""

    text: str
    lead: str = ""


@dataclass(frozen=True)
class Items:
    """A list, numbered if its order matters."""

    texts: tuple[str, ...]
    ordered: bool = False


@dataclass(frozen=True)
class Grid:
    """A table; the first `texts` columns are words, the others numbers."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]
    texts: int = 1


Block = Paragraph | Items | Grid


@dataclass(frozen=True)
class Section:
    """Blocks under a heading."""

    heading: str
    blocks: tuple[Block, ...]


def grid(
    caption: str, heads: Sequence[str], rows: Iterable[Sequence[Any]], *, texts: int = 1
) -> Grid:
    """Make a table."""
    return Grid(caption, tuple(heads), tuple(map(tuple, rows)), texts)


def paragraphs(texts: Iterable[str]) -> tuple[Paragraph, ...]:
    """Make a paragraph of each text that is not empty."""
    return tuple(Paragraph(text) for text in texts if text)


def one_line(text: object) -> str:
    """A text on one line."""
    return " ".join(str(text).split())
