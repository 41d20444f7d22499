"""The design of a study: arms that share mock-ups, or were measured unlike their blanks."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Protocol

from ..schema import ARM_COLUMNS
from ..words.codes import Note
from .comparator import comparator_places

Key = tuple[Any, ...]


class MeasuredFile(Protocol):
    """What a row of the table of measurements says of one measured file."""

    @property
    def role(self) -> str: ...
    @property
    def mockup(self) -> str: ...
    @property
    def paint(self) -> str: ...
    @property
    def soiling(self) -> str: ...
    @property
    def treatment(self) -> str: ...
    @property
    def exposure_min(self) -> float: ...
    @property
    def session(self) -> str: ...
    @property
    def further(self) -> Mapping[str, str]: ...
    @property
    def stratum(self) -> Key: ...
    @property
    def arm(self) -> Key: ...


def sample(row: MeasuredFile) -> Key:
    """What names a physical sample: its name on its paint and soiling."""
    return row.paint, row.soiling, row.mockup


def arm_columns(row: Any) -> dict[str, Any]:
    """The columns that name an arm."""
    return {name: getattr(row, name) for name in ARM_COLUMNS}


def arm_notes(rows: Sequence[MeasuredFile]) -> dict[Key, list[Note]]:
    """What must be said of each arm: shared mock-ups, and what was measured unlike its blanks."""
    shared = _shared_mockups(rows)
    return {arm: [*shared.get(arm, []), *notes] for arm, notes in _measured_unlike(rows)}


def _shared_mockups(rows: Sequence[MeasuredFile]) -> dict[Key, list[Note]]:
    """Mock-ups of an arm that stand in other arms of the same stratum, or were an untreated blank
    before: such arms and controls are not independent."""
    arms: dict[Key, set[Key]] = defaultdict(set)
    columns: dict[Key, dict[str, Any]] = {}
    untreated: dict[Key, set[Key]] = defaultdict(set)
    for row in rows:
        if row.role == "exposed":
            arms[row.arm].add(sample(row))
            columns[row.arm] = arm_columns(row)
        elif row.role == "blank" and row.treatment == "none":
            untreated[row.stratum].add(sample(row))
    notes: dict[Key, list[Note]] = defaultdict(list)
    for arm, own in arms.items():
        for other, theirs in arms.items():
            if other != arm and other[:3] == arm[:3] and own & theirs:
                numbers = {"mockups": _names(own & theirs), "arm": columns[other]}
                notes[arm].append(Note("shared-mockups", numbers))
        before = own & untreated[arm[:3]]
        if before:
            notes[arm].append(Note("untreated-before", {"mockups": _names(before)}))
    return dict(notes)


def _measured_unlike(rows: Sequence[MeasuredFile]) -> Iterator[tuple[Key, list[Note]]]:
    """Arms whose mock-ups were not measured as their blanks were: in sessions without a blank, or
    with more or fewer files each. What then differs passes for gel, or hides it."""
    arms: dict[Key, dict[Key, list[MeasuredFile]]] = defaultdict(lambda: defaultdict(list))
    blanks: dict[Key, dict[Key, list[MeasuredFile]]] = defaultdict(lambda: defaultdict(list))
    for row in rows:
        if row.role == "exposed":
            arms[row.arm][sample(row)].append(row)
        elif row.role == "blank":
            blanks[row.stratum][(*sample(row), row.treatment)].append(row)
    labels = _labels(rows)
    for arm, exposed in arms.items():
        every = list(blanks[arm[:3]].values())
        first = [files[0] for files in every]
        places = comparator_places(
            [row.treatment for row in first], [row.exposure_min for row in first],
            next(iter(exposed.values()))[0].exposure_min,
        )  # fmt: skip
        own = [every[place] for place in places]
        yield (
            arm,
            [
                *_lone_sessions(exposed.values(), own),
                *_unequal_files(exposed, own),
                *_further_columns(list(exposed.values()), own, labels),
            ],
        )


def _lone_sessions(
    exposed: Iterable[Sequence[MeasuredFile]], blanks: Sequence[Sequence[MeasuredFile]]
) -> Iterator[Note]:
    of_exposed, of_blanks = (
        {row.session for files in mockups for row in files} for mockups in (exposed, blanks)
    )
    stated = blanks and "" not in of_exposed | of_blanks
    if stated and not of_exposed <= of_blanks:
        yield Note("session-without-blank", {"sessions": sorted(of_exposed - of_blanks)})


def _unequal_files(
    exposed: dict[Key, list[MeasuredFile]], blanks: Sequence[Sequence[MeasuredFile]]
) -> Iterator[Note]:
    if not blanks:
        return
    of_exposed, of_blank = (
        sum(map(len, mockups)) / len(mockups) for mockups in (list(exposed.values()), blanks)
    )
    if of_exposed != of_blank:
        yield Note("unequal-files", {"exposed": of_exposed, "blank": of_blank})


def _labels(rows: Sequence[MeasuredFile]) -> set[str]:
    """Further columns with another value in every row that has one: they name a file, and part
    nothing."""
    cells: dict[str, list[str]] = defaultdict(list)
    for row in rows:
        for name, cell in row.further.items():
            cells[name].append(cell)
    return {name for name, own in cells.items() if len(set(own)) == len(own) > 1}


def _further_columns(
    exposed: Sequence[Sequence[MeasuredFile]],
    blanks: Sequence[Sequence[MeasuredFile]],
    labels: set[str],
) -> Iterator[Note]:
    """Columns of the table's own whose values differ inside an arm, or from its blanks'."""
    own, others = ([row for files in mockups for row in files] for mockups in (exposed, blanks))
    pooled, confounded = {}, {}
    for name in dict.fromkeys(name for row in (*own, *others) for name in row.further):
        of_arm, of_blanks = (
            sorted({row.further.get(name, "") for row in rows}) for rows in (own, others)
        )
        if name in labels:
            continue
        if others and of_arm != of_blanks:
            confounded[name] = [of_arm, of_blanks]
        elif len(of_arm) > 1:
            pooled[name] = of_arm
    if confounded:
        yield Note("confounded-columns", {"columns": confounded})
    if pooled:
        yield Note("pooled-columns", {"columns": pooled})


def _names(samples: Iterable[Key]) -> list[str]:
    return sorted(str(one[-1]) for one in samples)
