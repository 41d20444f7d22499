"""The report of a run: one self-contained page that asks nothing of a network."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from html import escape
from importlib.resources import files
from itertools import groupby
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any

from ..reprs import sentence_case
from ..trends import findings
from ..words import methods as words
from ..words.answer import conditions, how_to_read
from ..words.common import arm_words, counted, in_words, number, stratum_of, stratum_words
from ..words.quality import flag_rows, run_sentences
from . import references
from .as_html import block, capped, folded, grid_table, items, paragraphs, rest, show, table
from .exports import grids
from .facts import (
    answer,
    arm_sentences,
    cannot_say,
    control_sentences,
    controls,
    instrument_sentences,
    layouts,
    limit_sentences,
    mapped_area,
    n_references,
    strata,
)
from .limit_table import limit_table
from .methods import short_hashes
from .pictures import calibration_figure, main_figure
from .trial import trial_section

if TYPE_CHECKING:
    import pandas as pd

    from ..results import StudyResult

REPORT = "report.html"
#: More rows than this are left to the CSV file, and the page says so.
MOST_ROWS = 200
#: More arms than this are folded away below the answer.
MOST_ARMS = 24
_MOST_LINES = 60
#: Remarks on no more files than this are not folded away.
_FEW = 8


def write_report(result: StudyResult, folder: str | Path) -> str:
    """Write report.html into a folder that holds figure.json, and return its text.

    The figure is taken from the folder and stands inside the page. Every text of the study is
    escaped.
    """
    folder = Path(folder)
    template = (files("residuekit.data") / "report.html").read_text(encoding="utf-8")
    text = Template(template).substitute(_parts(result, folder))
    (folder / REPORT).write_text(text, encoding="utf-8")
    return text


def _parts(result: StudyResult, folder: Path) -> dict[str, str]:
    record = result.provenance
    study = record["study"]
    asked = answer(result)
    verdicts, scores, _, mockups = map(grid_table, grids(result))
    return {
        "title": escape(study["title"]),
        "subtitle": escape(_subtitle(record)),
        "headline": show(asked.headline),
        "question": paragraphs((asked.further, _question(study), how_to_read(study))),
        "verdicts": _verdicts(result),
        "definition": show(words.DEFINITION),
        "tested": _tested(result),
        "cannot_say": items(cannot_say(result)),
        "figure": main_figure(folder, result),
        "controls": _controls(result),
        "sight": _sight(result),
        "limits": _limits(result),
        "calibration": calibration_figure(result),
        "series": _series(result),
        "trial": trial_section(result),
        "quality": _quality(result),
        "changes": _changes(result),
        "numbers": verdicts + folded("Every score", scores) + folded("Every mock-up", mockups),
        "reasons": folded("The reasons, word for word as in verdicts.csv", _reasons(result)),
        "procedure": _procedure(result),
        "provenance": _provenance(record),
    }


def _subtitle(record: Mapping[str, Any]) -> str:
    return (
        f"Run of {record['started'][:16].replace('T', ' ')} UTC, residuekit {record['residuekit']}"
    )


def _question(study: Mapping[str, Any]) -> str:
    limit = study["acceptance_limit_ug_cm2"]
    if limit is None:
        return "No acceptance limit was set beforehand."
    return (
        f"Acceptance limit, set beforehand: {number(limit)} µg cm⁻². "
        f"{study['acceptance_reason'].strip()}"
    ).strip()


def _verdicts(result: StudyResult) -> str:
    """Each arm below its stratum, in sentences; the many of a large study folded away."""
    rows = result.verdicts.to_dict("records")
    shown = "".join(_of_strata(rows[:MOST_ARMS], result))
    more = rows[MOST_ARMS:MOST_ROWS]
    if more:
        shown += folded(f"{counted(len(more), 'further arm')}", "".join(_of_strata(more, result)))
    return shown + rest(len(rows) - MOST_ROWS, "further arm", "verdicts.csv")


def _of_strata(rows: list[dict[Any, Any]], result: StudyResult) -> Iterator[str]:
    for stratum, arms in groupby(rows, key=stratum_of):
        entries = "".join(_entry(row, result) for row in arms)
        yield (
            f"<h3>{show(sentence_case(stratum_words(stratum)))}</h3>"
            f'<ul class="verdicts">{entries}</ul>'
        )


def _entry(row: Mapping[Any, Any], result: StudyResult) -> str:
    """One verdict in words; an absence is never without its limits and its n."""
    kind = str(row["verdict"]).replace(" ", "-")
    first, *more = arm_sentences(result, row)
    done = conditions(row, result.provenance["study"])
    return (
        f'<li class="{escape(kind)}"><h4><span class="verdict">{show(row["verdict"])}</span> '
        f'{show(done)}</h4><p>{show(first)}</p><p class="more">'
        f"{show(' '.join(more))}</p></li>"
    )


def _tested(result: StudyResult) -> str:
    found = layouts(result)
    listed = [
        f"{sentence_case(stratum_words(stratum))}: {controls(result, stratum)}."
        for stratum in strata(result)[:_MOST_LINES]
    ]
    if found.layouts:
        listed.append(words.technique(found.techniques, found.layouts))
        listed.append(mapped_area(result, found.fields))
    listed += map(sentence_case, instrument_sentences(result, found))
    listed.append(f"Reference spectra of the pure material: {n_references(result)}.")
    return items(listed)


def _controls(result: StudyResult) -> str:
    said = [*map(sentence_case, control_sentences(result)), *result.provenance["remarks"]]
    if not said:
        return "<p>Every arm was compared with water-only blanks of its own exposure.</p>"
    return items(said[:_MOST_LINES]) + rest(
        len(said) - _MOST_LINES, "further remark", "verdicts.csv"
    )


def _sight(result: StudyResult) -> str:
    bands = {f"band: {m['name']}": words.marker_words(m) for m in result.provenance["markers"]}
    blind = [row for row in result.markers.to_dict("records") if row["blind"]]
    said = (
        f"{counted(len(blind), 'score')} of {len(result.markers)} (each on each stratum) "
        f"{'is' if len(blind) == 1 else 'are'} blind: what they show is never read as an absence."
    )
    markers = list(grids(result))[2]
    listed = [f"{sentence_case(name)}: {how}." for name, how in bands.items()]
    return (
        paragraphs([said])
        + grid_table(markers)
        + folded("How each band is measured", items(listed))
    )


def _limits(result: StudyResult) -> str:
    """The methods side by side for each stratum; then how they are made."""
    tables, methods = [], []
    for stratum in strata(result)[:MOST_ARMS]:
        made = limit_table(result, stratum)
        if made is not None:
            tables.append(grid_table(made.table) + paragraphs(made.refused))
            methods += [row[1] for row in made.table.rows]
    first, more = "".join(tables[:4]), "".join(tables[4:])
    shown = first + (folded(f"{len(tables) - 4} further strata", more) if more else "")
    shown += rest(len(strata(result)) - MOST_ARMS, "further stratum", "scores.csv")
    works = references.listed([*limit_sentences(result), *methods])
    how = paragraphs(limit_sentences(result)) + items(works)
    return shown + folded("How the limits and the verdicts are made", how, printed=True)


def _series(result: StudyResult) -> str:
    parts = []
    for finding in findings(result):
        said = list(map(sentence_case, finding.sentences))
        part = f"<h3>{show(finding.heading)}</h3>" + paragraphs(said[:_MOST_LINES])
        part += rest(len(said) - _MOST_LINES, "further sentence", "mockups.csv")
        if len(finding.table):
            part += folded("The numbers", _finding_table(finding.heading, finding.table))
        parts.append(part)
    return "".join(parts) or "<p>The study holds no series of exposures, ageings or sessions.</p>"


def _finding_table(heading: str, frame: pd.DataFrame) -> str:
    """The table of a finding, its columns of words before those of numbers."""
    numbers = [name for name, kind in frame.dtypes.items() if getattr(kind, "kind", "O") in "fiub"]
    texts = [name for name in frame.columns if name not in numbers]
    heads = [str(name).replace("_", " ") for name in (*texts, *numbers)]
    rows = frame[[*texts, *numbers]].to_numpy(object).tolist()
    return capped(heading, heads, rows, texts=max(len(texts), 1), most=MOST_ROWS,
                  file="mockups.csv")  # fmt: skip


def _quality(result: StudyResult) -> str:
    rows = result.provenance["quality"]
    shown = paragraphs(run_sentences(rows))
    if result.failures:
        failures = list(result.failures.items())
        shown += capped("Files that could not be used", ["file", "why"], failures, texts=2,
                        most=MOST_ROWS, file="provenance.json")  # fmt: skip
    else:
        shown += "<p>Every file could be used.</p>"
    if flags := flag_rows(rows):
        heads = ["flag", "meaning", "files", "pixels"]
        shown += table("Flags of the quality check", heads, flags, texts=2)
    remarks = [(row["file"], in_words(" ".join(row["words"]))) for row in rows if row.get("words")]
    if remarks:
        listed = capped("What the check said of each file", ["file", "what was found"], remarks,
                        texts=2, most=MOST_ROWS, file="provenance.json")  # fmt: skip
        few = len(remarks) <= _FEW
        shown += listed if few else folded(f"Remarks on {counted(len(remarks), 'file')}", listed)
    return shown


def _changes(result: StudyResult) -> str:
    """The text of changes.md below the heading of the page."""
    lines = [line for line in result.changes.splitlines()[1:] if line]
    shown = ""
    for kind, group in groupby(lines, key=lambda line: line[0] if line[0] in "-#" else ""):
        texts = [line.lstrip("-# ").replace("`", "") for line in group]
        if kind == "#":
            shown += "".join(f"<h3>{show(text)}</h3>" for text in texts)
        elif kind == "-":
            shown += items(map(sentence_case, texts[:_MOST_LINES]))
            shown += rest(len(texts) - _MOST_LINES, "further change", "changes.md")
        else:
            shown += paragraphs(texts)
    return shown or "<p>Nothing is known of an earlier run.</p>"


def _reasons(result: StudyResult) -> str:
    rows = result.verdicts.to_dict("records")
    told = [f"{sentence_case(arm_words(row))}: {row['verdict']}. {row['reason']}"
            for row in rows[:MOST_ROWS]]  # fmt: skip
    return items(told) + rest(len(rows) - MOST_ROWS, "further arm", "verdicts.csv")


def _procedure(result: StudyResult) -> str:
    steps = result.provenance["procedure"]
    if not steps:
        return "<p>The spectra were scored as read.</p>"
    return items(map(words.step_words, steps), "ol")


def _provenance(record: Mapping[str, Any]) -> str:
    versions = {"residuekit": record["residuekit"], "Python": record["python"],
                "system": record["system"], **record["packages"]}  # fmt: skip
    shown = table("Versions", ["what", "version"], versions.items(), texts=2)
    return block(short_hashes(record)) + folded("Versions", shown)
