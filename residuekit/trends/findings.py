"""All that the tables of a run say beside their verdicts."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import chain
from typing import TYPE_CHECKING, Any

from ..reprs import as_frame
from ..schema import JUDGED_COLUMNS, STRATUM_COLUMNS
from ..words.common import judged, working_exposure
from .ageing import ageing_changes, scores_differ
from .differences import difference_maps
from .finding import Finding, Shown
from .growth import growths
from .margins import exposure_margins
from .pixels import map_worth
from .series import Series, series
from .sessions import control_drift

if TYPE_CHECKING:
    from ..results import StudyResult

Rows = list[dict[str, Any]]


@lru_cache(maxsize=1)
def findings(result: StudyResult) -> tuple[Finding, ...]:
    """Gather what a run says beside its verdicts; what the study does not allow is left out.

    Every number is of the deciding score. No sentence says that something is absent. Report and
    methods text ask for the same; the score maps are read once.
    """
    study = result.provenance["study"]
    found: dict[str, tuple[Rows, Rows]] = {
        "exposure-series": _series(result, "exposure_min"),
        "exposure-margin": _shown(_margins(result)),
        "acceptance": _same(_acceptance(result)),
        "second-procedure": _same(_second(result)),
        "before-after": _shown(ageing_changes(result)),
        "ageing-series": _series(result, "ageing_h"),
        "growth": _shown(list(growths(result))),
        "dose": _same(_doses(result)),
        "sessions": _shown(
            [one for one in control_drift(result) if one.score in set(result.verdicts["score"])]
        ),
        "differences": _shown(difference_maps(result)),
        "pixels": _shown(map_worth(result)),
    }
    return tuple(
        Finding(code, tuple(numbers), as_frame(rows), study)
        for code, (numbers, rows) in found.items()
        if numbers
    )


def _shown(found: Sequence[Shown]) -> tuple[Rows, Rows]:
    """The numbers of each result, and its rows."""
    return [one.values() for one in found], list(chain.from_iterable(one.rows() for one in found))


def _same(rows: Rows) -> tuple[Rows, Rows]:
    return rows, rows


def _series(result: StudyResult, over: str) -> tuple[Rows, Rows]:
    """The exposed mock-ups by the score that decided their arm, series by series."""
    exposed = result.mockups[result.mockups["role"] == "exposed"]
    decided = result.verdicts[[*JUDGED_COLUMNS, "score"]]
    rows = exposed.merge(decided, on=[*JUDGED_COLUMNS, "score"], how="inner")
    found: list[Series] = []
    for score in rows["score"].unique():
        found += series(rows, over=over, score=score)
    numbers, table = _shown(found)
    if over == "ageing_h":
        numbers += scores_differ(result)
    return numbers, table


def _margins(result: StudyResult) -> Sequence[Shown]:
    study, arms = result.provenance["study"], result.verdicts
    found: list[Shown] = []
    for gel in arms["treatment"].unique():
        working = working_exposure(study, gel)
        own = arms[arms["treatment"] == gel]
        if working is not None and own["exposure_min"].nunique() > 1:
            found += exposure_margins(own, working, study["alpha"], result.mockups)
    return found


def _acceptance(result: StudyResult) -> Rows:
    """The one-sided test of equivalence by its bound: U < limit."""
    limit = result.provenance["study"]["acceptance_limit_ug_cm2"]
    names = (*JUDGED_COLUMNS, "n_mockups", "n_blank_mockups", "estimate", "standard_error",
             "upper_bound")  # fmt: skip
    return [
        {**{name: row[name] for name in names}, "acceptance_limit": limit,
         "below": bool(row["upper_bound"] < limit), "verdict": row["verdict"]}
        for row in result.verdicts.to_dict("records")
        if judged(row) and limit is not None and row["unit"] == "ug cm-2"
    ]  # fmt: skip


def _second(result: StudyResult) -> Rows:
    table = result.second_procedure
    return [] if table is None else [*map(_named, table.to_dict("records"))]


def _named(row: dict[Any, Any]) -> dict[str, Any]:
    return {str(name): value for name, value in row.items()}


def _doses(result: StudyResult) -> Rows:
    names = (*STRATUM_COLUMNS, "dose", "dose_unit")
    places = dict.fromkeys(
        tuple(row[name] for name in names)
        for row in result.provenance["measurements"]
        if row["dose"] is not None
    )
    return [dict(zip(names, place, strict=True)) for place in places]
