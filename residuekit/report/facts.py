"""Counts and facts of a run that both texts tell."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..figures.choice import blank_words
from ..figures.words import Stratum, counted, number, percent, stratum_of, unit_words

if TYPE_CHECKING:
    from ..results import StudyResult


@dataclass(frozen=True)
class Layouts:
    """How the scored files were measured: techniques and layouts, each with its count of files."""

    techniques: dict[str, int]
    layouts: dict[str, int]


def layouts(result: StudyResult) -> Layouts:
    """Read technique, pixels and step from the head of every score map."""
    import h5netcdf

    techniques: dict[str, int] = {}
    shapes: dict[str, int] = {}
    for path in result.maps():
        with h5netcdf.File(path) as opened:
            technique = str(opened.attrs["technique"])
            shape = _shape_words(opened)
        techniques[technique] = techniques.get(technique, 0) + 1
        shapes[shape] = shapes.get(shape, 0) + 1
    return Layouts(techniques, shapes)


def _shape_words(opened: Any) -> str:
    if "y" not in opened.dimensions:
        return "point spectra"
    x, rows = opened["x"], opened["y"].shape[0]
    size = f"maps of {rows} × {x.shape[0]} pixels"
    unit = str(x.attrs.get("units", "pixel"))
    if x.shape[0] < 2 or unit == "pixel":
        return f"{size} of unknown step"
    return f"{size}, step {number(float(np.median(np.diff(x[:]))))} {unit_words(unit)}"


def tally(counts: Mapping[str, int]) -> str:
    """Things with their counts of files, the most frequent first."""
    ordered = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    return "; ".join(f"{words} ({counted(count, 'file')})" for words, count in ordered)


def strata(result: StudyResult) -> list[Stratum]:
    """The strata that were judged, in the order of the table."""
    return list(dict.fromkeys(map(stratum_of, result.verdicts.to_dict("records"))))


def controls(result: StudyResult, stratum: Stratum) -> list[str]:
    """The control mock-ups of a stratum in words: blanks by kind, then spiked mock-ups."""
    table = result.mockups
    rows = [row for row in table.to_dict("records") if stratum_of(row) == stratum]
    blanks: dict[str, set[str]] = {}
    spiked: set[str] = set()
    for row in rows:
        if row["role"] == "blank":
            blanks.setdefault(blank_words(row["treatment"]), set()).add(row["mockup"])
        elif row["role"] == "spiked":
            spiked.add(row["mockup"])
    words = [counted(len(names), f"{kind} mock-up") for kind, names in sorted(blanks.items())]
    if spiked:
        words.append(f"{counted(len(spiked), 'spiked mock-up')} ({_loadings(result, stratum)})")
    return words or ["no control that could be used"]


def _loadings(result: StudyResult, stratum: Stratum) -> str:
    spectra = result.spectra
    rows = spectra["role"].values == "spiked"
    for name, value in zip(("paint", "soiling", "ageing_h"), stratum, strict=True):
        rows &= spectra[name].values == value
    loads = sorted({float(value) for value in spectra["loading_ug_cm2"].values[rows]})
    return f"{' and '.join(map(number, loads))} {unit_words('ug cm-2')}"


def n_references(result: StudyResult) -> int:
    """How many reference spectra of the study's material there are."""
    spectra = result.spectra
    treatment = result.provenance["study"]["treatment"]
    rows = (spectra["role"].values == "reference") & (spectra["treatment"].values == treatment)
    return int(rows.sum())


def step_words(step: Mapping[str, Any]) -> str:
    """A step of the procedure with every parameter.

    >>> step_words({"step": "crop", "low": 800, "high": 3800})
    'crop: low = 800, high = 3800'
    """
    given = ", ".join(f"{name} = {value}" for name, value in step.items() if name != "step")
    return f"{step['step']}: {given}" if given else str(step["step"])


def marker_words(marker: Mapping[str, Any]) -> str:
    """How a marker band is measured, and whence it is known."""
    what = "area" if marker["measure"] == "area" else f"height at {marker['position']:g} cm⁻¹"
    known = ", ".join(text for text in (marker["assignment"], marker["provenance"]) if text)
    window = f"{what} over a straight line, {marker['low']:g} to {marker['high']:g} cm⁻¹"
    return f"{window} ({known})" if known else window


def cannot_say(result: StudyResult) -> list[str]:
    """What the verdicts do not tell: shown with every verdict."""
    study = result.provenance["study"]
    said = [
        "A verdict is about the mean of its arm. A single mock-up that carries less than its own "
        "detection limit may be missed, and so may a patch outside the maps.",
        "Residue that does not look like the reference, or that lies below the depth the "
        "measurement reaches, is not seen.",
        "Mock-ups are not the work of art: the verdict on an object is for the conservator "
        "responsible for it.",
        f"Each arm was tested at {percent(study['alpha'])} by itself; "
        f"{counted(int(result.provenance['n_arms']), 'arm')} in all were tested.",
    ]
    if study["acceptance_limit_ug_cm2"] is None:
        said.append("No acceptance limit was set beforehand, so nothing can be “not detected”.")
    return said


SAFETY = (
    "Solvents, ultraviolet lamps, dry powders and gels: follow the safety data sheets and the "
    "local codes."
)
