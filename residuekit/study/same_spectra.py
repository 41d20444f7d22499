"""One measurement under two names, whatever its files are: found by the spectra, and refused."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ..decision.given_twice import still_fault
from ..errors import Fault, StudyError
from ..spectra.twins import Imprint, twins
from ..words.common import stratum_words
from .controls import StudyControls
from .manifest import Manifest
from .measurements import Measurement
from .mockups import mockup_of


def twin_faults(manifest: Manifest, imprints: Sequence[tuple[Measurement, Imprint]]) -> list[Fault]:
    """Say which mock-ups of a study, of any role but reference, hold one measurement twice."""
    asked = [(row, own) for row, own in imprints if row.role != "reference"]
    rows = [row for row, _ in asked]
    pairs = twins([own for _, own in asked], [mockup_of(row) for row in rows])
    return [
        Fault(
            f"{rows[later].file!r} with the spectra of {rows[first].file!r} in line "
            f"{rows[first].line}, closer than the noise of two measurements allows (by chance in "
            "fewer than one pair of 1e9)",
            "one row for one measurement",
            "remove one of the rows, or give both the same mockup name",
            manifest.table,
            rows[later].line,
        )
        for later, first in pairs
    ]


def refuse_twins(manifest: Manifest, imprints: Sequence[tuple[Measurement, Imprint]]) -> None:
    """Refuse a study that holds one measurement as two mock-ups, before anything is judged.

    Raises
    ------
    StudyError : a fault for each such file.
    """
    faults = twin_faults(manifest, imprints)
    if faults:
        raise StudyError(faults)


def refuse_still(controls: StudyControls) -> None:
    """Refuse a study whose blanks do not differ by the score that decides.

    Raises
    ------
    StudyError : a fault for each such stratum.
    """
    manifest = controls.manifest
    found = [
        still_fault(controls.scores(stratum, material, paired), f"{stratum_words(stratum)}: ")
        for stratum, ways in sorted(controls.judged.items())
        for material, paired in ways
    ]
    faults = [replace(fault, file=manifest.table) for fault in found if fault is not None]
    if faults:
        raise StudyError(faults)
