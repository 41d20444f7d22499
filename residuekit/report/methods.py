"""The methods text of a run, short enough for a paper, and its supplement, from its record."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..decision.blindness import LIMIT_FACTOR
from ..kernels.paint_change import CHANGE_LENGTH, CHANGE_SHARE
from ..reprs import sentence_case
from ..trends.findings import findings
from ..words import methods as words
from ..words import samples
from ..words.common import arm_words, in_words, stratum_words, true_minus
from ..words.quality import run_sentences
from ..words.registration import registration_sentences
from . import as_latex, as_markdown, references
from .beside_films import matrix_sentences
from .facts import (
    answer,
    arm_sentences,
    by_residue,
    cannot_say,
    control_sentences,
    controls,
    instrument_sentences,
    layouts,
    limit_sentences,
    mapped_area,
    n_references,
    of_stratum,
    sight_sentences,
    strata,
    what_was_used,
    where,
)
from .text import Block, Items, Paragraph, Section, grid, paragraphs

if TYPE_CHECKING:
    from ..results import StudyResult

METHODS = "methods.md"
METHODS_TEX = "methods.tex"
SUPPLEMENT = "supplement.md"
SUPPLEMENT_TEX = "supplement.tex"
#: Arms and controls of more strata than this stand in the supplement.
MOST_STRATA = 4


def write_methods(result: StudyResult, folder: str | Path) -> str:
    """Write methods and supplement as Markdown and LaTeX into a folder, with references.bib.

    Returns both texts, the supplement below; no sentence stands in both.
    """
    folder, title = Path(folder), result.provenance["study"]["title"]
    methods, supplement = sections(result), supplement_sections(result)
    cited = references.listed(_all_texts(methods))
    more = [work for work in references.listed(_all_texts(supplement)) if work not in cited]
    methods.append(Section("References", (Items(cited), Paragraph(words.WORKS_AS_LISTED))))
    if more:
        supplement.append(Section("Further references", (Items(tuple(more)),)))
    texts = []
    for heading, made, markdown, latex in (
        ("Methods and findings", methods, METHODS, METHODS_TEX),
        ("Supplement", supplement, SUPPLEMENT, SUPPLEMENT_TEX),
    ):
        texts.append(as_markdown.write(f"{heading}: {title}", made))
        (folder / markdown).write_text(texts[-1], encoding="utf-8")
        (folder / latex).write_text(as_latex.write(made), encoding="utf-8")
    references.write_references(_all_texts([*methods, *supplement]), folder)
    return "\n".join(texts)


def sections(result: StudyResult) -> list[Section]:
    """Say what was measured, how it was judged, and what the answer is."""
    few = len(strata(result)) <= MOST_STRATA
    return [
        Section("Question and samples", (*_samples(result), *(_strata(result) if few else ()))),
        Section("Measurement and procedure", tuple(_measurement(result))),
        Section("Markers and scores", tuple(_scores(result))),
        Section("Limits and verdicts", paragraphs(limit_sentences(result))),
        Section("Findings", (Paragraph(" ".join(filter(None, answer(result)))),)),
        Section("Quality and exclusions", paragraphs(run_sentences(result.provenance["quality"]))),
        Section("Cautions", (Items(cannot_say(result)),)),
        Section("Versions and data", (_versions(result.provenance),)),
    ]


def supplement_sections(result: StudyResult) -> list[Section]:
    """Say what each stratum, score, arm and file gave."""
    few = len(strata(result)) <= MOST_STRATA
    made = [
        Section("Samples", (*(() if few else _strata(result)), *_controls(result))),
        Section("What each score can see", tuple(_sight(result))),
        Section("Arms and findings", tuple(_findings(result))),
        Section("Files left out", tuple(_left_out(result))),
        Section("Hashes", (short_hashes(result.provenance),)),
    ]
    return [section for section in made if section.blocks]


def _all_texts(made: Iterable[Section]) -> Iterator[str]:
    return (text for section in made for text in _texts(section))


def _texts(section: Section) -> Iterator[str]:
    for block in section.blocks:
        if isinstance(block, Paragraph):
            yield block.text
        elif isinstance(block, Items):
            yield from block.texts


def _samples(result: StudyResult) -> Iterator[Block]:
    study, found = result.provenance["study"], result.provenance.get("registration", {})
    stated = study["acceptance_limit_ug_cm2"] is not None
    yield Paragraph(samples.question(study))
    yield Paragraph(" ".join(registration_sentences(found, limit=stated)))
    yield Paragraph(samples.DEFINITION)
    yield Paragraph(samples.references(n_references(result)))
    listed = result.provenance.get("measurements", ())
    n_before = sum(row["role"] == "before" for row in listed)
    yield from paragraphs(samples.pairing(result.verdicts.to_dict("records"), n_before))


def _strata(result: StudyResult) -> Iterator[Block]:
    for stratum in strata(result):
        tested = samples.tested(of_stratum(result.verdicts, stratum))
        yield Paragraph(
            f"Controls: {controls(result, stratum)}. Arms: {tested}.",
            f"{sentence_case(stratum_words(stratum))}.",
        )


def _controls(result: StudyResult) -> Iterator[Block]:
    said = (*control_sentences(result), *matrix_sentences(result))
    yield from paragraphs(map(sentence_case, said))


def _measurement(result: StudyResult) -> Iterator[Block]:
    found = layouts(result)
    if found.layouts:
        yield Paragraph(words.technique(found.techniques, found.layouts))
        if found.fields:
            yield Paragraph(mapped_area(result, found.fields))
        yield Paragraph(words.UNIT_OF_REPLICATION)
    else:
        yield Paragraph("No file could be scored.")
    yield Paragraph(" ".join(map(sentence_case, instrument_sentences(result, found))))
    if "transflection" in found.techniques:
        yield Paragraph(words.TRANSFLECTION)
    steps = result.provenance["procedure"]
    if steps:
        yield Paragraph("Every spectrum went through these steps, in this order:")
        yield Items(tuple(map(_cited_step, steps)), ordered=True)
    else:
        yield Paragraph("The spectra were scored as read; there was no preprocessing.")


def _cited_step(step: Mapping[str, Any]) -> str:
    work = references.of_step(step)
    return f"{words.step_words(step)} ({work})" if work else words.step_words(step)


def _scores(result: StudyResult) -> Iterator[Block]:
    record = result.provenance
    yield Paragraph("Marker bands:")
    yield Items(tuple(f"{m['name']}: {words.marker_words(m)}" for m in record["markers"]))
    used = what_was_used(result)
    if used.net:
        yield Paragraph(words.net_signal(used.maps))
    yield Paragraph(words.deciding_score(LIMIT_FACTOR, used))


def _sight(result: StudyResult) -> Iterator[Block]:
    used = what_was_used(result)
    if used.net and used.maps:
        yield Paragraph(words.mockup_differences(CHANGE_SHARE, CHANGE_LENGTH))
    if result.provenance.get("paint_variation"):
        yield Items(tuple(map(words.variation, result.provenance["paint_variation"])))
    said = {where(part, stratum): sight_sentences(part, stratum)
            for part in by_residue(result) for stratum in strata(part)}  # fmt: skip
    if any(said.values()):
        yield Paragraph("What one mock-up would have to carry, and what each score gave by itself:")
    for place, sentences in said.items():
        if sentences:
            yield Paragraph(f"{place}:")
            yield Items(sentences)


def _findings(result: StudyResult) -> Iterator[Block]:
    for row in result.verdicts.to_dict("records"):
        lead = f"{sentence_case(arm_words(row))}: {row['verdict']}."
        yield Paragraph(" ".join(arm_sentences(result, row)), lead)
    yield from paragraphs(map(in_words, result.provenance["remarks"]))
    for finding in findings(result):
        said = " ".join(map(sentence_case, finding.sentences))
        yield Paragraph(in_words(said), _ended(finding.heading))


def _ended(heading: str) -> str:
    return heading if heading[-1:] in ".?!" else f"{heading}."


def _left_out(result: StudyResult) -> Iterator[Block]:
    if result.failures:
        yield Paragraph("Files that could not be used:")
        listed = (f"{file}: {why}" for file, why in result.failures.items())
        yield Items(tuple(map(true_minus, listed)))
    else:
        yield Paragraph("Every file could be used.")


def _versions(record: Mapping[str, Any]) -> Paragraph:
    versions = ", ".join(f"{name} {version}" for name, version in record["packages"].items())
    return Paragraph(
        f"residuekit {record['residuekit']}, Python {record['python']} on {record['system']}; "
        f"{versions}. The run began on {record['started']}."
    )


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
