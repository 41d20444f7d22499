"""Decide what the figure holds: blocks, scale, size, key, and the lines below."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import ContractError, Fault
from ..schema import FIGURE_WIDTHS, JUDGED_COLUMNS
from ..words import caption as words
from ..words.caption import LETTERS
from ..words.common import Stratum, arm_words, stratum_of
from .choice import choose
from .key import Entry, key_entries, key_rows
from .layout import EDGE, LINE, PAGE_HEIGHT, block_height, narrow
from .map_panel import shared_scale
from .stage_panel import Photo, read_photo
from .stratum import Block
from .style import plain, wrapped

if TYPE_CHECKING:
    from ..results import StudyResult

#: The most arms of one stratum: what a page holds.
_MOST_ARMS, _MOST_ARMS_NARROW = 14, 7
#: The scale of the maps ends at this many times the acceptance limit.
_ACCEPTANCE_SPAN = 2.5


@dataclass(frozen=True)
class Plan:
    """All that is drawn, and what is left out."""

    blocks: tuple[Block, ...]
    left_out: tuple[str, ...]
    remarks: tuple[str, ...]
    scale: tuple[float, float]
    width: float
    height: float
    key: tuple[list[Entry], ...]
    foot: tuple[str, ...]
    acceptance_limit: float | None
    markers: tuple[dict[str, Any], ...]
    photo: Photo | None
    residue: str


def plan_figure(
    result: StudyResult,
    *,
    residue: str | None = None,
    strata: Sequence[str | Stratum] | None = None,
    width_mm: float | None = None,
) -> Plan:
    """Decide what the figure holds: blocks, scale, size; see `residue_figure`."""
    whole, result = result, result.of_residue(residue)
    study = result.provenance["study"]
    width = float(study["figure"].get("width_mm", 180) if width_mm is None else width_mm)
    if not FIGURE_WIDTHS[0] <= width <= FIGURE_WIDTHS[1]:
        raise ContractError(
            Fault(
                f"a figure {width:g} mm wide",
                f"{FIGURE_WIDTHS[0]:g} to {FIGURE_WIDTHS[1]:g} mm",
                "width_mm = 85 for one column, 180 for the full width",
            )
        )
    most_arms = _MOST_ARMS_NARROW if narrow(width) else _MOST_ARMS
    blocks, left_out = choose(result, strata, most_arms)
    left_out += words.other_residues(whole.verdicts.to_dict("records"), study["residue"])
    for drawn in range(min(len(blocks), len(LETTERS)), 0, -1):
        plan = _plan(result, blocks[:drawn], blocks[drawn:], left_out, width)
        if plan.height <= PAGE_HEIGHT:
            break
    _refuse_lost(result, plan, None if strata is None else blocks)
    return plan


def _refuse_lost(result: StudyResult, plan: Plan, wanted: Sequence[Block] | None) -> None:
    """Refuse a figure from which a detected arm is missing; of `wanted` strata alone if given.

    Raises
    ------
    ContractError : with the call that draws the arm.
    """
    drawn = [group.verdict for block in plan.blocks for group in block.groups if group.verdict]
    shown = {tuple(map(str, (row[name] for name in JUDGED_COLUMNS))) for row in drawn}
    lost = [
        row
        for row in result.verdicts.to_dict("records")
        if row["verdict"] == "detected"
        and tuple(map(str, (row[name] for name in JUDGED_COLUMNS))) not in shown
        and (wanted is None or stratum_of(row) in [block.stratum for block in wanted])
    ]
    study = result.provenance["study"]
    calls = dict.fromkeys(
        f"residue_figure(result, residue={study['residue']!r}, strata=[{stratum_of(row)!r}])"
        for row in lost
    )
    if wanted is not None and len(wanted) == 1:
        calls = dict.fromkeys(["plot_mockups({arm: scores, ...}), which draws any number of arms"])
    if lost:
        raise ContractError(
            Fault(f"{len(lost)} detected arm{'s' * (len(lost) > 1)} without room in the figure, "
                  f"{arm_words(lost[0])} for one", "a figure that shows every detected arm",
                  "; ".join(calls))
        )  # fmt: skip


def _plan(
    result: StudyResult,
    blocks: Sequence[Block],
    dropped: Sequence[Block],
    left_out: Sequence[str],
    width: float,
) -> Plan:
    study = result.provenance["study"]
    photo, remarks = read_photo(result, blocks, LETTERS[: len(blocks)])
    left_out = list(left_out)
    if dropped:
        left_out.append(words.page_full(dropped))
    working = study["working_exposure_min"]
    bare = [b for b in blocks if not any(group.working for group in b.groups)]
    if working is not None and bare:
        remarks.append(words.no_working_arm(working, bare))
    acceptance = study["acceptance_limit_ug_cm2"] if blocks[0].unit == "ug cm-2" else None
    markers = tuple(result.provenance["markers"])
    room = width - 2 * EDGE
    key = key_rows(key_entries(blocks, acceptance, working), room)
    names = [plain(marker["name"]) for marker in markers]
    said = [*words.foot(names, blocks, bool(left_out)), *remarks]
    foot = wrapped(" ".join(said), room)
    height = sum(block_height(block, width) for block in blocks)
    height += 0.0 if photo is None else photo_size(photo, width)[1] + 7
    height += LINE * (len(key) + len(foot)) + 3 * EDGE
    return Plan(
        blocks=tuple(blocks),
        left_out=tuple(left_out),
        remarks=tuple(remarks),
        scale=_scale(blocks, acceptance),
        width=width,
        height=height,
        key=tuple(key),
        foot=tuple(foot),
        acceptance_limit=acceptance,
        markers=markers,
        photo=photo,
        residue=study["residue"],
    )


def photo_size(photo: Photo, width: float) -> tuple[float, float]:
    """Width and height of the visible image, mm: room is left for the names of its frames."""
    most_wide, most_high = (50.0, 38.0) if narrow(width) else (110.0, 42.0)
    rows, columns = photo.shape
    scale = min(most_wide / columns, most_high / rows)
    return columns * scale, rows * scale


def _scale(blocks: Sequence[Block], acceptance: float | None) -> tuple[float, float]:
    """One scale for every map: up to the spiked ones and a few times the acceptance limit."""
    maps = [panel for block in blocks for panel in block.maps]
    shown = [p.values for p in maps if acceptance is None or p.role == "spiked"]
    tops = [float(np.nanquantile(values, 0.99)) for values in shown if np.isfinite(values).any()]
    if acceptance is not None:
        tops.append(_ACCEPTANCE_SPAN * acceptance)
    limits = [block.pixel_limit for block in blocks]
    return shared_scale([panel.values for panel in maps], limits, max(tops, default=0.0))
