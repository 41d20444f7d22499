"""JCAMP-DX text split into blocks of labels and tables, and the pages of NTUPLES."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path

import numpy as np

from ..errors import ReadError
from .opening import refuse
from .unit_words import tell

TABLES = ("XYDATA", "XYPOINTS", "PEAKTABLE", "PEAKASSIGNMENTS", "DATATABLE")
#: Labels of any file; a longer text may hold one for so many characters.
_MOST_LABELS, _LABEL_LENGTH = 100_000, 16
_ONCE = ("XUNITS", "YUNITS", "XFACTOR", "YFACTOR", "FIRSTX", "LASTX", "NPOINTS")
_NTUPLES = ("SYMBOL", "UNITS", "FACTOR", "FIRST", "LAST", "VARDIM")
_BLANKS = " \t\r\x1a"
_LABEL = re.compile(r"##[^\n]*")
_COMMENT = re.compile(r"\$\$[^\n]*")
_PAGE_FORM = re.compile(r"\(X\+\+\((\w+)\.\.\1\)\)|\(X(\w+)\.\.X\2\)")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][+-]?\d+)?")


@dataclass
class DataTable:
    """The text under one data label, its form, and the page it belongs to."""

    label: str
    form: str
    line: int
    page: str = ""
    text: str = ""

    @property
    def rows(self) -> list[tuple[int, str]]:
        """The lines that hold anything, each with its number in the file."""
        lines = (line.strip(_BLANKS) for line in self.text.split("\n"))
        return [(number, line) for number, line in enumerate(lines, self.line) if line]


@dataclass
class Block:
    """One block: its labels with their lines, and its tables."""

    line: int
    labels: dict[str, tuple[str, int]] = field(default_factory=dict)
    tables: list[DataTable] = field(default_factory=list)
    ended: bool = False

    def text(self, label: str) -> str:
        """Return the value of a label, or nothing."""
        return self.labels.get(label, ("", 0))[0]

    def line_of(self, label: str) -> int:
        """Return the line of a label; the first of the block where it is absent."""
        return self.labels.get(label, ("", self.line))[1]

    def needed(self, path: Path, label: str) -> str:
        """Return the value of a label, or raise `ReadError` where there is none."""
        value = self.text(label)
        if not value:
            raise refuse(path, f"no ##{label}=", "that label with its value",
                         f"add a line ##{label}=", self.line)  # fmt: skip
        return value

    def cut_off(self, path: Path, line: int, whose: str = "") -> ReadError:
        """Make the error of a block without its end, in this line."""
        return refuse(path, f"no ##END={whose}", "a whole file: this one may be cut", "export it "
                      "again; if it is whole, add a last line ##END=", line)  # fmt: skip

    def aside(self, path: Path, label: str) -> float | None:
        """Return the number of a label that nothing needs; tell where it holds none."""
        if label not in self.labels:
            return None
        try:
            return self.number(path, label)
        except ReadError as problem:
            tell(
                path, f"{problem.faults[0].found} is no number, and not needed", self.line_of(label)
            )
            return None

    def number(self, path: Path, label: str, default: float | None = None) -> float:
        """Return the number of a label; `default` where the label is absent."""
        if default is not None and label not in self.labels:
            return default
        return number(path, f"##{label}=", self.needed(path, label), self.line_of(label))


def number(path: Path, name: str, word: str, line: int) -> float:
    """Return a finite number of AFFN form, or raise `ReadError`."""
    value = float(word.upper().replace("D", "E")) if _NUMBER.fullmatch(word) else np.nan
    if not np.isfinite(value):
        raise refuse(path, f"{name} {word[:40]}", "a finite number", "mend the label", line)
    return value


def parse(path: Path, text: str) -> list[Block]:
    """Split text into blocks; labels count without case, blanks and ``-_/``.

    A LINK block holds others; here they all stand in one flat list, in the order of the file. The
    value of a label of the user's own (``##$NAME=``) may run over several lines.

    Raises
    ------
    ReadError : text outside any label, a label without `=`, nothing at all.
    """
    text = io.IncrementalNewlineDecoder(None, translate=True).decode(text, final=True)
    most = max(_MOST_LABELS, len(text) // _LABEL_LENGTH)
    labels = [*islice(_labels(text), most + 1)]
    if len(labels) > most:
        raise refuse(path, f"more than {most} labels", "fewer in a file of this size",
                     "NetCDF, or several files")  # fmt: skip
    _nothing_but_comments(path, text[: labels[0][0]] if labels else text, 1)
    blocks: list[Block] = []
    open_blocks: list[Block] = []
    line = 1 + text.count("\n", 0, labels[0][0] if labels else 0)
    ends = [*(start for start, _ in labels[1:]), len(text)]
    for (start, stop), end in zip(labels, ends, strict=False):
        found = text[start:stop].strip(_BLANKS)
        name, equals, value = found[2:].partition("$$")[0].partition("=")
        if not equals:
            raise refuse(path, f"{found[:40]!r}", "a label ##NAME= value", "add the =",
                         line)  # fmt: skip
        label = re.sub(r"[\s\-_/]", "", name).upper()
        body = _COMMENT.sub("", text[stop:end])
        if label == "END":
            if open_blocks:
                open_blocks.pop().ended = True
        elif not open_blocks or label == "TITLE":
            if open_blocks and open_blocks[-1].tables:
                open_blocks.pop()
            open_blocks.append(Block(line))
            blocks.append(open_blocks[-1])
        if not open_blocks:
            _nothing_but_comments(path, body, line)
        elif label != "END":
            before = open_blocks[-1].text(label)
            if label in _ONCE and before and before != value.strip(_BLANKS):
                raise refuse(path, f"##{name.strip()}= {value.strip()[:40]}, and above "
                             f"{before[:40]}", "one of them", "remove the wrong one",
                             line)  # fmt: skip
            _add(open_blocks[-1], label, value.strip(_BLANKS), body, line)
        line += text.count("\n", start, end)
    if not blocks:
        raise refuse(path, "no block", "a block from ##TITLE= to ##END=", "export it again")
    return blocks


def _labels(text: str) -> Iterator[tuple[int, int]]:
    """Where each line that opens with ## starts and ends."""
    for found in _LABEL.finditer(text):
        start = text.rfind("\n", 0, found.start()) + 1
        if not text[start : found.start()].strip(_BLANKS):
            yield start, found.end()


