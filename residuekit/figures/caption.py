"""The caption of the due-diligence figure, written from what is drawn."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..reprs import sentence_case
from .choice import Block
from .residue import Plan
from .words import number, percent, unit_words

_UM_PER_MM = 1000.0


def caption(plan: Plan, provenance: Mapping[str, Any]) -> str:
    """Say what each part of the figure shows, with its n and its limits."""
    study = provenance["study"]
    unit = unit_words(plan.blocks[0].unit)
    sentences = [
        f"Residue of {study['treatment']}: {study['title'].rstrip('.')}.",
        *(
            _block_words(letter, block)
            for letter, block in zip("ABCDEFGHIJ", plan.blocks, strict=False)
        ),
    ]
    if any(block.maps for block in plan.blocks):
        sentences.append(
            f"All maps have one colour scale, {number(plan.scale[0], 2)} to "
            f"{number(plan.scale[1], 2)} {unit}; pixels not above the pixel limit (line on the "
            "colour bar) are faded, masked pixels are grey and hatched, y points upward."
        )
    else:
        sentences.append("Point spectra only: there are no maps to draw.")
    sentences += [
        "Spectra: means over mock-ups with one standard deviation (upper panel); mean difference "
        "of the exposed arm from the blanks, over one standard deviation of the blanks (lower "
        "panel); the pure gel is scaled as the legends say.",
        "Dots: one a mock-up; short line: mean of the group; dashed: the arm's decision limit for "
        "one mock-up.",
    ]
    limit = plan.acceptance_limit
    if limit is not None and plan.blocks[0].unit == "ug cm-2":
        sentences.append(f"Long line: the acceptance limit, {number(limit)} {unit}.")
    else:
        sentences.append("No acceptance limit can be drawn.")
    sentences.append(
        f"DL: detection limit of the arm's mean; UB: its {percent(1 - study['alpha'])} one-sided "
        "upper bound. A verdict is about the mean of its arm."
    )
    return " ".join([*sentences, *plan.left_out])


def _block_words(letter: str, block: Block) -> str:
    shown = "; ".join(f"{panel.words}, {panel.rule} ({panel.mockup})" for panel in block.maps)
    groups = ", ".join(f"{g.words} {g.values.size}" for g in block.groups)
    maps = f" Maps: {shown}; pixel limit {number(block.pixel_limit, 2)}." if shown else ""
    words = f"({letter}) {sentence_case(block.words)}, by the {block.score}.{maps}"
    return f"{words}{_field_words(block)} Mock-ups: {groups}."


def _field_words(block: Block) -> str:
    """The mapped field of the first map, where its step is known."""
    first = next((panel for panel in block.maps if panel.position_unit == "um"), None)
    if first is None or min(first.x.size, first.y.size) < 2:
        return ""
    width, height = (
        axis.size * float(axis[1] - axis[0]) / _UM_PER_MM for axis in (first.x, first.y)
    )
    return f" Field of a map {number(width)} × {number(height)} mm."
