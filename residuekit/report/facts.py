"""Counts and facts of a run that its texts need, as numbers and codes."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice
from typing import TYPE_CHECKING, Any

import numpy as np

from ..decision.comparator import ENOUGH
from ..decision.confirmation import FOREIGN, LEAST_RATIO
from ..decision.limits import any_false_alarm
from ..figures.choice import loadings
from ..kernels.layers import sunk_share
from ..kernels.surface import largest_missed_patch
from ..marker_fields import MEASURES
from ..reprs import sentence_case
from ..schema import MEASUREMENT_COLUMNS, NET_SIGNAL, REFERENCE_FILM, SPIKED, band_name
from ..words import answer as answers
from ..words import methods as words
from ..words import samples
from ..words.codes import Note
from ..words.common import Row, Stratum, stratum_of, stratum_words
from ..words.quality import assumed
from ..words.scale import sunk_margin, sunk_words

if TYPE_CHECKING:
    import xarray as xr

    from ..results import StudyResult

Rows = list[dict[Any, Any]]
#: Techniques that see the surface more strongly than the depth: mode -> index of its crystal.
_SURFACE: dict[str, dict[str, float | None]] = {
    "atr": {"diamond": 2.4, "germanium": 4.0}, "reflection": {"reflection": None}
}  # fmt: skip
#: Into how much paint a residue may have sunk, as an example.
_SUNK_UM = 1.0
_AREAS = {"mockup_area_mm2": 1.0, "mockup_area_cm2": 100.0}


@dataclass(frozen=True)
class Layouts:
    """How the scored files were measured: techniques and layouts with their counts of files; the
    mapped field of each map in mm2, NaN where it is not known."""

    techniques: dict[str, int] = field(default_factory=dict)
    layouts: dict[words.Layout, int] = field(default_factory=dict)
    fields: dict[str, float] = field(default_factory=dict)


def layouts(result: StudyResult) -> Layouts:
    """Read technique, pixels and step from the head of a score map of every file, which has one
    for each residue."""
    found = Layouts()
    of_file = {entry["file"]: entry for entry in result.map_entries()}
    for entry in of_file.values():
        opened = result.score_map(result.folder / entry["map"])
        technique, layout = str(opened.attrs["technique"]), _layout(opened)
        found.techniques[technique] = found.techniques.get(technique, 0) + 1
        found.layouts[layout] = found.layouts.get(layout, 0) + 1
        if layout.shape is not None:
            found.fields[entry["file"]] = layout.field
    return found


def _layout(opened: xr.Dataset) -> words.Layout:
    if "y" not in opened.dims:
        return words.Layout()
    axes = [np.asarray(opened[name].values, dtype=float) for name in ("x", "y")]
    shape, unit = (axes[1].size, axes[0].size), str(opened["x"].attrs.get("units", "pixel"))
    if unit == "pixel" or min(shape) < 2:
        return words.Layout(shape)
    x, y = (float(np.median(np.diff(axis))) for axis in axes)
    return words.Layout(shape, (x, y), unit)


def mapped_area(result: StudyResult, fields: Mapping[str, float]) -> str:
    """How much of a mock-up the maps cover and what they may miss, or that it is not known."""
    mapped: dict[str, float] = {}
    areas: dict[str, float] = {}
    counts: dict[str, int] = {}
    for row in result.provenance.get("measurements", ()):
        if row["file"] in fields:
            name = str(row["mockup"])
            mapped[name] = mapped.get(name, 0.0) + fields[row["file"]]
            counts[name] = counts.get(name, 0) + 1
            for column, factor in _AREAS.items():
                if (area := _as_number(row.get(column))) > 0:
                    areas[name] = area * factor
    known = {name: area for name, area in mapped.items() if area > 0}
    sized = [name for name in known if name in areas]
    said = words.mapped_area(list(known.values()), [known[name] / areas[name] for name in sized])
    if not sized:
        return said
    missed = [
        largest_missed_patch(math.sqrt(known[name] / counts[name]), counts[name], areas[name])
        / areas[name]
        for name in sized
    ]
    return f"{said} {words.surface(missed, [counts[name] for name in sized])}"


def _as_number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError):
        return math.nan


def instrument_sentences(result: StudyResult, found: Layouts) -> Iterator[str]:
    """What the further columns of the table of measurements say of the instrument, and what of the
    files was assumed."""
    columns: dict[str, dict[str, int]] = {}
    for row in result.provenance.get("measurements", ()):
        for name, value in row.items():
            if name not in (*MEASUREMENT_COLUMNS, "line", "options") and value not in ("", None):
                counts = columns.setdefault(name, {})
                counts[str(value)] = counts.get(str(value), 0) + 1
    yield from words.instrument(columns, found.techniques)
    yield from assumed(result.provenance["quality"])


def strata(result: StudyResult) -> list[Stratum]:
    """The strata that were judged, in the order of the table."""
    return list(dict.fromkeys(map(stratum_of, result.verdicts.to_dict("records"))))


def by_residue(result: StudyResult) -> list[StudyResult]:
    """The parts of a run, each of one residue."""
    names = result.residues
    return [result.of_residue(name) for name in names] if len(names) > 1 else [result]


def where(result: StudyResult, stratum: Stratum) -> str:
    """A stratum in words, with the residue in a part of a run."""
    own = result.provenance["study"].get("residue", "")
    return sentence_case(stratum_words(stratum) + (f", residue of {own}" if own else ""))


def of_stratum(table: Any, stratum: Stratum) -> Rows:
    """The rows of a table that belong to a stratum."""
    return [row for row in table.to_dict("records") if stratum_of(row) == stratum]


def controls(result: StudyResult, stratum: Stratum) -> str:
    """The control mock-ups of a stratum in words."""
    blanks: dict[str, set[str]] = {}
    spiked: dict[str, set[str]] = {}
    several = len(result.residues) > 1
    for row in of_stratum(result.mockups, stratum):
        if row["role"] == "blank":
            blanks.setdefault(row["treatment"], set()).add(row["mockup"])
        elif row["role"] == "spiked":
            spiked.setdefault(row["residue"] if several else "", set()).add(row["mockup"])
    known = loadings(result, stratum)
    counts = {kind: len(names) for kind, names in blanks.items()}
    loads = {
        residue: [known[name] for name in names if name in known]
        for residue, names in spiked.items()
    }
    return ", ".join(samples.controls(counts, loads))


def control_sentences(result: StudyResult) -> Iterator[str]:
    """What the blanks cannot say, once for each stratum, and what water alone did."""
    notes = ((one, note) for one in strata(result) for note in _control_notes(result, one))
    yield from samples.control_sentences(notes)
    for stratum in strata(result):
        yield from _paint_change(result, stratum)


def _control_notes(result: StudyResult, stratum: Stratum) -> Iterator[samples.ControlNote]:
    own = _blanks(result, stratum)
    kinds = {row["treatment"] for row in own}
    water = {row["mockup"]: row["exposure_min"] for row in own if row["treatment"] == "water"}
    times = list(water.values())
    given = tuple(sorted({float(time) for time in times if time is not None}))
    arms = sorted({float(row["exposure_min"]) for row in of_stratum(result.verdicts, stratum)})
    few = tuple(time for time in arms if times.count(time) < min(ENOUGH, len(times)))
    if kinds and not water:
        yield samples.ControlNote("untreated alone")
    elif water and not given:
        yield samples.ControlNote("exposure unstated")
    elif few:
        yield samples.ControlNote("other exposures", given, few)
    if kinds and "none" not in kinds:
        yield samples.ControlNote("no untreated")


def _blanks(result: StudyResult, stratum: Stratum) -> Rows:
    return [row for row in _listed(result, stratum) if row["role"] == "blank"]


def _listed(result: StudyResult, stratum: Stratum) -> Rows:
    """The rows of the table of measurements that belong to a stratum."""
    listed = result.provenance.get("measurements", ())
    return [row for row in listed if stratum_of(row) == stratum]


def _paint_change(result: StudyResult, stratum: Stratum) -> Iterator[str]:
    """What water alone did to the paint by the deciding score, if untreated blanks show it."""
    found = (
        note.numbers
        for row in of_stratum(result.verdicts, stratum)
        for note in result.notes(row).remarks
        if note.code == "water-change"
    )
    for numbers in islice(found, 1):
        yield samples.paint_change(stratum, numbers)


def other_blanks(result: StudyResult, row: Row) -> Note | None:
    """What is special about the blanks of an arm, where not all are of its exposure."""
    special = ("untreated-comparator", "other-exposure")
    return next((note for note in result.notes(row).remarks if note.code in special), None)


def answer(result: StudyResult) -> answers.Answer:
    """The answer for the working exposure, of several residues one each."""
    asked = [one["material"] for one in result.provenance["study"].get("residues", ())]
    own = {name: _answer(result.of_residue(name)) for name in asked} or {"": _answer(result)}
    return answers.each_residue(own) if len(own) > 1 else next(iter(own.values()))


def _answer(result: StudyResult) -> answers.Answer:
    rows, study = result.verdicts.to_dict("records"), result.provenance["study"]
    return answers.answer(rows, study, lambda row: other_blanks(result, row))


def arm_sentences(result: StudyResult, row: Row) -> list[str]:
    """An arm in sentences: its verdict with its numbers, and what stands behind it."""
    why, remarks = result.notes(row)
    study = result.provenance["study"]
    sunk = ""
    if row["scale"] == REFERENCE_FILM and row["verdict"] == "not detected":
        sunk = sunk_margin(_sunk_shares(_techniques(result, row)), _SUNK_UM, row["scale_margin"])
    said = (*answers.arm_sentences(row, study, why, remarks, sunk), answers.behind(row))
    return [text for text in said if text]


def sight_sentences(result: StudyResult, stratum: Stratum) -> tuple[str, ...]:
    """What each score can detect on a stratum, and what it gave there."""
    scores = result.scores.to_dict("records")
    markers = result.provenance["markers"]
    own = {band_name(one["name"]): MEASURES[one["measure"]] for one in markers}
    own[NET_SIGNAL] = "reference"
    return tuple(words.sight(row, scores, own) for row in of_stratum(result.markers, stratum))


def n_references(result: StudyResult) -> dict[str, int]:
    """How many reference spectra of each material that is asked for there are."""
    parts = zip(result.residues, by_residue(result), strict=True)
    return {name: int(part.is_pure().sum()) for name, part in parts}


def what_was_used(result: StudyResult) -> words.Used:
    """Which methods a study used: those that it could not use are not described."""
    scales = set(result.scores["scale"].dropna()) - {""}
    if (result.mockups["role"] == "spiked").any():
        scales.add(SPIKED)
    return words.Used(
        scales=frozenset(scales),
        net=NET_SIGNAL in set(result.markers["score"]),
        maps=any("y" in result.score_map(path).dims for path in result.maps()),
        identified=bool(result.scores["identification_limit"].notna().any()),
    )


def limit_sentences(result: StudyResult) -> list[str]:
    """How limits, bounds and verdicts are made."""
    used = what_was_used(result)
    said = list(words.limits(result.provenance["study"], FOREIGN, LEAST_RATIO, used))
    techniques = layouts(result).techniques if REFERENCE_FILM in used.scales else ()
    if shares := _sunk_shares(techniques):
        said.append(sunk_words(shares, _SUNK_UM))
    return said


def _sunk_shares(techniques: Iterable[str]) -> dict[str, float]:
    """By how much less than a film a residue that sank in would answer, by way of measuring."""
    crystals = {mode: n for one in techniques for mode, n in _SURFACE.get(one, {}).items()}
    return {mode: sunk_share(_SUNK_UM, n) for mode, n in crystals.items()}


def _techniques(result: StudyResult, row: Row) -> Iterator[str]:
    """The technique of an arm's stratum, in which all its maps and films were measured."""
    own = {one["file"] for one in _listed(result, stratum_of(row))}
    for entry in result.map_entries():
        if entry["file"] in own:
            yield str(result.score_map(result.folder / entry["map"]).attrs["technique"])
            return


def cannot_say(result: StudyResult) -> tuple[str, ...]:
    """What the verdicts leave open, and what keeps people safe."""
    return (*words.cannot_say(*_tested(result)), words.SAFETY)


def _tested(result: StudyResult) -> tuple[dict[str, Any], int, float]:
    """What the study states, how many arms it tested, and the chance of a false alarm in one."""
    study, n_arms = result.provenance["study"], int(result.provenance["n_arms"])
    return study, n_arms, any_false_alarm(study["alpha"], n_arms)
