"""One pass over the bytes of a table of ``(X++(Y..Y))``, compiled. This module imports numba."""

from __future__ import annotations

from typing import Any

import numba
import numpy as np

from .asdf import DIF, DUP, SQZ

BREAK, NEWLINE, DIGIT, POINT, SIGN, SQUEEZED, DIFFERENCE, REPEAT, NONE = range(9)
MOST_DIGITS = 15


def _lookup() -> tuple[Any, Any]:
    """The kind of each byte, and the digit with its sign it stands for."""
    kind = np.full(256, NONE, dtype=np.uint8)
    digit = np.zeros(256, dtype=np.float64)
    for what, characters in (
        (BREAK, dict.fromkeys(" \t\r,;", 0)), (NEWLINE, {"\n": 0}), (POINT, {".": 0}),
        (SIGN, {"+": 1, "-": -1}), (DIGIT, {str(i): i for i in range(10)}),
        (SQUEEZED, SQZ), (DIFFERENCE, DIF), (REPEAT, DUP),
    ):  # fmt: skip
        for character, value in characters.items():
            kind[ord(character)], digit[ord(character)] = what, value
    return kind, digit


KIND, VALUE = _lookup()


@numba.njit(cache=True)  # type: ignore[untyped-decorator]
def scan(
    raw: Any, kind: Any, digit: Any, y: Any, x: Any, decimals: Any, index: Any, forms: Any
) -> tuple[int, int]:
    """Fill the ordinates `y`, and a line each: abscissa without its point, decimals, index.

    Returns how many ordinates and lines there are, or (-1, -1) where a character, a sign or a
    repeat does not fit, or where a DIF line does not open with the ordinate before.
    """
    size, n, lines, at = raw.size, 0, 0, 0
    follows_difference = False
    while at < size:
        what = kind[raw[at]]
        if what in (BREAK, NEWLINE):
            at += 1
            continue
        negative = False
        if what == SIGN:
            negative = digit[raw[at]] < 0
            at += 1
        number, length, places, pointed = 0.0, 0, 0, False
        while at < size and (kind[raw[at]] == DIGIT or (kind[raw[at]] == POINT and not pointed)):
            if kind[raw[at]] == POINT:
                pointed = True
                if length == 0:
                    return -1, -1
            else:
                number = 10.0 * number + digit[raw[at]]
                places += pointed
                length += 1
            at += 1
        if length == 0 or length > MOST_DIGITS:
            return -1, -1
        x[lines] = -number if negative else number
        decimals[lines] = places
        step, steps, first, adjacent = 0.0, False, True, True
        while at < size and kind[raw[at]] != NEWLINE:
            what = kind[raw[at]]
            if what == BREAK:
                adjacent = False
                at += 1
                continue
            if what in (NONE, POINT) or (first and what >= DIFFERENCE):
                return -1, -1
            if (raw[at] | 32) == 101 and at + 1 < size and kind[raw[at + 1]] == SIGN:
                return -1, -1
            lead = digit[raw[at]]
            negative = lead < 0
            number, length = 0.0 if what == SIGN else abs(lead), 0 if what == SIGN else 1
            packed = what == SIGN and adjacent
            at += 1
            while at < size and kind[raw[at]] == DIGIT:
                number = 10.0 * number + digit[raw[at]]
                length += 1
                at += 1
            if length == 0 or length > MOST_DIGITS or (at < size and kind[raw[at]] == POINT):
                return -1, -1
            if negative:
                number = -number
            adjacent = True
            if what == REPEAT:
                forms[3] = True
                if n + number - 1 > y.size:
                    return -1, -1
                for _ in range(int(number) - 1):
                    y[n] = y[n - 1] + step
                    n += 1
                continue
            if what == DIFFERENCE:
                forms[2] = True
                step, steps = number, True
                number = y[n - 1] + step
            else:
                forms[1 if what == SQUEEZED else 4 if packed else 0] = True
                step, steps = 0.0, False
            if first:
                index[lines] = n - 1 if follows_difference else n
                first = False
                if follows_difference:
                    if y[n - 1] != number:
                        return -1, -1
                    continue
            if n == y.size:
                return -1, -1
            y[n] = number
            n += 1
        if first:
            return -1, -1
        follows_difference = steps
        lines += 1
    return n, lines
