"""The methods text of a run, in plain scientific English, written from its record."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..figures.words import (
    counted,
    in_words,
    number,
    percent,
    stratum_of,
    stratum_words,
    unit_words,
)
from ..results import arm_words
from ..schema import NET_SIGNAL
from ..verdict import LIMIT_FACTOR
from .facts import (
    SAFETY,
    cannot_say,
    controls,
    layouts,
    marker_words,
    n_references,
    step_words,
    strata,
    tally,
)

if TYPE_CHECKING:
    from ..results import StudyResult

METHODS = "methods.md"


def write_methods(result: StudyResult, folder: str | Path) -> str:
    """Write methods.md into a folder and return its text."""
    text = methods_text(result)
    (Path(folder) / METHODS).write_text(text, encoding="utf-8")
    return text


def methods_text(result: StudyResult) -> str:
    """Tell what was measured, how it was judged, and what was found."""
    parts = [
        f"# Methods and findings: {_md(result.provenance['study']['title'])}",
        "## Question and samples\n\n" + "\n\n".join(_samples(result)),
        "## Measurement and procedure\n\n" + "\n\n".join(_measurement(result)),
        "## Markers and scores\n\n" + "\n\n".join(_scores(result)),
        "## Limits and verdicts\n\n" + "\n\n".join(limit_sentences(result)),
        "## Findings\n\n" + "\n\n".join(_findings(result)),
        "## Quality and exclusions\n\n" + "\n\n".join(_quality(result)),
        "## Cautions\n\n" + "\n".join(f"- {said}" for said in (*cannot_say(result), SAFETY)),
        "## Versions and data\n\n" + "\n\n".join(_record(result)),
    ]
    return "\n\n".join(parts) + "\n"


def _md(text: object) -> str:
    """A name as Markdown shows it, letter by letter, on one line."""
    return re.sub(r"([\\`*_<>\[\]|#$])", r"\\\1", " ".join(str(text).split()))


def _code(text: object) -> str:
    """A file name between backticks."""
    return "`" + " ".join(str(text).split()).replace("`", "'").replace("|", "\\|") + "`"


def _samples(result: StudyResult) -> Iterator[str]:
    study = result.provenance["study"]
    limit, working = study["acceptance_limit_ug_cm2"], study["working_exposure_min"]
    asked = f"Residue of {_md(study['treatment'])} was looked for"
    if working is not None:
        asked += f"; the working exposure is {number(working)} min"
    if limit is None:
        asked += ". No acceptance limit was set beforehand."
    else:
        reason = study["acceptance_reason"].strip()
        why = f" Reason given: {_md(in_words(reason))}" if reason else " No reason was given."
        asked += f". Acceptance limit, set beforehand: {number(limit)} µg cm⁻².{why}"
    yield asked
    verdicts = result.verdicts.to_dict("records")
    for stratum in strata(result):
        arms = [row for row in verdicts if stratum_of(row) == stratum]
        tested = "; ".join(
            f"{_md(row['treatment'])} {row['exposure_min']:g} min, cleared "
            f"{row['clearance_min']:g} min ({counted(int(row['n_mockups']), 'mock-up')})"
            for row in arms
        )
        held = ", ".join(controls(result, stratum))
        yield f"{_md(stratum_words(stratum))}. Controls: {held}. Arms: {tested}."
    found = n_references(result)
    yield (
        f"The pure material is known from {counted(found, 'reference spectrum')}."
        if found == 1
        else f"The pure material is known from {found} reference spectra."
        if found
        else "There is no reference spectrum of the pure material."
    )


def _measurement(result: StudyResult) -> Iterator[str]:
    found = layouts(result)
    yield (
        f"Technique: {tally(found.techniques)}. Layout: {tally(found.layouts)}. The mock-up is the "
        "unit of replication: its maps are averaged, and neither maps nor pixels count as "
        "replicates."
        if found.layouts
        else "No file could be scored."
    )
    yield (
        "The record of the run does not hold the instrument, the resolution, the number of scans, "
        "the aperture and the climate of the laboratory; state them beside this text."
    )
    steps = result.provenance["procedure"]
    if steps:
        listed = "\n".join(f"{k}. {_md(step_words(s))}" for k, s in enumerate(steps, start=1))
        yield f"Every spectrum went through these steps, in this order:\n\n{listed}"
    else:
        yield "The spectra were scored as read; there was no preprocessing."


def _scores(result: StudyResult) -> Iterator[str]:
    provenance = result.provenance
    bands = "\n".join(f"- {_md(m['name'])}: {marker_words(m)}" for m in provenance["markers"])
    yield f"Marker bands:\n\n{bands}"
    if NET_SIGNAL in provenance["study"]["scores"]:
        yield (
            "Net signal: the whole reference spectrum fitted by generalised least squares, in the "
            "metric of the pixel scatter within the blank maps (shrunk), with declared nuisance "
            "shapes given a large variance; Lorber's net analyte signal is the same quantity for "
            "white noise."
        )
    yield (
        "The deciding score was fixed beforehand: the net signal, or else the first band in the "
        "order of the list that is not blind. What each score can see was computed from blanks, "
        "spiked mock-ups and references before any exposed map was opened. A score is blind when "
        "its response to the spiked mock-ups cannot be told from zero, or when the scatter of "
        f"blank mock-ups alone, times {LIMIT_FACTOR:g} and in loading units, is above the "
        "acceptance limit and noise does not explain it."
    )
    for stratum in strata(result):
        rows = [r for r in result.markers.to_dict("records") if stratum_of(r) == stratum]
        if rows:
            yield f"{_md(stratum_words(stratum))}. " + "; ".join(map(_sight, rows)) + "."


def _sight(row: Mapping[Any, Any]) -> str:
    unit = unit_words(str(row["unit"]))
    words = f"{_md(row['score'])}: a single mock-up would need {number(row['mockup_limit'])} {unit}"
    if row["blind"]:
        return f"{words}, blind"
    return f"{words}, deciding" if row["deciding"] else words


def limit_sentences(result: StudyResult) -> Iterator[str]:
    study = result.provenance["study"]
    alpha, beta = study["alpha"], study["beta"]
    n_arms = int(result.provenance["n_arms"])
    sure = percent(1 - alpha)
    yield (
        "Decision limits are those of a pair of one-sided tests, on the mean of the arm and on its "
        "highest mock-up, which share one marginal level such that either is exceeded without "
        f"residue with probability {alpha:g} in all; both use the scatter of the blank mock-ups. "
        "Detection limits follow from the noncentral t distribution for the same quantiles with a "
        f"probability of {beta:g} of missing. The slope that turns scores into loadings is a "
        "weighted straight line through zero over the spiked mock-ups of the same paint and "
        f"soiling. The upper bound of the mean is one-sided at {sure}, with the scatter of blanks "
        "and of exposed mock-ups and the error of the slope, and degrees of freedom after "
        "Satterthwaite. The share of mock-ups above their detection limit is bounded after Clopper "
        f"and Pearson, one-sided at {sure}."
    )
    yield (
        "Detected: above a decision limit, and the difference from the blanks has the shape of the "
        "reference. Not detected: below both decision limits, detection limit and upper bound "
        "within the acceptance limit. Not assessable: the maps failed the quality check, or every "
        "score is blind. Inconclusive: everything else. "
        f"{counted(n_arms, 'arm')} in all were tested, each at {percent(alpha)}; the error rate is "
        "not shared among arms."
    )


def _findings(result: StudyResult) -> Iterator[str]:
    for row in result.verdicts.to_dict("records"):
        yield (
            f"**{_md(arm_words(row))}: {row['verdict']}.** {_md(in_words(str(row['reason'])))} "
            f"{_counts(row)}"
        ).strip()
    yield from (_md(in_words(remark)) for remark in result.provenance["remarks"])


def _counts(row: Mapping[Any, Any]) -> str:
    if row["n_maps"] != row["n_maps"]:
        return ""
    maps, pixels = int(row["n_maps"]), int(row["n_pixels"])
    return (
        f"Behind it stand {counted(int(row['n_mockups']), 'mock-up')}, {counted(maps, 'map')} and "
        f"{counted(pixels, 'pixel')}."
    )


def _quality(result: StudyResult) -> Iterator[str]:
    rows = result.provenance["quality"]
    excluded = sum(int(row["n_pixels"] - row["n_valid"]) for row in rows)
    pixels = sum(int(row["n_pixels"]) for row in rows)
    yield (
        f"{counted(len(rows), 'file')} with {counted(pixels, 'pixel')} were checked before the "
        f"procedure; {counted(excluded, 'pixel')} with missing, constant or very noisy spectra "
        "were left out of every mean."
    )
    if result.failures:
        listed = "\n".join(f"- {_code(f)}: {_md(why)}" for f, why in result.failures.items())
        yield f"Files that could not be used:\n\n{listed}"
    else:
        yield "Every file could be used."


def _record(result: StudyResult) -> Iterator[str]:
    record = result.provenance
    versions = ", ".join(f"{name} {version}" for name, version in record["packages"].items())
    yield (
        f"residuekit {record['residuekit']}, Python {record['python']} on {record['system']}; "
        f"{versions}. The run began on {record['started']}. Every parameter stands in "
        "provenance.json."
    )
    rows = "\n".join(f"| {_code(name)} | {sha} |" for name, sha in record["inputs"].items())
    yield f"| file | sha256 |\n|---|---|\n{rows}"
