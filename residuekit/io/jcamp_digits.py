"""The number forms of JCAMP-DX: AFFN, PAC, SQZ, DIF, DUP, alone and mixed.

R. S. McDonald, P. A. Wilks, JCAMP-DX: a standard form for exchange of infrared spectra in computer
readable form, Appl. Spectrosc. 42 (1988) 151-162, section 5 (ASCII Squeezed Difference Form).

A table is decoded in two passes: `cut` finds its tokens, `expand` makes ordinates of them. Both run
as they stand for a small table, and compiled for a large one.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

#: Pseudo-digits: the first digit of a number with its sign, by form.
SQZ = {"@": 0, **{c: i for i, c in enumerate("ABCDEFGHI", 1)},
        **{c: -i for i, c in enumerate("abcdefghi", 1)}}  # fmt: skip
DIF = {"%": 0, **{c: i for i, c in enumerate("JKLMNOPQR", 1)},
        **{c: -i for i, c in enumerate("jklmnopqr", 1)}}  # fmt: skip
DUP = {c: i for i, c in enumerate("STUVWXYZs", 1)}
#: No table of this form holds more ordinates; a longer run is a broken repeat count.
MOST_VALUES = 4_000_000
#: Characters above which the compiled passes are worth the import of numba.
_LARGE = 10_000

#: What a byte is; SQUEEZED, DIFFERENCE, REPEAT and ABSENT are also what a token is.
BLANK, NEWLINE, DIGIT, POINT, SIGN, SQUEEZED, DIFFERENCE, REPEAT, ABSENT, OTHER = range(10)
#: What else a token is: a number in AFFN or PAC, the first of a line, what cannot be that first.
PLAIN, PACKED, ABSCISSA, MISPLACED = range(10, 14)
#: How `expand` ends.
DONE, NOT_AN_ABSCISSA, NOTHING_BEFORE, BAD_REPEAT, TOO_MANY, BAD_CHECK = range(6)
_FORMS = {PLAIN: "AFFN", PACKED: "PAC", SQUEEZED: "SQZ", DIFFERENCE: "DIF", REPEAT: "DUP"}
_EXACT_DIGITS, _INEXACT = 15, 99
_MEND = "export it again, or mend the line"

_PAIR_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][+-]?\d{1,3})?")
_BREAKS = re.compile(r"[\s,;]+")

Numbers = npt.NDArray[np.float64] | list[float]
Whole = npt.NDArray[np.integer[Any]] | list[int]


class BadNumberError(Exception):
    """A number form that cannot be decoded: found, needed, what mends it, the line from 0."""


class Tokens(NamedTuple):
    """What `cut` finds, an entry a token: kind, number, decimal places, first byte, end."""

    kind: Whole
    number: Numbers
    decimals: Whole
    start: Whole
    stop: Whole


_COLUMNS: tuple[Any, ...] = (np.uint8, float, np.int32, np.int32, np.int32)


@dataclass(frozen=True)
class Decoded:
    """The ordinates (n,) and, a line each: abscissa, its last place, index of its ordinate, line.

    Lines are counted from 0.
    """

    y: npt.NDArray[np.float64]
    x: npt.NDArray[np.float64]
    resolution: npt.NDArray[np.float64]
    index: npt.NDArray[np.int64]
    line: npt.NDArray[np.int64]
    forms: tuple[str, ...]


def _bytes() -> tuple[bytes, bytes]:
    """What each byte is, and 9 more than the digit with its sign that it stands for."""
    what, digit = bytearray([OTHER] * 256), bytearray([9] * 256)
    for kind, characters in (
        (BLANK, dict.fromkeys(" \t\r\v\f\x1a\x1c\x1d\x1e\x1f,;", 0)), (NEWLINE, {"\n": 0}),
        (POINT, {".": 0}), (SIGN, {"+": 0, "-": -1}), (DIGIT, {str(i): i for i in range(10)}),
        (SQUEEZED, SQZ), (DIFFERENCE, DIF), (REPEAT, {**DUP, "s": 9}), (ABSENT, {"?": 0}),
    ):  # fmt: skip
        for character, value in characters.items():
            what[ord(character)], digit[ord(character)] = kind, value + 9
    return bytes(what), bytes(digit)


_WHAT, _DIGIT = _bytes()


def cut(
    raw: bytes, what: bytes, digit: bytes, into: tuple[Whole, Numbers, Whole, Whole, Whole]
) -> tuple[int, int]:
    """Cut the text (ASCII) of a table into tokens; a number too long to be exact becomes NaN.

    `into` are the columns of `Tokens`, to be filled.
    Returns how many tokens there are, and the place of the byte where none begins (or the end).
    """
    kinds, numbers, places, starts, stops = into
    size, n, at = len(raw), 0, 0
    opens, adjacent = True, False
    while at < size:
        kind = what[raw[at]]
        if kind <= NEWLINE:
            opens, adjacent = opens or kind == NEWLINE, False
            at += 1
            continue
        start, lead = at, digit[raw[at]] - 9
        number, length, decimals, pointed = 0.0, 0, 0, False
        if kind > POINT:
            number, length = float(abs(lead)) * (kind > SIGN), int(kind > SIGN)
            at += 1
        while kind != ABSENT and at < size:
            byte = raw[at]
            if 48 <= byte <= 57:
                number = 10.0 * number + (byte - 48)
                length += 1
                decimals += pointed
            elif byte == 46 and not pointed:
                pointed = True
            else:
                break
            at += 1
        if length == 0 or kind == OTHER:
            return n, start
        if kind <= SIGN:
            kind = PACKED if kind == SIGN and adjacent else PLAIN
            end, power = at + 2, 0
            if end < size and raw[at] in (69, 101) and what[raw[at + 1]] == SIGN:
                while end < size and 48 <= raw[end] <= 57:
                    power = 10 * power + (raw[end] - 48)
                    end += 1
                if 1 <= end - at - 2 <= 3:
                    decimals -= power if digit[raw[at + 1]] == 9 else -power
                    at, length = end, _INEXACT
        if opens:
            kind = ABSCISSA if kind >= PLAIN or kind == SQUEEZED else MISPLACED
        if kind == ABSENT or length > _EXACT_DIGITS or (kind == REPEAT and pointed):
            number = np.nan
        elif pointed:
            number /= 10.0**decimals
        kinds[n], numbers[n] = kind, -number if lead < 0 else number
        places[n], starts[n], stops[n] = decimals, start, at
        opens, adjacent = False, True
        n += 1
    return n, size


def expand(kind: Whole, number: Numbers, y: Numbers, index: Whole) -> tuple[int, int, int, int]:
    """Make ordinates of tokens: fill `y`, and for each line the index of its first ordinate.

    Returns how many ordinates and lines there are, the token where it ended, and how.
    """
    n, lines, step = 0, 0, 0.0
    first, in_difference, check = False, False, False
    for at in range(len(kind)):
        what, value = kind[at], number[at]
        if what == MISPLACED:
            return n, lines, at, NOT_AN_ABSCISSA
        if what == ABSCISSA:
            index[lines] = n
            lines += 1
            first, in_difference, check = True, False, in_difference
            continue
        if first and what in (DIFFERENCE, REPEAT):
            return n, lines, at, NOTHING_BEFORE
        if what == REPEAT:
            if not n + value - 1 <= len(y):
                return n, lines, at, BAD_REPEAT
            for _ in range(int(value) - 1):
                y[n] = y[n - 1] + step
                n += 1
            continue
        in_difference = what == DIFFERENCE
        step = value if in_difference else 0.0
        if in_difference:
            value += y[n - 1]
        if first and check:
            if value != y[n - 1]:
                return n, lines, at, BAD_CHECK
            index[lines - 1] = n - 1
        elif n == len(y):
            return n, lines, at, TOO_MANY
        else:
            y[n] = value
            n += 1
        first = False
    return n, lines, len(kind), DONE


@cache
def _compiled() -> tuple[Callable[..., Any], Callable[..., Any]]:
    """Both passes, compiled; as they stand where numba is not installed."""
    try:
        import numba
    except ImportError:
        return cut, expand
    return numba.njit(cache=True)(cut), numba.njit(cache=True)(expand)


def decode(text: str, *, compiled: bool | None = None) -> Decoded:
    r"""Decode a table of ``(X++(Y..Y))``: lines of an abscissa and ordinates.

    Raises
    ------
    BadNumberError : a character of no form, a change or a repeat of nothing, too many ordinates, a
        line after a difference that does not open with the ordinate before.

    >>> decode("400B1399TJ2%").y
    array([21399., 21399., 21411., 21411.])
    """
    text = text if text.isascii() else re.sub(r"[^\S\n]", " ", text)
    raw = text.encode("ascii", "backslashreplace")
    size = len(raw)
    large = size > _LARGE or "numba" in sys.modules if compiled is None else compiled
    cutting, expanding = _compiled() if large else (cut, expand)

    def room(kind: Any, most: int) -> Any:
        return np.empty(most, kind) if large else [0] * most

    columns: list[Any] = [room(kind, size) for kind in _COLUMNS]
    count, end = cutting(raw, _WHAT, _DIGIT, tuple(columns))
    tokens = Tokens(*(column[:count] for column in columns))
    kind, number = np.asarray(tokens.kind), np.asarray(tokens.number, dtype=float)
    for at in np.flatnonzero(np.isnan(number) & (kind != ABSENT) & (kind != REPEAT)):
        tokens.number[at] = number[at] = _exactly(raw, tokens.start[at], tokens.stop[at])
    repeats = number[kind == REPEAT]
    y = room(float, int(min(MOST_VALUES, count + repeats[repeats < MOST_VALUES].sum())))
    index = room(np.int32, int((kind >= ABSCISSA).sum()))
    n, lines, last, ending = expanding(tokens.kind, tokens.number, y, index)
    if ending != DONE:
        before = index[lines - 1] if lines else 0
        raise _fault(text, tokens, last, ending, y[n - 1] if n else 0.0, MOST_VALUES - before)
    if end < size:
        begin = max(text.rfind("\n", 0, end) + 1, tokens.stop[-1] if count else 0)
        found = text[begin : begin + 12].partition("\n")[0].strip()
        raise BadNumberError(f"{found!r}", "a number in AFFN, PAC, SQZ, DIF or DUP "
                             "form", _MEND, text.count("\n", 0, end))  # fmt: skip
    opening = np.flatnonzero(kind == ABSCISSA)
    newlines = np.flatnonzero(np.frombuffer(raw, np.uint8) == ord("\n"))
    return Decoded(
        np.array(y[:n], dtype=float), number[opening],
        10.0 ** -np.asarray(tokens.decimals)[opening].astype(float),
        np.array(index[:lines], dtype=np.int64),
        np.searchsorted(newlines, np.asarray(tokens.start)[opening]),
        tuple(sorted(form for code, form in _FORMS.items() if (kind == code).any())),
    )  # fmt: skip


def _exactly(raw: bytes, start: int, stop: int) -> float:
    """The number of a token with more digits than a sum of them is exact for."""
    lead = chr(raw[start])
    if lead not in SQZ and lead not in DIF:
        return float(raw[start:stop])
    digit = SQZ[lead] if lead in SQZ else DIF[lead]
    size = float(f"{abs(digit)}{raw[start + 1 : stop].decode()}")
    return -size if digit < 0 else size


def _fault(
    text: str, tokens: Tokens, at: int, ending: int, before: float, room: int
) -> BadNumberError:
    """What `expand` ended at, in words."""
    word = text[tokens.start[at] : tokens.stop[at]]
    mend = _MEND
    if ending == NOT_AN_ABSCISSA:
        said = "a line that opens with a difference or a repeat", "an abscissa"
    elif ending == NOTHING_BEFORE:
        said = f"{word!r} at the start of a line", "a number to begin from"
    elif ending == BAD_REPEAT:
        count = f"{DUP[word[0]]}{word[1:]}"
        said = f"a repeat count of {count[:20]}", f"whole, and at most {room} ordinates"
    elif ending == TOO_MANY:
        said = f"more than {room} ordinates", "no more than NPOINTS allows"
    else:
        said = (f"the ordinate {tokens.number[at]:g} where the line above ends at {before:g} (the "
                "check of the DIF form)", "the same number")  # fmt: skip
        mend = "export it again: the lines between are damaged"
    return BadNumberError(*said, mend, text.count("\n", 0, tokens.start[at]))


def decode_pairs(text: str) -> list[float]:
    """Decode the plain numbers of a line of ``(XY..XY)``; `?` is a missing number (NaN).

    >>> decode_pairs("400.0, 0.45; 401.0, 4.4E-01")
    [400.0, 0.45, 401.0, 0.44]
    """
    numbers = []
    for word in _BREAKS.split(text.strip(" \t\r\n,;")):
        if word != "?" and not _PAIR_NUMBER.fullmatch(word):
            raise BadNumberError(f"{word[:20]!r}", "plain numbers (AFFN) in pairs of X and Y",
                                 _MEND, 0)  # fmt: skip
        numbers.append(float("nan" if word == "?" else word.upper().replace("D", "E")))
    return numbers
