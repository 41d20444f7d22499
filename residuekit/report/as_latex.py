"""Blocks as LaTeX to be taken into a document of one's own; no package is needed.

A character that LaTeX would act on, or that its standard fonts do not have, cannot stop or change
the document: it is written as a command, or by its code point.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise
from math import inf
from typing import NamedTuple

from .text import Block, Grid, Items, Paragraph, Section, one_line

_COMMANDS = {
    "\\": r"\textbackslash{}", "{": r"\{", "}": r"\}", "$": r"\$", "&": r"\&", "#": r"\#",
    "_": r"\_", "%": r"\%", "~": r"\textasciitilde{}", "^": r"\textasciicircum{}", "<": "$<$",
    ">": "$>$", "|": "$|$", '"': "''", "`": r"\textasciigrave{}", "[": "{[}",
    "]": "{]}", "*": "{*}", "µ": r"$\mu$", "μ": r"$\mu$", "−": "$-$", "×": r"$\times$",
    "±": r"$\pm$", "≥": r"$\geq$", "≤": r"$\leq$", "∞": r"$\infty$", "·": r"$\cdot$",
    "°": r"$^{\circ}$", "α": r"$\alpha$", "β": r"$\beta$", "χ": r"$\chi$", "σ": r"$\sigma$",
    "–": "--", "—": "---", "“": "``", "”": "''", "‘": "`", "’": "'",
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
        return f"{{\\sloppy {lead}{escape(block.text)}\\par}}"
    if isinstance(block, Items):
        kind = "enumerate" if block.ordered else "itemize"
        listed = "\n".join(f"\\item{{}} {escape(text)}" for text in block.texts)
        return f"\\begin{{{kind}}}\\sloppy\n{listed}\n\\end{{{kind}}}"
    return tables([block])


def tables(grids: Iterable[Grid]) -> str:
    """Write tables as plain tabulars, each with its caption above it; a long one in parts."""
    parts = []
    for one in grids:
        made = _parts(one)
        parts += [_tabular(one, place > 0, part) for place, part in enumerate(made)]
        if len(made) > 1:
            parts.append(r"\clearpage")
    return "\n\n".join(parts)


class _Part(NamedTuple):
    """What a page holds of a table: the size of type, the columns, the lines of the body."""

    size: _Size
    kinds: str
    lines: list[str]


def _parts(one: Grid) -> list[_Part]:
    """The parts of a table that fit a page each.

    Where the columns have no ease, and the first of them says the same of rows that follow one
    another, that stands once above these, on a line of its own.
    """
    found, above, inner = _at_ease(one), [""] * len(one.rows), one
    if found is None and _says_again(one):
        above = [str(row[0]) for row in one.rows]
        inner = replace(one, heads=one.heads[1:], rows=tuple(row[1:] for row in one.rows),
                        texts=one.texts - 1)  # fmt: skip
        found = _at_ease(inner)
    size, columns = found or (_SIZES[-1], _columns(inner, _SIZES[-1], least=_LEAST))
    whole = f"p{{{_LINE - size.between:.0f}pt}}"
    kinds = "".join(column.kind for column in columns)

    def begun() -> _Part:
        return _Part(size, kinds, [r"\hline", _line(inner.heads, columns), r"\hline"])

    top = _height(inner.heads, columns, size)
    parts, last, used = [begun()], "", top
    for name, row in zip(above, inner.rows, strict=True):
        high = _height(row, columns, size)
        if used > top and used + high + (name != last) > size.lines:
            parts.append(begun())
            last, used = "", top
        if name != last:
            said = rf"{{{whole}}}{{\raggedright{{}}\textit{{{escape(name)}}}}}"
            parts[-1].lines.append(rf"\multicolumn{{{len(columns)}}}{said} \tabularnewline")
            last, used = name, used + 1
        parts[-1].lines.append(_line(row, columns))
        used += high
    return parts


def _says_again(one: Grid) -> bool:
    names = [row[0] for row in one.rows]
    return one.texts > 1 and any(name == after for name, after in pairwise(names))


def _tabular(one: Grid, continued: bool, part: _Part) -> str:
    caption = escape(one.caption) + (" (continued)" if continued else "")
    return "\n".join([
        r"\begin{table}[htbp]", r"\centering", f"\\caption{{{caption}}}", part.size.name,
        f"\\setlength{{\\tabcolsep}}{{{part.size.between / 2:g}pt}}",
        f"\\begin{{tabular}}{{{part.kinds}}}", *part.lines, r"\hline", r"\end{tabular}",
        r"\end{table}",
    ])  # fmt: skip


class _Size(NamedTuple):
    """A size of type, pt: its command, a digit, a broad letter, what separates columns; lines that
    a page of the article class holds beside a caption."""

    name: str
    digit: float
    broad: float
    between: float
    lines: int


_SIZES = (
    _Size(r"\footnotesize", 4.25, 7.2, 6.0, 48),
    _Size(r"\scriptsize", 4.0, 6.6, 4.0, 56),
)


class _Column(NamedTuple):
    """How a column is set: its kind, what begins its cells, after how many letters words break, and
    how wide it is where lines break."""

    kind: str
    begin: str = ""
    long: int = _LONG
    width: float = inf


def _line(row: Sequence[str], columns: Sequence[_Column]) -> str:
    cells = [column.begin + escape(cell, column.long)
             for cell, column in zip(row, columns, strict=True)]  # fmt: skip
    return " & ".join(cells) + r" \tabularnewline"


def _height(row: Sequence[object], columns: Sequence[_Column], size: _Size) -> int:
    """How many lines of type a row fills; rather too many."""
    return max(_lines(cell, column.width, size) for cell, column in zip(row, columns, strict=True))


def _lines(cell: object, room: float, size: _Size) -> int:
    lines, at = 1, 0.0
    for word in str(cell).split(" ") if room < inf else ():
        wide = _width(word, size) + size.digit
        if at and at + wide > room:
            lines, at = lines + 1, 0.0
        lines, at = lines + int((at + wide) // room), (at + wide) % room
    return lines


def _at_ease(one: Grid) -> tuple[_Size, list[_Column]] | None:
    """The largest size of type in which no column of words is too narrow, and the columns in it."""
    made = ((size, _columns(one, size)) for size in _SIZES)
    return next((found for found in made if found[1]), None)


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
            long = max(2, int(width / size.broad))
            columns.append(_Column(f"p{{{width:.0f}pt}}", begin, long, width))
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
