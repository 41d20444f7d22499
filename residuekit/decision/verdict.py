"""From mock-up scores to a verdict: detected, not detected, inconclusive or not assessable.

The mock-up is the unit: pixels and maps inside a mock-up are not replicates. An absence is never
claimed without its detection limit, its upper bound, its n and the bound on the share of mock-ups.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import numpy.typing as npt

from ..errors import ContractError, Fault
from ..kernels.limit_statistics import clopper_pearson_upper, noncentrality
from ..kernels.slope import slope_through_zero
from ..reprs import as_frame, as_html, as_text, sentence_case
from ..schema import LIST_SEPARATOR, NET_SIGNAL
from .blindness import LOADING_UNIT, Blindness, assess_blindness, scatter_of
from .bound import upper_bound
from .limits import decision_levels

if TYPE_CHECKING:
    import pandas as pd

_MIN_BLANKS = _MIN_EXPOSED = 3
#: How rarely equal scatter may look unlike before it is told (F test, one-sided).
_CHANCE = 0.01
#: More of a difference that is not the gel's, in what blanks leave, may hide gel. Clean simulated
#: arms stay below 4, foreign matter that hid gel was beyond 1000.
MOST_UNEXPLAINED = 10.0


class ShapeTest(Protocol):
    """Whether a difference looks like the reference: `refused`, and why in words."""

    @property
    def refused(self) -> bool: ...
    @property
    def reason(self) -> str: ...


@dataclass(frozen=True)
class Assessment:
    """The numbers of one score for one arm; all but the counts in `unit`."""

    score: str
    unit: str
    n_mockups: int
    n_blank_mockups: int
    estimate: float
    standard_error: float
    decision_limit: float
    detection_limit: float
    mockup_decision_limit: float
    mockup_detection_limit: float
    upper_bound: float
    mockups: tuple[float, ...]
    blanks: tuple[float, ...]
    positive: tuple[bool, ...]
    share_upper_bound: float
    above: bool
    blindness: Blindness
    shape: ShapeTest | None
    alpha: float
    beta: float
    unexplained: float = 0.0

    @property
    def positive_mockups(self) -> int:
        """How many mock-ups lie above the decision limit of a single one."""
        return sum(self.positive)

    def row(self) -> dict[str, Any]:
        """The numbers under the column names of ``scores.csv``."""
        names = (
            "n_mockups", "n_blank_mockups", "score", "estimate", "standard_error",
            "decision_limit", "detection_limit", "mockup_decision_limit",
            "mockup_detection_limit", "upper_bound", "unit", "positive_mockups",
            "share_upper_bound",
        )  # fmt: skip
        return {name: getattr(self, name) for name in names}

    def to_frame(self) -> pd.DataFrame:
        """One row with the column names of ``scores.csv``."""
        return as_frame([self.row()])

    def __str__(self) -> str:
        return as_text(f"Score {self.score!r}", self.row())

    def _repr_html_(self) -> str:
        return as_html(f"Score {self.score!r}", self.row())


@dataclass(frozen=True)
class Verdict:
    """One of the four verdicts on an arm, with the reason in words and every score's numbers."""

    verdict: str
    reason: str
    deciding: Assessment
    assessments: tuple[Assessment, ...]
    acceptance_limit: float | None

    @property
    def blind_markers(self) -> tuple[str, ...]:
        """The scores that are blind on this paint; a band by its marker's name."""
        return tuple(a.score.removeprefix("band: ") for a in self.assessments if a.blindness.blind)

    def row(self) -> dict[str, Any]:
        """The verdict under the column names of ``verdicts.csv``."""
        return {
            **self.deciding.row(),
            "blind_markers": LIST_SEPARATOR.join(self.blind_markers),
            "verdict": self.verdict,
            "reason": self.reason,
        }

    def score_rows(self) -> list[dict[str, Any]]:
        """A row a score: what each would say if it alone decided; the deciding one as `row`."""
        rows = []
        for one in self.assessments:
            alone = self
            if one is not self.deciding:
                note = "This score does not decide; so it would by itself."
                alone = judge(one, acceptance_limit=self.acceptance_limit, notes=[note])
            rows.append({**alone.row(), "blind_markers": self.row()["blind_markers"]})
        return rows

    def to_frame(self) -> pd.DataFrame:
        """One row with the column names of ``verdicts.csv``."""
        return as_frame([self.row()])

    def __str__(self) -> str:
        return f"{self.verdict}: {self.reason}"

    def _repr_html_(self) -> str:
        return as_html(f"Verdict: {self.verdict}", self.row())


