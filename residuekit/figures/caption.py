"""The caption of the due-diligence figure, written from what is drawn."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..reprs import sentence_case
from ..schema import FLAGS
from ..words.common import number, percent, rounded, unit_words
from .blocks import Block, Group, Map
from .maps import length_words
from .plan import LETTERS, Plan, flag_words
from .spectra import gel_factor

_UM_PER_MM = 1000.0


def caption(plan: Plan, provenance: Mapping[str, Any]) -> str:
    """Say what each part of the figure shows, with its n and its limits."""
    study = provenance["study"]
    unit = unit_words(plan.blocks[0].unit)
    confidence = percent(1 - study["alpha"])
    sentences = [f"Residue of {study['treatment']}: {study['title'].rstrip('.')}."]
    if plan.photo is not None:
        sentences.append(f"Top: {plan.photo.name} in visible light with the frames of the maps.")
    sentences += [
        _block_words(letter, block) for letter, block in zip(LETTERS, plan.blocks, strict=False)
    ]
    if any(block.maps for block in plan.blocks):
        sentences.append(
            f"All maps have one colour scale, {number(plan.scale[0], 2)} to "
            f"{number(plan.scale[1], 2)} {unit}; pixels not above the pixel limit (bold "
            "number and line on the colour bar) are faded, a line on the map parts them from those "
            "above; masked pixels are grey and hatched; y points upward."
        )
    else:
        sentences.append("Point spectra only: there are no maps to draw.")
    sentences += [
        "Spectra: means over mock-ups with one standard deviation; differences: means of the "
        "exposed arms less the mean of the blanks, over one standard deviation of the blanks; "
        f"{_gel_words(plan)}.",
        *_curve_words(plan, confidence),
        "Dots: one a mock-up; short line: mean of the group, with its upper bound; dashed: "
        "decision limit, dotted: detection limit, dark of the arm's mean, in the colour of the "
        "exposed of one mock-up.",
    ]
    limit = plan.acceptance_limit
    if limit is not None:
        sentences.append(f"Long line: the acceptance limit, {number(limit)} {unit}.")
    else:
        sentences.append("No acceptance limit can be drawn.")
    sentences.append(
        f"DL: detection limit of the arm's mean; UB: its {confidence} one-sided upper bound. A "
        "verdict is about the mean of its arm."
    )
    flags = {name for block in plan.blocks for panel in block.maps for name in panel.flags}
    sentences += [
        f"{name.replace('_', ' ').capitalize()}: {words}."
        for name, (_, words) in FLAGS.items()
        if name in flags
    ]
    return " ".join([*sentences, *plan.left_out, *plan.remarks])


def _block_words(letter: str, block: Block) -> str:
    said = [f"({letter}) {sentence_case(block.words)}, by the {block.score}."]
    if block.maps:
        shown = "; ".join(map(_map_words, block.maps))
        said.append(f"Maps: {shown}; pixel limit {number(block.pixel_limit, 2)}.")
        said += _field_words(block)
    said.append(f"Mock-ups: {'; '.join(map(_group_words, block.groups))}.")
    return " ".join(said)


def _field_words(block: Block) -> list[str]:
    """The mapped field and the step of the first map, where they are known."""
    first = next((panel for panel in block.maps if panel.position_unit == "um"), None)
    if first is None:
        return []
    left, right, lower, upper = (edge / _UM_PER_MM for edge in first.extent)
    step = " × ".join(length_words(step, "um") for step in dict.fromkeys(first.steps))
    return [
        f"Field of a map {number(right - left)} × {number(upper - lower)} mm, step of its pixels "
        f"{step}."
    ]


def _group_words(group: Group) -> str:
    words, row = f"{group.words}, n = {group.values.size}", group.verdict
    if row is None:
        return words
    return (
        f"{words}: mean {rounded(row, 'estimate')}, DL {rounded(row, 'detection_limit')}, "
        f"UB {rounded(row, 'upper_bound')}, {row['verdict']}"
    )


def _map_words(panel: Map) -> str:
    flags = f"; {flag_words(panel)}" if panel.flags or panel.masked else ""
    return f"{panel.words}, {panel.rule} ({panel.mockup}{flags})"


def _gel_words(plan: Plan) -> str:
    factors = [
        f"{letter} × {number(gel_factor(block.blank.spectra, block.gel), 2)}"
        for letter, block in zip(LETTERS, plan.blocks, strict=False)
        if block.gel is not None
    ]
    if not factors:
        return "there is no reference of the pure gel"
    return f"the pure gel is scaled in the spectra ({', '.join(factors)})"


def _curve_words(plan: Plan, confidence: str) -> list[str]:
    said = []
    spiked = [
        f"{letter} ± {number(block.spiking.spread_percent, 2)}%, k = {block.spiking.k}"
        for letter, block in zip(LETTERS, plan.blocks, strict=False)
        if block.spiking is not None
    ]
    if spiked:
        said.append(
            "Detection curve: spiked (diamonds) and blank mock-ups (circles) as found by the "
            f"slope through zero, with its two-sided {confidence} confidence band: "
            f"{'; '.join(spiked)}; dashed and dotted: decision and detection limit of one mock-up."
        )
    else:
        said.append("Without spiked mock-ups there is no detection curve and no loading unit.")
    if any(block.series is not None for block in plan.blocks):
        said.append(
            "Means of the arms: with upper bound (whisker), decision limit (dashed) and detection "
            "limit (dotted) of the mean."
        )
    return said
