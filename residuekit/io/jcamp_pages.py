"""The pages of an NTUPLES block, each as a block of its own."""

from __future__ import annotations

import re
from pathlib import Path

from .jcamp_block import Block, DataTable
from .opening import refuse

_FORM = re.compile(r"\(X\+\+\((\w+)\.\.\1\)\)|\(X(\w+)\.\.X\2\)")


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
    symbols = _columns(block, "SYMBOL")
    found: list[Block] = []
    seen: set[str] = set()
    for table in block.tables:
        words = re.sub(r"\s", "", table.form).upper()
        match = _FORM.match(words)
        if match is None:
            raise refuse(path, f"##DATA TABLE= {table.form[:40]}", "(X++(Y..Y)) or (XY..XY)",
                         "export plain XYDATA", table.line)  # fmt: skip
        symbol = match[1] or match[2]
        if not {"X", symbol} <= set(symbols):
            raise refuse(path, f"a table of {symbol} over X, but ##SYMBOL= {', '.join(symbols)}",
                         "both in ##SYMBOL=", "export plain XYDATA", table.line)  # fmt: skip
        columns = (symbols.index("X"), symbols.index(symbol))
        found.append(_page(block, table, *columns, even=match[1] is not None))
        if symbol in seen:
            found[-1].labels.pop("FIRSTY", None)
        seen.add(symbol)
    return found


def _columns(block: Block, label: str) -> list[str]:
    return [cell.strip().upper() for cell in block.text(label).split(",")]


def _page(block: Block, table: DataTable, x: int, y: int, *, even: bool) -> Block:
    page = Block(table.line, ended=block.ended)
    title = block.text("TITLE")
    page.labels["TITLE"] = (f"{title}, {table.page}" if table.page else title, table.line)
    for label, source, column in (
        ("XUNITS", "UNITS", x), ("YUNITS", "UNITS", y), ("XFACTOR", "FACTOR", x),
        ("YFACTOR", "FACTOR", y), ("FIRSTX", "FIRST", x), ("LASTX", "LAST", x),
        ("NPOINTS", "VARDIM", x), ("FIRSTY", "FIRST", y),
    ):  # fmt: skip
        cells = _columns(block, source)
        if column < len(cells) and cells[column]:
            page.labels[label] = (cells[column], block.line_of(source))
    kind, shape = ("XYDATA", "(X++(Y..Y))") if even else ("XYPOINTS", "(XY..XY)")
    page.tables.append(DataTable(kind, shape, table.line, table.page, table.text))
    return page
