"""A trial in words: cells, lines, the standing of each candidate."""

from __future__ import annotations

from textwrap import wrap
from typing import TYPE_CHECKING

from ..reprs import as_frame
from ..words.common import counted, number, percent, unit_words
from .summary import CAUTION, NOT_MEASURED, NOT_TESTED, VETOED, Candidate, TrialSummary

if TYPE_CHECKING:
    import pandas as pd

MISSING = "missing"
HEADS = {
    "residue": "residue",
    "pickup": "pick-up",
    "soil_removal": "soil removal",
    "gloss": "gloss change",
    "ease": "ease (1 hard to 5 easy)",
    "health_safety": "health and safety (1 most hazard to 5 least)",
}


def cells(one: Candidate, alpha: float) -> dict[str, str]:
    """Each criterion of a candidate as people read it; what was not measured is `MISSING`."""
    return {
        "residue": _residue(one),
        "pickup": _pickup(one, alpha),
        "soil_removal": _soil_removal(one),
        "gloss": _gloss(one),
        "ease": _rating(one, "ease"),
        "health_safety": _rating(one, "health_safety"),
    }


def standing_words(one: Candidate) -> str:
    """What stands against a candidate, and whether another betters it.

    >>> standing_words(Candidate("agar gel", "alkyd", "soot", 4, "vetoed", "residue detected"))
    'VETOED: residue detected'
    """
    head = one.standing.upper() if one.standing == VETOED else one.standing
    said = f"{head}: {one.reason}" if one.reason else head
    if one.best_set is None:
        return said
    place = "in the Pareto set" if one.best_set else "bettered by another"
    return f"{said}; {place}"


def veto_words(one: Candidate) -> str:
    """What was found for both vetoes, short enough for a key: no absence without its limits.

    DL is the detection limit of the arm's mean, UB its one-sided upper bound.
    """
    said = f"Residue {one.residue}"
    if one.residue_mockups and one.detection_limit == one.detection_limit:
        unit = unit_words(one.unit)
        said += (
            f": DL {number(one.detection_limit)}, UB {number(one.upper_bound)} {unit}, "
            f"{one.residue_positive} of {counted(one.residue_mockups, 'mock-up')} positive, "
            f"{counted(one.residue_blanks, 'blank')}"
        )
        if one.residue_positive < one.residue_mockups:
            said += (
                f", at most {one.residue_share_bound:.0%} of such would be "
                f"(single DL {number(one.mockup_detection_limit)} {unit})"
            )
    said += f". Pick-up {one.pickup}"
    if one.pickup != NOT_TESTED:
        said += (
            f": {one.pickup_positive} of {counted(one.pickup_mockups, 'mock-up')}, "
            f"at most {one.pickup_share_bound:.0%} of such"
        )
    return f"{said}."


def block_words(block: tuple[str, str]) -> str:
    """Paint and soiling as people say them."""
    paint, soiling = block
    return paint if soiling == "none" else f"{paint}, soiling {soiling}"


def words_frame(summary: TrialSummary) -> pd.DataFrame:
    """The criteria in words, a row a candidate."""
    return as_frame(
        {
            "on": block_words(one.block),
            "treatment": one.treatment,
            "standing": standing_words(one),
            **{HEADS[name]: words for name, words in cells(one, summary.alpha).items()},
        }
        for one in summary.candidates
    )


def summary_text(summary: TrialSummary) -> str:
    """The whole summary as lines for a terminal; it is also the text beside the picture."""
    lines = []
    for block, candidates in summary.blocks().items():
        lines += ["", block_words(block)]
        for one in candidates:
            lines.append(f"  {one.treatment}: {standing_words(one)}")
            for name, words in cells(one, summary.alpha).items():
                text = f"{HEADS[name]}: {words}"
                lines += wrap(text, 96, initial_indent="    ", subsequent_indent="      ")
    for note in (*summary.remarks, CAUTION):
        lines += ["", *wrap(note, 96, initial_indent="  ", subsequent_indent="  ")]
    return "\n".join(["The criteria of the trial", *lines])


def _residue(one: Candidate) -> str:
    if one.residue == NOT_MEASURED:
        return f"{MISSING} (no verdict at the working exposure)"
    said = f"{one.residue} ({one.residue_arm}"
    said += f"; the worst of {one.residue_arms} arms)" if one.residue_arms > 1 else ")"
    if not one.residue_mockups or one.detection_limit != one.detection_limit:
        return said
    unit = unit_words(one.unit)
    said += (
        f": mean {number(one.residue_estimate)}, detection limit {number(one.detection_limit)}, "
        f"upper bound {number(one.upper_bound)} {unit}; {one.residue_positive} of "
        f"{counted(one.residue_mockups, 'mock-up')} above the decision limit of a single one, "
        f"{counted(one.residue_blanks, 'blank mock-up')}"
    )
    if one.residue_positive < one.residue_mockups:
        said += (
            f"; at most {one.residue_share_bound:.0%} of such mock-ups (one-sided bound) would be; "
            f"a single one's detection limit is {number(one.mockup_detection_limit)} {unit}"
        )
    return said


def _pickup(one: Candidate, alpha: float) -> str:
    if one.pickup == NOT_TESTED:
        return MISSING
    return (
        f"{one.pickup}: {one.pickup_positive} of {counted(one.pickup_mockups, 'mock-up')} "
        f"({counted(one.pickup_swabs, 'swab')}); at most {one.pickup_share_bound:.0%} of such "
        f"mock-ups (one-sided {percent(1 - alpha)} bound)"
    )


def _soil_removal(one: Candidate) -> str:
    if not one.soil_removal_mockups:
        return MISSING
    repeat = "repeatability not measured"
    if one.repeatability_de == one.repeatability_de:
        repeat = f"repeatability {number(one.repeatability_de)}"
    return (
        f"{number(one.soil_removal_percent)} %, {_sd(one.soil_removal_sd)}"
        f"{counted(one.soil_removal_mockups, 'mock-up')}; ΔE00 to unsoiled from "
        f"{number(one.soiling_de)} to {number(one.soiling_left_de)}, {repeat}"
    )


def _gloss(one: Candidate) -> str:
    if not one.gloss_mockups:
        return MISSING
    sign = "+" if one.gloss_change_gu > 0 else ""
    return (
        f"{sign}{number(one.gloss_change_gu)} GU at {one.gloss_angle:g}°, "
        f"{_sd(one.gloss_change_sd)}{counted(one.gloss_mockups, 'mock-up')}"
    )


def _sd(value: float) -> str:
    return f"SD {number(value)}, " if value == value else ""


def _rating(one: Candidate, name: str) -> str:
    count = getattr(one, f"{name}_ratings")
    if not count:
        return MISSING
    low, high = getattr(one, f"{name}_low"), getattr(one, f"{name}_high")
    return (
        f"median {getattr(one, name):g} ({low:g} to {high:g}), "
        f"{counted(count, 'rating')}"
    )  # fmt: skip
