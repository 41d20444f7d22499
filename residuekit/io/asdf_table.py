"""A whole table of ``(X++(Y..Y))`` decoded at once, where all its ordinates are whole numbers."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np

from .asdf import DIF, DUP, SQZ

_ABSCISSA = re.compile(r"[\s,;]*([+-]?(?:\d+(?:\.(\d*))?|\.(\d+)))")
_MOST_DIGITS = 15
_EXACT = 2**53
_BREAK, _DIGIT, _SIGN, _SQZ, _DIF, _DUP, _NONE = range(7)
_POWERS = 10 ** np.arange(_MOST_DIGITS + 2, dtype=np.int64)


def _lookup() -> tuple[Any, Any]:
    """The kind of each character, and the digit it stands for."""
    kind = np.full(256, _NONE, dtype=np.uint8)
    digit = np.zeros(256, dtype=np.int64)
    for what, characters in (
        (_BREAK, dict.fromkeys(" \t,;\n", 0)), (_SIGN, dict.fromkeys("+-", 0)),
        (_DIGIT, {str(i): i for i in range(10)}), (_SQZ, SQZ), (_DIF, DIF), (_DUP, DUP),
    ):  # fmt: skip
        for character, value in characters.items():
            kind[ord(character)], digit[ord(character)] = what, abs(value)
    return kind, digit


_KIND, _VALUE = _lookup()


@dataclass(frozen=True)
class Decoded:
    """The ordinates (n,) and, a line each: abscissa, its resolution, index of its ordinate."""

    y: Any
    x: Any
    resolution: Any
    index: Any
    forms: set[str]


def decode_table(lines: list[str], room: int) -> Decoded | None:
    """Decode the lines of one table of whole ordinates, at most `room` of them.

    Returns None for all that takes a closer look, line by line: fractions, exponents, missing
    ordinates, and every kind of damage.

    >>> decode_table(["400A0J0J0", "402C0J0"], 9).y
    array([10., 20., 30., 40.])
    """
    heads = [_ABSCISSA.match(line) for line in lines]
    if not all(heads):
        return None
    found = [head for head in heads if head is not None]
    body = "\n".join(line[head.end() :] for line, head in zip(lines, found, strict=True)) + "\n"
    if not body.isascii():
        return None
    tokens = _tokens(np.frombuffer(body.encode("ascii"), dtype=np.uint8), len(lines))
    if tokens is None:
        return None
    decoded = _ordinates(*tokens, room, len(lines))
    if decoded is None:
        return None
    y, index = decoded
    x = np.array([float(head[1]) for head in found])
    resolution = 10.0 ** -np.array([float(len(head[2] or head[3] or "")) for head in found])
    return Decoded(y, x, resolution, index, _forms(tokens[0], tokens[3]))


def _tokens(raw: Any, n_lines: int) -> tuple[Any, Any, Any, Any] | None:
    """The kind, value and line of each number, and which are packed; None for other characters."""
    kind = _KIND[raw]
    lead = (kind == _SQZ) | (kind == _DIF) | (kind == _DUP)
    part = lead | (kind == _DIGIT)
    signs = np.flatnonzero(kind == _SIGN)
    before = np.concatenate([[_BREAK], kind[:-1]])
    if (kind == _NONE).any() or (kind[signs + 1] != _DIGIT).any():
        return None
    if np.isin(raw[signs - 1][signs > 0], np.frombuffer(b"Ee", np.uint8)).any():
        return None
    starts = np.flatnonzero(lead | (kind == _SIGN) | ((kind == _DIGIT) & (before == _BREAK)))
    if starts.size == 0:
        return None
    lengths = np.add.reduceat((part | (kind == _SIGN)).astype(np.int64), starts)
    if lengths.max() > _MOST_DIGITS:
        return None
    token = np.repeat(np.arange(starts.size), np.diff([*starts, raw.size]))
    power = lengths[token] - 1 - (np.arange(starts[0], raw.size) - starts[token])
    digits = np.where(part, _VALUE[raw], 0)[starts[0] :] * _POWERS[np.maximum(power, 0)]
    first = raw[starts]
    kinds = kind[starts]
    negative = (first == ord("-")) | ((first >= ord("a")) & (kinds != _DUP))
    values = np.add.reduceat(digits, starts - starts[0]) * np.where(negative, -1, 1)
    line = np.cumsum(raw == ord("\n"))[starts]
    if np.unique(line).size != n_lines:
        return None
    adjacent = np.concatenate([[ord("\n")], raw[:-1]])[starts]
    packed = (kinds == _SIGN) & ((before[starts] != _BREAK) | (adjacent == ord("\n")))
    return kinds, values, line, packed


def _ordinates(
    kinds: Any, values: Any, line: Any, _packed: Any, room: int, n_lines: int
) -> tuple[Any, Any] | None:
    """The ordinates and the index of the first one of each line; None for what does not fit."""
    repeat = kinds == _DUP
    opens = np.concatenate([[True], np.diff(line) > 0])
    number = ~repeat
    if (opens & (repeat | (kinds == _DIF))).any() or (repeat[1:] & repeat[:-1]).any():
        return None
    times = np.ones(kinds.size, dtype=np.int64)
    times[np.flatnonzero(repeat) - 1] = np.maximum(values[repeat], 1)
    if times[number].sum() > room or float(np.abs(values[number]).max()) * times.sum() > _EXACT:
        return None
    absolute = np.repeat(kinds[number] != _DIF, times[number])
    value = np.repeat(values[number], times[number])
    line = np.repeat(line[number], times[number])
    climbed = np.cumsum(np.where(absolute, 0, value))
    at = np.flatnonzero(absolute)
    since = np.cumsum(absolute) - 1
    y = (value - climbed)[at][since] + climbed
    firsts = np.searchsorted(line, np.arange(n_lines))
    repeats = ~absolute[firsts[1:] - 1]
    if (y[firsts[1:]][repeats] != y[firsts[1:] - 1][repeats]).any():
        return None
    kept = np.ones(y.size, dtype=bool)
    kept[firsts[1:][repeats]] = False
    return y[kept].astype(float), np.cumsum(kept)[firsts] - 1


def _forms(kinds: Any, packed: Any) -> set[str]:
    names = {_SQZ: "SQZ", _DIF: "DIF", _DUP: "DUP"}
    forms = {names[kind] for kind in np.unique(kinds).tolist() if kind in names}
    plain = np.isin(kinds, (_SIGN, _DIGIT))
    if (plain & packed).any():
        forms.add("PAC")
    if (plain & ~packed).any():
        forms.add("AFFN")
    return forms
