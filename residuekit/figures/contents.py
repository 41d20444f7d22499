"""Decide what the figure holds: blocks, pages, scale, size, key, and the lines below."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import ContractError, Fault, did_you_mean
from ..schema import FIGURE_WIDTHS, JUDGED_COLUMNS
from ..words import caption as words
from ..words.caption import letter_of
from ..words.common import Stratum, arm_words, stratum_of, working_words
from .choice import choose
from .key import Entry, key_entries, key_rows
from .layout import EDGE, GAP, LEAST, LINE, PAGE_HEIGHT, PAGE_WIDTH, block_height, narrow
from .map_panel import shared_scale
from .stage_panel import Photo, read_photo
from .stratum import Block
from .style import plain, wrapped

if TYPE_CHECKING:
    from ..results import StudyResult

#: The most arms of one stratum: what a page holds.
_MOST_ARMS, _MOST_ARMS_NARROW = 14, 4
#: The scale of the maps ends at this many times the acceptance limit.
_ACCEPTANCE_SPAN = 2.5
#: Below the visible image, mm: its scale bar.
BELOW_PHOTO = 6.0


@dataclass(frozen=True)
class Place:
    """A block on its page: its letter, its upper left corner and its width, mm."""

    block: Block
    letter: str
    left: float
    top: float
    width: float


@dataclass(frozen=True)
class Plan:
    """All that is drawn on a page of the figure, and what is left out of all its pages."""

    places: tuple[Place, ...]
    unit: str
    page: int
    left_out: tuple[str, ...]
    remarks: tuple[str, ...]
    scale: tuple[float, float]
    width: float
    height: float
    key: tuple[list[Entry], ...]
    foot: tuple[str, ...]
    markers: tuple[dict[str, Any], ...]
    photo: Photo | None
    framed: bool
    residues: tuple[str, ...]

    @property
    def blocks(self) -> tuple[Block, ...]:
        """The blocks of the page."""
        return tuple(place.block for place in self.places)

    @property
    def acceptance_limits(self) -> list[float]:
        """The acceptance limits of the residues that are drawn."""
        return list(dict.fromkeys(b.acceptance for b in self.blocks if b.acceptance is not None))

    @property
    def lettered(self) -> list[tuple[str, Block]]:
        """The blocks of the page with their letters."""
        return [(place.letter, place.block) for place in self.places]


def plan_figure(
    result: StudyResult,
    *,
    residue: str | None = None,
    strata: Sequence[str | Stratum] | None = None,
    width_mm: float | None = None,
    page: int | None = None,
) -> Plan:
    """Decide what one page of the figure holds; see `residue_figure`."""
    pages = plan_pages(result, residue=residue, strata=strata, width_mm=width_mm)
    if page is not None and not 1 <= page <= len(pages):
        raise ContractError(
            Fault(f"page {page} of the figure", f"1 to {len(pages)}",
                  did_you_mean(str(page), list(map(str, range(1, len(pages) + 1)))))
        )  # fmt: skip
    chosen = pages[(page or 1) - 1]
    if page is None:
        drawn = [place.block for other in pages if other is not chosen for place in other.places]
        lost = [row for row in _drawn(drawn) if row["verdict"] == "detected"]
        other = next((p.page for p in pages if lost and lost[0] in _drawn(p.blocks)), 0)
        _refuse(lost, f"residue_figure(result, page={other})")
    return chosen


def plan_pages(
    result: StudyResult,
    *,
    residue: str | None = None,
    strata: Sequence[str | Stratum] | None = None,
    width_mm: float | None = None,
) -> list[Plan]:
    """Plan all pages of the figure; each holds blocks of one unit, so that one scale serves all.

    Raises
    ------
    ContractError : as `residue_figure` says; a detected arm that no page has room for.
    """
    settings = result.provenance["study"]["figure"]
    width = float(settings.get("width_mm", PAGE_WIDTH) if width_mm is None else width_mm)
    if not FIGURE_WIDTHS[0] <= width <= FIGURE_WIDTHS[1]:
        raise ContractError(
            Fault(
                f"a figure {width:g} mm wide",
                f"{FIGURE_WIDTHS[0]:g} to {FIGURE_WIDTHS[1]:g} mm",
                "width_mm = 85 for one column, 170 for the full width",
            )
        )
    names = [residue] if residue is not None else result.residues
    parts = [result.of_residue(name) for name in names]
    blocks, left_out = _blocks(parts, strata, width)
    left_out += words.other_residues(result.verdicts.to_dict("records"), names)
    _refuse_lost(parts, blocks, strata)
    pages = _paginate(blocks, width)
    units = {block.unit for block in blocks}
    scales = {unit: _scale([b for b in blocks if b.unit == unit]) for unit in units}
    photo, remarks = read_photo(parts[0], [(p.letter, p.block) for ps in pages for p in ps])
    markers = {marker["name"]: marker for part in parts for marker in part.provenance["markers"]}
    remarks += _without_working_arm(parts, blocks)
    plans = [
        _plan(places, number, len(pages), width, scales[places[0].block.unit],
              tuple(markers.values()), left_out, tuple(remarks))
        for number, places in enumerate(pages, start=1)
    ]  # fmt: skip
    return plans if photo is None else _with_photo(plans, photo)


def _without_working_arm(parts: Sequence[StudyResult], blocks: Sequence[Block]) -> list[str]:
    """The blocks that show no arm of their residue's working exposure, by what that is."""
    bare: dict[str, list[Block]] = {}
    for part in parts:
        study = part.provenance["study"]
        working = working_words(study, study["left_by"])
        for block in blocks:
            if block.residue == study["residue"] and not any(one.working for one in block.groups):
                bare.setdefault(working, []).append(block)
    return [words.no_working_arm(working, own) for working, own in bare.items() if working]


