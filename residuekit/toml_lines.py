"""TOML that people write by hand: its values, and the line of each of them."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from dataclasses import replace
from typing import Any

from .errors import Fault, ResiduekitError

#: The way to a value: names of tables and keys, places (from 0) in lists.
Path = tuple[str | int, ...]
_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"""+|\'\'\'.*?\'\'\'+|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\''
    r"|#[^\n]*|[\[\]{},=.\n]|[^\s\[\]{},=.\'\"#]+",
    re.DOTALL,
)


#: What the parser says of what stands twice, and how a table or a key opens its line.
_TWICE = re.compile(r"Cannot (overwrite|declare|redefine|mutate)|Duplicate")
_HEAD = re.compile(r"\s*(?:(\[\[?[^\]]+\]\]?)|([^\s#=\[\]{},][^#=\[\]{},]*?)\s*=)")


def load_toml(text: str, file: str = "", error: type[ResiduekitError] = ResiduekitError) -> Any:
    """Return the values of a TOML text; raise `error` with the line where it is none."""
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as problem:
        said = re.search(r"at line (\d+)", str(problem))
        line = int(said[1]) if said else None
        fault = Fault(
            f"text that is not TOML ({problem})",
            "valid TOML",
            "quotes round texts, brackets that close, key = value",
            file,
            line,
        )
        if _TWICE.match(str(problem)):
            fault = _given_twice(text.split("\n")[:line], fault)
        raise error(fault) from problem


def _given_twice(lines: list[str], fault: Fault) -> Fault:
    """The fault of a key or a table that stands twice in lines, the last time at their end.

    >>> _given_twice(["[a]", "b = 1", "c = 2", "b = [", "1]"], Fault("", "", "")).found
    "the key 'b' a second time (first in line 2)"
    """
    heads = [(number, found[1] or found[2], bool(found[1]))
             for number, line in enumerate(lines, start=1)
             if (found := _HEAD.match(line))]  # fmt: skip
    if not heads:
        return fault
    last, name, is_table = heads[-1]
    above = [number for number, other, _ in heads[:-1] if other == name]
    first = f" (first in line {above[-1]})" if above else ""
    if is_table:
        return replace(fault, found=f"the table {name} a second time{first}", line=last,
                       needed="each table once", fix="all of it below one of them")  # fmt: skip
    return replace(fault, found=f"the key {name!r} a second time{first}", line=last,
                   needed="each key once in its table", fix="leave one of the two out")  # fmt: skip


def lines_of(text: str) -> dict[Path, int]:
    """Return the line of each table, key and item of a list in valid TOML, by the way to it.

    >>> lines_of('[limits]\\nalpha = 0.05\\n[[residue]]\\nuse = [\\n"a", "b"]')[("residue", 0, "use", 1)]
    5
    """  # noqa: E501
    return _Walk(text).lines


class _Walk:
    """One way through the tokens of a text."""

    def __init__(self, text: str):
        self.lines: dict[Path, int] = {}
        self.counted: Counter[Path] = Counter()
        self.tokens, line = [], 1
        for token in _TOKEN.findall(text):
            if not token.startswith("#"):
                self.tokens.append((token, line))
            line += token.count("\n")
        self.tokens.reverse()
        table: Path = ()
        while self.skip("\n"):
            table = self.head() if self.next == "[" else self.assignment(table)

    @property
    def next(self) -> str:
        return self.tokens[-1][0] if self.tokens else ""

    def skip(self, *tokens: str) -> bool:
        """Leave out such tokens; whether anything is left."""
        while self.next in tokens and self.tokens:
            self.tokens.pop()
        return bool(self.tokens)

    def key(self, path: Path, newest: bool = False) -> Path:
        """Follow a dotted key from a path, through the newest table of each array of tables."""
        while True:
            if newest and path in self.counted:
                path = (*path, self.counted[path] - 1)
            token, line = self.tokens.pop()
            name = tomllib.loads(f"k={token}")["k"] if token[0] in "\"'" else token
            path = (*path, name)
            self.lines.setdefault(path, line)
            if self.next != ".":
                return path
            self.tokens.pop()

    def head(self) -> Path:
        _, line = self.tokens.pop()
        is_array = self.next == "["
        self.skip("[")
        path = self.key((), newest=True)
        if is_array:
            self.counted[path] += 1
            path = (*path, self.counted[path] - 1)
            self.lines[path] = line
        self.skip("]")
        return path

    def assignment(self, table: Path) -> Path:
        path = self.key(table)
        self.tokens.pop()
        self.value(path)
        return table

    def value(self, path: Path) -> None:
        opening, _ = self.tokens.pop()
        count = 0
        while opening in ("[", "{") and self.skip("\n", ",") and self.next not in ("]", "}"):
            if opening == "{":
                self.assignment(path)
            else:
                self.lines[(*path, count)] = self.tokens[-1][1]
                self.value((*path, count))
                count += 1
        if opening in ("[", "{"):
            self.tokens.pop()
        else:
            while self.tokens and self.next not in (",", "]", "}", "\n"):
                self.tokens.pop()
