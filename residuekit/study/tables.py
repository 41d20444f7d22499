"""The tables of a run: verdicts, scores, mock-ups, markers, comparisons."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from ..decision.blindness import scatter_of
from ..decision.comparisons import Compared, compare_arms
from ..decision.controls import no_reference
from ..decision.design import arm_columns
from ..decision.limits import any_false_alarm, arm_limits
from ..decision.pairs import BEFORE
from ..decision.panel_layout import BLOCK, panels_of
from ..decision.scores import Score
from ..decision.verdict import Verdict
from ..results import TABLES
from ..schema import JUDGED_COLUMNS, LIST_SEPARATOR
from ..words.codes import Note, to_json
from ..words.common import treated_words
from ..words.verdict import reason
from .controls import StudyControls
from .measurements import Measurement
from .mockups import MapSummary, MockupMean, mockup_means

Rows = list[dict[str, Any]]
#: The share of an arm's files that may be unfit before the arm is not assessable.
MOST_UNFIT = 0.5


@dataclass(frozen=True)
class Found:
    """What the files of a run gave: exposed maps; file -> why it failed, or failed the quality
    check; (file, residue) -> score -> (upper tail, largest patch); file -> why a paired mock-up has
    no difference map."""

    exposed: Sequence[MapSummary]
    failures: Mapping[str, str]
    unfit: Mapping[str, str]
    tails: Mapping[tuple[str, str], Mapping[str, tuple[float, float]]]
    apart: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Judged:
    """One arm and residue: its row of ``verdicts.csv``; verdict and mock-ups where it has them."""

    row: dict[str, Any]
    exposed: Sequence[MockupMean] = ()
    verdict: Verdict | None = None
    why: Sequence[Note] = ()

    def notes(self) -> dict[str, Any]:
        """Its codes with their numbers, as the record of a run holds them."""
        why, remarks = (self.why, ()) if self.verdict is None else (
            self.verdict.why, self.verdict.remarks
        )  # fmt: skip
        arm = {name: self.row[name] for name in JUDGED_COLUMNS}
        return {**arm, "why": [*map(to_json, why)], "remarks": [*map(to_json, remarks)]}

    def score_rows(self) -> Rows:
        """Its rows of ``scores.csv``."""
        if self.verdict is None:
            return [self.row]
        return [{**self.row, **row} for row in self.verdict.score_rows()]


def make_tables(controls: StudyControls, found: Found, arms: Iterable[Judged]) -> dict[str, Rows]:
    """Return the rows of all tables."""
    tables: dict[str, Rows] = {name: [] for name in TABLES}
    judged_arms = list(arms)
    for judged in judged_arms:
        tables["verdicts"].append(judged.row)
        tables["scores"] += judged.score_rows()
        if judged.verdict is not None:
            tables["mockups"] += _mockup_rows(controls, found, judged)
    tables["mockups"] += _control_rows(controls, found)
    tables["markers"] = controls.marker_rows()
    compared = compare_arms(
        [
            Compared(judged.row, judged.verdict, treated_words(judged.row),
                     [mean.row.block for mean in judged.exposed])
            for judged in judged_arms
            if judged.verdict is not None
        ]
    )  # fmt: skip
    tables["comparisons"] = [one.row() for one in compared]
    return tables


def judge_arms(controls: StudyControls, found: Found) -> Iterator[Judged]:
    """Judge every arm, in the order of the table."""
    manifest = controls.manifest
    of_arm: dict[tuple[Any, ...], list[MockupMean]] = defaultdict(list)
    for mean in mockup_means(found.exposed):
        of_arm[mean.row.arm].append(mean)
    arms, of_design = manifest.arms(), manifest.arm_notes()
    chance = any_false_alarm(manifest.alpha, manifest.n_tests)
    numbers = {"n_arms": manifest.n_tests, "alpha": manifest.alpha, "chance": chance}
    stated = [Note("several-arms", numbers)]
    if manifest.loading_checked:
        stated.append(Note("loadings-checked"))
    for arm, rows in arms.items():
        lost = [row.file for row in rows if row.file in found.failures]
        left_out = [Note("files-left-out", {"files": lost})] if lost else []
        unfit, exposed = _unfit(controls, found, rows), of_arm[arm]
        for material in manifest.materials(rows[0].treatment) or ("",):
            paired = controls.pairing([one.row for one in exposed] or rows)[0]
            columns = {**arm_columns(rows[0]), "residue": material, "paired": paired}
            lacking = _lacking(controls, rows[0], material, paired, exposed)
            if lacking:
                why = [*lacking, *filter(None, [unfit])]
                yield Judged(_bare(columns, why), why=why)
                continue
            beside = controls.compared(rows[0].stratum, paired) if paired == BEFORE else ()
            mapped = {file: one.row.mockup for one in (*exposed, *beside) for file in one.files}
            apart = apart_notes(found.apart if paired == BEFORE else {}, mapped)
            verdict = controls.judge_arm(
                exposed, material, unfit, [*stated, *left_out, *of_design[arm], *apart]
            )
            counts = {
                "n_maps": sum(mean.n_maps for mean in exposed),
                "n_pixels": sum(mean.n_pixels for mean in exposed),
            }
            yield Judged({**columns, **counts, **verdict.row()}, exposed, verdict)


def _lacking(
    controls: StudyControls,
    row: Measurement,
    material: str,
    paired: str,
    exposed: Sequence[MockupMean],
) -> list[Note]:
    """Why an arm has no numbers at all; nothing when it has some."""
    if not material:
        return [no_reference(row.treatment)]
    if not controls.blanks(row.stratum):
        return [Note("no-blank")]
    if not controls.scores(row.stratum, material, paired):
        return [Note("no-score"), *controls.missing]
    return [] if exposed else [Note("no-exposed")]


def apart_notes(apart: Mapping[str, str], mockups: Mapping[str, str]) -> Iterator[Note]:
    """Why mock-ups have no difference map: `apart` says it of a file, `mockups` whose it is."""
    found: dict[str, dict[str, None]] = defaultdict(dict)
    for file, mockup in mockups.items():
        if file in apart:
            found[apart[file]][mockup] = None
    for why, names in found.items():
        yield Note("no-difference-map", {"why": why, "mockups": [*names]})


def _bare(columns: dict[str, Any], why: Sequence[Note]) -> dict[str, Any]:
    """The row of an arm without numbers."""
    return {
        **columns,
        "n_mockups": 0,
        "verdict": "not assessable",
        "reason": reason({}, why, ()),
        "codes": LIST_SEPARATOR.join(note.code for note in why),
    }


def _unfit(controls: StudyControls, found: Found, rows: Sequence[Measurement]) -> Note | None:
    """Why an arm is not fit to be judged: more than half of its files, or of its blanks', failed
    the quality check."""
    stratum = rows[0].stratum
    blanks = [row for row in controls.manifest.of_role("blank") if row.stratum == stratum]
    for kind, files in (("maps", rows), ("blank maps", blanks)):
        bad = [row.file for row in files if row.file in found.unfit]
        if len(bad) > MOST_UNFIT * len(files):
            numbers = {"n_unfit": len(bad), "n_files": len(files), "kind": kind}
            return Note("quality-failed", {**numbers, "why": found.unfit[bad[0]]})
    return None


def _mockup_rows(controls: StudyControls, found: Found, judged: Judged) -> Rows:
    """The exposed mock-ups of a judged arm."""
    assert judged.verdict is not None
    residue, paired = judged.row["residue"], judged.row["paired"]
    beside = [controls.unpaired(mean, residue, paired) for mean in judged.exposed]
    return [
        {
            **_mockup_row(found, mean, assessment.score, residue),
            "mean": assessment.mockups[number],
            "unit": assessment.unit,
            "positive": assessment.positive[number],
            **beside[number][place],
        }
        for place, assessment in enumerate(judged.verdict.assessments)
        for number, mean in enumerate(judged.exposed)
    ]


def _control_rows(controls: StudyControls, found: Found) -> Iterator[dict[str, Any]]:
    """Blank and spiked mock-ups against the blanks of their own stratum.

    A spiked mock-up is positive above t(1 - alpha, n - 1) s_b sqrt(1 + 1/n); a blank is part of
    what it would be compared with and gets none.
    """
    for stratum in controls.strata:
        for residue, paired in controls.of_stratum(stratum).items():
            blanks = controls.blanks(stratum)
            known = controls.spiked(stratum, residue)
            spiked = [one for one in known if one.row.stratum == stratum]
            beside = {
                one.files: controls.unpaired(one, residue, paired) for one in (*blanks, *spiked)
            }
            for number, score in enumerate(controls.scores(stratum, residue, paired)):
                on = [one.row.block for one in controls.compared(stratum, paired)]
                limit = _single_limit(controls, score, on if paired == BLOCK else [])
                for mean in (*blanks, *spiked):
                    own = controls.own_scores(mean.row, residue, paired)[number]
                    value = float(own.loading(mean.mean))
                    yield {
                        **_mockup_row(found, mean, score.name, residue),
                        "mean": value,
                        "unit": score.blindness.unit,
                        "positive": value > limit if mean.row.role == "spiked" else None,
                        **beside[mean.files][number],
                    }


def _single_limit(controls: StudyControls, score: Score, panels: Sequence[str]) -> float:
    """The limit of one mock-up; within panels of one on the panel with the fewest blanks."""
    scatter, n = scatter_of(score.values) / score.scale, score.values.size
    poorest = min(panels, key=panels.count, default="")
    lie = panels_of(panels, [poorest]) if panels else None
    alpha = controls.manifest.alpha
    limit = arm_limits(scatter, n, 1, alpha, panels=lie).mockup_decision
    return math.inf if math.isnan(limit) else limit


def _mockup_row(found: Found, mean: MockupMean, score: str, residue: str) -> dict[str, Any]:
    tails = [found.tails[file, residue][score] for file in mean.files]
    upper, patch = (np.array(values) for values in zip(*tails, strict=True))
    return {
        **arm_columns(mean.row),
        "mockup": mean.row.mockup,
        "role": mean.row.role,
        "score": score,
        "n_maps": mean.n_maps,
        "n_pixels": mean.n_pixels,
        "upper_tail": float(upper.mean()),
        "patch_share": float(patch.max()),
        "residue": residue,
        "block": mean.row.block,
    }


def write_table(path: Path, rows: Sequence[Mapping[str, Any]], columns: Sequence[str]) -> None:
    """Write rows as CSV under the agreed columns, nine digits; empty means not computed."""
    import pandas as pd

    words = {True: "true", False: "false"}
    plain = [
        {name: words[bool(value)] if isinstance(value, (bool, np.bool_)) else value
         for name, value in ((name, row.get(name)) for name in columns)}
        for row in rows
    ]  # fmt: skip
    frame = pd.DataFrame(plain, columns=list(columns))
    frame.to_csv(path, index=False, float_format="%.9g", lineterminator="\n")