def _blocks(
    parts: Sequence[StudyResult], strata: Sequence[str | Stratum] | None, width: float
) -> tuple[list[Block], list[str]]:
    """The blocks of every residue, those of one stratum beside each other; what is left out."""
    beside = max(1, int((width + GAP) // (LEAST + GAP))) if len(parts) > 1 else 1
    most = _MOST_ARMS_NARROW if narrow(width / min(beside, len(parts))) else _MOST_ARMS
    blocks: list[Block] = []
    left_out: list[str] = []
    refused: dict[str, ContractError] = {}
    for part in parts:
        try:
            own, said = choose(part, strata, most)
        except ContractError as problem:
            if strata is not None or len(parts) == 1:
                raise
            refused[part.provenance["study"]["residue"]] = problem
            continue
        blocks += own
        left_out += said
    if not blocks:
        raise next(iter(refused.values()))
    left_out += [words.residue_not_drawn(name, str(why)) for name, why in refused.items()]
    units = list(dict.fromkeys(block.unit for block in blocks))
    places = list(dict.fromkeys(block.stratum for block in blocks))
    blocks.sort(key=lambda b: (units.index(b.unit), places.index(b.stratum)))
    return blocks, left_out


def _paginate(blocks: Sequence[Block], width: float) -> list[list[Place]]:
    """Put blocks on pages: those of one stratum side by side where there is room, those of
    another unit on a page of their own."""
    beside = max(1, int((width + GAP) // (LEAST + GAP)))
    lines: list[list[Block]] = []
    for block in blocks:
        last = lines[-1] if lines else []
        same = last and (last[0].stratum, last[0].unit) == (block.stratum, block.unit)
        if same and len(last) < beside:
            last.append(block)
        else:
            lines.append([block])
    pages: list[list[Place]] = []
    top, letters = EDGE, 0
    room = PAGE_HEIGHT - _below(width)
    for line in lines:
        wide = (width - GAP * (len(line) - 1)) / len(line)
        high = max(block_height(block, wide) for block in line)
        if not pages or top + high > room or pages[-1][0].block.unit != line[0].unit:
            pages.append([])
            top = EDGE
        for k, block in enumerate(line):
            left = k * (wide + GAP)
            pages[-1].append(Place(block, letter_of(letters), left, top, wide))
            letters += 1
        top += high
    return pages


def _below(width: float) -> float:
    """What key and lines below the blocks may take."""
    return 4 * LINE + 3 * EDGE if not narrow(width) else 9 * LINE + 3 * EDGE


def _drawn(blocks: Sequence[Block]) -> list[Any]:
    return [group.verdict for block in blocks for group in block.groups if group.verdict]


def _refuse_lost(
    parts: Sequence[StudyResult],
    blocks: Sequence[Block],
    strata: Sequence[str | Stratum] | None,
) -> None:
    """Refuse a figure from which a detected arm is missing; of the wanted strata alone if given."""

    def key(row: Any) -> tuple[str, ...]:
        return tuple(str(row[name]) for name in (*JUDGED_COLUMNS, "residue"))

    shown = {key(row) for row in _drawn(blocks)}
    wanted = [block.stratum for block in blocks]
    lost = [
        row
        for part in parts
        for row in part.verdicts.to_dict("records")
        if row["verdict"] == "detected"
        and key(row) not in shown
        and (strata is None or stratum_of(row) in wanted)
    ]
    calls = dict.fromkeys(
        f"residue_figure(result, residue={row['residue']!r}, strata=[{stratum_of(row)!r}])"
        for row in lost
    )
    if strata is not None and len(blocks) == 1:
        calls = dict.fromkeys(["plot_mockups({arm: scores, ...}), which draws any number of arms"])
    _refuse(lost, "; ".join(calls))


def _refuse(lost: Sequence[Any], call: str) -> None:
    if lost:
        raise ContractError(
            Fault(f"{len(lost)} detected arm{'s' * (len(lost) > 1)} without room in the figure, "
                  f"{arm_words(lost[0])} for one", "a figure that shows every detected arm", call)
        )  # fmt: skip


def _plan(
    places: Sequence[Place],
    page: int,
    pages: int,
    width: float,
    scale: tuple[float, float],
    markers: tuple[dict[str, Any], ...],
    left_out: Sequence[str],
    remarks: tuple[str, ...],
) -> Plan:
    room = width - 2 * EDGE
    blocks = [place.block for place in places]
    key = key_rows(key_entries(blocks), room)
    shown = {name for block in blocks for name in block.scored}
    names = {k: plain(one["name"]) for k, one in enumerate(markers, 1) if one["name"] in shown}
    lettered = [(place.letter, place.block) for place in places]
    identified = any(one.block.identified and not narrow(one.width) for one in places)
    said = [*words.foot(names, lettered, bool(left_out), identified), *remarks]
    said += [words.page_of(page, pages)] if pages > 1 else []
    foot = wrapped(" ".join(said), room)
    height = max(place.top + block_height(place.block, place.width) for place in places)
    return Plan(
        places=tuple(places),
        unit=blocks[0].unit,
        page=page,
        left_out=tuple(left_out),
        remarks=remarks,
        scale=scale,
        width=width,
        height=height + LINE * (len(key) + len(foot)) + 2 * EDGE,
        key=tuple(key),
        foot=tuple(foot),
        markers=markers,
        photo=None,
        framed=False,
        residues=tuple(dict.fromkeys(block.residue for block in blocks)),
    )


def _with_photo(plans: list[Plan], photo: Photo) -> list[Plan]:
    """The visible image below the last page, or on a page of its own."""
    plans = [replace(plan, framed=True) for plan in plans]
    last = plans[-1]
    high = photo_size(photo, last.width)[1] + BELOW_PHOTO
    if last.height + high <= PAGE_HEIGHT:
        return [*plans[:-1], replace(last, photo=photo, height=last.height + high)]
    alone = replace(last, places=(), page=last.page + 1, key=(), foot=(), photo=photo,
                    height=high + 2 * EDGE)  # fmt: skip
    return [*plans, alone]


def photo_size(photo: Photo, width: float) -> tuple[float, float]:
    """Width and height of the visible image, mm: room is left for the names of its frames."""
    most_wide, most_high = (width * 0.55, 42.0)
    rows, columns = photo.shape
    scale = min(most_wide / columns, most_high / rows)
    return columns * scale, rows * scale


def _scale(blocks: Sequence[Block]) -> tuple[float, float]:
    """One scale for every map: up to the spiked ones and a few times the acceptance limit."""
    accepted = [block.acceptance for block in blocks if block.acceptance is not None]
    maps = [panel for block in blocks for panel in block.maps]
    shown = [p.values for p in maps if not accepted or p.role == "spiked"]
    tops = [float(np.nanquantile(values, 0.99)) for values in shown if np.isfinite(values).any()]
    tops += [_ACCEPTANCE_SPAN * limit for limit in accepted]
    limits = [block.pixel_limit for block in blocks]
    return shared_scale([panel.values for panel in maps], limits, max(tops, default=0.0))
