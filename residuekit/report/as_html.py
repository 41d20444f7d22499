"""Blocks as HTML; every text is escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

from ..words.common import counted, in_words, number
from .text import Block, Grid, Items, Paragraph


def show(value: Any) -> str:
    """A cell as people read it, escaped.

    >>> show("a < b"), show(0.00123456), show(True), show(float("nan"))
    ('a &lt; b', '0.00123', 'yes', '–')
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float) or value is None:
        return number(value)
    return escape(in_words(str(value)))


def table(
    caption: str, heads: Sequence[str], rows: Iterable[Sequence[Any]], *, texts: int = 1
) -> str:
    """A table with a caption and scoped heads; the first `texts` columns are words and the first of
    them heads its row. A wide one scrolls, and can be reached by the keyboard."""
    top = "".join(
        f'<th scope="col"{"" if place < texts else NUMBER}>{escape(head)}</th>'
        for place, head in enumerate(heads)
    )
    body = "".join(_row(row, texts) for row in rows)
    return (
        '<div class="wide" role="group" tabindex="0" aria-label="Table, scrolls sideways"><table>'
        f"<caption>{escape(caption)}</caption><thead><tr>{top}</tr></thead><tbody>{body}</tbody>"
        "</table></div>"
    )


NUMBER = ' class="number"'


def _row(row: Sequence[Any], texts: int) -> str:
    cells = [f'<th scope="row">{show(row[0])}</th>']
    for place, value in enumerate(row[1:], start=1):
        cells.append(f"<td{'' if place < texts else NUMBER}>{show(value)}</td>")
    return f"<tr>{''.join(cells)}</tr>\n"


def items(texts: Iterable[str], kind: str = "ul") -> str:
    """A list of texts."""
    return f"<{kind}>{''.join(f'<li>{show(text)}</li>' for text in texts)}</{kind}>"


def paragraphs(texts: Iterable[str]) -> str:
    """Texts, a paragraph each."""
    return "".join(f"<p>{show(text)}</p>" for text in texts if text)


def block(one: Block) -> str:
    """A block of a text."""
    if isinstance(one, Paragraph):
        lead = f"<strong>{show(one.lead)}</strong> " if one.lead else ""
        return f"<p>{lead}{show(one.text)}</p>"
    if isinstance(one, Items):
        return items(one.texts, "ol" if one.ordered else "ul")
    return grid_table(one)


def grid_table(one: Grid) -> str:
    """A table of texts."""
    return table(one.caption, one.heads, one.rows, texts=one.texts)


def folded(summary: str, content: str, *, printed: bool = False) -> str:
    """What is there for those who ask: shut until it is opened; `printed` is open on paper."""
    kind = ' class="printed"' if printed else ""
    return f"<details{kind}><summary>{show(summary)}</summary>{content}</details>"


def capped(
    caption: str,
    heads: Sequence[str],
    rows: Sequence[Sequence[Any]],
    *,
    texts: int = 1,
    most: int,
    file: str,
) -> str:
    """A table of at most so many rows; where the rest stands."""
    shown = table(caption, heads, rows[:most], texts=texts)
    return shown + rest(len(rows) - most, "further row", file)


def rest(count: int, noun: str, file: str) -> str:
    """Where the rest stands, if there is any."""
    return f"<p>{counted(count, noun)} in {escape(file)}.</p>" if count > 0 else ""
