"""The design of a study: is every mock-up compared with what it must be, and named as one?"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator
from functools import partial

from ..decision.claims import MIN_BLANKS, MIN_EXPOSED
from ..decision.comparator import comparator_places
from ..decision.design import arm_columns, arm_notes, sample
from ..errors import Fault, did_you_mean
from ..schema import NET_SIGNAL, STRATUM_COLUMNS
from ..trends import DOSE_UNITS
from ..validator import Place
from ..words.codes import sentences
from ..words.common import arm_words, counted, stratum_words
from .befores import pairing
from .measurements import Key, Measurement
from .names import near_names, spelling_faults
from .settings import SCORES

#: What a sample of this role cannot be too, at the same age.
_NOT_BESIDE = {"exposed": ("spiked", "a water-only blank"),
               "spiked": ("a water-only blank", "an untreated blank")}  # fmt: skip
#: How far above the highest loading an acceptance limit may lie unsaid; ug cm-2 of 10 um of matter
#: of 1 g cm-3.
_FAR, _THICK = 10.0, 1000.0


def design_faults(
    table: str, rows: tuple[Measurement, ...], treatment: str, scores: tuple[str, ...], place: Place
) -> Iterator[Fault]:
    """What is wrong with how rows stand to each other. A doubtful row may be what others lack: then
    nothing is said of these, until that row is mended."""
    sure = tuple(row for row in rows if not row.doubtful)
    blank = {row.stratum for row in rows if row.role == "blank"}
    for row in rows:
        fault = partial(Fault, file=table, line=row.line)
        if row.role in ("exposed", "spiked") and not _may_have_blank(row, rows):
            paint, soiling, ageing = row.stratum
            without_age = {stratum[:2] for stratum in blank}
            fix = f"a row of role blank on {paint!r}, soiling {soiling!r}, ageing_h {ageing:g}"
            near = did_you_mean(paint, {stratum[0] for stratum in blank})
            if near.startswith("did you mean") and repr(paint) not in near:
                fix = f"{near} Else {fix}"
            elif row.mockup in {stratum[0] for stratum in blank}:
                fix = f"mockup {paint} and paint {row.mockup}, if these are swapped; else {fix}"
            if (paint, soiling) in without_age:
                fix = f"a blank aged as long: ageing_h {ageing:g} (an unaged blank will not do)"
            yield fault(
                f"{row.role} mock-up {row.mockup!r} on paint {paint!r}, soiling "
                f"{soiling!r}, ageing {ageing:g} h without a blank of its own",
                "at least one blank of the same stratum",
                fix,
            )
    if rows and not any(row.may_be(role="exposed") for row in rows):
        yield Fault(
            "no row of role exposed",
            "at least one exposed mock-up",
            "add the mock-ups that met the gel",
            file=table,
        )
    elif (
        rows
        and treatment
        and not any(row.may_be(role="exposed", treatment=treatment) for row in rows)
    ):
        yield place.fault(
            f"treatment = {treatment!r}, which no exposed row has",
            "the treatment whose residue is asked for",
            did_you_mean(treatment, {row.treatment for row in rows if row.role == "exposed"}),
            "question",
            "treatment",
        )
    pure = any(row.may_be(role="reference", treatment=treatment) for row in rows)
    if rows and treatment and scores == (NET_SIGNAL,) and not pure:
        yield Fault(
            f"the score {NET_SIGNAL!r} alone, and no reference of {treatment!r}",
            "a reference: the net signal is measured by the pure material's spectrum",
            f"a row of role reference with treatment {treatment}, or scores = {list(SCORES)}",
            file=table,
        )
    yield from spelling_faults(table, rows)
    yield from _double_roles(table, sure)
    yield from _two_panels(table, sure)
    for row in rows:
        if row.dose >= 0 and not row.dose_unit:
            yield Fault(
                f"a dose {row.dose:g} without a dose_unit",
                "the unit of the dose",
                f"dose_unit {' or '.join(dict.fromkeys(DOSE_UNITS.values()))}",
                table,
                row.line,
            )


def _may_have_blank(row: Measurement, rows: Iterable[Measurement]) -> bool:
    """Whether a row has a blank of its own, or may have one once what is doubtful is mended."""
    place = {name: getattr(row, name) for name in STRATUM_COLUMNS if name not in row.doubtful}
    return any(one.may_be(role="blank", **place) for one in rows)


def _double_roles(table: str, rows: tuple[Measurement, ...]) -> Iterator[Fault]:
    """Refuse a sample that is exposed or spiked and at the same age a control of another kind.

    What it carries would stand on both sides of the comparison. An untreated blank may be exposed
    later (before and after), and a blank of one age may be anything at another.
    """
    first: dict[tuple[Key, str], Measurement] = {}
    for row in rows:
        first.setdefault((_at_one_age(row), _kind(row)), row)
    told = set()
    for row in rows:
        key = _at_one_age(row)
        other = next((first[key, one] for one in _NOT_BESIDE.get(row.role, ())
                      if (key, one) in first), None)  # fmt: skip
        if other is None or (key, row.role) in told:
            continue
        told.add((key, row.role))
        yield Fault(
            f"the mock-up {row.mockup!r}, {row.role} here and {_kind(other)} in line {other.line}",
            "one role for one physical sample at one age (an untreated blank may be exposed later)",
            "a name of its own for each sample; each field of a panel is one; what was measured "
            "before a mock-up was spiked has role before",
            table,
            row.line,
        )


def _at_one_age(row: Measurement) -> Key:
    return (*sample(row), row.ageing_h)


def _kind(row: Measurement) -> str:
    if row.role != "blank":
        return row.role
    return "a water-only blank" if row.treatment == "water" else "an untreated blank"


def _two_panels(table: str, rows: tuple[Measurement, ...]) -> Iterator[Fault]:
    """Refuse a mock-up that lies on two panels."""
    first: dict[Key, Measurement] = {}
    for row in rows:
        if row.role in ("blank", "exposed", "spiked"):
            other = first.setdefault(sample(row), row)
            if other.block != row.block:
                yield Fault(
                    f"the mock-up {row.mockup!r} on {_panel(row)}, in line {other.line} on "
                    f"{_panel(other)}",
                    "one panel for a mock-up: the column block in all its rows alike",
                    f"block {row.block or other.block} in both, or a name of its own for each",
                    table,
                    row.line,
                )


def _panel(row: Measurement) -> str:
    return f"panel {row.block!r}" if row.block else "no panel"


def _panel_notes(rows: tuple[Measurement, ...]) -> Iterator[str]:
    """Which arms name panels and cannot be judged within them."""
    arms: dict[Key, list[Measurement]] = defaultdict(list)
    blanks: dict[Key, dict[Key, Measurement]] = defaultdict(dict)
    for row in rows:
        if row.role == "exposed":
            arms[row.arm].append(row)
        elif row.role == "blank":
            blanks[row.stratum][(*sample(row), row.treatment)] = row
    before = {sample(row) for row in rows if row.role == "before"}
    for arm, exposed in arms.items():
        known = [*blanks[arm[:3]].values()]
        places = comparator_places([one.treatment for one in known], [math.nan] * len(known))
        every = [known[place] for place in places]
        note = pairing(exposed, every, every, before)[1]
        if note is not None and note.code == "panels-not-used":
            yield f"{arm_words(arm_columns(exposed[0]))}: {sentences([note])[0]}"


def limit_notes(limit: float | None, rows: tuple[Measurement, ...]) -> Iterator[str]:
    """Say of an acceptance limit that it lies far beyond all that the study measures."""
    loadings = [row.loading_ug_cm2 for row in rows if row.loading_ug_cm2 > 0]
    highest = max(loadings, default=0.0)
    if limit is None or limit <= (_FAR * highest or _THICK):
        return
    beyond = "as much as a layer of 10 um or more"
    if highest:
        beyond = f"{limit / highest:.3g} times the highest loading in the table"
    yield (
        f"The acceptance limit of {limit:g} ug cm-2 is {beyond}: see that it is meant, and in "
        "ug cm-2 (10 mg m-2 are 1 ug cm-2)."
    )


def notes_of(rows: tuple[Measurement, ...]) -> list[str]:
    """What a user should know of a table that is not wrong."""
    notes = list(near_names(rows))
    columns = {row.arm: arm_columns(row) for row in rows}
    for arm, found in arm_notes(rows).items():
        notes += [f"{arm_words(columns[arm])}: {words}" for words in sentences(found)]
    notes += _panel_notes(rows)
    exposures: dict[Key, set[float]] = defaultdict(set)
    for row in rows:
        if row.role == "blank" and row.exposure_min >= 0:
            exposures[(*sample(row), row.ageing_h, row.treatment)].add(row.exposure_min)
    notes += [
        f"The blank mock-up {key[2]!r} on {key[0]} has the exposures "
        f"{' and '.join(f'{time:g}' for time in sorted(times))} min: its maps are averaged."
        for key, times in exposures.items()
        if len(times) > 1
    ]
    notes += [*_few(rows), *_unused(rows), *_spiked_twice(rows)]
    units = {row.dose_unit for row in rows if row.dose_unit}
    notes += [
        f"The dose_unit {unit!r} is kept as it stands: {did_you_mean(unit, DOSE_UNITS.values())}"
        for unit in sorted(units)
        if unit.casefold() not in DOSE_UNITS
    ]
    return notes


def working_note(
    treatment: str, working: float | None, rows: tuple[Measurement, ...]
) -> Iterator[str]:
    """Say that no mock-up met a gel for as long as the treatment will take."""
    times = {row.exposure_min for row in rows
             if row.role == "exposed" and row.treatment == treatment}  # fmt: skip
    if working is not None and not times:
        yield f"No mock-up met {treatment}, whose working exposure of {working:g} min is stated."
    elif working is not None and working not in times:
        yield (
            f"No mock-up met {treatment} for the working exposure of {working:g} min, but for "
            f"{' and '.join(f'{time:g}' for time in sorted(times))} min: the answer rests on a "
            "longer one, or there is none."
        )


def _few(rows: tuple[Measurement, ...]) -> Iterator[str]:
    """Say of arms and strata that they have too few mock-ups for a verdict."""
    arms: dict[Key, list[Measurement]] = defaultdict(list)
    blanks: dict[Key, set[str]] = defaultdict(set)
    for row in rows:
        if row.role == "exposed":
            arms[row.arm].append(row)
        elif row.role == "blank":
            blanks[row.stratum].add(row.mockup)
    for own in arms.values():
        n = len({row.mockup for row in own})
        if n < MIN_EXPOSED:
            yield (
                f"{arm_words(arm_columns(own[0]))}: {counted(n, 'exposed mock-up')}, so it cannot "
                f"be “not detected”: {MIN_EXPOSED} are needed."
            )
    for stratum in dict.fromkeys(own[0].stratum for own in arms.values()):
        n = len(blanks[stratum])
        if 0 < n < MIN_BLANKS:
            yield (
                f"{stratum_words(stratum)}: {counted(n, 'blank mock-up')}, so every verdict is "
                f"“inconclusive”: {MIN_BLANKS} are needed."
            )


def _unused(rows: tuple[Measurement, ...]) -> Iterator[str]:
    """Say of blanks that nothing is compared with them."""
    exposed = {row.stratum for row in rows if row.role in ("exposed", "spiked")}
    alone = {row.stratum: row for row in rows if row.role == "blank"}
    for stratum, row in alone.items():
        if exposed and stratum not in exposed:
            yield (
                f"{stratum_words(stratum)}: blank mock-up {row.mockup}, and no exposed or spiked "
                "one to compare it with. See that paint, soiling and ageing_h are meant."
            )


def _spiked_twice(rows: tuple[Measurement, ...]) -> Iterator[str]:
    """Say of a sample that it is spiked with several loadings."""
    loads: dict[Key, set[float]] = defaultdict(set)
    for row in rows:
        if row.role == "spiked":
            loads[(*sample(row), row.ageing_h, row.carried)].add(row.loading_ug_cm2)
    for (_, _, mockup, *_), own in loads.items():
        if len(own) > 1:
            yield (
                f"The mock-up {mockup!r} is spiked with "
                f"{' and '.join(f'{load:g}' for load in sorted(own))} ug cm-2: each counts as a "
                "mock-up of its own, which one sample is not."
            )
