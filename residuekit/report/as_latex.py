"""Blocks as LaTeX to be taken into a document of one's own; no package is needed.

A character that LaTeX would act on, or that its standard fonts do not have, cannot stop or change
the document: it is written as a command, or by its code point.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence

from .text import Block, Grid, Items, Paragraph, Section, one_line

_COMMANDS = {
    "\\": r"\textbackslash{}", "{": r"\{", "}": r"\}", "$": r"\$", "&": r"\&", "#": r"\#",
    "_": r"\_", "%": r"\%", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "<": "$<$",
    ">": "$>$", "|": "$|$", '"': "''", "`": r"\textasciigrave{}", "[": "{[}",
    "]": "{]}", "*": "{*}", "µ": r"$\mu$", "μ": r"$\mu$", "−": "$-$", "×": r"$\times$",
    "±": r"$\pm$", "≥": r"$\geq$", "≤": r"$\leq$", "∞": r"$\infty$", "·": r"$\cdot$",
    "°": r"$^{\circ}$", "–": "--", "—": "---", "“": "``", "”": "''", "‘": "`", "’": "'",
    "…": r"\ldots{}", "ß": r"\ss{}", "ø": r"\o{}", "Ø": r"\O{}", "æ": r"\ae{}",
    "Æ": r"\AE{}", "œ": r"\oe{}", "Œ": r"\OE{}", "ł": r"\l{}", "Ł": r"\L{}", "ı": r"\i{}",
}  # fmt: skip
_SUPERSCRIPTS = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-")
_ACCENTS = {
    "\u0300": "`", "\u0301": "'", "\u0302": "^", "\u0303": "~", "\u0304": "=", "\u0306": "u",
    "\u0307": ".", "\u0308": '"', "\u030a": "r", "\u030b": "H", "\u030c": "v", "\u0327": "c",
    "\u0328": "k",
}  # fmt: skip
#: Longer words may be broken after so many letters.
_LONG = 24
#: Words in a table that are longer are set in a column that breaks its lines; its width as a share
#: of the text's, by the number of columns of words.
_SHORT = 14
_WIDTHS = (0.5, 0.3, 0.24, 0.24)
#: A table of more rows is broken into parts that fit a page.
_ROWS_A_PAGE = 24


def escape(text: object) -> str:
    r"""A text as LaTeX sets it, letter by letter, on one line.

    >>> print(escape("50 % of {x}_1: 2 µg cm⁻²"))
    50 \% of \{x\}\_1: 2 $\mu$g cm$^{-2}$
    """
    return " ".join(map(_word, one_line(text).split(" ")))


def _word(word: str) -> str:
    pieces = re.findall(r"[⁰¹²³⁴⁵⁶⁷⁸⁹⁻]+|.", word, flags=re.DOTALL)
    made: list[str] = []
    since, before = 0, ""
    for piece in pieces:
        if piece == before and piece in "-'":
            made.append("{}")
        made.append(_piece(piece))
        since, before = since + 1, piece
        if len(pieces) > _LONG and (since == _LONG or piece in "/-_"):
            made.append(r"\allowbreak{}")
            since = 0
    return "".join(made)


def _piece(piece: str) -> str:
    if piece in _COMMANDS:
        return _COMMANDS[piece]
    if piece[0] in "⁰¹²³⁴⁵⁶⁷⁸⁹⁻":
        return f"$^{{{piece.translate(_SUPERSCRIPTS)}}}$"
    if piece.isascii() and piece.isprintable():
        return piece
    base, *marks = list(unicodedata.normalize("NFD", piece))
    if len(marks) == 1 and marks[0] in _ACCENTS and base.isascii() and base.isalpha():
        return f"\\{_ACCENTS[marks[0]]}{{{base}}}"
    if unicodedata.category(piece) in ("Cc", "Cf", "Mn"):
        return ""
    return f"{{[}}U+{ord(piece):04X}{{]}}"


def write(sections: Iterable[Section]) -> str:
    """Write sections, for \\input into the body of a document."""
    parts = ["% For the body of your own document: \\input{this file}. It needs no package."]
    for section in sections:
        parts.append(f"\\section*{{{escape(section.heading)}}}")
        parts += map(_block, section.blocks)
    return "\n\n".join(parts) + "\n"


def _block(block: Block) -> str:
    if isinstance(block, Paragraph):
        lead = f"\\textbf{{{escape(block.lead)}}} " if block.lead else ""
        return lead + escape(block.text)
    if isinstance(block, Items):
        kind = "enumerate" if block.ordered else "itemize"
        listed = "\n".join(f"\\item{{}} {escape(text)}" for text in block.texts)
        return f"\\begin{{{kind}}}\n{listed}\n\\end{{{kind}}}"
    return tables([block])


def tables(grids: Iterable[Grid]) -> str:
    """Write tables as plain tabulars, each with its caption above it; a long one in parts."""
    parts = []
    for one in grids:
        starts = range(0, max(len(one.rows), 1), _ROWS_A_PAGE)
        parts += [_tabular(one, start) for start in starts]
        if len(starts) > 1:
            parts.append(r"\clearpage")
    return "\n\n".join(parts)


def _tabular(one: Grid, start: int) -> str:
    caption = escape(one.caption) + (" (continued)" if start else "")
    columns = [_column(one, place) for place in range(len(one.heads))]
    part = one.rows[start : start + _ROWS_A_PAGE]
    body = [_line(row, columns) for row in (one.heads, *part)]
    return "\n".join([
        r"\begin{table}[htbp]", r"\centering", f"\\caption{{{caption}}}", r"\footnotesize",
        r"\setlength{\tabcolsep}{3pt}", f"\\begin{{tabular}}{{{''.join(columns)}}}", r"\hline",
        body[0], r"\hline", *body[1:], r"\hline", r"\end{tabular}", r"\end{table}",
    ])  # fmt: skip


def _line(row: Sequence[str], columns: Sequence[str]) -> str:
    """A row; words that break their lines are set ragged, but for the last column."""
    cells = [
        (r"\raggedright{}" if column[0] == "p" and place < len(columns) - 1 else "") + escape(cell)
        for place, (cell, column) in enumerate(zip(row, columns, strict=True))
    ]
    return " & ".join(cells) + r" \\"


def _column(one: Grid, place: int) -> str:
    """Numbers to the right; words that are long are set in a column that breaks its lines."""
    if place >= one.texts:
        return "r"
    longest = max((len(row[place]) for row in one.rows), default=0)
    if longest <= _SHORT:
        return "l"
    width = _WIDTHS[min(one.texts, len(_WIDTHS)) - 1] if len(one.heads) > one.texts else 0.8
    return f"p{{{width if place == 0 else 0.7 * width:.2f}\\linewidth}}"
