"""The report of a run: one self-contained page that asks nothing of a network."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from html import escape
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any

from ..figures.files import RECORD
from ..figures.words import counted, number, percent, stratum_of, stratum_words, unit_words
from ..results import arm_words
from ..schema import VERDICTS
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
from .methods import limit_sentences
from .tables import items, paragraphs, show, table
from .trial import trial_section

if TYPE_CHECKING:
    from ..results import StudyResult

REPORT = "report.html"
#: More rows than this are left to the CSV file, and the page says so.
MOST_ROWS = 400


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
    return {
        "title": escape(study["title"]),
        "subtitle": escape(_subtitle(record)),
        "question": paragraphs((*_question(study), _tally(result))),
        "verdicts": "\n".join(map(_verdict_entry, result.verdicts.to_dict("records"))),
        "cannot_say": items((*cannot_say(result), SAFETY)),
        "figure": _figure(folder),
        "tested": _tested(result),
        "verdict_table": _verdict_table(result),
        "reasons": _reasons(result),
        "sight_table": _sight_table(result),
        "mockup_table": _mockup_table(result),
        "trial": trial_section(result),
        "limits": paragraphs(limit_sentences(result)),
        "quality": _quality(result),
        "failures": _failures(result),
        "procedure": _procedure(result),
        "provenance": _provenance(record),
    }


def _subtitle(record: Mapping[str, Any]) -> str:
    return (
        f"Run of {record['started'][:16].replace('T', ' ')} UTC, residuekit {record['residuekit']}"
    )


def _question(study: Mapping[str, Any]) -> list[str]:
    asked = [f"Does {study['treatment']} leave a residue on the paint?"]
    limit = study["acceptance_limit_ug_cm2"]
    if limit is None:
        return [*asked, "No acceptance limit was set beforehand."]
    reason = study["acceptance_reason"].strip()
    said = f"Acceptance limit, set beforehand: {number(limit)} µg cm⁻²."
    return [*asked, f"{said} {reason}".strip()]


def _tally(result: StudyResult) -> str:
    found = list(result.verdicts["verdict"])
    words = [f"{found.count(verdict)} {verdict}" for verdict in VERDICTS if verdict in found]
    return f"{counted(len(found), 'arm')}: {', '.join(words)}."


def _verdict_entry(row: Mapping[Any, Any]) -> str:
    """One verdict in words; an absence is never without its limits and its n."""
    verdict = str(row["verdict"])
    kind = verdict.replace(" ", "-")
    return (
        f'<li class="{escape(kind)}"><h3>{show(arm_words(row))}: '
        f"<strong>{show(verdict)}</strong></h3><p>{show(_numbers(row))}</p></li>"
    )


def _numbers(row: Mapping[Any, Any]) -> str:
    if not row["n_mockups"] or row["n_maps"] != row["n_maps"]:
        return str(row["reason"])
    unit = unit_words(str(row["unit"]))
    least = f"{number(row['mockup_detection_limit'])} {unit}"
    missed = f" A single mock-up that carries less than {least} may be missed."
    share = ""
    if row["positive_mockups"] < row["n_mockups"]:
        most = percent(row["share_upper_bound"])
        share = f", so at most {most} of such mock-ups (one-sided bound) carry more than {least}"
    return (
        f"Mean {number(row['estimate'])} {unit}; detection limit "
        f"{number(row['detection_limit'])}, upper bound {number(row['upper_bound'])} {unit}. "
        f"{int(row['positive_mockups'])} of {counted(int(row['n_mockups']), 'mock-up')} above the "
        f"limit for one mock-up{share}; "
        f"{counted(int(row['n_blank_mockups']), 'blank mock-up')}, "
        f"{counted(int(row['n_maps']), 'map')}, {counted(int(row['n_pixels']), 'pixel')}."
        f"{missed if row['verdict'] != 'detected' else ''}"
    )


def _figure(folder: Path) -> str:
    record = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    if "not_drawn" in record:
        return f"<p>The figure could not be drawn: {show(record['not_drawn'])}</p>"
    picture = base64.b64encode((folder / "figure.svg").read_bytes()).decode("ascii")
    verdicts = "; ".join(
        f"{block['paint']}, {group['shown_as']}: {group['verdict']}"
        for block in record["strata"]
        for group in block["groups"]
        if "verdict" in group
    )
    alternative = (
        "Due-diligence figure: score maps on one colour scale, mean spectra, a dot a mock-up with "
        f"the limits. Verdicts shown: {verdicts}. The numbers stand in the tables below."
    )
    return (
        f'<figure><img alt="{escape(alternative)}" src="data:image/svg+xml;base64,{picture}">'
        f"<figcaption>{show(record['caption'])}</figcaption></figure>"
    )


def _tested(result: StudyResult) -> str:
    listed = [
        f"{stratum_words(stratum)}: {', '.join(controls(result, stratum))}"
        for stratum in strata(result)
    ]
    found = layouts(result)
    if found.layouts:
        listed.append(f"Technique: {tally(found.techniques)}; {tally(found.layouts)}")
    listed.append(f"Reference spectra of the pure material: {n_references(result)}")
    return items(listed)


def _verdict_table(result: StudyResult) -> str:
    columns = {
        "verdict": "verdict", "score": "score", "unit": "unit", "estimate": "mean",
        "standard_error": "standard error", "decision_limit": "decision limit",
        "detection_limit": "detection limit", "upper_bound": "upper bound",
        "mockup_decision_limit": "decision limit, one mock-up",
        "mockup_detection_limit": "detection limit, one mock-up",
        "n_mockups": "mock-ups", "n_blank_mockups": "blanks", "positive_mockups": "above the limit",
        "share_upper_bound": "share bound",
    }  # fmt: skip
    rows = [
        [arm_words(row), *(_cell(row, name) for name in columns)]
        for row in result.verdicts.to_dict("records")
    ]
    return table("Verdicts, an arm a row: the numbers of the deciding score (verdicts.csv)",
                 ["arm", *columns.values()], rows, texts=4)  # fmt: skip


def _cell(row: Mapping[Any, Any], name: str) -> Any:
    return unit_words(str(row[name])) if name == "unit" else row[name]


def _reasons(result: StudyResult) -> str:
    rows = result.verdicts.to_dict("records")
    told = [f"{arm_words(row)}: {row['verdict']}. {row['reason']}" for row in rows]
    return items([*told, *result.provenance["remarks"]])


def _sight_table(result: StudyResult) -> str:
    bands = {f"band: {m['name']}": marker_words(m) for m in result.provenance["markers"]}
    rows = [
        [row["score"], stratum_words(stratum_of(row)),
         bands.get(row["score"], "whole spectrum of the reference"), unit_words(row["unit"]),
         "blind" if row["blind"] else "deciding" if row["deciding"] else "can see",
         *(row[name] for name in ("selectivity", "slope", "slope_se", "mockup_limit",
                                  "noise_limit"))]
        for row in result.markers.to_dict("records")
    ]  # fmt: skip
    heads = ["score", "stratum", "measured as", "unit", "sight", "selectivity", "slope",
             "its standard error", "what one mock-up would need", "what noise allows"]  # fmt: skip
    return table("What each score can see, from blanks, spiked mock-ups and references alone "
                 "(markers.csv)", heads, rows, texts=5)  # fmt: skip


def _mockup_table(result: StudyResult) -> str:
    every = result.mockups.to_dict("records")
    deciding = {(stratum_of(row), row["score"]) for row in result.verdicts.to_dict("records")}
    rows = [row for row in every if (stratum_of(row), row["score"]) in deciding]
    cells = [
        [row["mockup"], stratum_words(stratum_of(row)), _conditions(row), unit_words(row["unit"]),
         row["mean"], row["upper_tail"], row["patch_share"], row["n_maps"], row["n_pixels"],
         _flag(row["positive"])]
        for row in rows[:MOST_ROWS]
    ]  # fmt: skip
    heads = ["mock-up", "stratum", "conditions", "unit", "mean", "99th percentile of pixels",
             "largest patch", "maps", "pixels", "above the limit"]  # fmt: skip
    shown = table("Mock-ups by the deciding score; 99th percentile and largest patch above the "
                  "pixel limit (share of pixels) are printed, not tested (mockups.csv)",
                  heads, cells, texts=4)  # fmt: skip
    rest = len(rows) - len(cells)
    return shown + (f"<p>{rest} further rows stand in mockups.csv.</p>" if rest else "")


def _conditions(row: Mapping[Any, Any]) -> str:
    exposure, clearance = row["exposure_min"], row["clearance_min"]
    words = f"{row['role']}, {row['treatment']}"
    if exposure == exposure:
        words += f" {exposure:g} min"
    return f"{words}, cleared {clearance:g} min" if clearance == clearance else words


def _flag(value: Any) -> str:
    return {"true": "yes", "false": "no"}.get(str(value).casefold(), "–")


def _quality(result: StudyResult) -> str:
    every = result.provenance["quality"]
    names = sorted({name for row in every for name in row if name.startswith("n_")} - {"n_pixels"})
    counts = [name for name in names if name != "n_valid"]
    marked = [row for row in every if row["failed"] or any(row.get(name) for name in counts)]
    clean = len(every) - len(marked)
    said = f"<p>{counted(clean, 'file')} of {len(every)} without any flagged pixel.</p>"
    if not marked:
        return said
    heads = ["file", "not fit because", "pixels", "valid", "noise",
             *(name.removeprefix("n_").replace("_", " ") for name in counts)]  # fmt: skip
    rows = [
        [row["file"], row["failed"] or "–", row["n_pixels"], row["n_valid"], row["noise"],
         *(row.get(name, 0) for name in counts)]
        for row in marked[:MOST_ROWS]
    ]  # fmt: skip
    rest = len(marked) - len(rows)
    more = f"<p>{rest} further files stand in provenance.json.</p>" if rest else ""
    return said + table("Files with flagged pixels", heads, rows, texts=2) + more


def _failures(result: StudyResult) -> str:
    if not result.failures:
        return "<p>Every file could be used.</p>"
    return table("Files that could not be used", ["file", "why"], result.failures.items(), texts=2)


def _procedure(result: StudyResult) -> str:
    steps = result.provenance["procedure"]
    if not steps:
        return "<p>The spectra were scored as read.</p>"
    return items(map(step_words, steps), "ol")


def _provenance(record: Mapping[str, Any]) -> str:
    versions = {"residuekit": record["residuekit"], "Python": record["python"],
                "system": record["system"], **record["packages"]}  # fmt: skip
    return table("Versions", ["what", "version"], versions.items(), texts=2) + table(
        "Input files", ["file", "sha256"], record["inputs"].items(), texts=2
    )
