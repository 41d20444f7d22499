"""The due-diligence figure in words: its caption, the lines below it, what it leaves out.

A plan, block, group and map are those of `residuekit.figures`; any object with their fields does.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from ..reprs import sentence_case
from ..schema import FLAGS
from .common import counted, number, percent, rounded, unit_words
from .quality import panel_flags

Plan = Any
Block = Any
Group = Any
Panel = Any
LETTERS = "ABCDEFGHIJ"
_UM_PER_MM = 1000.0
_NAMED = 12
#: Of a caption that fits a journal.
MOST_WORDS = 180


def caption(plan: Plan, study: Mapping[str, Any]) -> str:
    """Say what each part of the figure shows, with its n and its limits."""
    return " ".join([*_caption(plan, study), *plan.left_out, *plan.remarks])


def short_caption(plan: Plan, study: Mapping[str, Any]) -> str:
    """The caption that fits a journal: at most `MOST_WORDS` words, the verdicts with their limits.

    Where there are too many arms their numbers stand in the table that it names.
    """
    unit, confidence = unit_words(plan.blocks[0].unit), percent(1 - study["alpha"])
    lettered = list(zip(LETTERS, plan.blocks, strict=False))
    begin = [f"Residue of {study['treatment']}."]
    arms = [f"({letter}) {sentence_case(block.words)}: {'; '.join(_judged(block))}."
            for letter, block in lettered]  # fmt: skip
    named = "; ".join(f"({letter}) {block.words}" for letter, block in lettered)
    few = [f"{sentence_case(named)}. The verdicts with their limits stand in the table."]
    end = [
        "Maps: blank, exposed and spiked mock-ups on one scale, pixels not above the pixel limit "
        "faded." if any(block.maps for block in plan.blocks) else "",
        f"Dots: one a mock-up; dashed: decision limit; dotted: detection limit (DL); whisker: "
        f"{confidence} one-sided upper bound (UB), in {unit}.",
        "" if plan.acceptance_limit is None else
        f"Long line: acceptance limit, {number(plan.acceptance_limit)} {unit}.",
    ]  # fmt: skip
    every = (" ".join(filter(None, [*begin, *middle, *end])) for middle in (arms, few, []))
    return next((text for text in every if len(text.split()) <= MOST_WORDS), begin[0])


def _judged(block: Block) -> Iterator[str]:
    """The arms of a block with what a verdict is never without."""
    for group in block.groups:
        if (row := group.verdict) is not None:
            yield (
                f"{group.words.removeprefix('exposed ')}, n = {group.values.size}: "
                f"{row['verdict']} (DL {rounded(row, 'detection_limit')}, "
                f"UB {rounded(row, 'upper_bound')})"
            )


def _caption(plan: Plan, study: Mapping[str, Any]) -> Iterator[str]:
    lettered = list(zip(LETTERS, plan.blocks, strict=False))
    unit = unit_words(plan.blocks[0].unit)
    confidence = percent(1 - study["alpha"])
    yield f"Residue of {plan.residue}: {study['title'].rstrip('.')}."
    if plan.photo is not None:
        yield f"Top: {plan.photo.name} in visible light with the frames of the maps."
    for letter, block in lettered:
        yield from _block(letter, block)
    if any(block.maps for block in plan.blocks):
        yield (
            f"All maps have one colour scale, {number(plan.scale[0], 2)} to "
            f"{number(plan.scale[1], 2)} {unit}. Pixels not above the pixel limit (bold number and "
            "line on the colour bar) are faded; a line on the map separates them from those above. "
            "Masked pixels are grey and hatched; y points upward."
        )
    else:
        yield "Point spectra only: there are no maps to draw."
    yield (
        "Spectra: means over mock-ups with one standard deviation; differences: means of the "
        "exposed arms less the mean of the blanks, over one standard deviation of the blanks; "
        f"{_gel(lettered)}."
    )
    yield from _curves(lettered, confidence)
    yield (
        "Dots: one a mock-up; short line: mean of the group, with its upper bound; dashed: "
        "decision limit, dotted: detection limit, dark of the arm's mean, in the colour of the "
        "exposed of one mock-up."
    )
    limit = plan.acceptance_limit
    if limit is not None:
        yield f"Long line: the acceptance limit, {number(limit)} {unit}."
    else:
        yield "No acceptance limit can be drawn."
    yield (
        "DL: detection limit of the arm's mean; IL: identification limit, called detected with "
        f"{percent(1 - study['beta'])} probability; UB: the mean's {confidence} one-sided upper "
        "bound. A verdict is about the mean of its arm."
    )
    flags = {name for block in plan.blocks for panel in block.maps for name in panel.flags}
    for name, (_, words) in FLAGS.items():
        if name in flags:
            yield f"{name.replace('_', ' ').capitalize()}: {words}."


def _block(letter: str, block: Block) -> Iterator[str]:
    yield f"({letter}) {sentence_case(block.words)}, by the {block.score}."
    if block.maps:
        shown = "; ".join(map(_map, block.maps))
        yield f"Maps: {shown}; pixel limit {number(block.pixel_limit, 2)}."
    for panel in [panel for panel in block.maps if panel.position_unit == "um"][:1]:
        left, right, lower, upper = (edge / _UM_PER_MM for edge in panel.extent)
        step = " × ".join(length_words(step, "um") for step in dict.fromkeys(panel.steps))
        yield (
            f"Field of a map {number(right - left)} × {number(upper - lower)} mm, step of its "
            f"pixels {step}."
        )
    yield f"Mock-ups: {'; '.join(map(_group, block.groups))}."


def _map(panel: Panel) -> str:
    flags = f"; {_flags(panel)}" if panel.flags or panel.masked else ""
    return f"{panel.words}, {panel.rule} ({panel.mockup}{flags})"


def _flags(panel: Panel) -> str:
    return panel_flags(panel.flags, panel.masked, panel.values.size)


def _group(group: Group) -> str:
    words, row = f"{group.words}, n = {group.values.size}", group.verdict
    if row is None:
        return words
    known = row["identification_limit"] == row["identification_limit"]
    identified = f"IL {rounded(row, 'identification_limit')}, " if known else ""
    return (
        f"{words}: mean {rounded(row, 'estimate')}, DL {rounded(row, 'detection_limit')}, "
        f"{identified}UB {rounded(row, 'upper_bound')}, {row['verdict']}"
    )


def _gel(lettered: Sequence[tuple[str, Block]]) -> str:
    factors = [
        f"{letter} × {number(block.gel_factor, 2)}"
        for letter, block in lettered
        if block.gel is not None
    ]
    if not factors:
        return "there is no reference of the pure gel"
    return f"the pure gel is scaled in the spectra ({', '.join(factors)})"


def _curves(lettered: Sequence[tuple[str, Block]], confidence: str) -> Iterator[str]:
    spiked = [
        f"{letter} ± {number(block.spiking.spread_percent, 2)}%, k = {block.spiking.k}"
        for letter, block in lettered
        if block.spiking is not None
    ]
    if spiked:
        yield (
            "Detection curve: spiked (diamonds) and blank mock-ups (circles) as found by the "
            f"slope through zero, with its two-sided {confidence} confidence band: "
            f"{'; '.join(spiked)}; dashed and dotted: decision and detection limit of one mock-up."
        )
    else:
        yield "Without spiked mock-ups there is no detection curve."
    if any(block.series is not None for _, block in lettered):
        yield (
            "Means of the arms: with upper bound (whisker), decision limit (dashed) and detection "
            "limit (dotted) of the mean."
        )


def length_words(length: float, unit: str) -> str:
    """A length on a map as people write it.

    >>> length_words(200.0, "um"), length_words(5000.0, "um"), length_words(5.0, "pixel")
    ('200 µm', '5 mm', '5 pixels')
    """
    if unit != "um":
        return f"{length:g} pixel" + ("" if length == 1 else "s")
    return f"{length / 1000:g} mm" if length >= 1000 else f"{length:g} µm"


def foot(markers: Sequence[str], blocks: Sequence[Block], left_out: bool) -> Iterator[str]:
    """The lines below the figure; `markers` are their names."""
    names = ", ".join(f"{k} {name}" for k, name in enumerate(markers, start=1))
    yield f"Shaded marker windows: {names}; in brackets where blind on the paint."
    flagged: dict[str, list[str]] = {}
    for letter, block in zip(LETTERS, blocks, strict=False):
        for panel in block.maps:
            if panel.flags or panel.masked:
                flagged.setdefault(_flags(panel), []).append(f"{letter} {panel.short}")
    if flagged:
        listed = "; ".join(f"{', '.join(names)}: {words}" for words, names in flagged.items())
        yield f"Flagged by the quality check: {listed}."
    elif any(block.maps for block in blocks):
        yield "No pixel of the maps is flagged by the quality check."
    if left_out:
        yield "Part of the study is not drawn; the caption names it."


def arms_not_drawn(block: Block, missing: int) -> str:
    """Arms of a stratum that the figure has no room for."""
    return f"{block.words}: {counted(missing, 'arm')} not drawn; see verdicts.csv."


def page_full(blocks: Iterable[Block]) -> str:
    """Strata that the page has no room for."""
    full = ", ".join(block.words for block in blocks)
    return f"Not drawn, because the page is full: {full}; see verdicts.csv."


def other_residues(rows: Iterable[Mapping[Any, Any]], drawn: str) -> list[str]:
    """What a figure of one residue does not show, with the call that draws it."""
    others: dict[str, list[str]] = {}
    for row in rows:
        if row["residue"] != drawn:
            others.setdefault(row["residue"], []).append(str(row["verdict"]))
    said = []
    for name, verdicts in others.items():
        if name:
            found = verdicts.count("detected")
            said.append(
                f"Not shown: {counted(len(verdicts), 'arm')} judged for residue of {name}, "
                f"{found} of them detected; residue_figure(result, residue={name!r}) draws them."
            )
        else:
            said.append(
                f"Not shown: {counted(len(verdicts), 'arm')} of treatments without a reference."
            )
    return said


def no_working_arm(exposure_min: float, blocks: Iterable[Block]) -> str:
    """Strata without an arm of the working exposure."""
    bare = ", ".join(block.words for block in blocks)
    return f"Without an arm of the working exposure, {exposure_min:g} min: {bare}."


PHOTO_MIRRORED = "The visible image is mirrored against the maps."


def photo_not_drawn(code: str, mockups: Sequence[str] = ()) -> str:
    """Why the visible image is not drawn; `mockups` are those that the reason is about."""
    one, *others = mockups or ("",)
    why = {
        "no map": f"no map of its mock-up {one} is drawn" if one else "no map is drawn",
        "pixel positions": "the maps count their places in pixels, not in µm of the stage",
        "overlap": f"the maps of {one} and {''.join(others)} lie at one place of the stage, so no "
        "one picture shows both; image_mockup in [figure] says whose it is",
        "outside": "by image_affine no frame of a drawn map lies on it",
    }[code]
    return f"The visible image is not drawn: {why}."


def frames_outside(tags: Iterable[str]) -> str:
    """Frames that do not lie on the visible image."""
    return f"Beside the visible image, not on it: the frames of {', '.join(tags)}."


def figure_alternative(verdicts: Sequence[Mapping[Any, Any]]) -> str:
    """The figure in words, for those who cannot see it."""
    said = [
        f"{row['paint']}, {row['treatment']} {row['exposure_min']:g} min: {row['verdict']}"
        for row in verdicts
    ]
    more = f"; and {len(said) - _NAMED} more" if len(said) > _NAMED else ""
    return (
        "Due-diligence figure: score maps on one colour scale, mean spectra, detection curve, "
        "means of the arms, a dot a mock-up with the limits. Verdicts shown: "
        f"{'; '.join(said[:_NAMED])}{more}. The numbers stand in the tables below."
    )
