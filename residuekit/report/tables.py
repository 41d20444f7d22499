"""Tables of the report as HTML; every text is escaped."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

from ..figures.words import in_words, number


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
    """A table with a caption and scoped heads; the first `texts` columns are text and the first of
    them heads its row."""
    top = "".join(f'<th scope="col">{escape(head)}</th>' for head in heads)
    body = "".join(_row(row, texts) for row in rows)
    return (
        f'<div class="wide"><table><caption>{escape(caption)}</caption>'
        f"<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def _row(row: Sequence[Any], texts: int) -> str:
    cells = [f'<th scope="row">{show(row[0])}</th>']
    for place, value in enumerate(row[1:], start=1):
        kind = "" if place < texts else ' class="number"'
        cells.append(f"<td{kind}>{show(value)}</td>")
    return f"<tr>{''.join(cells)}</tr>\n"


def items(texts: Iterable[str], kind: str = "ul") -> str:
    """A list of texts."""
    return f"<{kind}>{''.join(f'<li>{show(text)}</li>' for text in texts)}</{kind}>"


def paragraphs(texts: Iterable[str]) -> str:
    """Texts, a paragraph each."""
    return "".join(f"<p>{show(text)}</p>" for text in texts)
