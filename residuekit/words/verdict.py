"""The reason of a verdict: why it is what it is, its numbers, and what stands beside them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..reprs import sentence_case
from .codes import CODES, Note, sentences

_BELOW = ("within-acceptance",)


def reason(row: Mapping[str, Any], why: Sequence[Note], remarks: Sequence[Note]) -> str:
    """Say why a verdict is what it is, with the numbers without which no absence is printed.

    Parameters
    ----------
    row : the numbers under the column names of ``verdicts.csv``, with `alpha` and `beta`; empty
        where an arm has none.
    why, remarks : the notes of the verdict.
    """
    said = sentences(why)
    if row:
        said.append(numbers(row))
        if any(note.code in _BELOW or CODES[note.code].obstacle for note in why):
            said.append(
                f"A single mock-up that carries less than {row['mockup_detection_limit']:.3g} "
                f"{row['unit']} may be missed."
            )
    return " ".join([*said, *sentences(remarks)])


def numbers(row: Mapping[str, Any]) -> str:
    """Estimate, limits, bound and n of a score, the share of mock-ups that may stand out."""
    score, n, blanks, unit = (
        sentence_case(row["score"]), row["n_mockups"], row["n_blank_mockups"], row["unit"]
    )  # fmt: skip
    if blanks < 2:
        return (
            f"{score}: mean of {n} mock-ups {row['estimate']:.3g} {unit}; a single blank "
            "mock-up gives no limits."
        )
    text = (
        f"{score}: mean of {n} mock-ups {row['estimate']:.3g} {unit} against "
        f"{blanks} blank mock-ups; decision limit {row['decision_limit']:.3g}, detection "
        f"limit {row['detection_limit']:.3g}, upper bound {row['upper_bound']:.3g} {unit} "
        f"({1 - row['alpha']:.0%} one-sided); {row['positive_mockups']} of {n} mock-ups above the "
        f"single mock-up's decision limit of {row['mockup_decision_limit']:.3g} {unit}"
    )
    if row["positive_mockups"] == n:
        return f"{text}."
    return (
        f"{text}, so with {1 - row['alpha']:.0%} confidence at most "
        f"{row['share_upper_bound']:.0%} of such mock-ups would be; one that carries "
        f"{row['mockup_detection_limit']:.3g} {unit}, its detection limit, is above it in "
        f"{100 * (1 - row['beta']):.0f} of 100 cases."
    )
