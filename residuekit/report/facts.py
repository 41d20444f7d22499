"""Counts and facts of a run that its texts tell."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..decision.comparator import ENOUGH, comparator_places, water_change
from ..reprs import to_error
from ..schema import MEASUREMENT_COLUMNS
from ..words.codes import water_words
from ..words.common import (
    Stratum,
    blank_words,
    counted,
    number,
    percent,
    stratum_of,
    stratum_words,
    true_minus,
    unit_words,
)

if TYPE_CHECKING:
    from ..results import StudyResult

#: What a reader wants to know of the measurement, and the words by which a column tells it.
_INSTRUMENT = {
    "the instrument": ("instrument", "spectrometer", "microscope"),
    "the detector": ("detector",),
    "the spectral resolution": ("resolution",),
    "the number of scans": ("scans",),
    "the aperture or pixel size": ("aperture", "pixel_size"),
    "the age of the background": ("background",),
    "humidity and temperature": ("humidity", "rh", "temperature", "climate"),
}
_CRYSTAL = {"the ATR crystal and its angle": ("crystal", "angle")}
_AREAS = {"mockup_area_mm2": 1.0, "mockup_area_cm2": 100.0}
_MOST_VALUES = 6
_UM2_PER_MM2 = 1e6

DEFINITION = (
    "An arm is one paint, with its soiling and ageing (its stratum), under one gel for one "
    "exposure and one clearance; it holds several mock-ups."
)
SAFETY = (
    "Solvents, ultraviolet lamps, dry powders and gels: follow the safety data sheets and the "
    "local codes."
)

#: Common practice, no source.
TRANSFLECTION = (
    "Caution: absorbance measured in transflection grows with the thickness of the film and not in "
    "proportion to it, and standing waves above the mirror distort the strength of bands. Loadings "
    "hold only where spiked mock-ups and exposed ones have films of like thickness on the same "
    "mirror."
)


@dataclass(frozen=True)
class Layouts:
    """How the scored files were measured: techniques and layouts with their counts of files; the
    mapped field of each file in mm2, NaN where it is not known."""

    techniques: dict[str, int]
    layouts: dict[str, int]
    fields: dict[str, float]


def layouts(result: StudyResult) -> Layouts:
    """Read technique, pixels and step from the head of every score map."""
    import h5netcdf

    found = Layouts({}, {}, {})
    for entry in result.provenance["maps"]:
        with h5netcdf.File(result.folder / entry["map"]) as opened:
            technique = str(opened.attrs["technique"])
            shape, field = _layout(opened)
        found.techniques[technique] = found.techniques.get(technique, 0) + 1
        found.layouts[shape] = found.layouts.get(shape, 0) + 1
        found.fields[entry["file"]] = field
    return found


def _layout(opened: Any) -> tuple[str, float]:
    if "y" not in opened.dimensions:
        return "point spectra", math.nan
    axes = [np.asarray(opened[name][:], dtype=float) for name in ("x", "y")]
    columns, rows = (axis.size for axis in axes)
    words, unit = f"maps of {rows} × {columns} pixels", str(opened["x"].attrs.get("units", "pixel"))
    steps = [float(np.median(np.diff(axis))) if axis.size > 1 else math.nan for axis in axes]
    if unit == "pixel" or not all(map(math.isfinite, steps)):
        return f"{words} of unknown step", math.nan
    field = columns * steps[0] * rows * steps[1] / _UM2_PER_MM2
    step = f"{number(steps[0])} {unit_words(unit)}"
    if not math.isclose(*steps, rel_tol=1e-3):
        step = f"{number(steps[0])} by {number(steps[1])} {unit_words(unit)}"
    return f"{words}, step {step}, field {number(field)} mm²", field


def seen_sentence(result: StudyResult, fields: Mapping[str, float]) -> str:
    """How much of a mock-up the maps cover, or that it is not known."""
    seen: dict[str, float] = {}
    areas: dict[str, float] = {}
    for row in result.provenance.get("measurements", ()):
        if row["file"] in fields:
            name = str(row["mockup"])
            seen[name] = seen.get(name, 0.0) + fields[row["file"]]
            for column, factor in _AREAS.items():
                if (area := _as_number(row.get(column))) > 0:
                    areas[name] = area * factor
    known = [value for value in seen.values() if value > 0]
    if not known:
        return "The mapped area is not known: the files do not tell the step between pixels."
    said = f"The maps of one mock-up cover {_range(known)} mm² together"
    shares = [seen[name] / areas[name] for name in seen if name in areas and seen[name] > 0]
    if not shares:
        return (
            f"{said}. Which share of a mock-up that is, is not known: the table of measurements "
            "has no column mockup_area_cm2."
        )
    low, high = min(shares), max(shares)
    share = percent(low) if percent(low) == percent(high) else f"{percent(low)} to {percent(high)}"
    return f"{said}, {share} of its surface."


def _as_number(value: Any) -> float:
    try:
        return float(value)
    except (TypeError, ValueError):
        return math.nan


def _range(values: Iterable[float]) -> str:
    shown = sorted(set(values))
    low, high = number(shown[0]), number(shown[-1])
    return low if low == high else f"{low} to {high}"


def further_columns(result: StudyResult) -> dict[str, dict[str, int]]:
    """The further columns of the table of measurements: name -> value -> count of files."""
    found: dict[str, dict[str, int]] = {}
    for row in result.provenance.get("measurements", ()):
        for name, value in row.items():
            if name not in MEASUREMENT_COLUMNS and name != "line" and value not in ("", None):
                counts = found.setdefault(name, {})
                counts[str(value)] = counts.get(str(value), 0) + 1
    return found


def instrument_sentences(result: StudyResult, techniques: Iterable[str]) -> Iterator[str]:
    """What the further columns tell of the measurement, and what its author must add."""
    columns = further_columns(result)
    for name, counts in columns.items():
        yield f"{name.replace('_', ' ')}: {tally(counts)}."
    asked = _INSTRUMENT | (_CRYSTAL if "atr" in techniques else {})
    words = {word for name in columns for word in name.casefold().replace("-", "_").split("_")}
    joined = " ".join(columns).casefold()
    lacking = [
        what for what, names in asked.items()
        if not any(name in words if len(name) < 4 else name in joined for name in names)
    ]  # fmt: skip
    if lacking:
        yield (
            f"The record does not hold {', '.join(lacking)}: state them beside this text, or in "
            "further columns of the table of measurements."
        )


def tally(counts: Mapping[str, int]) -> str:
    """Things with their counts of files, the most frequent first, the rest counted."""
    ordered = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    listed = [f"{words} ({counted(count, 'file')})" for words, count in ordered[:_MOST_VALUES]]
    rest = len(ordered) - len(listed)
    return "; ".join([*listed, *([f"{rest} further values"] if rest else [])])


def strata(result: StudyResult) -> list[Stratum]:
    """The strata that were judged, in the order of the table."""
    return list(dict.fromkeys(map(stratum_of, result.verdicts.to_dict("records"))))


def controls(result: StudyResult, stratum: Stratum) -> list[str]:
    """The control mock-ups of a stratum in words: blanks by kind, then spiked mock-ups."""
    blanks: dict[str, set[str]] = {}
    spiked: set[str] = set()
    for row in _of_stratum(result.mockups, stratum):
        if row["role"] == "blank":
            blanks.setdefault(blank_words(row["treatment"]), set()).add(row["mockup"])
        elif row["role"] == "spiked":
            spiked.add(row["mockup"])
    words = [counted(len(names), f"{kind} mock-up") for kind, names in sorted(blanks.items())]
    if spiked:
        words.append(f"{counted(len(spiked), 'spiked mock-up')} ({_loadings(result, stratum)})")
    return words or ["no control that could be used"]


def _of_stratum(table: Any, stratum: Stratum) -> list[dict[Any, Any]]:
    return [row for row in table.to_dict("records") if stratum_of(row) == stratum]


def _loadings(result: StudyResult, stratum: Stratum) -> str:
    loads = sorted(set(loadings(result, stratum).values()))
    return f"{' and '.join(map(number, loads))} {unit_words('ug cm-2')}"


def loadings(result: StudyResult, stratum: Stratum) -> dict[str, float]:
    """Spiked mock-up of a stratum -> its known loading."""
    spectra = result.spectra
    rows = spectra["role"].values == "spiked"
    for name, value in zip(("paint", "soiling", "ageing_h"), stratum, strict=True):
        rows &= spectra[name].values == value
    names, values = spectra["mockup"].values[rows], spectra["loading_ug_cm2"].values[rows]
    return {str(name): float(value) for name, value in zip(names, values, strict=True)}


def control_sentences(result: StudyResult) -> Iterator[str]:
    """What the blanks cannot say, once for each stratum, and what water alone did."""
    groups: dict[str, list[str]] = {}
    for stratum in strata(result):
        for said in filter(None, (_blank_note(result, stratum), _water_note(result, stratum))):
            groups.setdefault(said, []).append(stratum_words(stratum))
    for said, where in groups.items():
        yield f"{', '.join(where)}: {said}"
    for stratum in strata(result):
        yield from _paint_change(result, stratum)


def _blanks(result: StudyResult, stratum: Stratum) -> list[dict[str, Any]]:
    listed = result.provenance.get("measurements", ())
    return [r for r in listed if r["role"] == "blank" and stratum_of(r) == stratum]


def _water_note(result: StudyResult, stratum: Stratum) -> str:
    """What is not known of a paint without untreated blanks."""
    kinds = {row["treatment"] for row in _blanks(result, stratum)}
    if "none" in kinds or not kinds:
        return ""
    return "there are no untreated blanks, so what water itself does to the paint is unknown."


def other_exposure(result: StudyResult, row: Mapping[Any, Any]) -> str:
    """What the blanks of an arm are, in half a sentence, where not all are of its exposure."""
    own = {(r["mockup"], r["treatment"], r["exposure_min"]): r
           for r in _blanks(result, stratum_of(row))}  # fmt: skip
    blanks = list(own.values())
    times = [math.nan if r["exposure_min"] is None else r["exposure_min"] for r in blanks]
    kinds = [r["treatment"] for r in blanks]
    chosen = comparator_places(kinds, times, row["exposure_min"])
    if all(times[k] == row["exposure_min"] for k in chosen):
        return ""
    if all(kinds[k] != "water" for k in chosen):
        return "compared with untreated blanks alone"
    given = sorted({times[k] for k in chosen if times[k] >= 0})
    stated = [f"of {_listed(given)} min"] if given else []
    unstated = [] if all(times[k] >= 0 for k in chosen) else ["of unstated exposure"]
    return f"compared with blanks {' and '.join([*stated, *unstated])}"


def _blank_note(result: StudyResult, stratum: Stratum) -> str:
    """What the exposure of the blanks leaves open."""
    own = _blanks(result, stratum)
    if not own:
        return ""
    water = {row["mockup"]: row["exposure_min"] for row in own if row["treatment"] == "water"}
    if not water:
        return (
            "the blanks are untreated, so what water itself does to the paint is not taken out of "
            "any arm."
        )
    times = list(water.values())
    given = sorted({float(time) for time in times if time is not None})
    if not given:
        return (
            "how long the water-only blanks were exposed is not stated, so every arm is compared "
            "with all of them, whatever its exposure."
        )
    arms = sorted({float(row["exposure_min"]) for row in _of_stratum(result.verdicts, stratum)})
    few = [time for time in arms if times.count(time) < min(ENOUGH, len(times))]
    if not few:
        return ""
    return (
        f"the water-only blanks were exposed for {_listed(given)} min; arms with fewer than three "
        f"of their own exposure ({_listed(few)} min) are compared with all of them."
    )


def _listed(times: Sequence[float]) -> str:
    return " and ".join(f"{time:g}" for time in times)


def _paint_change(result: StudyResult, stratum: Stratum) -> Iterator[str]:
    """What water alone did to the paint by the deciding score, if untreated blanks tell it."""
    score = next(
        (row["score"] for row in _of_stratum(result.verdicts, stratum) if row["score"]), ""
    )
    rows = [r for r in _of_stratum(result.mockups, stratum)
            if r["role"] == "blank" and r["score"] == score]  # fmt: skip
    water, untreated = (
        [row["mean"] for row in rows if row["treatment"] == kind] for kind in ("water", "none")
    )
    if water and untreated:
        change = water_change(water, untreated)
        error = change.standard_error
        spread = f" ± {to_error(error, error)}" if math.isfinite(error) else ""
        yield (
            f"{stratum_words(stratum)}: water alone changed the {score} by "
            f"{true_minus(to_error(change.size, error))}{spread} {unit_words(rows[0]['unit'])} "
            f"(mean of {len(water)} water-only less {len(untreated)} untreated mock-ups): "
            f"{water_words(change.note(score, rows[0]['unit']).numbers)}."
        )


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
