"""The samples of a study in words: what was looked for, the arms, their controls."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from ..reprs import sentence_case, to_error
from ..schema import ARM_COLUMNS, LOADING_UNIT
from .codes import water_words
from .common import (
    Row,
    Stratum,
    also_nm,
    asked_gels,
    blank_words,
    conditions_words,
    counted,
    in_words,
    judged,
    listed,
    number,
    stratum_words,
    treated_words,
    true_minus,
    unit_words,
    working_words,
)

Study = Mapping[str, Any]

DEFINITION = (
    "An arm is one paint, with its soiling and ageing (its stratum), under one gel for one "
    "exposure and one clearance; it holds several mock-ups."
)


class ControlNote(NamedTuple):
    """What the blanks of a stratum leave open, a code with its times in minutes."""

    code: str
    exposures: tuple[float, ...] = ()
    few: tuple[float, ...] = ()


def question(study: Study) -> str:
    """What was looked for, and the acceptance limit with its reason."""
    residues = list(asked_residues(study))
    asked = f"Residue of {residues[0]} was looked for"
    if len(residues) > 1:
        asked = f"Residues were looked for: {'; '.join(residues)}"
    if working := working_words(study, study.get("working_exposures") or asked_gels(study)):
        asked += f"; the working exposure is {working}"
    return f"{asked}. {acceptance_limit(study)}"


def asked_residues(study: Study) -> Iterator[str]:
    """The residues that are asked for, by the treatments that may leave them.

    >>> agar = {"material": "agar", "left_by": ["agar gel"]}
    >>> list(asked_residues({"residues": [agar, {**agar, "material": "citrate"}]}))
    ['agar and citrate (left by agar gel)']
    """
    materials: dict[tuple[str, ...], list[str]] = {}
    for one in study.get("residues") or [{"material": study["treatment"], "left_by": []}]:
        gels = tuple(gel for gel in one["left_by"] if gel != one["material"])
        materials.setdefault(gels, []).append(one["material"])
    for gels, names in materials.items():
        yield listed(names) + (f" (left by {listed(gels)})" if gels else "")


def acceptance_limit(study: Study) -> str:
    """The acceptance limit with its reason, of each residue where they differ."""
    limits: dict[tuple[float | None, str, float | None], list[str]] = {}
    for one in study.get("residues") or [{**study, "material": study["treatment"]}]:
        asked = (one["acceptance_limit_ug_cm2"], one["acceptance_reason"].strip(),
                 one.get("density_g_cm3"))  # fmt: skip
        limits.setdefault(asked, []).append(one["material"])
    differ = len(limits) > 1
    said = (_acceptance(*one, listed(names) if differ else "") for one, names in limits.items())
    return " ".join(said)


def _acceptance(limit: float | None, reason: str, density: float | None, residue: str) -> str:
    if limit is None:
        what = f" for {residue}" if residue else ""
        return f"The study states no acceptance limit{what}."
    why = f"Reason given: {in_words(reason.rstrip('.'))}." if reason else "No reason was given."
    of = f" of {residue}" if residue else ""
    return f"Acceptance limit{of}: {number(limit)} µg cm⁻²{also_nm(limit, density)}. {why}"


def tested(rows: Iterable[Row]) -> str:
    """The arms of a stratum, each once whatever it is asked for."""
    arms: dict[str, int] = {}
    for row in rows:
        words = treated_words(row)
        arms[words] = max(arms.get(words, 0), int(row["n_mockups"]))
    return "; ".join(f"{words} ({counted(n, 'mock-up')})" for words, n in arms.items())


#: The column `paired` of the verdicts -> how its arms are compared, and what that means.
_PAIRED = {
    "before": (
        "paired with the state before treatment",
        "Each exposed and blank mock-up is scored by what it has changed by since. So is a spiked "
        "one that was measured then. Blanks without that state are left out.",
    ),
    "block": (
        "compared within panels",
        "Each exposed mock-up is scored less the mean of the blanks on its own panel. The scatter "
        "is that of blanks within panels.",
    ),
}


def pairing(rows: Iterable[Row], n_before: int) -> Iterator[str]:
    """How paired arms, and those within panels, are compared; `n_before` files hold states before
    treatment."""
    every: set[str] = set()
    ways: dict[str, dict[str, None]] = {}
    for row in filter(judged, rows):
        arm = conditions_words({name: row[name] for name in ARM_COLUMNS})
        every.add(arm)
        if row["paired"]:
            ways.setdefault(row["paired"], {})[arm] = None
    for way, arms in ways.items():
        compared, how = _PAIRED[way]
        which = "All arms are" if len(arms) == len(every) else f"{sentence_case('; '.join(arms))}:"
        files = f" ({counted(n_before, 'file')} of it)" if way == "before" else ""
        yield f"{which} {compared}{files}. {how}"


def controls(blanks: Mapping[str, int], spiked: Mapping[str, Sequence[float]]) -> list[str]:
    """The control mock-ups of a stratum: treatment of the blanks -> how many; residue -> the
    loading of each spiked mock-up, the residue empty where there is but one.

    >>> controls({"none": 3}, {"PVA": [2.0, 2.0, 4.0]})
    ['3 untreated blank mock-ups', '3 mock-ups spiked with PVA (2 and 4 µg cm⁻²)']
    """
    kinds = sorted((blank_words(kind), n) for kind, n in blanks.items())
    words = [counted(n, f"{kind} mock-up") for kind, n in kinds]
    for residue, loads in spiked.items():
        known = f"{listed(map(number, sorted(set(loads))))} {unit_words(LOADING_UNIT)}"
        many = counted(len(loads), "mock-up" if residue else "spiked mock-up")
        words.append(f"{many}{f' spiked with {residue}' if residue else ''} ({known})")
    return words or ["no control that could be used"]


def references(counts: Mapping[str, int]) -> str:
    """How each pure material is known: from how many reference spectra.

    >>> references({"PVA": 2, "citrate": 0})
    'Reference spectra of the pure materials: 2 of PVA, none of citrate.'
    """
    if len(counts) > 1:
        known = (f"{n or 'none'} of {material}" for material, n in counts.items())
        return f"Reference spectra of the pure materials: {', '.join(known)}."
    (n,) = counts.values()
    if not n:
        return "There is no reference spectrum of the pure material."
    return f"The pure material is known from {n} reference {'spectrum' if n == 1 else 'spectra'}."


def control_sentences(notes: Iterable[tuple[Stratum, ControlNote]]) -> Iterator[str]:
    """What the blanks cannot say, each thing once with its strata."""
    groups: dict[str, list[str]] = {}
    for stratum, note in notes:
        groups.setdefault(_note(note), []).append(stratum_words(stratum))
    for said, where in groups.items():
        yield f"{', '.join(where)}: {said}"


def _note(note: ControlNote) -> str:
    given, few = (listed(f"{t:g}" for t in times) for times in (note.exposures, note.few))
    return {
        "untreated alone": "the blanks are untreated, so what water itself does to the paint is "
        "not subtracted from any arm.",
        "exposure unstated": "how long the water-only blanks were exposed is not stated, so every "
        "arm is compared with all of them, whatever its exposure.",
        "other exposures": f"the water-only blanks were exposed for {given} min; arms with fewer "
        f"than three of their own exposure ({few} min) are compared with all of them.",
        "no untreated": "there are no untreated blanks, so what water itself does to the paint is "
        "unknown.",
    }[note.code]


def paint_change(stratum: Stratum, n: Mapping[str, Any]) -> str:
    """What water alone did to the paint, from the numbers of the note ``water-change``."""
    size, error = n["size"], n["error"]
    spread = f" ± {to_error(error, error)}" if math.isfinite(error) else ""
    return (
        f"{stratum_words(stratum)}: water alone changed the {n['score']} by "
        f"{true_minus(to_error(size, error))}{spread} {unit_words(n['unit'])} (mean of "
        f"{n['n_water']} water-only less {n['n_untreated']} untreated mock-ups). {water_words(n)}"
    )