def assess(
    blanks: npt.ArrayLike,
    exposed: npt.ArrayLike,
    *,
    loadings: npt.ArrayLike | None = None,
    spiked: npt.ArrayLike | None = None,
    shared: npt.ArrayLike = 0.0,
    noise: float = math.nan,
    acceptance_limit: float | None = None,
    blindness: Blindness | None = None,
    shape: Callable[[int | None], ShapeTest] | None = None,
    unexplained: float = 0.0,
    score: str = NET_SIGNAL,
    unit: str = "reference",
    alpha: float = 0.05,
    beta: float = 0.05,
) -> Assessment:
    """Compute estimate, limits and bound of one score for one arm.

    Parameters
    ----------
    blanks, exposed : (n,) and (m,) scores, one a mock-up (mean of its maps).
    loadings, spiked : (k,) known loadings in ug cm-2 and scores less the blank mean of their own
        stratum. With at least two above zero everything is given in ug cm-2, else in `unit`.
    shared : (k,) or one for all, which share of the blanks behind each spiked score is among
        `blanks` (0 to 1): these move difference and slope together, so the bound is narrower.
    noise, acceptance_limit : see `assess_blindness`; used when `blindness` is left out.
    blindness : what was found beforehand of this score on this paint.
    shape : called only if something is above its limit, with None for the arm's mean difference or
        with the index of the worst mock-up if that alone is above; returns a `ShapeTest`.
    unexplained : what the reference leaves of the arm's mean difference, as a multiple of what
        blanks leave (`decision.confirmation.unexplained`); above 10 an arm below its limits is
        inconclusive.
    alpha, beta : rates of false and of missed detections, one-sided.

    Raises
    ------
    ContractError : no scores, or scores that are not finite.

    The decision is above when D > q1 s_b h (the arm) or max y_e - mean y_b > q2 s_b h1 (one
    mock-up); limits are divided by the slope b. Formulas: `residuekit.decision.limits`.
    """
    blank, found = _scores(blanks, "blanks"), _scores(exposed, "exposed")
    n, m = blank.size, found.size
    s_b = scatter_of(blank)
    slope = None
    if loadings is not None and spiked is not None:
        fit = slope_through_zero(loadings, spiked, s_b if n > 1 else 0.0, shared=shared)
        slope = fit if fit.n_spiked >= 2 else None
    if blindness is None:
        blindness = assess_blindness(
            blank, slope, noise=noise, acceptance_limit=acceptance_limit, unit=unit
        )
    b = slope.value if slope is not None and slope.value > 0 else 1.0
    usable = slope if slope is not None and slope.value > 0 else None
    difference = found - blank.mean()
    arm, mockup, arm_seen, mockup_seen = _limits(n, m, s_b, alpha, beta)
    above_arm, positive = bool(difference.mean() > arm), difference > mockup
    estimate = float(difference.mean() / b)
    bound = (
        upper_bound(estimate, s_b**2, n, float(found.var(ddof=1)) if m > 1 else 0.0, m, usable,
                    alpha)
        if n > 1 else None
    )  # fmt: skip
    above = above_arm or bool(positive.any())
    tested = None
    if above and shape is not None:
        tested = shape(None if above_arm else int(difference.argmax()))
    return Assessment(
        score=score,
        unit=unit if usable is None else LOADING_UNIT,
        n_mockups=m,
        n_blank_mockups=n,
        estimate=estimate,
        standard_error=bound.standard_error if bound else math.nan,
        decision_limit=arm / b,
        detection_limit=arm_seen / b,
        mockup_decision_limit=mockup / b,
        mockup_detection_limit=mockup_seen / b,
        upper_bound=bound.upper if bound else math.nan,
        mockups=tuple((difference / b).tolist()),
        blanks=tuple(((blank - blank.mean()) / b).tolist()),
        positive=tuple(positive.tolist()),
        share_upper_bound=clopper_pearson_upper(int(positive.sum()), m, alpha),
        above=above,
        blindness=blindness,
        shape=tested,
        alpha=alpha,
        beta=beta,
        unexplained=unexplained,
    )


