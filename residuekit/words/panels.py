"""The small panels in words: comparisons of arms, recovery, matrix effect."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import takewhile
from typing import Any

from ..reprs import to_error
from .common import counted, number, percent, true_minus, unit_words

COMPARISON_HEADS = (
    "stratum", "arms", "difference", "interval", "unit", "p", "p after Holm", "within the limit",
)  # fmt: skip
COMPARISONS_ALTERNATIVE = "Differences of arms with their intervals, a line each, as in the table."
RECOVERY_ALTERNATIVE = (
    "Found over known with its interval, a line a stratum, as in the tables below."
)
MATRIX_ALTERNATIVE = "Ratios of responses with their intervals, a line a stratum, as in the table."
RECOVERY_LABEL = "found / known loading"
RECOVERY_CAPTION = (
    "Recovery: each spiked mock-up is found by the line of the others. Diamonds: found over known "
    "of one; point and line: their mean with its 95% interval. 1 means all was found."
)
MATRIX_LABEL = "response of spiked mock-ups / reference films"


def against(left: str, right: str) -> str:
    """Two arms in one name: what both share is said once.

    >>> against("agar gel 2 min, cleared 1 min", "gellan 2 min, cleared 1 min")
    'agar gel against gellan 2 min, cleared 1 min'
    >>> against("gel 2 min, cleared 1 min", "gel 10 min, cleared 1 min")
    'gel 2 against 10 min, cleared 1 min'
    >>> against("gel 2 min, cleared 1 min", "gel 2 min, cleared 1 min by swab")
    'gel 2 min, cleared 1 min against gel 2 min, cleared 1 min by swab'
    """
    one, other = left.split(), right.split()
    head = _shared(one, other)
    tail = _shared(one[head:][::-1], other[head:][::-1])
    first, second = one[head : len(one) - tail], other[head : len(other) - tail]
    if not first or not second:
        return f"{left} against {right}"
    return " ".join([*one[:head], *first, "against", *second, *one[len(one) - tail :]])


def _shared(one: Sequence[str], other: Sequence[str]) -> int:
    """With how many words two names begin alike."""
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], zip(one, other, strict=False)))


def interval_words(row: Mapping[Any, Any]) -> str:
    """A difference with its interval, to the second digit of its standard error."""
    error = (row["high"] - row["low"]) / 4
    value, low, high = (true_minus(to_error(row[k], error)) for k in ("difference", "low", "high"))
    return f"{value} ({low} to {high})" if low else value


def difference_label(unit: str) -> str:
    """The scale of differences."""
    return f"mean of the first less the second ({unit_words(unit)})"


def comparisons_caption(
    alpha: float, n: int, limits: list[float], unit: str, more: int, within: int = 0
) -> str:
    """What the panel of comparisons shows."""
    said = [
        f"Differences of two arms that differ by one thing, with their {percent(1 - alpha)} "
        f"interval (Welch), {counted(n, 'comparison')}.",
        f"Filled: not zero at {percent(alpha)} after Holm's adjustment for all of them.",
    ]
    if within:
        said.append(
            f"{counted(within, 'comparison')} within the panels that both arms share: what these "
            "differ by falls out."
        )
    if limits:
        shown = " and ".join(map(number, limits))
        said.append(
            f"Dark lines: plus and minus the acceptance limit, {shown} {unit_words(unit)}. "
            "An interval between them says that the arms differ by less."
        )
    said.append("No difference found does not mean none is there.")
    if more:
        said.append(f"{counted(more, 'further comparison')} in comparisons.csv.")
    return " ".join(said)


def comparison_row(place: str, row: Mapping[Any, Any]) -> list[str]:
    """A line of the table under `COMPARISON_HEADS`."""
    value, _, interval = interval_words(row).partition(" ")
    there = f", within {counted(int(row['panels']), 'panel')}" if row["panels"] > 0 else ""
    within = {"True": "yes", "False": "no"}.get(str(row["within_acceptance"]).capitalize(), "–")
    return [
        place, against(row["left"], row["right"]) + there, value, interval.strip("()") or "–",
        unit_words(row["unit"]), number(row["p"], 2), number(row["p_holm"], 2), within,
    ]  # fmt: skip


def recovery_words(mean: float, low: float, high: float, n: int) -> str:
    """A recovery with its interval."""
    return f"{mean:.2f} ({low:.2f} to {high:.2f}), n = {n}"
