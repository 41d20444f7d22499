"""A large table of ``(X++(Y..Y))`` decoded at once, where all its ordinates are whole numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

_FORMS = ("AFFN", "SQZ", "DIF", "DUP", "PAC")


@dataclass(frozen=True)
class Decoded:
    """The ordinates (n,) and, a line each: abscissa, its resolution, index of its ordinate."""

    y: Any
    x: Any
    resolution: Any
    index: Any
    forms: set[str]


def decode_table(text: str, room: int) -> Decoded | None:
    r"""Decode one table of whole ordinates, at most `room` of them, in one compiled pass.

    Returns None for all that takes a closer look, line by line: fractions, exponents, missing
    ordinates, every kind of damage; and where numba is not installed.

    >>> decode_table("400A0J0J0\n402C0J0", 9).y
    array([10., 20., 30., 40.])
    """
    try:
        from .asdf_scan import KIND, VALUE, scan
    except ImportError:
        return None
    if not text.isascii():
        return None
    raw = np.frombuffer(text.encode("ascii"), dtype=np.uint8)
    most = text.count("\n") + 1
    y, x, decimals = np.empty(room), np.empty(most), np.empty(most)
    index, forms = np.empty(most, dtype=np.int64), np.zeros(len(_FORMS), dtype=np.bool_)
    n, lines = scan(raw, KIND, VALUE, y, x, decimals, index, forms)
    if n < 0:
        return None
    named = {form for form, used in zip(_FORMS, forms, strict=True) if used}
    units = 10.0 ** decimals[:lines]
    return Decoded(y[:n].copy(), x[:lines] / units, 1 / units, index[:lines], named)
