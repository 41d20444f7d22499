"""Blocks as LaTeX to be taken into a document of one's own; no package is needed.

A character that LaTeX would act on, or that its standard fonts do not have, cannot stop or change
the document: it is written as a command, or by its code point.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from typing import NamedTuple

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
#: The text width of the article class at 10 pt, pt.
_LINE = 345.0
#: Columns of words are at least so wide, pt; else the table is set smaller, and at last so wide.
_AT_EASE, _LEAST = 60.0, 34.0
#: A table of more rows is broken into parts that fit a page.
_ROWS_A_PAGE = 24


def escape(text: object, long: int = _LONG) -> str:
    r"""A text as LaTeX sets it, letter by letter, on one line; a word breaks after `long` letters.

    >>> print(escape("50 % of {x}_1: 2 µg cm⁻²"))
    50 \% of \{x\}\_1: 2 $\mu$g cm$^{-2}$
    """
    return " ".join(_word(word, long) for word in one_line(text).split(" "))


def _word(word: str, long: int) -> str:
    pieces = re.findall(r"[⁰¹²³⁴⁵⁶⁷⁸⁹⁻]+|.", word, flags=re.DOTALL)
    made: list[str] = []
    since, before = 0, ""
    for piece in pieces:
        if piece == before and piece in "-'":
            made.append("{}")
        made.append(_piece(piece))
        since, before = since + 1, piece
        if len(pieces) > long and (since == long or piece in "/-_"):
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
    size, columns = next(((size, made) for size in _SIZES[:-1] if (made := _columns(one, size))),
                         (_SIZES[-1], _columns(one, _SIZES[-1], least=_LEAST)))  # fmt: skip
    part = one.rows[start : start + _ROWS_A_PAGE]
    body = [_line(row, columns) for row in (one.heads, *part)]
    kinds = "".join(column.kind for column in columns)
    return "\n".join([
        r"\begin{table}[htbp]", r"\centering", f"\\caption{{{caption}}}", size.name,
        f"\\setlength{{\\tabcolsep}}{{{size.between / 2:g}pt}}",
        f"\\begin{{tabular}}{{{kinds}}}", r"\hline",
        body[0], r"\hline", *body[1:], r"\hline", r"\end{tabular}", r"\end{table}",
    ])  # fmt: skip


class _Size(NamedTuple):
    """A size of type, pt: its command, a digit, a broad letter, what separates columns."""

    name: str
    digit: float
    broad: float
    between: float


_SIZES = (_Size(r"\footnotesize", 4.25, 7.2, 6.0), _Size(r"\scriptsize", 4.0, 6.6, 4.0))


class _Column(NamedTuple):
    """How a column is set: its kind, what begins its cells, after how many letters words break."""

    kind: str
    begin: str = ""
    long: int = _LONG


def _line(row: Sequence[str], columns: Sequence[_Column]) -> str:
    cells = [column.begin + escape(cell, column.long)
             for cell, column in zip(row, columns, strict=True)]  # fmt: skip
    return " & ".join(cells) + r" \tabularnewline"


def _columns(one: Grid, size: _Size, least: float = _AT_EASE) -> list[_Column]:
    """Columns that fill at most a line: where that is needed, heads of numbers break, and then the
    words of the widest columns. None where those would have less than `least`."""

    def wide(text: object) -> float:
        return _width(text, size)

    cells = list(zip(one.heads, *one.rows, strict=True))
    whole = [max(map(wide, column)) for column in cells]
    room = _LINE - size.between * len(whole)
    given = list(whole)
    if sum(whole) > room:
        for place in range(one.texts, len(whole)):
            head = map(wide, str(one.heads[place]).split())
            given[place] = max([*map(wide, cells[place][1:]), *head])
        share = _share(whole[: one.texts], room - sum(given[one.texts :]))
        if share < least and least > _LEAST:
            return []
        given[: one.texts] = [min(width, max(share, least)) for width in whole[: one.texts]]
    columns = []
    for place, (width, own) in enumerate(zip(given, whole, strict=True)):
        number = place >= one.texts
        if width >= own:
            columns.append(_Column("r" if number else "l"))
        else:
            begin = r"\raggedleft{}" if number else r"\raggedright{}"
            columns.append(_Column(f"p{{{width:.0f}pt}}", begin, max(2, int(width / size.broad))))
    return columns


def _share(widths: Sequence[float], room: float) -> float:
    """What the widest columns have each, so that all fill the room."""
    left = sorted(widths)
    while left and left[0] <= room / len(left):
        room -= left.pop(0)
    return room / len(left) if left else max(widths)


def _width(text: object, size: _Size) -> float:
    """About how wide a text is in a table, pt; rather too wide."""
    set_as = re.sub(r"\\[A-Za-z]+(\{\})?|[\\{}$^]", "", escape(text))
    return sum(size.broad if c in "mwMW%@&" or c.isupper() else size.digit for c in set_as)
