"""The due-diligence figure in words: its caption, the lines below it, what it leaves out.

A plan, block, group and map are those of `residuekit.figures`; any object with their fields does.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from ..reprs import sentence_case
from ..schema import FLAGS, LOADING_UNIT
from .common import (
    as_films,
    bound_words,
    counted,
    judged,
    listed,
    number,
    percent,
    residue_words,
    rounded,
    unit_words,
)
from .quality import panel_flags

Plan = Any
Block = Any
Group = Any
Panel = Any
_LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
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
    unit, confidence = unit_words(plan.unit), percent(1 - study["alpha"])
    lettered = plan.lettered
    roles = {panel.role for block in plan.blocks for panel in block.maps}
    mapped = [role for role in ("blank", "exposed", "spiked") if role in roles]
    begin = [f"Residue of {listed(plan.residues)}."]
    several = len(plan.residues) > 1
    blocks = [(letter, block_words(block, several), block) for letter, block in lettered]
    arms = [f"({letter}) {sentence_case(words)}: {'; '.join(_judged(block))}."
            for letter, words, block in blocks]  # fmt: skip
    named = "; ".join(f"({letter}) {words}" for letter, words, _ in blocks)
    few = [f"{sentence_case(named)}. The verdicts with their limits stand in the table."]
    end = [
        f"Maps: {listed(mapped)} mock-ups on one scale, pixels not above the pixel limit faded."
        if mapped else "",
        f"Dots: one a mock-up. Broken line: the limit that decides. Whisker: {confidence} "
        f"one-sided upper bound (UB). DL: detection limit, in {unit}.",
        _acceptance(plan, unit),
        _films(plan, study),
        "Part of the study is not drawn; the caption in full names it." if plan.left_out else "",
    ]  # fmt: skip
    every = (" ".join(filter(None, [*begin, *middle, *end])) for middle in (arms, few, []))
    return next((text for text in every if len(text.split()) <= MOST_WORDS), begin[0])


def _judged(block: Block) -> Iterator[str]:
    """The arms of a block with what a verdict is never without."""
    for group in block.groups:
        if (row := group.verdict) is not None:
            said = f"{group.words.removeprefix('exposed ')}, n = {group.values.size}: "
            said += row["verdict"]
            if judged(row):
                said += f" (DL {rounded(row, 'detection_limit')}, UB {bound_words(row)})"
            yield said


def _caption(plan: Plan, study: Mapping[str, Any]) -> Iterator[str]:
    lettered = plan.lettered
    unit = unit_words(plan.unit)
    confidence = percent(1 - study["alpha"])
    yield f"Residue of {' and '.join(plan.residues)}: {study['title'].rstrip('.')}."
    if plan.photo is not None:
        yield f"Below: {plan.photo.name} in visible light with the frames of the maps."
    for letter, block in lettered:
        yield from _block(letter, block, len(plan.residues) > 1)
    if any(block.maps for block in plan.blocks):
        yield (
            f"All maps, on every page, have one colour scale, {number(plan.scale[0], 2)} to "
            f"{number(plan.scale[1], 2)} {unit}. Pixels not above the pixel limit (bold number and "
            "line on the colour bar) are faded, and a line parts them from those above. "
            "Masked pixels are grey and hatched; y points upward."
        )
    else:
        yield "Point spectra only: there are no maps to draw."
    yield (
        "Spectra: means over mock-ups with one standard deviation. Differences: exposed less "
        f"blank, over two standard deviations of the blanks. {_gel(lettered)}."
    )
    yield from _curves(lettered, confidence, unit)
    yield (
        "Dots: one a mock-up. Short line: mean of the group, with its upper bound. Broken line: "
        f"the limit that decides, {_deciding(plan)}."
    )
    if any(group.pairs is not None for block in plan.blocks for group in block.groups):
        yield (
            "Slanted lines: the score of a mock-up before treatment (above) and after it (below). "
            "Dots and limits are of what the two differ by, and so are the differences of spectra."
        )
    yield _acceptance(plan, unit) or "No acceptance limit can be drawn."
    if films := _films(plan, study):
        yield films
    called = f"called detected with {percent(1 - study['beta'])} probability"
    identified = f" IL: identification limit, {called}." if _identified(lettered) else ""
    yield (
        f"DL: detection limit of the arm's mean.{identified} UB: the mean's {confidence} "
        "one-sided upper bound. A verdict is about the mean of its arm."
    )
    flags = {name for block in plan.blocks for panel in block.maps for name in panel.flags}
    for name, (_, words) in FLAGS.items():
        if name in flags:
            yield f"{name.replace('_', ' ').capitalize()}: {words}."


def _identified(lettered: Sequence[tuple[str, Block]]) -> bool:
    """Whether an arm that is drawn has an identification limit."""
    rows = (group.verdict for _, block in lettered for group in block.groups if group.verdict)
    return any(row["identification_limit"] == row["identification_limit"] for row in rows)


def letter_of(place: int) -> str:
    """The letter of a block, over all pages of the figure.

    >>> letter_of(0), letter_of(25), letter_of(26)
    ('A', 'Z', 'AA')
    """
    before, own = divmod(place, len(_LETTERS))
    return (letter_of(before - 1) if before else "") + _LETTERS[own]


def deciding_limit(row: Mapping[Any, Any]) -> str:
    """The column of the limit that decides an arm: that of its mean, unless one mock-up alone is
    above its own."""
    alone = row.get("positive_mockups", 0) > 0 and not row["estimate"] > row["decision_limit"]
    return "mockup_decision_limit" if alone else "decision_limit"


def block_words(block: Block, several: bool) -> str:
    """What a block is of; its residue is named where a study asks for `several`."""
    return f"{block.words}, {block.residue}" if several else str(block.words)


def headline(block: Block, several: bool) -> str:
    """A block in one line: its verdict at the working exposure, and where gel was detected.

    `several` residues are named.
    """
    judged = [group for group in block.groups if group.verdict is not None]
    shown = judged[:1] + [g for g in judged[1:] if g.verdict["verdict"] == "detected"]
    parts: dict[str, list[str]] = {}
    for group in shown:
        parts.setdefault(group.verdict["verdict"], []).append(group.words.removeprefix("exposed "))
    return f"{block_words(block, several)}: " + "; ".join(
        f"{', '.join(at)} {said}" for said, at in parts.items()
    )


def _acceptance(plan: Plan, unit: str) -> str:
    limits = " and ".join(map(number, plan.acceptance_limits))
    return f"Long line: the acceptance limit, {limits} {unit}." if limits else ""


def _films(plan: Plan, study: Mapping[str, Any]) -> str:
    return as_films(study.get("density_g_cm3")) if plan.unit == LOADING_UNIT else ""


def _deciding(plan: Plan) -> str:
    """Whose the limit that decides is, for the arms that are drawn."""
    alone = any(
        deciding_limit(group.verdict) == "mockup_decision_limit"
        for block in plan.blocks
        for group in block.groups
        if group.verdict is not None
    )
    return "of the arm's mean" + (", dash-dotted: of one mock-up" if alone else "")


def _block(letter: str, block: Block, several: bool) -> Iterator[str]:
    yield f"({letter}) {sentence_case(block_words(block, several))}, by the {block.score}."
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
    if not judged(row):
        return f"{words}: {row['verdict']}"
    known = row["identification_limit"] == row["identification_limit"]
    identified = f"IL {rounded(row, 'identification_limit')}, " if known else ""
    return (
        f"{words}: mean {rounded(row, 'estimate')}, DL {rounded(row, 'detection_limit')}, "
        f"{identified}UB {bound_words(row)}, {row['verdict']}"
    )


def _gel(lettered: Sequence[tuple[str, Block]]) -> str:
    factors = [
        f"{letter} × {number(block.gel_factor, 2)}"
        for letter, block in lettered
        if block.gel is not None
    ]
    if not factors:
        return "There is no reference of the pure gel"
    return f"The pure gel is scaled in the spectra ({', '.join(factors)})"


def _curves(lettered: Sequence[tuple[str, Block]], confidence: str, unit: str) -> Iterator[str]:
    spiked = [
        f"{letter} ± {number(block.spiking.spread_percent, 2)}%, k = {block.spiking.k}"
        for letter, block in lettered
        if block.spiking is not None
    ]
    loads = listed(
        map(number, sorted({float(load) for _, block in lettered if block.spiking is not None
                            for load in block.spiking.loadings}))
    )  # fmt: skip
    if spiked:
        yield (
            f"Detection curve: mock-ups spiked with {loads} {unit} (diamonds) and blank ones "
            "(circles) as found by the "
            f"slope through zero. Its two-sided {confidence} confidence band: "
            f"{'; '.join(spiked)}. Dash-dotted: decision limit of one mock-up."
        )
    else:
        yield "Without spiked mock-ups there is no detection curve."


def length_words(length: float, unit: str) -> str:
    """A length on a map as people write it.

    >>> length_words(200.0, "um"), length_words(5000.0, "um"), length_words(5.0, "pixel")
    ('200 µm', '5 mm', '5 pixels')
    """
    if unit != "um":
        return f"{length:g} pixel" + ("" if length == 1 else "s")
    return f"{length / 1000:g} mm" if length >= 1000 else f"{length:g} µm"


def foot(
    markers: Mapping[int, str],
    lettered: Sequence[tuple[str, Block]],
    left_out: bool,
    identified: bool,
) -> Iterator[str]:
    """The lines below the figure; `markers` are the names of the windows that are shaded, by their
    numbers, `identified`, whether a column of identification limits is drawn."""
    also = "IL: identification limit, " if identified else ""
    unit = unit_words(lettered[0][1].unit)
    yield f"DL: detection limit, {also}UB: upper bound, all of the mean and in {unit}."
    names = ", ".join(f"{k} {name}" for k, name in markers.items())
    blind = any(name in block.blind for _, block in lettered for name in block.scored)
    if names:
        brackets = "; in brackets where blind on the paint" if blind else ""
        yield f"Shaded marker windows: {names}{brackets}."
    flagged: dict[str, list[str]] = {}
    for letter, block in lettered:
        for panel in block.maps:
            if panel.flags or panel.masked:
                flagged.setdefault(_flags(panel), []).append(f"{letter} {panel.short}")
    if flagged:
        listed = "; ".join(f"{', '.join(names)}: {words}" for words, names in flagged.items())
        yield f"Flagged by the quality check: {listed}."
    elif any(block.maps for _, block in lettered):
        yield "No pixel of the maps is flagged by the quality check."
    if left_out:
        yield "Part of the study is not drawn; the caption names it."


def arms_not_drawn(block: Block, missing: int) -> str:
    """Arms of a stratum that the figure has no room for."""
    return f"{block.words}: {counted(missing, 'arm')} not drawn; see verdicts.csv."


def page_of(page: int, pages: int) -> str:
    """Which page of the figure this is."""
    return f"Page {page} of {pages}; letters and scale run on."


def other_residues(rows: Iterable[Mapping[Any, Any]], drawn: Sequence[str]) -> list[str]:
    """What a figure of some residues does not show, with the call that draws it."""
    others: dict[str, list[str]] = {}
    for row in rows:
        if row["residue"] not in drawn:
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


def residue_not_drawn(residue: str, why: str) -> str:
    """A residue of which no stratum can be drawn."""
    return f"Residue of {residue} is not drawn: {why}."


def no_working_arm(working: str, blocks: Iterable[Block]) -> str:
    """Strata without an arm of the working exposure."""
    bare = ", ".join(block.words for block in blocks)
    return f"Without an arm of the working exposure, {working}: {bare}."


PHOTO_MIRRORED = "The visible image is mirrored against the maps."


def photo_not_drawn(code: str, mockups: Sequence[str] = ()) -> str:
    """Why the visible image is not drawn; `mockups` are those that the reason is about."""
    one, *others = mockups or ("",)
    why = {
        "no map": f"no map of its mock-up {one} is drawn" if one else "no map is drawn",
        "pixel positions": "the maps count their places in pixels, not in µm of the stage",
        "overlap": f"the maps of {one} and {''.join(others)} lie at one place of the stage; "
        "image_mockup in [figure] says whose it is",
        "outside": "by image_affine no frame of a drawn map lies on it",
    }[code]
    return f"The visible image is not drawn: {why}."


def frames_outside(tags: Iterable[str]) -> str:
    """Frames that do not lie on the visible image."""
    return f"Beside the visible image, not on it: the frames of {', '.join(tags)}."


def figure_alternative(verdicts: Sequence[Mapping[Any, Any]]) -> str:
    """The figure in words, for those who cannot see it."""
    said = [
        f"{row['paint']}, {row['treatment']} {row['exposure_min']:g} min{residue_words(row)}: "
        f"{row['verdict']}"
        for row in verdicts
    ]
    more = f"; and {len(said) - _NAMED} more" if len(said) > _NAMED else ""
    return (
        "Due-diligence figure: a dot a mock-up with the limits, score maps on one colour scale, "
        "mean spectra, detection curve. Verdicts shown: "
        f"{'; '.join(said[:_NAMED])}{more}. The numbers stand in the tables below."
    )
