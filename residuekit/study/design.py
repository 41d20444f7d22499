"""The design of a study: is every mock-up compared with what it must be, and named as one?"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from functools import partial
from typing import Any

from ..decision.comparator import comparator_places
from ..errors import Fault, did_you_mean
from ..results import arm_words
from ..schema import ARM_COLUMNS, NET_SIGNAL
from ..trends import DOSE_UNITS
from .measurements import Key, Measurement
from .names import near_names, spelling_faults
from .settings import SCORES, SETTINGS

_MOST_NAMES = 6


def design_faults(
    table: str, rows: tuple[Measurement, ...], treatment: str, scores: tuple[str, ...]
) -> Iterator[Fault]:
    blank = {row.stratum for row in rows if row.role == "blank"}
    for row in rows:
        fault = partial(Fault, file=table, line=row.line)
        if row.role in ("exposed", "spiked") and row.stratum not in blank:
            paint, soiling, ageing = row.stratum
            without_age = {stratum[:2] for stratum in blank}
            fix = f"a row of role blank on {paint!r}, soiling {soiling!r}, ageing_h {ageing:g}"
            near = did_you_mean(paint, {stratum[0] for stratum in blank})
            if near.startswith("did you mean") and repr(paint) not in near:
                fix = f"{near} Else {fix}"
            if (paint, soiling) in without_age:
                fix = f"a blank aged as long: ageing_h {ageing:g} (an unaged blank will not do)"
            yield fault(
                f"{row.role} mock-up {row.mockup!r} on paint {paint!r}, soiling "
                f"{soiling!r}, ageing {ageing:g} h without a blank of its own",
                "at least one blank of the same stratum",
                fix,
            )
    exposed = {row.treatment for row in rows if row.role == "exposed"}
    if rows and not exposed:
        yield Fault(
            "no row of role exposed",
            "at least one exposed mock-up",
            "add the mock-ups that met the gel",
            file=table,
        )
    elif treatment and exposed and treatment not in exposed:
        yield Fault(
            f"treatment = {treatment!r}, which no exposed row has",
            "the treatment whose residue is asked for",
            did_you_mean(treatment, exposed),
            file=SETTINGS,
        )
    pure = {row.treatment for row in rows if row.role == "reference"}
    if rows and scores == (NET_SIGNAL,) and treatment not in pure:
        yield Fault(
            f"the score {NET_SIGNAL!r} alone, and no reference of {treatment!r}",
            "a reference: the net signal is measured by the pure material's spectrum",
            f"a row of role reference with treatment {treatment}, or scores = {list(SCORES)}",
            file=table,
        )
    yield from spelling_faults(table, rows)
    yield from _double_roles(table, rows)
    for row in rows:
        if row.dose >= 0 and not row.dose_unit:
            yield Fault(
                f"a dose {row.dose:g} without a dose_unit",
                "the unit of the dose",
                f"dose_unit {' or '.join(dict.fromkeys(DOSE_UNITS.values()))}",
                table,
                row.line,
            )


def _sample(row: Measurement) -> Key:
    """What names a physical sample: its name on its paint and soiling."""
    return row.paint, row.soiling, row.mockup


def _double_roles(table: str, rows: tuple[Measurement, ...]) -> Iterator[Fault]:
    """Refuse a sample that is exposed and at the same age a water-only blank or spiked.

    What it carries would stand on both sides of the comparison. An untreated blank may be exposed
    later (before and after), and a blank of one age may be anything at another.
    """
    controls: dict[Key, Measurement] = {}
    for row in rows:
        if row.role == "spiked" or (row.role == "blank" and row.treatment == "water"):
            controls.setdefault((*_sample(row), row.ageing_h), row)
    told = set()
    for row in rows:
        key = (*_sample(row), row.ageing_h)
        if row.role == "exposed" and key in controls and key not in told:
            told.add(key)
            other = controls[key]
            what = "spiked" if other.role == "spiked" else "a water-only blank"
            yield Fault(
                f"the mock-up {row.mockup!r}, exposed here and {what} in line {other.line}",
                "one role for one physical sample at one age (an untreated blank may be exposed "
                "later)",
                "a name of its own for each sample; each field of a panel is one",
                table,
                row.line,
            )


def shared_mockups(rows: Sequence[Measurement]) -> dict[Key, list[str]]:
    """Say of each arm which of its mock-ups stand in other arms of the same stratum, or were an
    untreated blank before: such arms and controls are not independent."""
    arms: dict[Key, set[Key]] = defaultdict(set)
    columns: dict[Key, dict[str, Any]] = {}
    untreated: dict[Key, set[Key]] = defaultdict(set)
    for row in rows:
        if row.role == "exposed":
            arms[row.arm].add(_sample(row))
            columns[row.arm] = {name: getattr(row, name) for name in ARM_COLUMNS}
        elif row.role == "blank" and row.treatment == "none":
            untreated[row.stratum].add(_sample(row))
    notes: dict[Key, list[str]] = defaultdict(list)
    for arm, own in arms.items():
        for other, theirs in arms.items():
            if other != arm and other[:3] == arm[:3] and own & theirs:
                notes[arm].append(
                    f"{_listed(own & theirs)} also met {arm_words(columns[other])}: the two arms "
                    "are not independent."
                )
        before = own & untreated[arm[:3]]
        if before:
            notes[arm].append(
                f"{_listed(before)} stood among the untreated blanks: these and the arm are "
                "not independent."
            )
    return dict(notes)


def measured_otherwise(rows: Sequence[Measurement]) -> dict[Key, list[str]]:
    """Say of each arm whose mock-ups were not measured as its blanks were: in sessions without a
    blank, or with more or fewer files each. What then differs passes for gel, or hides it."""
    arms: dict[Key, dict[Key, list[Measurement]]] = defaultdict(lambda: defaultdict(list))
    blanks: dict[Key, dict[Key, list[Measurement]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        if row.role == "exposed":
            arms[row.arm][_sample(row)].append(row)
        elif row.role == "blank":
            blanks[row.stratum][(*_sample(row), row.treatment)].append(row)
    notes: dict[Key, list[str]] = {}
    for arm, exposed in arms.items():
        every = list(blanks[arm[:3]].values())
        first = [files[0] for files in every]
        places = comparator_places(
            [row.treatment for row in first], [row.exposure_min for row in first],
            next(iter(exposed.values()))[0].exposure_min,
        )  # fmt: skip
        own = [every[place] for place in places]
        said = [_lone_sessions(exposed.values(), own), _unlike_counts(exposed.values(), own)]
        notes[arm] = [words for words in said if words]
    return notes


def _lone_sessions(
    exposed: Iterable[Sequence[Measurement]], blanks: Sequence[Sequence[Measurement]]
) -> str:
    met, clean = (
        {row.session for files in mockups for row in files} for mockups in (exposed, blanks)
    )
    if not blanks or "" in met | clean or met <= clean:
        return ""
    lone = sorted(met - clean)
    return (
        f"No blank of the arm was measured in session{'s' * (len(lone) > 1)} "
        f"{', '.join(lone)}: what differs from session to session is not told from gel."
    )


def _unlike_counts(
    exposed: Iterable[Sequence[Measurement]], blanks: Sequence[Sequence[Measurement]]
) -> str:
    if not blanks:
        return ""
    of_exposed, of_blank = (
        sum(map(len, mockups)) / len(mockups) for mockups in (list(exposed), blanks)
    )
    if of_exposed == of_blank:
        return ""
    return (
        f"Files a mock-up: {of_exposed:.3g} of the exposed, {of_blank:.3g} of the blanks; as far "
        "as maps of one mock-up differ, the limits, which come from the blanks, are too "
        f"{'low' if of_exposed < of_blank else 'high'}."
    )


def arm_notes(rows: Sequence[Measurement]) -> dict[Key, list[str]]:
    """What must be said of each arm: shared mock-ups, and what was measured unlike its blanks."""
    shared = shared_mockups(rows)
    return {arm: [*shared.get(arm, []), *said] for arm, said in measured_otherwise(rows).items()}


def notes_of(rows: tuple[Measurement, ...]) -> list[str]:
    """What a user should know of a table that is not wrong."""
    notes = list(near_names(rows))
    columns = {row.arm: {name: getattr(row, name) for name in ARM_COLUMNS} for row in rows}
    for arm, said in arm_notes(rows).items():
        notes += [f"{arm_words(columns[arm])}: {words}" for words in said]
    exposures: dict[Key, set[float]] = defaultdict(set)
    for row in rows:
        if row.role == "blank" and row.exposure_min >= 0:
            exposures[(*_sample(row), row.ageing_h, row.treatment)].add(row.exposure_min)
    notes += [
        f"The blank mock-up {key[2]!r} on {key[0]} has the exposures "
        f"{' and '.join(f'{time:g}' for time in sorted(times))} min: its maps are averaged."
        for key, times in exposures.items()
        if len(times) > 1
    ]
    units = {row.dose_unit for row in rows if row.dose_unit}
    notes += [
        f"The dose_unit {unit!r} is kept as it stands: {did_you_mean(unit, DOSE_UNITS.values())}"
        for unit in sorted(units)
        if unit.casefold() not in DOSE_UNITS
    ]
    return notes


def _listed(samples: set[Key]) -> str:
    names = sorted(str(sample[-1]) for sample in samples)
    more = f" and {len(names) - _MOST_NAMES} more" if len(names) > _MOST_NAMES else ""
    return f"{'Mock-up' if len(names) == 1 else 'Mock-ups'} {', '.join(names[:_MOST_NAMES])}{more}"
