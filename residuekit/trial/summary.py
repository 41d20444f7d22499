"""The criteria side by side: the vetoes first, then what no candidate betters at once."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

from ..kernels.reflection import gloss_units
from ..reprs import as_frame
from ..words import trial as words
from .measures import (
    LEAST_MOCKUPS,
    gloss_before,
    gloss_change,
    pick_up,
    rating,
    residue,
    soil_removal,
)
from .table import ANGLES, Trial, TrialRow

if TYPE_CHECKING:
    import pandas as pd

    from ..results import StudyResult

VETOED, OPEN, NO_VETO = "vetoed", "open", "no veto"
#: What is weighed once the vetoes are settled -> +1 where more is better, -1 where less is.
CRITERIA = {"soil_removal_percent": 1, "gloss_size_gu": -1, "ease": 1, "health_safety": 1}
NOT_MEASURED, NOT_TESTED = "not measured", "not tested"
#: No paint film is likely to be smoother than a perfect surface of this index (common practice).
_HIGHEST_INDEX = 1.7


@dataclass(frozen=True)
class Candidate:
    """One gel on one paint and soiling; NaN and 0 counts say that nothing was measured.

    Units: loadings in `unit`, shares from 0 to 1, colour differences CIEDE2000, gloss in GU at
    `gloss_angle` degrees, ease and health_safety from 1 (worst) to 5 (best). `best_set` says
    whether no other candidate on this paint and soiling is as good in all and better in one
    (Pareto); None for a vetoed one.
    """

    treatment: str
    paint: str
    soiling: str
    mockups: int
    standing: str = OPEN
    reason: str = ""
    best_set: bool | None = None
    residue: str = NOT_MEASURED
    residue_arm: str = ""
    residue_arms: int = 0
    residue_beside_limit: str = ""
    residue_estimate: float = math.nan
    detection_limit: float = math.nan
    mockup_detection_limit: float = math.nan
    upper_bound: float = math.nan
    unit: str = ""
    residue_positive: int = 0
    residue_mockups: int = 0
    residue_blanks: int = 0
    residue_share_bound: float = math.nan
    pickup: str = NOT_TESTED
    pickup_positive: int = 0
    pickup_mockups: int = 0
    pickup_swabs: int = 0
    pickup_share_bound: float = math.nan
    soil_removal_percent: float = math.nan
    soil_removal_sd: float = math.nan
    soil_removal_mockups: int = 0
    soiling_de: float = math.nan
    soiling_left_de: float = math.nan
    repeatability_de: float = math.nan
    gloss_angle: float = math.nan
    gloss_change_gu: float = math.nan
    gloss_change_sd: float = math.nan
    gloss_size_gu: float = math.nan
    gloss_mockups: int = 0
    ease: float = math.nan
    ease_low: float = math.nan
    ease_high: float = math.nan
    ease_ratings: int = 0
    health_safety: float = math.nan
    health_safety_low: float = math.nan
    health_safety_high: float = math.nan
    health_safety_ratings: int = 0

    @property
    def pickup_share(self) -> float:
        """The share of mock-ups with pick-up that was observed."""
        return self.pickup_positive / self.pickup_mockups if self.pickup_mockups else math.nan

    @property
    def block(self) -> tuple[str, str]:
        """Paint and soiling: candidates are compared on these alone."""
        return self.paint, self.soiling


@dataclass(frozen=True, repr=False)
class TrialSummary:
    """The criteria of every candidate, and what has to be said beside them."""

    candidates: tuple[Candidate, ...]
    remarks: tuple[str, ...]
    alpha: float

    def blocks(self) -> dict[tuple[str, str], list[Candidate]]:
        """Candidates by paint and soiling, in the order of the table."""
        gathered: dict[tuple[str, str], list[Candidate]] = {}
        for candidate in self.candidates:
            gathered.setdefault(candidate.block, []).append(candidate)
        return gathered

    def to_frame(self) -> pd.DataFrame:
        """A row a candidate; NaN where nothing was measured."""
        return as_frame(map(asdict, self.candidates))

    def record(self) -> dict[str, Any]:
        """The same as JSON can keep it; `from_record` reads it back."""
        plain = [
            {name: None if value != value else value for name, value in asdict(one).items()}
            for one in self.candidates
        ]
        return {"candidates": plain, "remarks": list(self.remarks), "alpha": self.alpha}

    def __repr__(self) -> str:
        return words.summary_text(self.blocks(), self.remarks, self.alpha)

    def words_frame(self) -> pd.DataFrame:
        """The criteria in words, a row a candidate."""
        return as_frame(words.rows(self.candidates, self.alpha))

    def _repr_html_(self) -> str:
        notes = as_frame({"note": note} for note in (*self.remarks, words.CAUTION))
        tables = (self.words_frame(), notes)
        return "".join(table.to_html(index=False, escape=True) for table in tables)


def from_record(record: Mapping[str, Any]) -> TrialSummary:
    """Read back what `TrialSummary.record` gave."""
    candidates = []
    for row in record["candidates"]:
        values: dict[str, Any] = {
            name: math.nan if value is None and name != "best_set" else value
            for name, value in row.items()
        }
        candidates.append(Candidate(**values))
    return TrialSummary(tuple(candidates), tuple(record["remarks"]), record["alpha"])


def summary_of(result: StudyResult) -> TrialSummary | None:
    """Return the summary of the trial that a run holds.

    Parameters
    ----------
    result : what a run found.

    Returns
    -------
    A `TrialSummary`; None where the study had no ``trial.csv``.
    """
    record = result.provenance.get("trial")
    return None if record is None else from_record(record)


def _working(given: float | Mapping[str, float] | None, treatment: str) -> float | None:
    return given.get(treatment) if isinstance(given, Mapping) else given


def summarise(
    trial: Trial,
    verdicts: pd.DataFrame | Sequence[Mapping[str, Any]] | None = None,
    *,
    working_exposure_min: float | Mapping[str, float] | None = None,
    alpha: float = 0.05,
) -> TrialSummary:
    """Put the other criteria of a trial beside its residue verdicts, a candidate gel a row.

    Residue detected and pigment picked up are vetoes. A residue that is inconclusive, not
    assessable or not measured, and a pick-up not tested or tested on fewer than 3 mock-ups, leave
    a candidate open: it is not passed, and it puts no other out of the best set unless that is
    open too. A missing value could be anything: a candidate with one is neither bettered nor
    betters. Candidates are compared on the same paint and soiling alone, by their means.

    Parameters
    ----------
    trial : of `read_trial`.
    verdicts : the table ``verdicts.csv``, or its rows; left out, no residue was measured. Of
        several arms of a candidate (ageing, clearance) the worst verdict counts; a verdict on
        another soiling is not credited.
    working_exposure_min : the exposure whose verdicts count, or that of each treatment; every
        exposure when left out, and of a treatment that has none.
    alpha : of the one-sided bound on the share of mock-ups with pick-up.

    Returns
    -------
    A `TrialSummary`.
    """
    rows = _arms(verdicts)
    remarks = []
    if rows and working_exposure_min is None:
        remarks.append(words.NO_WORKING_EXPOSURE)
    at_work = [
        row for row in rows
        if (time := _working(working_exposure_min, row["treatment"])) is None
        or math.isclose(row["exposure_min"], time, rel_tol=1e-9)
    ]  # fmt: skip
    angles = {}
    for paint in dict.fromkeys(row.paint for row in trial.rows):
        own = [row for row in trial.rows if row.paint == paint]
        angles[paint], said = choose_angle(own, paint)
        remarks += said
    candidates = []
    for key in dict.fromkeys(row.candidate for row in trial.rows):
        treatment, paint, soiling = key
        own = [row for row in trial.rows if row.candidate == key]
        on_paint = [
            row for row in at_work if (row["treatment"], row["paint"]) == (treatment, paint)
        ]
        arms = [row for row in on_paint if row["soiling"] == soiling]
        if on_paint and not arms:
            remarks.append(words.other_soiling(key, on_paint))
        values = {
            **residue(arms),
            **pick_up(own, alpha),
            **soil_removal(own),
            **gloss_change(own, angles[paint]),
            **rating(own, "ease"),
            **rating(own, "health_safety"),
        }
        mockups = len({row.mockup for row in own})
        standing, reason = _standing(values)
        candidates.append(
            Candidate(treatment, paint, soiling, mockups, standing, reason, **values)
        )  # fmt: skip
        coloured = len({row.mockup for row in own if row.colours})
        if lost := coloured - values.get("soil_removal_mockups", 0):
            remarks.append(words.no_soil_removal(key, lost, coloured))
    return TrialSummary(tuple(_with_best_sets(candidates)), tuple(remarks), alpha)


def _arms(
    verdicts: pd.DataFrame | Sequence[Mapping[str, Any]] | None,
) -> Sequence[Mapping[str, Any]]:
    if verdicts is None or isinstance(verdicts, Sequence):
        return verdicts or []
    return [
        {str(name): value for name, value in row.items()} for row in verdicts.to_dict("records")
    ]


def choose_angle(rows: Sequence[TrialRow], paint: str) -> tuple[int, list[str]]:
    """Choose the one gloss angle of a paint, and say what the choice lacks.

    60 degrees; 20 where the paint reads above 70 GU at 60 before treatment, 85 where below 10
    (summary of ASTM D523; ISO 2813 agrees, from memory). An angle that was not measured gives way
    to 60, or to the one with most readings.
    """
    counts = {angle: sum(row.gloss_angle == angle for row in rows) for angle in ANGLES}
    if not any(counts.values()):
        return 60, []
    most = max(counts, key=lambda angle: counts[angle])
    said = []
    for angle in ANGLES:
        limit = float(gloss_units(_HIGHEST_INDEX, angle))
        read = [v for row in rows if row.gloss_angle == angle
                for v in (row.gloss_before, row.gloss_after) if v > limit]  # fmt: skip
        if read:
            said.append(words.gloss_too_high(paint, max(read), angle, _HIGHEST_INDEX, limit))
    level = gloss_before(rows, 60)
    wanted = 20 if level > 70 else 85 if level < 10 else 60
    if math.isnan(level):
        return most, [*said, words.gloss_angle(paint, most, level, wanted)]
    if counts[wanted]:
        return wanted, said
    return 60, [*said, words.gloss_angle(paint, 60, level, wanted)]


def _standing(values: Mapping[str, Any]) -> tuple[str, str]:
    """Vetoed, open or no veto, and why."""
    vetoes, doubts = words.reason(values, LEAST_MOCKUPS)
    return (VETOED, vetoes) if vetoes else (OPEN, doubts) if doubts else (NO_VETO, "")


def _with_best_sets(candidates: Iterable[Candidate]) -> list[Candidate]:
    every = list(candidates)
    fit = [one for one in every if one.standing != VETOED]
    return [
        replace(one, best_set=not any(_betters(other, one, fit) for other in fit))
        if one.standing != VETOED
        else one
        for one in every
    ]


def _betters(a: Candidate, b: Candidate, among: Sequence[Candidate]) -> bool:
    """Whether a is as good as b in all that was measured on their block, and better in one."""
    if a.block != b.block or (a.standing == OPEN and b.standing != OPEN):
        return False
    own = [one for one in among if one.block == a.block]
    names = [n for n in CRITERIA if not all(math.isnan(getattr(one, n)) for one in own)]
    gains = [CRITERIA[name] * (getattr(a, name) - getattr(b, name)) for name in names]
    gains.append(float(a.standing != OPEN) - float(b.standing != OPEN))
    return all(gain >= 0 for gain in gains) and any(gain > 0 for gain in gains)
