"""The number forms of JCAMP-DX: AFFN, PAC, SQZ, DIF, DUP, alone and mixed.

R. S. McDonald, P. A. Wilks, JCAMP-DX: a standard form for exchange of infrared spectra in computer
readable form, Appl. Spectrosc. 42 (1988) 151-162, section 5 (ASCII Squeezed Difference Form).
"""

from __future__ import annotations

import re
from dataclasses import dataclass

#: Pseudo-digits: the first digit of a number with its sign, by form.
SQZ = {"@": 0, **{c: i for i, c in enumerate("ABCDEFGHI", 1)},
        **{c: -i for i, c in enumerate("abcdefghi", 1)}}  # fmt: skip
DIF = {"%": 0, **{c: i for i, c in enumerate("JKLMNOPQR", 1)},
        **{c: -i for i, c in enumerate("jklmnopqr", 1)}}  # fmt: skip
DUP = {c: i for i, c in enumerate("STUVWXYZs", 1)}

_TOKEN = re.compile(
    r"[\s,;]*(?:"
    r"(?P<affn>[+-]?(?:\d+\.?\d*|\.\d+)(?:[Ee][+-]\d{1,3}(?!\d))?)"
    r"|(?P<lead>[@A-Ia-i%J-Rj-rS-Zs])(?P<tail>\d*\.?\d*)"
    r"|(?P<missing>\?))"
)
_PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][+-]?\d{1,3})?")
_BREAKS = re.compile(r"[\s,;]+")
#: No table of this form holds more ordinates; a longer run is a broken repeat count.
MOST_VALUES = 4_000_000


class BadNumberError(Exception):
    """A number form that cannot be decoded: what was found, what is needed."""


@dataclass(frozen=True)
class Line:
    """One decoded line: its abscissa as printed, its ordinates, and the forms they stand in.

    `ends_in_difference` says that the next line opens with a repeat of this line's last ordinate.
    """

    x: float
    resolution: float
    y: list[float]
    forms: set[str]
    ends_in_difference: bool


def decode_line(text: str, room: int = MOST_VALUES) -> Line:
    """Decode one line of ``(X++(Y..Y))``: an abscissa, then ordinates, at most `room` of them.

    Raises
    ------
    BadNumberError : a character of no form, a change or a repeat of nothing, too many ordinates.

    >>> decode_line("400B1399TJ2%").y
    [21399.0, 21399.0, 21411.0, 21411.0]
    """
    place, end = 0, len(text.rstrip(" \t\r\n,;"))
    x: float | None = None
    resolution = 1.0
    y: list[float] = []
    forms: set[str] = set()
    step: float | None = None
    while place < end:
        token = _TOKEN.match(text, place)
        if token is None:
            raise BadNumberError(f"{text[place:place + 12].strip()!r}", "a number in AFFN, PAC, "
                            "SQZ, DIF or DUP form")  # fmt: skip
        start, place = place, token.end()
        affn, lead, tail = token["affn"], token["lead"], token["tail"]
        if x is None:
            x, resolution = _abscissa(affn, lead, tail)
        elif token["missing"]:
            y.append(float("nan"))
            step = None
        elif affn is not None:
            packed = start > 0 and text[start] in "+-"
            forms.add("PAC" if packed else "AFFN")
            y.append(float(affn))
            step = None
        elif lead in SQZ:
            forms.add("SQZ")
            y.append(_signed(SQZ[lead], lead, tail))
            step = None
        elif not y:
            raise BadNumberError(
                f"{lead + tail!r} at the start of a line", "a number to begin from"
            )
        elif lead in DIF:
            forms.add("DIF")
            step = _signed(DIF[lead], lead, tail)
            y.append(y[-1] + step)
        else:
            forms.add("DUP")
            _repeat(y, step, lead, tail, room)
        if len(y) > room:
            raise BadNumberError(f"more than {room} ordinates", "no more than NPOINTS allows")
    if x is None:
        raise BadNumberError("a line without an abscissa", "an abscissa and ordinates")
    return Line(x, resolution, y, forms, step is not None)


def _abscissa(affn: str | None, lead: str | None, tail: str | None) -> tuple[float, float]:
    """The abscissa and the value of one unit in its last printed place."""
    if affn is not None:
        number = float(affn)
        mantissa, _, exponent = affn.lower().partition("e")
    elif lead in SQZ:
        mantissa, exponent = f"{abs(SQZ[lead])}{tail}", ""
        number = _signed(SQZ[lead], lead, tail or "")
    else:
        raise BadNumberError("a line that opens with a difference or a repeat", "an abscissa")
    decimals = len(mantissa.partition(".")[2])
    return number, 10.0 ** (int(exponent or 0) - decimals)


def _signed(first: int, lead: str, tail: str) -> float:
    size = float(f"{abs(first)}{tail}")
    return -size if lead.islower() else size


def _repeat(y: list[float], step: float | None, lead: str, tail: str, room: int) -> None:
    """Repeat the last ordinate, or the last difference, until it stands `count` times."""
    digits = f"{DUP[lead]}{tail}"
    if not digits.isdigit() or len(digits) > 9 or len(y) + int(digits) - 1 > room:
        raise BadNumberError(
            f"a repeat count of {digits[:20]}", f"whole, and at most {room} ordinates"
        )
    for _ in range(int(digits) - 1):
        y.append(y[-1] + (step or 0.0))


def decode_pairs(text: str) -> list[float]:
    """Decode the plain numbers of a line of ``(XY..XY)``.

    `?` is a missing number (NaN).

    >>> decode_pairs("400.0, 0.45; 401.0, 4.4E-01")
    [400.0, 0.45, 401.0, 0.44]
    """
    numbers = []
    for word in _BREAKS.split(text.strip(" \t\r\n,;")):
        if word == "?":
            numbers.append(float("nan"))
            continue
        if not _PLAIN.fullmatch(word):
            raise BadNumberError(f"{word[:20]!r}", "plain numbers (AFFN) in pairs of X and Y")
        numbers.append(float(word.upper().replace("D", "E")))
    return numbers
