"""JCAMP-DX text split into blocks of labels and tables, nothing decoded yet."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from .files import refuse

TABLES = ("XYDATA", "XYPOINTS", "PEAKTABLE", "PEAKASSIGNMENTS", "DATATABLE")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][+-]?\d+)?")


@dataclass
class DataTable:
    """The lines (number, text) under one data label, its form, and the page it belongs to."""

    label: str
    form: str
    line: int
    page: str = ""
    rows: list[tuple[int, str]] = field(default_factory=list)


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
    blocks: list[Block] = []
    open_blocks: list[Block] = []
    label = ""
    for line_number, raw in enumerate(re.split(r"\r\n|\n|\r", text), start=1):
        line = raw.partition("$$")[0].strip(" \t\x1a")
        if not line:
            continue
        if not line.startswith("##"):
            if not open_blocks:
                raise refuse(path, f"{line[:40]!r} outside a block", "a label ##TITLE= first",
                             "remove the line", line_number)  # fmt: skip
            _continue(open_blocks[-1], label, line_number, line)
            continue
        name, equals, value = line[2:].partition("=")
        if not equals:
            raise refuse(path, f"{line[:40]!r}", "a label ##NAME= value", "add the =", line_number)
        label, value = re.sub(r"[\s\-_/]", "", name).upper(), value.strip()
        if label == "END":
            if open_blocks:
                open_blocks.pop().ended = True
            continue
        if not open_blocks or label == "TITLE":
            if open_blocks and open_blocks[-1].tables:
                open_blocks.pop()
            open_blocks.append(Block(line_number))
            blocks.append(open_blocks[-1])
        block = open_blocks[-1]
        if label in TABLES:
            block.tables.append(DataTable(label, value, line_number, block.text("PAGE")))
        if label == "PAGE":
            block.labels[label] = (value, line_number)
        block.labels.setdefault(label, (value, line_number))
    if not blocks:
        raise refuse(path, "no block", "a block from ##TITLE= to ##END=", "export it again")
    return blocks


def _continue(block: Block, label: str, line_number: int, line: str) -> None:
    if label in TABLES:
        block.tables[-1].rows.append((line_number, line))
    elif label.startswith("$"):
        value, first = block.labels[label]
        block.labels[label] = (value + line, first)
