"""TOML that people write by hand: its values, and the line of each of them."""

from __future__ import annotations

import re
import tomllib
from collections import Counter
from typing import Any

from .errors import Fault, ResiduekitError

#: The way to a value: names of tables and keys, places (from 0) in lists.
Path = tuple[str | int, ...]
_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"""+|\'\'\'.*?\'\'\'+|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\''
    r"|#[^\n]*|[\[\]{},=.\n]|[^\s\[\]{},=.\'\"#]+",
    re.DOTALL,
)


def load_toml(text: str, file: str = "", error: type[ResiduekitError] = ResiduekitError) -> Any:
    """Return the values of a TOML text; raise `error` with the line where it is none."""
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as problem:
        line = re.search(r"at line (\d+)", str(problem))
        raise error(
            Fault(f"text that is not TOML ({problem})", "valid TOML",
                  "quotes round texts, brackets that close, key = value", file,
                  int(line.group(1)) if line else None)
        ) from problem  # fmt: skip


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
