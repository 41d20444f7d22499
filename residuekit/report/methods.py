"""The methods text of a run, in plain scientific English, written from its record."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..decision.blindness import LIMIT_FACTOR
from ..decision.confirmation import FOREIGN
from ..kernels.paint_change import CHANGE_LENGTH, CHANGE_SHARE
from ..reprs import sentence_case
from ..results import arm_words
from ..schema import NET_SIGNAL
from ..trends import findings
from ..words.common import (
    counted,
    in_words,
    number,
    percent,
    rounded,
    stratum_of,
    stratum_words,
    true_minus,
    unit_words,
)
from . import as_latex, as_markdown, references
from .answer import answer, arm_sentences, behind, judged
from .facts import (
    DEFINITION,
    SAFETY,
    TRANSFLECTION,
    cannot_say,
    control_sentences,
    controls,
    instrument_sentences,
    layouts,
    marker_words,
    n_references,
    seen_sentence,
    step_words,
    strata,
    tally,
)
from .quality import quality_sentences
from .text import Block, Items, Paragraph, Section, grid, paragraphs

if TYPE_CHECKING:
    from ..results import StudyResult

METHODS = "methods.md"
METHODS_TEX = "methods.tex"


def write_methods(result: StudyResult, folder: str | Path) -> str:
    """Write methods.md and methods.tex into a folder and return the text of the first."""
    made = sections(result)
    text = as_markdown.write(f"Methods and findings: {result.provenance['study']['title']}", made)
    (Path(folder) / METHODS).write_text(text, encoding="utf-8")
    (Path(folder) / METHODS_TEX).write_text(as_latex.write(made), encoding="utf-8")
    return text


def sections(result: StudyResult) -> list[Section]:
    """Tell what was measured, how it was judged, and what was found."""
    told = [
        Section("Question and samples", tuple(_samples(result))),
        Section("Measurement and procedure", tuple(_measurement(result))),
        Section("Markers and scores", tuple(_scores(result))),
        Section("Limits and verdicts", paragraphs(limit_sentences(result))),
        Section("Findings", tuple(_findings(result))),
        Section("Quality and exclusions", tuple(_quality(result))),
        Section("Cautions", (Items((*cannot_say(result), SAFETY)),)),
        Section("Versions and data", tuple(_record(result))),
    ]
    works = references.listed(text for section in told for text in _texts(section))
    remark = Paragraph(
        "Details of these works are from memory: check them before they are printed."
    )
    return [*told, Section("References", (Items(works), remark))]


def _texts(section: Section) -> Iterator[str]:
    for block in section.blocks:
        if isinstance(block, Paragraph):
            yield block.text
        elif isinstance(block, Items):
            yield from block.texts


def _samples(result: StudyResult) -> Iterator[Block]:
    study = result.provenance["study"]
    limit, working = study["acceptance_limit_ug_cm2"], study["working_exposure_min"]
    asked = f"Residue of {study['treatment']} was looked for"
    if working is not None:
        asked += f"; the working exposure is {number(working)} min"
    if limit is None:
        asked += ". No acceptance limit was set beforehand."
    else:
        reason = study["acceptance_reason"].strip()
        why = f" Reason given: {in_words(reason)}" if reason else " No reason was given."
        asked += f". Acceptance limit, set beforehand: {number(limit)} µg cm⁻².{why}"
    yield Paragraph(asked)
    yield Paragraph(DEFINITION)
    verdicts = result.verdicts.to_dict("records")
    for stratum in strata(result):
        arms = [row for row in verdicts if stratum_of(row) == stratum]
        tested = "; ".join(
            f"{row['treatment']} {row['exposure_min']:g} min, cleared {row['clearance_min']:g} min "
            f"({counted(int(row['n_mockups']), 'mock-up')})"
            for row in arms
        )
        held = ", ".join(controls(result, stratum))
        yield Paragraph(
            f"Controls: {held}. Arms: {tested}.", f"{sentence_case(stratum_words(stratum))}."
        )
    yield from paragraphs(map(sentence_case, control_sentences(result)))
    yield Paragraph(_pure(result))


def _pure(result: StudyResult) -> str:
    found = n_references(result)
    if not found:
        return "There is no reference spectrum of the pure material."
    spectra = "reference spectrum" if found == 1 else "reference spectra"
    return f"The pure material is known from {found} {spectra}."


def _measurement(result: StudyResult) -> Iterator[Block]:
    found = layouts(result)
    if found.layouts:
        yield Paragraph(f"Technique: {tally(found.techniques)}. Layout: {tally(found.layouts)}.")
        yield Paragraph(seen_sentence(result, found.fields))
        yield Paragraph(
            "The mock-up is the unit of replication: its maps are averaged, and neither maps nor "
            "pixels count as replicates."
        )
    else:
        yield Paragraph("No file could be scored.")
    told = map(sentence_case, instrument_sentences(result, found.techniques))
    yield Paragraph(" ".join(told))
    if "transflection" in found.techniques:
        yield Paragraph(TRANSFLECTION)
    steps = result.provenance["procedure"]
    if steps:
        yield Paragraph("Every spectrum went through these steps, in this order:")
        yield Items(tuple(map(_cited_step, steps)), ordered=True)
    else:
        yield Paragraph("The spectra were scored as read; there was no preprocessing.")


def _cited_step(step: Mapping[str, Any]) -> str:
    work = references.of_step(step)
    return f"{step_words(step)} ({work})" if work else step_words(step)


def _scores(result: StudyResult) -> Iterator[Block]:
    provenance = result.provenance
    yield Paragraph("Marker bands:")
    yield Items(tuple(f"{m['name']}: {marker_words(m)}" for m in provenance["markers"]))
    if NET_SIGNAL in provenance["study"]["scores"]:
        yield Paragraph(
            "Net signal: the whole reference spectrum fitted by generalised least squares. Three "
            "nuisance shapes are declared and given a large variance: a shift of the paint's "
            "bands, an offset, a slope. The metric holds the scatter of pixels within the blank "
            "maps (shrunk) and, beside it, how mock-ups of the paint differ. The latter is "
            "measured on replicates that no arm of the stratum is compared with (spiked mock-ups "
            "of one loading, untreated ones where water-only ones serve, blanks of other ageings; "
            "no sample of the blanks is among them), by restricted maximum likelihood (Patterson "
            "and Thompson 1971) on what the gel's own "
            "spectrum and the nuisance shapes leave. A fifth of the smooth change found there "
            "enters, and what texture mock-ups show beyond that of their pixels. With fewer than "
            "three degrees of freedom nothing is measured, and a mild smooth change is declared: "
            f"{percent(CHANGE_SHARE)} of the local absorbance, correlated over "
            f"{number(CHANGE_LENGTH)} cm⁻¹. The net analyte signal (Lorber 1986) is the same "
            "quantity for white noise."
        )
        if provenance.get("paint_variation"):
            yield Items(tuple(map(_variation, provenance["paint_variation"])))
    yield Paragraph(
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
            yield Paragraph(
                "What one mock-up would have to carry, and what each score gave by itself:",
                f"{sentence_case(stratum_words(stratum))}.",
            )
            yield Items(tuple(_sight(row, result) for row in rows))


def _variation(row: Mapping[str, Any]) -> str:
    """Whether the metric of a stratum holds a measured change of the paint, or a declared one."""
    dof = row["degrees_of_freedom"]
    freedom = f"{dof} degree{'' if dof == 1 else 's'} of freedom among such replicates"
    how = f"measured, with {freedom}" if row["measured"] else f"declared, with only {freedom}"
    return f"{sentence_case(stratum_words(stratum_of(row)))}: how mock-ups differ is {how}."


def _sight(row: Mapping[Any, Any], result: StudyResult) -> str:
    """What a score could see on a stratum, and what it gave there: negative findings too."""
    unit = unit_words(str(row["unit"]))
    words = f"{sentence_case(row['score'])}: {number(row['mockup_limit'], 2)} {unit}"
    if row["blind"]:
        return f"{words}; blind, so it says nothing on this paint."
    role = "; it decides. " if row["deciding"] else "; it does not decide. "
    own = [
        f"{arm['treatment']} {arm['exposure_min']:g} min, cleared {arm['clearance_min']:g} min: "
        f"{arm['verdict']} (mean {rounded(arm, 'estimate')}, detection limit "
        f"{rounded(arm, 'detection_limit')}, upper bound {rounded(arm, 'upper_bound')} "
        f"{unit_words(str(arm['unit']))})"
        for arm in result.scores.to_dict("records")
        if stratum_of(arm) == stratum_of(row) and arm["score"] == row["score"] and judged(arm)
    ]
    return f"{words}{role}{'; '.join(own)}."


def limit_sentences(result: StudyResult) -> Iterator[str]:
    """How limits, bounds and verdicts are made, each method with the work it comes from."""
    study = result.provenance["study"]
    alpha, beta = study["alpha"], study["beta"]
    n_arms = int(result.provenance["n_arms"])
    sure = percent(1 - alpha)
    yield (
        "Decision and detection limits are used in the sense of Currie (Currie 1968; Currie 1995): "
        "above the decision limit a signal is called present; a loading at the detection limit is "
        f"missed with a probability of {beta:g}. The decision is a pair of one-sided tests, on the "
        "mean of the arm and on its highest mock-up, both with the scatter of the blank mock-ups. "
        "The two tests are equally strict, and so strict that without residue the chance that one "
        f"of them or both call some present is {alpha:g}. Detection limits follow from the "
        "noncentral t distribution for the same quantiles. Limits of an arm's mean, of one mock-up "
        "and of one pixel are different quantities and never stand for one another."
    )
    yield (
        "The slope that turns scores into loadings is a weighted straight line through zero over "
        "the spiked mock-ups of the same paint and soiling. The upper bound of the mean is "
        f"one-sided at {sure}, with the scatter of blanks and of exposed mock-ups and the error of "
        "the slope; blanks that both the exposed and the spiked mock-ups are compared with move "
        "difference and slope together, and enter once. Degrees of freedom are after Satterthwaite "
        "1946; where residue was detected, the lower bound lies as far below the mean. The share "
        "of mock-ups that would be above "
        "the decision limit of a single one is bounded after Clopper and Pearson 1934, "
        f"one-sided at {sure}."
    )
    yield (
        "Detected: above a decision limit, a shape that is not refused as the reference's, and "
        f"a second net signal, to which each band of {', '.join(FOREIGN[:-1])} and {FOREIGN[-1]} "
        "is a nuisance, above a decision limit of its own. So a loading at the detection limit, "
        "which is above its decision limit, may still be inconclusive. Not detected: below both "
        "decision limits, detection limit and upper bound within the acceptance limit, and no "
        "other difference from the blanks that may hide gel. Not assessable: the maps failed the "
        "quality check, or every score is blind. Inconclusive: everything else. "
        f"{counted(n_arms, 'arm')} in all were tested, each at {percent(alpha)}; the error rate is "
        "not shared among arms."
    )


def _findings(result: StudyResult) -> Iterator[Block]:
    study = result.provenance["study"]
    told = answer(result)
    yield Paragraph(" ".join(text for text in (told.headline, told.further) if text))
    for row in result.verdicts.to_dict("records"):
        said = (*arm_sentences(row, study), behind(row))
        yield Paragraph(
            " ".join(text for text in said if text),
            f"{sentence_case(arm_words(row))}: {row['verdict']}.",
        )
    yield from paragraphs(map(in_words, result.provenance["remarks"]))
    for finding in findings(result):
        yield Paragraph(
            in_words(" ".join(map(sentence_case, finding.sentences))), _ended(finding.heading)
        )


def _ended(heading: str) -> str:
    return heading if heading[-1:] in ".?!" else f"{heading}."


def _quality(result: StudyResult) -> Iterator[Block]:
    yield from paragraphs(quality_sentences(result))
    if result.failures:
        yield Paragraph("Files that could not be used:")
        listed = (f"{file}: {why}" for file, why in result.failures.items())
        yield Items(tuple(map(true_minus, listed)))
    else:
        yield Paragraph("Every file could be used.")


def _record(result: StudyResult) -> Iterator[Block]:
    record = result.provenance
    versions = ", ".join(f"{name} {version}" for name, version in record["packages"].items())
    yield Paragraph(
        f"residuekit {record['residuekit']}, Python {record['python']} on {record['system']}; "
        f"{versions}. The run began on {record['started']}."
    )
    yield short_hashes(record)


def short_hashes(record: Mapping[str, Any]) -> Block:
    """The hashes of the files that define the study; those of the data stand in the record."""
    data = {row["file"] for row in record.get("measurements", ())}
    own = [(name, sha) for name, sha in record["inputs"].items() if name not in data]
    n = len(record["inputs"])
    return grid(
        f"Hashes of the files that define the study; those of all {n} input files, and every "
        "parameter, stand in provenance.json",
        ("file", "sha256"),
        own[:3],
        texts=2,
    )
