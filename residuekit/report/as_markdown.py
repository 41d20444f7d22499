"""Blocks as Markdown; a name shows letter by letter and starts no markup."""

from __future__ import annotations

import re
from collections.abc import Iterable

from .text import Block, Items, Paragraph, Section, one_line


def escape(text: object) -> str:
    r"""A text as Markdown shows it, letter by letter, on one line.

    >>> print(escape("*a* | <b>"))
    \*a\* \| \<b\>
    """
    return re.sub(r"([\\`*<>\[\]|#$&~]|(?<![^\W_])_|_(?![^\W_]))", r"\\\1", one_line(text))


def _start(text: str) -> str:
    """A text at the start of a line, where a dash or a number would start a list."""
    shown = escape(text)
    if shown[:1] in "-+=":
        return f"\\{shown}"
    return re.sub(r"^(\d+)([.)])", r"\1\\\2", shown)


def write(title: str, sections: Iterable[Section]) -> str:
    """Write sections below a title."""
    parts = [f"# {escape(title)}"]
    for section in sections:
        parts.append(f"## {escape(section.heading)}")
        parts += map(_block, section.blocks)
    return "\n\n".join(parts) + "\n"


def _block(block: Block) -> str:
    if isinstance(block, Paragraph):
        return (
            f"**{escape(block.lead)}** {escape(block.text)}" if block.lead else _start(block.text)
        )
    if isinstance(block, Items):
        return "\n".join(
            f"{f'{number}.' if block.ordered else '-'} {_start(text)}"
            for number, text in enumerate(block.texts, start=1)
        )
    rule = ["---" if place < block.texts else "--:" for place in range(len(block.heads))]
    rows = [[escape(cell) for cell in row] for row in (block.heads, *block.rows)]
    lines = [f"| {' | '.join(row)} |" for row in (rows[0], rule, *rows[1:])]
    return f"{escape(block.caption)}\n\n" + "\n".join(lines)
