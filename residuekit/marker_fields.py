"""What may be said of a marker band: the check of every value of it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from .errors import Fault
from .reprs import begins_as_formula

GROUPS = ("gel", "load", "paint", "soiling")
MEASURES = {"area": "A cm-1", "height": "A", "second derivative": "A"}
#: Measures that are no linear functional of the spectrum, and what gives them.
_QUOTIENTS = {
    "centroid": "residuekit.band_centroid(array, markers)",
    "ratio": "residuekit.band_ratio(array, markers, standard)",
}


def value_faults(values: Mapping[str, Any]) -> list[Fault]:
    """Every value that is none of its field."""
    label = f"the marker {values.get('name', '')!r}"
    return [
        _quotient_fault(label, value)
        if key == "measure" and value in tuple(_QUOTIENTS)
        else Fault(f"{label} with {key} = {value!r}", needed, f"{key} = {example}")
        for key, value in values.items()
        for fits, needed, example in [_NEEDS.get(key, _TEXT)]
        if not fits(value)
    ]


def _quotient_fault(label: str, measure: str) -> Fault:
    return Fault(
        f"{label} with measure = {measure!r}, which is no linear functional of the spectrum",
        f"{_LINEAR}: a verdict rests on a linear score, whose mean over a mock-up is the score of "
        "the mean spectrum",
        f"{_QUOTIENTS[measure]} gives it for arrays, beside the verdict",
    )


def order_faults(values: Mapping[str, Any]) -> list[Fault]:
    """Values that do not fit one another."""
    low, high, position, anchors = (values[k] for k in ("low", "high", "position", "anchors"))
    rules = [
        (low < high, f"the window {low} to {high}", "low below high", "exchange low and high"),
        (position is None or low <= position <= high or low >= high,
         f"the position {position} outside the window {low} to {high}",
         "a position inside the window", "another position, or a wider window"),
        (values["measure"] != "height" or position is not None, "a height without a position",
         "the wavenumber at which the height is read", "position = ..."),
        (values["measure"] != "second derivative" or anchors is None,
         f"a second derivative with the anchors {anchors}", "no anchors: it stands on no line",
         "leave out anchors, or measure = 'height'"),
        (anchors is None or anchors[0][1] < anchors[1][0], f"the anchors {anchors}",
         "the first interval below the second", "anchors = [[1040, 1050], [1140, 1150]]"),
    ]  # fmt: skip
    return [
        Fault(f"the marker {values['name']!r} with {found}", needed, fix)
        for holds, found, needed, fix in rules if not holds
    ]  # fmt: skip


def _is_number(value: Any) -> bool:
    real = isinstance(value, (int, float, np.integer, np.floating)) and not isinstance(value, bool)
    return real and math.isfinite(value)


def _is_interval(value: Any) -> bool:
    pair = _is_pair(value) and all(map(_is_number, value))
    return pair and value[0] <= value[1]


def _is_pair(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str) and len(value) == 2


def _is_printed(value: Any) -> bool:
    row = isinstance(value, (list, tuple)) and len(value) == 3
    return row and all(isinstance(part, str) for part in value)


_LINEAR = " or ".join(map(repr, MEASURES))
_TEXT = (lambda value: isinstance(value, str), "text", '"..."')
_NEEDS: dict[str, tuple[Any, str, str]] = {
    "name": (
        lambda value: isinstance(value, str) and value.isprintable() and bool(value.strip())
        and ";" not in value and not begins_as_formula(value),
        "a name in one line, without a semicolon, that does not begin with = + - or @",
        '"pva C-O 1092"',
    ),
    "low": (_is_number, "a number, cm-1", "1050"),
    "high": (_is_number, "a number, cm-1", "1140"),
    "measure": (lambda value: value in tuple(MEASURES), _LINEAR, '"area"'),
    "group": (lambda value: value in ("", *GROUPS), " or ".join(map(repr, GROUPS)), '"gel"'),
    "position": (lambda value: value is None or _is_number(value), "a number, cm-1", "1092"),
    "anchors": (
        lambda value: value is None or (_is_pair(value) and all(map(_is_interval, value))),
        "two intervals [low, high], cm-1", "[[1040, 1050], [1140, 1150]]",
    ),
    "range": (
        lambda value: value is None or _is_interval(value), "[low, high], cm-1", "[1080, 1095]",
    ),
    "sources": (
        lambda value: isinstance(value, (list, tuple)) and all(isinstance(v, str) for v in value),
        "a list of texts", '["..."]',
    ),
    "printed": (
        lambda value: isinstance(value, (list, tuple)) and all(map(_is_printed, value)),
        "a list of [source, position, assignment], texts", '[["...", "1092", "C-O stretch"]]',
    ),
    "unspecific": (lambda value: isinstance(value, bool), "true or false", "true"),
}  # fmt: skip
