"""Quantities and techniques mixed in one stratum: refused, with the step that mends it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

from ..errors import Fault, StudyError
from .manifest import Manifest
from .measurements import Key, Measurement
from .mockups import MapSummary

_STEP = 'a first step {step = "to_absorbance"} in [procedure]: it leaves absorbance as it is'


class Kind(NamedTuple):
    """What a file holds once the procedure is done."""

    row: Measurement
    quantity: str
    technique: str


def mixed_faults(manifest: Manifest, kinds: Sequence[Kind]) -> list[Fault]:
    """Say which files hold another quantity, or were measured by another technique, than the others
    of their paint and soiling; a technique that is not known is not asked."""
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
    faults = []
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


def refuse_mixed(manifest: Manifest, summaries: Sequence[MapSummary]) -> None:
    """Refuse a run whose files do not hold one quantity, or are not of one technique, in a stratum.

    Raises
    ------
    StudyError : a fault for each kind of file that differs.
    """
    faults = mixed_faults(manifest, [Kind(s.row, s.quantity, s.technique) for s in summaries])
    if faults:
        raise StudyError(faults)