def _scores(values: npt.ArrayLike, name: str) -> npt.NDArray[np.float64]:
    scores = np.asarray(values, dtype=float)
    if scores.ndim != 1 or scores.size == 0 or not np.isfinite(scores).all():
        raise ContractError(
            Fault(f"{name} {np.array2string(scores, threshold=8)}",
                  "at least one finite score, one a mock-up", f"{name}=[...] without NaN")
        )  # fmt: skip
    return scores


def _limits(
    n: int, m: int, s_b: float, alpha: float, beta: float
) -> tuple[float, float, float, float]:
    """Decision and detection limits (arm, mock-up, arm, mock-up) in the unit of the score."""
    if n < 2:
        return math.nan, math.nan, math.nan, math.nan
    h, h1 = math.sqrt(1 / m + 1 / n), math.sqrt(1 + 1 / n)
    levels = decision_levels(n, m, alpha)
    return (
        levels.arm * s_b * h,
        levels.mockup * s_b * h1,
        noncentrality(n - 1, levels.arm, beta) * s_b * h,
        noncentrality(n - 1, levels.mockup, beta) * s_b * h1,
    )


def judge(
    assessments: Assessment | Sequence[Assessment],
    *,
    acceptance_limit: float | None = None,
    quality_failed: str = "",
    notes: Sequence[str] = (),
) -> Verdict:
    """Give one of the four verdicts on an arm.

    Parameters
    ----------
    assessments : one a score, in the order fixed beforehand (net signal first, then the bands);
        the first that is not blind decides.
    acceptance_limit : ug cm-2, set beforehand; without it nothing is ever "not detected".
    quality_failed : why the arm's maps are not fit to be judged, or empty.
    notes : what else the reason must say (an unmatched comparator, the number of arms).

    Order: quality failed -> not assessable; fewer than 3 blanks -> inconclusive; every score blind
    -> not assessable; above and of the reference's shape -> detected; above without it ->
    inconclusive; 3 or more mock-ups, detection limit and upper bound within the acceptance limit,
    no other difference that may hide gel -> not detected; else inconclusive.
    """
    scores = (assessments,) if isinstance(assessments, Assessment) else tuple(assessments)
    if not scores:
        raise ContractError(
            Fault("no assessments", "at least one score", "residuekit.assess(blanks, exposed, ...)")
        )
    deciding = next((score for score in scores if not score.blindness.blind), scores[0])
    verdict, sentences = _decide(deciding, acceptance_limit, quality_failed)
    reason = " ".join(sentence for sentence in (*sentences, *notes) if sentence)
    return Verdict(verdict, reason, deciding, scores, acceptance_limit)


def _decide(
    a: Assessment, acceptance_limit: float | None, quality_failed: str
) -> tuple[str, list[str]]:
    numbers, unlike = _numbers_in_words(a), _unlike_scatter(a)
    if quality_failed:
        return "not assessable", [f"The maps are not fit to be judged: {quality_failed}.", numbers]
    if a.n_blank_mockups < _MIN_BLANKS:
        few = f"Blank mock-ups: only {a.n_blank_mockups}; at least {_MIN_BLANKS} are needed."
        return "inconclusive", [few, numbers]
    if a.blindness.blind:
        said = "It is above its decision limit all the same." if a.above else ""
        blind = f"Every score is blind on this paint; {a.score}: {a.blindness.reason}."
        return "not assessable", [blind, said, numbers]
    if a.above:
        if a.shape is None:
            doubt = "Above the decision limit, but without a pure reference its shape is untested."
            return "inconclusive", [doubt, unlike, numbers]
        if a.shape.refused:
            doubt = f"Above the decision limit, but not of the gel's shape: {a.shape.reason}."
            return "inconclusive", [doubt, unlike, numbers]
        passed = "Above the decision limit, and the test of the shape does not refuse the gel"
        return "detected", [f"{passed}: {a.shape.reason}.", unlike, numbers]
    obstacles = _obstacles(a, acceptance_limit)
    missed = (
        f"A single mock-up that carries less than {a.mockup_detection_limit:.3g} {a.unit} "
        "may be missed."
    )
    if obstacles:
        return "inconclusive", ["Below the decision limit, but " + "; ".join(obstacles) + ".",
                                unlike, numbers, missed]  # fmt: skip
    within = (
        f"Below the decision limit; detection limit and upper bound lie within the acceptance "
        f"limit of {acceptance_limit:.3g} {a.unit}."
    )
    return "not detected", [within, unlike, numbers, missed]


