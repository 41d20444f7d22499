"""The four tables of a run: verdicts, scores, mock-ups, markers."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from ..decision.limits import decision_levels
from ..decision.scores import Score
from ..decision.verdict import Verdict
from ..results import TABLES
from .arms import Bench, arm_columns
from .measurements import Measurement
from .mockups import MapSummary, MockupMean, comparator, mockup_means

Rows = list[dict[str, Any]]
#: The share of an arm's files that may be unfit before the arm is not assessable.
MOST_UNFIT = 0.5


@dataclass(frozen=True)
class Found:
    """What the files of a run gave: exposed maps; file -> why it failed, or failed the quality
    check; file -> score -> (upper tail, largest patch)."""

    exposed: Sequence[MapSummary]
    failures: Mapping[str, str]
    unfit: Mapping[str, str]
    tails: Mapping[str, Mapping[str, tuple[float, float]]]


@dataclass(frozen=True)
class Judged:
    """One arm: its row of ``verdicts.csv``, and the verdict with its mock-ups where it has one."""

    row: dict[str, Any]
    exposed: Sequence[MockupMean] = ()
    verdict: Verdict | None = None

    def score_rows(self) -> Rows:
        """Its rows of ``scores.csv``."""
        if self.verdict is None:
            return [self.row]
        return [{**self.row, **row} for row in self.verdict.score_rows()]


def make_tables(bench: Bench, found: Found) -> dict[str, Rows]:
    """Judge every arm and return the rows of all tables."""
    tables: dict[str, Rows] = {name: [] for name in TABLES}
    for judged in judge_arms(bench, found):
        tables["verdicts"].append(judged.row)
        tables["scores"] += judged.score_rows()
        if judged.verdict is not None:
            tables["mockups"] += _mockup_rows(found, judged.exposed, judged.verdict)
    tables["mockups"] += _control_rows(bench, found)
    tables["markers"] = bench.marker_rows()
    return tables


def judge_arms(bench: Bench, found: Found) -> Iterator[Judged]:
    """Judge every arm, in the order of the table."""
    manifest = bench.manifest
    of_arm: dict[tuple[Any, ...], list[MockupMean]] = defaultdict(list)
    for mean in mockup_means(found.exposed):
        of_arm[mean.row.arm].append(mean)
    arms = manifest.arms()
    said = manifest.arm_notes()
    for arm, rows in arms.items():
        columns, exposed = arm_columns(rows[0]), of_arm[arm]
        unfit = _unfit(bench, found, rows)
        lacking = _lacking(bench, rows[0], exposed)
        if lacking:
            yield Judged(_bare(columns, f"{lacking} {unfit}".strip()))
            continue
        notes = [f"One of {len(arms)} arms tested, each at {manifest.alpha:.0%}."]
        lost = [row.file for row in rows if row.file in found.failures]
        if lost:
            notes.append(f"Left out: {', '.join(lost)}.")
        notes += said[arm]
        verdict = bench.judge_arm(exposed, unfit, notes)
        counts = {
            "n_maps": sum(mean.n_maps for mean in exposed),
            "n_pixels": sum(mean.n_pixels for mean in exposed),
        }
        yield Judged({**columns, **counts, **verdict.row()}, exposed, verdict)


def _lacking(bench: Bench, row: Measurement, exposed: Sequence[MockupMean]) -> str:
    """Why an arm has no numbers at all; nothing when it has some."""
    if not bench.blanks(row.stratum):
        return "No blank map of this arm could be used."
    if not bench.scores(row.stratum, bench.residue(row.treatment)):
        return " ".join(["No score could be made.", *bench.remarks])
    return "" if exposed else "No exposed map of this arm could be used."


def _bare(columns: dict[str, Any], reason: str) -> dict[str, Any]:
    return {**columns, "n_mockups": 0, "verdict": "not assessable", "reason": reason}


def _unfit(bench: Bench, found: Found, rows: Sequence[Measurement]) -> str:
    """Why an arm is not fit to be judged: more than half of its files, or of its blanks', failed
    the quality check."""
    stratum = rows[0].stratum
    blanks = [row for row in bench.manifest.of_role("blank") if row.stratum == stratum]
    for words, files in (("maps", rows), ("blank maps", blanks)):
        bad = [row.file for row in files if row.file in found.unfit]
        if len(bad) > MOST_UNFIT * len(files):
            return f"{len(bad)} of {len(files)} {words}, for one {found.unfit[bad[0]]}"
    return ""


def _mockup_rows(found: Found, means: Sequence[MockupMean], verdict: Verdict) -> Rows:
    return [
        {
            **_mockup_row(found, mean, assessment.score),
            "mean": assessment.mockups[number],
            "unit": assessment.unit,
            "positive": assessment.positive[number],
        }
        for assessment in verdict.assessments
        for number, mean in enumerate(means)
    ]


def _control_rows(bench: Bench, found: Found) -> Iterator[dict[str, Any]]:
    """Blank and spiked mock-ups against the blanks of their own stratum.

    A spiked mock-up is positive above t(1 - alpha, n - 1) s_b sqrt(1 + 1/n); a blank is part of
    what it would be compared with and gets none.
    """
    residue = bench.manifest.treatment
    for stratum in bench.strata:
        blanks = bench.blanks(stratum)
        if not blanks:
            continue
        spiked = [mean for mean in bench.spiked(stratum, residue) if mean.row.stratum == stratum]
        for score in bench.scores(stratum, residue):
            limit = _single_limit(bench, score, comparator(blanks, None)[0])
            for mean in (*blanks, *spiked):
                value = float(score.loading(mean.mean))
                yield {
                    **_mockup_row(found, mean, score.name),
                    "mean": value,
                    "unit": score.blindness.unit,
                    "positive": value > limit if mean.row.role == "spiked" else None,
                }


def _single_limit(bench: Bench, score: Score, blanks: Sequence[MockupMean]) -> float:
    n = len(blanks)
    if n < 2:
        return math.inf
    scatter = float(np.std([score.loading(mean.mean) for mean in blanks], ddof=1))
    return decision_levels(n, 1, bench.manifest.alpha).mockup * scatter * float(np.sqrt(1 + 1 / n))


def _mockup_row(found: Found, mean: MockupMean, score: str) -> dict[str, Any]:
    tails = [found.tails[file][score] for file in mean.files]
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
