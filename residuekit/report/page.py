"""The report of a run: one self-contained page that asks nothing of a network."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable, Iterator, Mapping
from html import escape
from importlib.resources import files
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..reprs import sentence_case, to_error
from ..trends import Finding, findings
from ..trial import summary_of
from ..words import methods as words
from ..words import samples
from ..words import trial as trial_words
from ..words.answer import arm_cells, arm_line, arms_caption, how_to_read, one_unit
from ..words.common import (
    arm_words,
    counted,
    in_words,
    number,
    stratum_words,
    true_minus,
)
from ..words.quality import flag_rows, run_sentences
from ..words.registration import registration_sentences
from ..words.scale import not_calibrated
from . import references
from .beside_films import matrix_sentences, matrix_table
from .exports import error_of, grids
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
    strata,
    what_was_used,
)
from .leave_one_out import leave_one_out
from .limit_table import limit_table
from .methods import short_hashes
from .page_pictures import (
    calibration_figure,
    comparisons_panel,
    differences_panel,
    main_figure,
    matrix_panel,
    picture,
    recovery_panel,
)
from .recovered_loadings import recovery_table
from .small_panels import comparisons_table
from .text import grid

if TYPE_CHECKING:
    from ..results import StudyResult

REPORT = "report.html"
#: The style of the page, which it holds too: some servers let no page bring its own.
STYLE = "report.css"
#: More rows than this are left to the CSV file, and the page says so.
MOST_ROWS = 200
#: More arms than this are folded away below the answer.
MOST_ARMS = 24
_MOST_LINES = 60
_ARM_HEADS = (
    "arm", "verdict", "n / blanks", "mean ± s.e.", "detection limit", "upper bound",
    "above the limit of one mock-up",
)  # fmt: skip
#: Remarks on no more files than this are not folded away.
_FEW = 8


def write_report(result: StudyResult, folder: str | Path) -> str:
    """Write report.html into a folder that holds figure.json, and return its text.

    The figure is taken from the folder and stands inside the page. Every text of the study is
    escaped.
    """
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    page = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    page.filters |= {"show": lambda value: Markup(escape(show(value))), "counted": counted}
    page.globals["number"] = Markup(' class="number"')
    template, style = (
        (files("residuekit.data") / name).read_text(encoding="utf-8") for name in (REPORT, STYLE)
    )
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    text: str = page.from_string(template).render(
        _parts(result, Path(folder)), style=Markup(style), style_hash=digest
    )
    (Path(folder) / REPORT).write_text(text, encoding="utf-8")
    (Path(folder) / STYLE).write_text(style, encoding="utf-8")
    return text


def show(value: Any) -> str:
    """A cell as people read it.

    >>> show("5 ug cm-2"), show(0.00123456), show(True), show(float("nan"))
    ('5 µg cm⁻²', '0.00123', 'yes', '–')
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float) or value is None:
        return number(value)
    return in_words(str(value))


def _parts(result: StudyResult, folder: Path) -> dict[str, Any]:
    """What the template lays out: texts, lists of texts, tables, pictures."""
    record = result.provenance
    study, quality = record["study"], record["quality"]
    rows = result.verdicts.to_dict("records")
    more = rows[MOST_ARMS:MOST_ROWS]
    every = [(part, stratum) for part in by_residue(result) for stratum in strata(part)]
    limits = [made for one in every[:MOST_ARMS] if (made := limit_table(*one))]
    left_out, recoveries = (
        list(filter(None, (table(*one) for one in every[:MOST_ARMS])))
        for table in (leave_one_out, recovery_table)
    )
    how_limits = limit_sentences(result)
    methods = [row[1] for made in limits for row in made.table.rows]
    steps, blind = record["procedure"], result.markers["blind"]
    versions = {"residuekit": record["residuekit"], "Python": record["python"],
                "system": record["system"], **record["packages"]}  # fmt: skip
    remarks = [(row["file"], " ".join(row["words"])) for row in quality if row.get("words")]
    return {
        "most_rows": MOST_ROWS,
        "most_strata": MOST_ARMS,
        "most_lines": _MOST_LINES,
        "few": _FEW,
        "title": study["title"],
        "subtitle": f"Run of {record['started'][:16].replace('T', ' ')} UTC, residuekit "
        f"{record['residuekit']}",
        "answer": answer(result),
        "question": " ".join([
            samples.acceptance_limit(study),
            *registration_sentences(record.get("registration", {}),
                                    limit=study["acceptance_limit_ug_cm2"] is not None),
        ]),
        "how_to_read": how_to_read(study),
        "n_arms": len(rows),
        "n_more_arms": len(more),
        "first_arms": list(_arms(rows[:MOST_ARMS], result)),
        "more_arms": list(_arms(more, result)),
        "arms_caption": arms_caption(rows),
        "arms_heads": _ARM_HEADS,
        "definition": samples.DEFINITION,
        "tested": list(_tested(result)),
        "cannot_say": cannot_say(result),
        "figure": main_figure(folder, rows),
        "differences": differences_panel(result),
        "controls": [
            *map(sentence_case, (*control_sentences(result), *matrix_sentences(result))),
            *record["remarks"],
        ],
        "blind": words.blind_scores(sum(map(bool, blind)), len(blind)),
        "bands": [f"Band: {m['name']}: {words.marker_words(m)}." for m in record["markers"]],
        "limits": limits,
        "left_out": left_out,
        "recoveries": recoveries,
        "n_strata": len(every),
        "how_limits": how_limits,
        "works": references.listed([*how_limits, *methods]),
        "calibration": calibration_figure(result),
        "not_calibrated": not_calibrated(what_was_used(result).scales),
        "recovery": recovery_panel(result),
        "matrix": matrix_panel(result),
        "matrix_table": matrix_table(result),
        "comparisons": comparisons_panel(result),
        "comparisons_table": comparisons_table(result),
        "findings": list(map(_finding, findings(result))),
        "trial": _trial(result),
        "quality": list(run_sentences(quality)),
        "failures": grid("Files that could not be used", ("file", "why"),
                         result.failures.items(), texts=2),
        "flags": grid("Flags of the quality check", ("flag", "meaning", "files", "pixels"),
                      flag_rows(quality), texts=2),
        "remarks": grid("What the check said of each file", ("file", "what was found"), remarks,
                        texts=2),
        "changes": list(_changes(result)),
        "tables": list(grids(result)),
        "reasons": [f"{sentence_case(arm_words(row))}: {row['verdict']}. {row['reason']}"
                    for row in rows],
        "procedure": list(map(words.step_words, steps)),
        "hashes": short_hashes(record),
        "versions": grid("Versions", ("what", "version"), versions.items(), texts=2),
    }  # fmt: skip


