"""All that the tables of a run say beside their verdicts, as sentences and tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ..reprs import as_frame
from ..schema import ARM_COLUMNS
from .finding import Finding
from .margins import exposure_margins
from .series import Series, series
from .sessions import control_drift

if TYPE_CHECKING:
    import pandas as pd

    from ..results import StudyResult


def findings(result: StudyResult) -> list[Finding]:
    """Gather what a run says beside its verdicts; what the study does not allow is left out.

    Every number is of the deciding score. No sentence says that something is absent.
    """
    made = (_exposure_series(result), _exposure_margins(result), _sessions(result))
    return [finding for finding in made if finding is not None]


def deciding_rows(result: StudyResult) -> pd.DataFrame:
    """The exposed mock-ups by the score that decided their arm."""
    exposed = result.mockups[result.mockups["role"] == "exposed"]
    decided = result.verdicts[[*ARM_COLUMNS, "score"]]
    return exposed.merge(decided, on=[*ARM_COLUMNS, "score"], how="inner")


def series_of(result: StudyResult, over: str) -> list[Series]:
    """Every series of the deciding scores over exposure or ageing."""
    rows = deciding_rows(result)
    return [one for score in rows["score"].unique() for one in series(rows, over=over, score=score)]


def _exposure_series(result: StudyResult) -> Finding | None:
    found = series_of(result, "exposure_min")
    if not found:
        return None
    alpha = result.provenance["study"]["alpha"]
    return Finding(
        "Does residue rise with exposure?",
        tuple(one.sentence(alpha) for one in found),
        as_frame(row for one in found for row in one.rows()),
    )


def _exposure_margins(result: StudyResult) -> Finding | None:
    study = result.provenance["study"]
    working = study["working_exposure_min"]
    if working is None or result.verdicts.empty:
        return None
    found = exposure_margins(result.verdicts, working, study["alpha"], result.mockups)
    return Finding("Exposure margin", tuple(map(str, found)), as_frame(one.row() for one in found))


def _sessions(result: StudyResult) -> Finding | None:
    deciding = set(result.verdicts["score"])
    found = [one for one in control_drift(result) if one.score in deciding]
    if not found:
        return None
    return Finding(
        "Do the controls depend on the session?",
        tuple(map(str, found)),
        as_frame(one.row() for one in found),
    )
