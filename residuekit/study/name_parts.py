"""The parts of a file's name: by a pattern into columns of the table, or simply apart."""

from __future__ import annotations

import re
from collections.abc import Sequence

from ..errors import Fault, StudyError
from ..schema import MEASUREMENT_COLUMNS

_NUMBERS = ("exposure_min", "clearance_min", "ageing_h", "dose", "loading_ug_cm2")
_NOT_IN_A_NAME = ("file", "sheet")
_TOKEN = re.compile(r"(\{\w+:|\{\w+\}|\}|\*)")
_APART = re.compile(r"[\s-]+")


class NamePattern:
    """A pattern such as ``{paint}_{treatment}_{mockup}_{map}`` for the names of delivered files.

    It is held against the name without its suffix, and against as many folders above it as the
    pattern has ``/``; of a sheet, the sheet is the last part. ``*`` stands for any text. A part may
    hold others: ``{mockup:{paint}_{treatment}_{number}}``. Exposures, loadings and the like are
    numbers. What is no column of the table parts the name and is not kept.

    Raises
    ------
    StudyError : a pattern that names nothing, a part twice, or has a bracket that does not close.

    >>> NamePattern("{mockup:{paint}_{number}}_{exposure_min}min").cells("delivery/alkyd_3_60min")
    {'mockup': 'alkyd_3', 'paint': 'alkyd', 'exposure_min': '60'}
    >>> NamePattern("{paint}_{mockup}").cells("notes") is None
    True
    """

    def __init__(self, pattern: str):
        parts = [_as_regex(token) for token in _TOKEN.split(pattern)]
        self._depth = 1 + pattern.count("/")
        try:
            self._regex = re.compile("".join(parts))
        except re.error as problem:
            raise _refused(pattern, f"that cannot be read ({problem.msg})") from problem
        names = self._regex.groupindex
        if not any(name in MEASUREMENT_COLUMNS for name in names):
            raise _refused(pattern, "that names no column of the table")
        for name in _NOT_IN_A_NAME:
            if name in names:
                raise _refused(pattern, f"with {{{name}}}, which is the file's own")

    def cells(self, name: str) -> dict[str, str] | None:
        """Column -> text of one name without its suffix; None where the pattern does not fit."""
        found = self._regex.fullmatch("/".join(name.split("/")[-self._depth :]))
        if found is None:
            return None
        return {
            column: text
            for column, text in found.groupdict().items()
            if column in MEASUREMENT_COLUMNS
        }


def _as_regex(token: str) -> str:
    name = token.strip("{}:")
    if token == "*":
        return "[^/]*?"
    if token == "}":
        return ")"
    if token.startswith("{") and token.endswith(":"):
        return f"(?P<{name}>"
    if token.startswith("{") and token.endswith("}"):
        return f"(?P<{name}>{r'[+-]?[0-9]+(?:[.,][0-9]+)?' if name in _NUMBERS else '[^/]+?'})"
    return re.escape(token)


def _refused(pattern: str, why: str) -> StudyError:
    return StudyError(
        Fault(f"the pattern {pattern!r} {why}", "parts in braces, each once, of which one at least "
              f"is a column ({', '.join(MEASUREMENT_COLUMNS[2:])})",
              '--pattern "{paint}_{treatment}_{mockup}_{map}"')
    )  # fmt: skip


def cells_of(name: str, patterns: Sequence[NamePattern]) -> dict[str, str] | None:
    """What the first pattern that fits says of a name; None where none does."""
    return next((c for one in patterns if (c := one.cells(name)) is not None), None)


def parts_of(name: str) -> list[str]:
    """The parts of the last part of a path: by underscores, else by blanks and dashes.

    >>> parts_of("panels/acrylic green_water_2"), parts_of("panels/water 2")
    (['acrylic green', 'water', '2'], ['water', '2'])
    """
    own = name.rpartition("/")[2]
    return [part for part in (own.split("_") if "_" in own else _APART.split(own)) if part]
