"""Is it the gel, or the procedure? The verdicts under a second procedure beside the first."""

from __future__ import annotations

import shutil
import warnings
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from ..errors import ResiduekitWarning
from ..results import StudyResult
from ..schema import JUDGED_COLUMNS, OTHER_COLUMNS
from ..words import findings as words
from .reading import Progress, Reading
from .tables import Found, judge_arms

Rows = list[dict[str, Any]]


def second_verdicts(first: Reading, progress: Progress | None) -> tuple[Rows, list[str]]:
    """Judge every arm by the study's second procedure; remarks on files it cannot use.

    Its limits, its blindness and its deciding score are its own. Only means are kept of the maps.
    """
    second = first.manifest.second_procedure
    assert second is not None
    part = first.part / ".second"
    part.mkdir()
    manifest = replace(first.manifest, procedure=second)
    work = Reading(manifest, part, first.cache, progress, first.workers)
    work.channels = first.channels
    work.read_controls()
    controls = work.study_controls()
    work.reduce_exposed()
    found = Found(work.exposed, work.failures, work.unfit, {})
    rows = [judged.row for judged in judge_arms(controls, found)]
    remarks = [words.by_second_procedure(remark) for remark in controls.remarks]
    remarks += [
        words.unusable_by_second(file, why)
        for file, why in work.failures.items()
        if file not in first.failures
    ]
    shutil.rmtree(part)
    return rows, remarks


def beside_each_other(own: Sequence[dict[str, Any]], other: Sequence[dict[str, Any]]) -> Rows:
    """The rows of ``second-procedure.csv``: arms in the order of ``verdicts.csv``."""
    return [
        {
            **{name: row[name] for name in JUDGED_COLUMNS},
            **{name: row.get(name) for name in OTHER_COLUMNS},
            **{f"other_{name}": also.get(name) for name in OTHER_COLUMNS},
        }
        for row, also in zip(own, other, strict=True)
    ]


def warn_of_differing(result: StudyResult) -> None:
    """Warn where a verdict depends on which of the two procedures was used."""
    table = result.second_procedure
    if table is None:
        return
    differing = int((table["verdict"] != table["other_verdict"]).sum())
    if differing:
        warnings.warn(
            f"{words.verdicts_depend(differing, len(table))}: see second-procedure.csv",
            ResiduekitWarning,
            stacklevel=3,
        )