def _add(block: Block, label: str, value: str, body: str, line: int) -> None:
    if label in TABLES:
        block.tables.append(DataTable(label, value, line, block.text("PAGE"), body))
    if label.startswith("$"):
        value += "".join(part.strip(_BLANKS) for part in body.split("\n"))
    if label == "PAGE":
        block.labels[label] = (value, line)
    block.labels.setdefault(label, (value, line))


def _nothing_but_comments(path: Path, text: str, line: int) -> None:
    for number, part in enumerate(_COMMENT.sub("", text).split("\n"), line):
        if part.strip(_BLANKS):
            raise refuse(path, f"{part.strip()[:40]!r} outside a block", "a label ##TITLE= first",
                         "remove the line", number)  # fmt: skip


def pages(path: Path, block: Block) -> list[Block]:
    """Return a block with XYDATA or XYPOINTS for each page; a block without NTUPLES as it is.

    The variables stand in columns under SYMBOL, UNITS, FACTOR, FIRST, LAST, VAR_DIM (Lampen and
    others 1994, NTUPLES).

    Raises
    ------
    ReadError : a table of another form, or of variables that SYMBOL does not name.
    """
    if "NTUPLES" not in block.labels and not any(t.label == "DATATABLE" for t in block.tables):
        return [block]
    columns = {label: _columns(block, label) for label in _NTUPLES}
    symbols = columns["SYMBOL"]
    found: list[Block] = []
    seen: set[str] = set()
    for table in block.tables:
        words = re.sub(r"\s", "", table.form).upper()
        match = _PAGE_FORM.match(words)
        if match is None:
            raise refuse(path, f"##DATA TABLE= {table.form[:40]}", "(X++(Y..Y)) or (XY..XY)",
                         "export plain XYDATA", table.line)  # fmt: skip
        symbol = match[1] or match[2]
        if not {"X", symbol} <= set(symbols):
            raise refuse(path, f"a table of {symbol} over X, but ##SYMBOL= {', '.join(symbols)}",
                         "both in ##SYMBOL=", "export plain XYDATA", table.line)  # fmt: skip
        places = (symbols.index("X"), symbols.index(symbol))
        found.append(_page(block, table, columns, *places, even=match[1] is not None))
        if symbol in seen:
            found[-1].labels.pop("FIRSTY", None)
        seen.add(symbol)
    return found


def _columns(block: Block, label: str) -> list[str]:
    return [cell.strip().upper() for cell in block.text(label).split(",")]


def _page(
    block: Block, table: DataTable, columns: dict[str, list[str]], x: int, y: int, *, even: bool
) -> Block:
    page = Block(table.line, ended=block.ended)
    title = block.text("TITLE")
    page.labels["TITLE"] = (f"{title}, {table.page}" if table.page else title, table.line)
    for label, source, column in (
        ("XUNITS", "UNITS", x), ("YUNITS", "UNITS", y), ("XFACTOR", "FACTOR", x),
        ("YFACTOR", "FACTOR", y), ("FIRSTX", "FIRST", x), ("LASTX", "LAST", x),
        ("NPOINTS", "VARDIM", x), ("FIRSTY", "FIRST", y),
    ):  # fmt: skip
        cells = columns[source]
        if column < len(cells) and cells[column]:
            page.labels[label] = (cells[column], block.line_of(source))
    kind, shape = ("XYDATA", "(X++(Y..Y))") if even else ("XYPOINTS", "(XY..XY)")
    page.tables.append(DataTable(kind, shape, table.line, table.page, table.text))
    return page
