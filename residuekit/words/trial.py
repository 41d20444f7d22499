"""The other criteria of a trial: cells, standings, remarks.

A candidate is a `residuekit.trial.Candidate`, or anything with its fields.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from textwrap import wrap
from typing import Any

from ..reprs import to_error
from .common import counted, number, percent, true_minus, unit_words

Candidate = Any
MISSING = "missing"
CAUTION = (
    "Ease, health and safety are judgements of those who tried. They replace no safety data sheet "
    "and no local code for solvents, powders and ultraviolet light. What touches a work of art is "
    "for the conservator responsible for it."
)
#: How the criteria are made, for the report.
HOW = (
    "Residue and pigment pick-up are vetoes: no total stands against them. What is open is not "
    "passed.",
    "Soil removal: 100 (1 − ΔE00(cleaned, unsoiled) / ΔE00(soiled, unsoiled)), CIEDE2000. L*, a* "
    "and b* are averaged within a mock-up and state. Repeatability: mean ΔE00 of repeated readings "
    "from their mean.",
    "Gloss change: after less before, one angle a paint (60°; 20° above 70 GU, 85° below 10 GU). "
    "Means and standard deviations are over mock-ups.",
    "Pareto set: no other candidate on the paint and soiling is as good in all and better in one. "
    "Compared are soil removal, size of gloss change, ease, and health and safety. A missing value "
    "could be anything.",
)
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
    """What stands against a candidate, and whether another betters it."""
    head = one.standing.upper() if one.standing == "vetoed" else one.standing
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
            f": DL {_limit(one, 'detection_limit')}, UB {_limit(one, 'upper_bound')} {unit}. "
            f"{one.residue_positive or 'None'} of {counted(one.residue_mockups, 'mock-up')} stood "
            f"out against {counted(one.residue_blanks, 'blank')}"
        )
        if one.residue_positive < one.residue_mockups:
            said += (
                f"; up to {one.residue_share_bound:.0%} of such could "
                f"(DL of one: {_limit(one, 'mockup_detection_limit')} {unit})"
            )
    said += f". Pick-up {one.pickup}"
    if one.pickup_mockups:
        said += (
            f": {one.pickup_positive} of {counted(one.pickup_mockups, 'mock-up')}, "
            f"at most {one.pickup_share_bound:.0%} of such"
        )
    return f"{said}."


def block_words(block: tuple[str, str]) -> str:
    """Paint and soiling as people say them."""
    paint, soiling = block
    return paint if soiling == "none" else f"{paint}, soiling {soiling}"


def rows(candidates: Iterable[Candidate], alpha: float) -> list[dict[str, str]]:
    """The criteria in words, a row a candidate."""
    return [
        {
            "treatment": one.treatment,
            "on": block_words(one.block),
            "standing": standing_words(one),
            **{HEADS[name]: words for name, words in cells(one, alpha).items()},
        }
        for one in candidates
    ]


def summary_text(
    blocks: Mapping[tuple[str, str], Iterable[Candidate]], remarks: Iterable[str], alpha: float
) -> str:
    """The whole summary as lines for a terminal; it is also the text beside the picture."""
    lines = ["The criteria of the trial"]
    for block, candidates in blocks.items():
        lines += ["", block_words(block)]
        for one in candidates:
            lines.append(f"  {one.treatment}: {standing_words(one)}")
            for name, words in cells(one, alpha).items():
                text = f"{HEADS[name]}: {words}"
                lines += wrap(text, 96, initial_indent="    ", subsequent_indent="      ")
    for note in (*remarks, CAUTION):
        lines += ["", *wrap(note, 96, initial_indent="  ", subsequent_indent="  ")]
    return "\n".join(lines)


def picture_alternative(candidates: Iterable[Candidate]) -> str:
    """The picture of the trial in words, for those who cannot see it."""
    said = "; ".join(
        f"{one.treatment} on {block_words(one.block)}, {standing_words(one)}" for one in candidates
    )
    return f"Parallel coordinates of the criteria. {said}. The table below has the numbers."


def picture_foot(gloss_span: float, alpha: float) -> str:
    """How to read the picture of the trial."""
    return (
        "Up is better on every axis. Crosses and a struck name: vetoed. Hollow marks: open. Mark "
        f"on the lowest line: {MISSING}. Whisker at pick-up: from the observed share to its "
        f"one-sided {percent(1 - alpha)} bound. Marks side by side have one value. DL: detection "
        f"limit, UB: upper bound, both of the arm's mean. Gloss: axis of {number(gloss_span)} GU "
        f"or longer (our choice, no source). {CAUTION}"
    )


def reason(values: Mapping[str, Any], least_mockups: int) -> tuple[str, str]:
    """What vetoes a candidate, and what leaves it open; each empty where nothing does."""
    found, n = values.get("residue", "not measured"), values.get("pickup_mockups", 0)
    vetoes = ["residue detected"] if found == "detected" else []
    if vetoes and values.get("residue_beside_limit") == "below":
        vetoes = ["residue detected, its mean below the acceptance limit with its upper bound"]
    vetoes += ["pigment picked up"] if values.get("pickup_positive") else []
    doubts = [] if found == "not detected" else [f"residue {found}"]
    if not n:
        doubts.append("pick-up not tested")
    elif n < least_mockups:
        doubts.append(f"pick-up tested on {counted(n, 'mock-up')} alone")
    return "; ".join(vetoes), "; ".join(doubts)


NO_WORKING_EXPOSURE = "No working exposure was stated: residue verdicts of every exposure count."


def gloss_too_high(paint: str, read: float, angle: int, index: float, limit: float) -> str:
    """A gloss that no smooth paint film has."""
    return (
        f"{paint}: gloss up to {read:g} GU at {angle}° is more than a perfectly smooth surface of "
        f"refractive index {index} reflects ({limit:.0f} GU). Is the angle right, or is the "
        "surface metallic?"
    )


def gloss_angle(paint: str, shown: int, level: float, wanted: int) -> str:
    """Why the gloss of a paint is shown at an angle that was not chosen by its level."""
    if math.isnan(level):
        return (
            f"{paint}: gloss before treatment was not measured at 60°, so the angle could not be "
            f"chosen; {shown}° is shown."
        )
    return (
        f"{paint}: at {level:.3g} GU (60°) gloss must be measured at {wanted}°, which was not "
        "done; 60° is shown."
    )


def other_soiling(candidate: tuple[str, str, str], arms: Sequence[Mapping[str, Any]]) -> str:
    """That the residue of a candidate was judged on other soilings alone."""
    treatment, paint, soiling = candidate
    known = ", ".join(sorted({f"{row['soiling']} ({row['verdict']})" for row in arms}))
    return (
        f"{treatment} on {paint}: residue was judged on soiling {known}, which is not credited to "
        f"soiling {soiling}."
    )


def no_soil_removal(candidate: tuple[str, str, str], lost: int, coloured: int) -> str:
    """How many mock-ups had colours that gave no soil removal."""
    return (
        f"{' on '.join(candidate[:2])}: {lost} of {coloured} mock-ups with colours gave no soil "
        "removal. A state was not measured, or the soiled colour is the unsoiled one."
    )


def ranking(ranked: Iterable[Any], weights: Mapping[str, float], factor: float) -> str:
    """The order that stated weights give, and how far it holds."""
    given = ", ".join(f"{name} {weight:g}" for name, weight in weights.items())
    lines = [f"By the weights {given}; each up to {factor:g} times larger or smaller"]
    for row in ranked:
        name = f"{row.treatment} on {row.paint}, soiling {row.soiling}, {row.standing}"
        if row.rank is None:
            lines.append(f"  {name}: no total ({row.why_no_total})")
            continue
        held = ""
        if math.isinf(row.ahead_until):
            held = "; no weights put one behind it ahead"
        elif row.ahead_until == row.ahead_until:
            held = f"; ahead of those behind until weights are {row.ahead_until:.3g} times off"
        lines.append(
            f"  {row.rank}. {name}: total {row.total:.3g}, rank {row.rank_best} to "
            f"{row.rank_worst}{held}"
        )
    return "\n".join(lines)


def _residue(one: Candidate) -> str:
    if not one.residue_arms:
        return f"{MISSING} (no verdict at the working exposure)"
    said = f"{one.residue} ({one.residue_arm}"
    said += f"; the worst of {one.residue_arms} arms)" if one.residue_arms > 1 else ")"
    if not one.residue_mockups or one.detection_limit != one.detection_limit:
        return said
    unit = unit_words(one.unit)
    said += (
        f". Mean {_limit(one, 'residue_estimate')}, detection limit "
        f"{_limit(one, 'detection_limit')}, upper bound {_limit(one, 'upper_bound')} {unit}. "
        f"{one.residue_positive or 'None'} of {counted(one.residue_mockups, 'mock-up')} stood out "
        f"against {counted(one.residue_blanks, 'blank mock-up')}."
    )
    if one.residue_positive < one.residue_mockups:
        said += (
            f" Up to {one.residue_share_bound:.0%} of such mock-ups could (one-sided bound). "
            f"Detection limit of one: {_limit(one, 'mockup_detection_limit')} {unit}."
        )
    return said


def _limit(one: Candidate, name: str) -> str:
    """A number of a residue, to the digits that the distance of its upper bound warrants."""
    error = (one.upper_bound - one.residue_estimate) / 2
    return true_minus(to_error(getattr(one, name), error)) or "–"


def _pickup(one: Candidate, alpha: float) -> str:
    if not one.pickup_mockups:
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