def _arms(rows: Iterable[Mapping[Any, Any]], result: StudyResult) -> Iterator[dict[str, Any]]:
    """A line an arm, with its details: an absence is never without its limits and its n."""
    study, several = result.provenance["study"], one_unit(result.verdicts.to_dict("records")) == ""
    for row in rows:
        yield {
            "verdict": str(row["verdict"]),
            "words": arm_line(row, study),
            "cells": arm_cells(row, with_unit=several),
            "said": arm_sentences(result, row),
        }


def _tested(result: StudyResult) -> Iterator[str]:
    found = layouts(result)
    for stratum in strata(result)[:_MOST_LINES]:
        yield f"{sentence_case(stratum_words(stratum))}: {controls(result, stratum)}."
    if found.layouts:
        yield words.technique(found.techniques, found.layouts)
    if found.fields:
        yield mapped_area(result, found.fields)
    yield from map(sentence_case, instrument_sentences(result, found))
    yield samples.references(n_references(result))


def _finding(finding: Finding) -> dict[str, Any]:
    """A finding; in its table the columns of words stand before those of numbers."""
    frame = finding.table
    numbers = [name for name, kind in frame.dtypes.items() if getattr(kind, "kind", "O") in "fiub"]
    texts = [name for name in frame.columns if name not in numbers]
    names = [*texts, *numbers]
    heads = [str(name).replace("_", " ") for name in names]
    rows = [[_to_error(row, name) for name in names] for row in frame.to_dict("records")]
    table = grid(finding.heading, heads, rows, texts=max(len(texts), 1))
    said = list(map(sentence_case, finding.sentences))
    return {"heading": finding.heading, "said": said, "table": table}


def _to_error(row: Mapping[Any, Any], name: Any) -> Any:
    """A cell; a number whose error is known in the digits that this warrants."""
    error = error_of(name, row)
    return true_minus(to_error(row[name], error)) or None if error > 0 else row[name]


def _trial(result: StudyResult) -> dict[str, Any] | None:
    """The other criteria of the trial; None where the study had no ``trial.csv``.

    The picture is taken from the run folder and stands inside the page; the table says the same.
    """
    summary = summary_of(result)
    if summary is None:
        return None
    alternative = trial_words.picture_alternative(summary.candidates)
    rows = trial_words.rows(summary.candidates, summary.alpha)
    cells = [list(row.values()) for row in rows]
    return {
        "picture": picture((result.folder / "trial.svg").read_bytes(), "svg+xml", alternative),
        "table": grid("A candidate a row (trial.csv)", list(rows[0]), cells, texts=len(rows[0])),
        "notes": [*summary.remarks, *trial_words.HOW, trial_words.CAUTION],
    }


def _changes(result: StudyResult) -> Iterator[tuple[str, list[str]]]:
    """The text of changes.md below the heading of the page: its marks with their lines."""
    lines = [line for line in result.changes.splitlines()[1:] if line]
    for mark, group in groupby(lines, key=lambda line: line[0] if line[0] in "-#" else ""):
        yield mark, [sentence_case(line.lstrip("-# ").replace("`", "")) for line in group]
