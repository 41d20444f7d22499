"""Quantities and techniques mixed in one stratum: refused, with the step that mends it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

from ..errors import Fault, StudyError
from .manifest import Manifest
from .measurements import Key, Measurement
from .mockups import MapSummary

_STEP = (
    'a first step {step = "to_absorbance"} in [procedure] of study.toml: it leaves absorbance as '
    "it is"
)


class Kind(NamedTuple):
    """What a file holds once the procedure is done."""

    row: Measurement
    quantity: str
    technique: str


def mixed_faults(manifest: Manifest, kinds: Sequence[Kind]) -> list[Fault]:
    """Say which files hold another quantity, or were measured by another technique, than the others
    of their paint and soiling, and which films of known loading were measured by another technique
    than the maps that they give the scale of; a technique that is not known is not asked."""
    first: dict[tuple[str, Key], tuple[str, Measurement]] = {}
    found: dict[tuple[str, Key, str], list[Measurement]] = defaultdict(list)
    for row, *values in kinds:
        for name, value in zip(("quantity", "technique"), values, strict=True):
            if row.role == "reference" or value == "unknown":
                continue
            place = name, row.stratum[:2]
            usual, _ = first.setdefault(place, (value, row))
            if value != usual:
                found[*place, value].append(row)
    faults = [*_films_apart(manifest, kinds, first)]
    for (name, stratum, value), rows in found.items():
        usual, other = first[name, stratum]
        apart = f"measure them alike, or a study for each {name}"
        faults.append(
            Fault(
                f"{len(rows)} file{'s' * (len(rows) > 1)} in {value} ({rows[0].file} for one) on "
                f"{stratum[0]!r} beside {other.file} in {usual}",
                f"one {name} for all files of a stratum",
                _STEP if {value, usual} == {"absorbance", "transmittance"} else apart,
                manifest.table, rows[0].line,
            )
        )  # fmt: skip
    return faults


def _films_apart(
    manifest: Manifest,
    kinds: Sequence[Kind],
    first: Mapping[tuple[str, Key], tuple[str, Measurement]],
) -> Iterator[Fault]:
    for row, _, technique in kinds:
        if row.role != "reference" or technique == "unknown" or not row.loading_ug_cm2 > 0:
            continue
        apart = [one for (name, _), one in first.items() if name == "technique"
                 if one[0] != technique]  # fmt: skip
        if apart:
            usual, other = apart[0]
            yield Fault(
                f"a film of known loading in {technique}, beside {other.file} in {usual}: they "
                "answer the same loading unlike",
                "a film measured as the maps are",
                "measure it so; or empty its loading: it stays a reference of the shape",
                manifest.table, row.line,
            )  # fmt: skip


def refuse_mixed(manifest: Manifest, summaries: Sequence[MapSummary]) -> None:
    """Refuse a run whose files do not hold one quantity, or are not of one technique, in a stratum.

    Raises
    ------
    StudyError : a fault for each kind of file that differs.
    """
    faults = mixed_faults(manifest, [Kind(s.row, s.quantity, s.technique) for s in summaries])
    if faults:
        raise StudyError(faults)
