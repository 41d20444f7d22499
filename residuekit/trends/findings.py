"""All that the tables of a run say beside their verdicts, as sentences and tables."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

from ..reprs import as_frame
from ..results import arm_words
from ..schema import ARM_COLUMNS
from .ageing import ageing_changes, scores_differ
from .finding import Finding
from .growth import growths
from .light import dose_caution, dose_words
from .margins import exposure_margins
from .pixels import map_worth
from .series import Series, series
from .sessions import control_drift

if TYPE_CHECKING:
    import pandas as pd

    from ..results import StudyResult


@lru_cache(maxsize=1)
def findings(result: StudyResult) -> tuple[Finding, ...]:
    """Gather what a run says beside its verdicts; what the study does not allow is left out.

    Every number is of the deciding score. No sentence says that something is absent. Report and
    methods text ask for the same; the score maps are read once.
    """
    made = (
        _exposure_series(result),
        _exposure_margins(result),
        _acceptance(result),
        _second_procedure(result),
        _before_and_after(result),
        _ageing_series(result),
        _growth(result),
        _doses(result),
        _sessions(result),
        _pixels(result),
    )
    return tuple(finding for finding in made if finding is not None)


def _deciding_rows(result: StudyResult) -> pd.DataFrame:
    """The exposed mock-ups by the score that decided their arm."""
    exposed = result.mockups[result.mockups["role"] == "exposed"]
    decided = result.verdicts[[*ARM_COLUMNS, "score"]]
    return exposed.merge(decided, on=[*ARM_COLUMNS, "score"], how="inner")


def _series_of(result: StudyResult, over: str) -> list[Series]:
    rows = _deciding_rows(result)
    return [one for score in rows["score"].unique() for one in series(rows, over=over, score=score)]


def _exposure_series(result: StudyResult) -> Finding | None:
    return _series_finding("Does residue rise with exposure?", result, "exposure_min")


def _ageing_series(result: StudyResult) -> Finding | None:
    return _series_finding(
        "Does residue rise with ageing?", result, "ageing_h", tuple(scores_differ(result))
    )


def _series_finding(
    heading: str, result: StudyResult, over: str, said: tuple[str, ...] = ()
) -> Finding | None:
    found = _series_of(result, over)
    alpha = result.provenance["study"]["alpha"]
    sentences = (*(one.sentence(alpha) for one in found), *said)
    if not sentences:
        return None
    rows = [row for one in found for row in one.rows()]
    return Finding(heading, sentences, as_frame(rows) if rows else None)


def _exposure_margins(result: StudyResult) -> Finding | None:
    study = result.provenance["study"]
    working = study["working_exposure_min"]
    if working is None or result.verdicts.empty:
        return None
    found = exposure_margins(result.verdicts, working, study["alpha"], result.mockups)
    return Finding("Exposure margin", tuple(map(str, found)), as_frame(one.row() for one in found))


def _acceptance(result: StudyResult) -> Finding | None:
    """The one-sided test of equivalence by its bound: U < limit."""
    study = result.provenance["study"]
    limit = study["acceptance_limit_ug_cm2"]
    rows = [row for row in result.verdicts.to_dict("records") if row["unit"] == "ug cm-2"]
    if limit is None or not rows:
        return None
    sentences, table = [], []
    for row in rows:
        below = bool(row["upper_bound"] < limit)
        words = "the mean lies below it" if below else "that the mean lies below it is not shown"
        sentences.append(
            f"{arm_words(row)}: upper bound {row['upper_bound']:.3g} (mean {row['estimate']:.3g} ± "
            f"{row['standard_error']:.2g}, {row['n_mockups']:g} mock-ups against "
            f"{row['n_blank_mockups']:g} blanks) beside the acceptance limit {limit:g} ug cm-2: "
            f"{words} (one-sided, {study['alpha']:.0%})."
        )
        names = (*ARM_COLUMNS, "n_mockups", "estimate", "standard_error", "upper_bound")
        table.append({**{name: row[name] for name in names}, "acceptance_limit": limit,
                      "below": below, "verdict": row["verdict"]})  # fmt: skip
    sentences.append("A mean below the limit says nothing of a single mock-up.")
    return Finding("Equivalence against the acceptance limit", tuple(sentences), as_frame(table))


def _second_procedure(result: StudyResult) -> Finding | None:
    table = result.second_procedure
    if table is None:
        return None
    differing = table[table["verdict"] != table["other_verdict"]]
    sentences = [
        f"{arm_words(row)}: {row['verdict']}; by the second procedure {row['other_verdict']}."
        for row in differing.to_dict("records")
    ]
    total = (
        f"{len(differing)} of {len(table)} verdicts hang on the procedure; the study's own stands, "
        "as it was fixed beforehand."
        if len(differing)
        else f"None of {len(table)} verdicts hangs on which of the two procedures was used."
    )
    return Finding("The verdicts under a second procedure", (*sentences, total), table)


def _before_and_after(result: StudyResult) -> Finding | None:
    found = ageing_changes(result)
    if not found:
        return None
    return Finding(
        "Residue before and after ageing",
        tuple(map(str, found)),
        as_frame(one.row() for one in found),
    )


def _growth(result: StudyResult) -> Finding | None:
    found = list(growths(result))
    if not found:
        return None
    return Finding(
        "New absorption where gel was applied",
        tuple(map(str, found)),
        as_frame(row for one in found for row in one.rows()),
    )


def _doses(result: StudyResult) -> Finding | None:
    rows = [row for row in result.provenance["measurements"] if row["dose"] is not None]
    if not rows:
        return None
    names = ("paint", "soiling", "ageing_h", "dose", "dose_unit")
    places = dict.fromkeys(tuple(row[name] for name in names) for row in rows)
    table = [dict(zip(names, place, strict=True)) for place in places]
    sentences = [
        f"{row['paint']}{'' if row['soiling'] == 'none' else ', soiling ' + row['soiling']}, aged "
        f"{row['ageing_h']:g} h: {dose_words(row['dose'], row['dose_unit'], row['ageing_h'])}."
        for row in table
    ]
    cautions = dict.fromkeys(dose_caution(row["dose_unit"]) for row in table)
    return Finding("Dose of the ageing", (*sentences, *cautions), as_frame(table))


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


def _pixels(result: StudyResult) -> Finding | None:
    found = map_worth(result)
    if not found:
        return None
    return Finding(
        "What the pixels of a map are worth",
        (*map(str, found), "Mock-ups are the replicates, pixels never."),
        as_frame(one.row() for one in found),
    )