def _obstacles(a: Assessment, acceptance_limit: float | None) -> list[str]:
    """What stands between an arm below its decision limit and the verdict "not detected"."""
    obstacles = []
    if acceptance_limit is None:
        obstacles.append("no acceptance limit was set beforehand")
    if a.unit != LOADING_UNIT:
        obstacles.append("without spiked mock-ups the score has no loading unit")
    elif acceptance_limit is not None:
        if not a.detection_limit <= acceptance_limit:
            obstacles.append(
                f"the detection limit {a.detection_limit:.3g} {a.unit} is above the acceptance "
                f"limit {acceptance_limit:.3g}"
            )
        if not a.upper_bound < acceptance_limit:
            obstacles.append(
                f"the upper bound {a.upper_bound:.3g} {a.unit} is not below the acceptance "
                f"limit {acceptance_limit:.3g}"
            )
    if a.unexplained > MOST_UNEXPLAINED:
        obstacles.append(
            "the arm differs from its blanks by something that is not the gel "
            f"({a.unexplained:.0f} times what blanks leave), which may hide gel"
        )
    if a.n_mockups < _MIN_EXPOSED:
        obstacles.append(f"exposed mock-ups: only {a.n_mockups} ({_MIN_EXPOSED} are needed)")
    return obstacles


def _unlike_scatter(a: Assessment) -> str:
    """Say so where exposed mock-ups scatter beyond the blanks, from which all limits come."""
    from scipy.special import fdtrc

    if a.n_blank_mockups < _MIN_BLANKS or a.n_mockups < _MIN_EXPOSED:
        return ""
    exposed, blank = (float(np.var(scores, ddof=1)) for scores in (a.mockups, a.blanks))
    if blank == 0 or fdtrc(a.n_mockups - 1, a.n_blank_mockups - 1, exposed / blank) > _CHANCE:
        return ""
    return (
        f"The exposed mock-ups scatter {math.sqrt(exposed / blank):.2g} times as widely as the "
        f"blanks (by chance in fewer than {_CHANCE:.0%} of arms): residue lies unevenly on them, "
        "or their paint varies more than that of the blanks; then the limits are too low and a "
        "false alarm is likelier."
    )


def _numbers_in_words(a: Assessment) -> str:
    """The numbers without which no absence is printed."""
    score = sentence_case(a.score)
    if a.n_blank_mockups < 2:
        return (
            f"{score}: mean of {a.n_mockups} mock-ups {a.estimate:.3g} {a.unit}; a single blank "
            "mock-up gives no limits."
        )
    text = (
        f"{score}: mean of {a.n_mockups} mock-ups {a.estimate:.3g} {a.unit} against "
        f"{a.n_blank_mockups} blank mock-ups; decision limit {a.decision_limit:.3g}, detection "
        f"limit {a.detection_limit:.3g}, upper bound {a.upper_bound:.3g} {a.unit} "
        f"({1 - a.alpha:.0%} one-sided); {a.positive_mockups} of {a.n_mockups} mock-ups above the "
        f"single mock-up's decision limit of {a.mockup_decision_limit:.3g} {a.unit}"
    )
    if a.positive_mockups == a.n_mockups:
        return f"{text}."
    return (
        f"{text}, so with {1 - a.alpha:.0%} confidence at most {a.share_upper_bound:.0%} of such "
        f"mock-ups would be; one that carries {a.mockup_detection_limit:.3g} {a.unit}, its "
        f"detection limit, is above it in {100 * (1 - a.beta):.0f} of 100 cases."
    )
