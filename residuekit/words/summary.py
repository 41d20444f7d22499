"""The one-page summary for the responsible conservator, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..reprs import sentence_case
from .codes import Note, sentences
from .common import Row, arm_words, counted, in_words, number, percent, working_words
from .methods import acceptance_limit

HEADS = ("mock-ups of", "result", "exposed / blank", "mean ± s.e.", "detection limit",
         "upper bound", "above the limit of one mock-up")  # fmt: skip
NO_PICTURE = "There is no picture of the mock-ups: "


def question(study: Mapping[str, Any]) -> str:
    """What was asked, and what would still be accepted."""
    working = working_words(study, [study["treatment"]])
    asked = (
        f"Does {study['treatment']} leave residue on the paint"
        + (f" after {working}, the working exposure" if working else "")
        + "?"
    )
    return f"{asked} {acceptance_limit(study)}"


def left_open(row: Row, why: Sequence[Note]) -> str:
    """Why an arm is inconclusive or not assessable: the first of its reasons, with its name."""
    return in_words(f"{sentence_case(arm_words(row))}: {row['verdict']}. {sentences(why)[0]}")


def below_the_table(study: Mapping[str, Any], unit: str, more: int) -> str:
    """What the columns mean, and how many arms there was no room for."""
    sure, seen = percent(1 - study["alpha"]), percent(1 - study["beta"])
    said = (
        f"{f'Numbers in {unit}. ' if unit else ''}s.e.: standard error. Detection limit: a mean "
        f"residue of this size is above the decision limit with {seen} probability. Upper bound: "
        f"the mean residue of these mock-ups lies below it with {sure} confidence. Share: of such "
        "mock-ups, with the same confidence."
    )
    return f"{said} {counted(more, 'further arm')} in verdicts.csv." if more else said


def picture_caption(working: str, limit: float | None, unit: str, more: int = 0) -> str:
    """What the dots and lines are, and how many arms are not drawn."""
    marked = f"; round and green at the working exposure of {working}" if working else ""
    line = "" if limit is None else f" Long line: what would be accepted, {number(limit)} {unit}."
    left_out = f" {counted(more, 'further arm')} not drawn." if more else ""
    return (
        f"A dot is a mock-up{marked}. Short line: mean of the group, with its upper bound. Broken "
        f"line: the limit that decides.{line}{left_out}"
    )


def picture_alternative(rows: Sequence[Row]) -> str:
    """The picture in words."""
    said = (
        f"{row['paint']}, {row['exposure_min']:g} min: {int(row['n_mockups'])} mock-ups, "
        f"{row['verdict']}"
        for row in rows
        if row["n_mockups"]
    )
    return f"A dot for each blank and exposed mock-up with the limits. {'; '.join(said)}."


def foot(run: str, version: str, fingerprint: str) -> str:
    """Where the page comes from."""
    return (
        f"Run of {run}, residuekit {version}. In full: report.html. SHA-256 fingerprint of the "
        f"measured files and settings, the same in a deposit: {fingerprint}"
    )
