"""The numbers of one score for one arm: estimate, limits, bound, and what was found of the rest."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ..errors import ContractError, Fault
from ..kernels.limit_statistics import clopper_pearson_upper, tolerance_factor
from ..kernels.slope import Slope, loading_slope
from ..reprs import as_frame, as_html, as_text
from ..schema import LOADING_UNIT, NET_SIGNAL
from .blindness import Blindness, scale_of, scatter_of
from .bound import upper_bound
from .claims import SCALE_MARGIN, bounded_below
from .confirmation import Confirmation
from .evenness import stands_out, welch_p
from .limits import arm_limits, decision_levels
from .panel_layout import Panels

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Rules:
    """What a decision is made by: its error rates, the acceptance limit in ug cm-2 or None,
    the scale margin that an absence needs where loadings rest on reference films, and the density
    (g cm-3) by which the reason tells loadings in nm too."""

    alpha: float = 0.05
    beta: float = 0.05
    acceptance_limit: float | None = None
    scale_margin: float = SCALE_MARGIN
    density: float | None = None


@dataclass(frozen=True)
class Assessment:
    """The numbers of one score for one arm; all but the counts in `unit`.

    `mockups` are the exposed mock-ups' differences from the blanks' mean, `blanks` the blanks';
    `slope` is the response per `unit`; `scale` what it rests on (`SPIKED`, `REFERENCE_FILM` or
    empty), `highest_spike` the highest loading behind it, `n_scale` the mock-ups or films (1, "",
    NaN and 0 without one).
    `confirmation` is None where nothing is above a limit, where that is `uneven`, or without a
    reference; `uneven` is an arm whose exposed mock-ups may merely vary more than the blanks
    (`welch_p`, `stands_out`); `unexplained` is what the reference leaves of the arm's difference,
    as a multiple of what blanks leave. `tolerance_bound` holds 95 % of such mock-ups with 1 -
    alpha confidence if they scatter normally; `identification_limit` is NaN where it was not
    computed; `panels` is how the mock-ups lie on panels where they are judged within them.
    """

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
    uneven: bool
    welch_p: float
    tolerance_bound: float
    blindness: Blindness
    confirmation: Confirmation | None
    rules: Rules
    unexplained: float
    highest_spike: float
    slope: float
    scale: str
    n_scale: int
    bound_degrees_of_freedom: float
    identification_limit: float = math.nan
    panels: Panels | None = None

    @property
    def reach(self) -> float:
        """The highest loading that a statement of absence would speak of."""
        return max(self.detection_limit, self.upper_bound)

    @property
    def scale_margin(self) -> float:
        """By how much the scale of loading may be wrong before an absence would fall."""
        accepted = self.rules.acceptance_limit
        return accepted / self.reach if accepted and self.scale and self.reach > 0 else math.nan

    @property
    def against_acceptance(self) -> str:
        """Where the mean of these mock-ups lies: below, above, undecided, or nothing to say."""
        accepted = self.rules.acceptance_limit
        if accepted is None or not self.scale or math.isnan(self.upper_bound):
            return ""
        if bounded_below(self.upper_bound, accepted):
            return "below"
        return "above" if 2 * self.estimate - self.upper_bound > accepted else "undecided"

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
            "share_upper_bound", "scale", "scale_margin", "identification_limit",
            "tolerance_bound", "against_acceptance", "bound_degrees_of_freedom",
        )  # fmt: skip
        return {name: getattr(self, name) for name in names}

    def to_frame(self) -> pd.DataFrame:
        """One row with the column names of ``scores.csv``."""
        return as_frame([self.row()])

    def __str__(self) -> str:
        return as_text(f"Score {self.score!r}", self.row())

    def _repr_html_(self) -> str:
        return as_html(f"Score {self.score!r}", self.row())


def assess(
    blanks: npt.ArrayLike,
    exposed: npt.ArrayLike,
    blindness: Blindness,
    rules: Rules,
    *,
    loadings: npt.ArrayLike = (),
    spiked: npt.ArrayLike = (),
    shared: npt.ArrayLike = 0.0,
    errors: npt.ArrayLike = 0.0,
    film: Slope | None = None,
    confirm: Callable[[int | None], Confirmation] | None = None,
    unexplained: float = 0.0,
    score: str = NET_SIGNAL,
    unit: str = "reference",
    panels: Panels | None = None,
) -> Assessment:
    """Compute estimate, limits and bound of one score for one arm.

    Parameters
    ----------
    blanks, exposed : (n,) and (m,) scores, one a mock-up (mean of its maps).
    blindness : what was found beforehand of this score on this paint.
    rules : error rates and acceptance limit.
    loadings, spiked : (k,) known loadings in ug cm-2 and scores less the blank mean of their own
        stratum. With at least two above zero everything is given in ug cm-2, else in `unit`.
    shared : (k,) or one for all, which share of the blanks behind each spiked score is among
        `blanks` (0 to 1): these move difference and slope together, so the bound is narrower.
    errors : (k,) or one for all, declared relative errors of the loadings.
    film : the response to reference films, which stands in for fewer than two spiked mock-ups.
    confirm : called only if something is above its limit and not `uneven`, with None for the arm's
        mean difference or with the index of the worst mock-up.
    unexplained : see `residuekit.decision.confirmation.unexplained`.
    panels : how the mock-ups lie on panels, where the scores are those within panels.

    Raises
    ------
    ContractError : no scores, or scores that are not finite.

    The decision is above when D > q1 s_b h (the arm) or max y_e - mean y_b > q2 s_b h1 (one
    mock-up); limits are divided by the slope b.
    """
    blank, found = _scores(blanks, "blanks"), _scores(exposed, "exposed")
    n, m = blank.size, found.size
    s_b = scatter_of(blank)
    slope = loading_slope(
        loadings, spiked, s_b if n > 1 else 0.0, shared=shared, errors=errors, film=film
    )
    usable = slope if slope is not None and slope.value > 0 else None
    b = 1.0 if usable is None else usable.value
    difference = found - blank.mean()
    limits = arm_limits(s_b, n, m, rules.alpha, rules.beta, panels)
    positive = difference > limits.mockup_decision
    mean_above = bool(difference.mean() > limits.decision)
    above = mean_above or bool(positive.any())
    estimate = float(difference.mean() / b)
    error = bound = freedom = math.nan
    if n > 1:
        spread = float(found.var(ddof=1)) if m > 1 else 0.0
        bound, error, freedom = upper_bound(
            estimate, s_b**2, n, spread, m, usable, rules.alpha, panels
        )
    welch = welch_p(blank, found, panels)
    asked: list[int | None] = [None] if mean_above and not welch >= rules.alpha else []
    if positive.any():
        quantile = decision_levels(n, m, rules.alpha, panels).mockup
        if stands_out(difference, s_b, n, quantile, panels):
            asked.append(int(difference.argmax()))
    confirmed = [] if confirm is None else [confirm(one) for one in asked]
    confirmation = min(confirmed, key=lambda one: one.refused, default=None)
    tolerated = tolerance_factor(m, 0.95, 1 - rules.alpha) if m > 1 else math.nan
    return Assessment(
        score=score,
        unit=unit if usable is None else LOADING_UNIT,
        n_mockups=m,
        n_blank_mockups=n,
        estimate=estimate,
        standard_error=error,
        decision_limit=limits.decision / b,
        detection_limit=limits.detection / b,
        mockup_decision_limit=limits.mockup_decision / b,
        mockup_detection_limit=limits.mockup_detection / b,
        upper_bound=bound,
        mockups=tuple((difference / b).tolist()),
        blanks=tuple(((blank - blank.mean()) / b).tolist()),
        positive=tuple(positive.tolist()),
        share_upper_bound=clopper_pearson_upper(int(positive.sum()), m, rules.alpha),
        above=above,
        uneven=above and not asked,
        welch_p=welch,
        tolerance_bound=estimate + tolerated * float(found.std(ddof=min(m - 1, 1))) / b,
        blindness=blindness,
        confirmation=confirmation,
        rules=rules,
        unexplained=unexplained,
        highest_spike=math.nan if usable is None else usable.highest,
        slope=b,
        scale="" if usable is None else scale_of(usable),
        n_scale=0 if usable is None else usable.n_spiked,
        bound_degrees_of_freedom=freedom,
        panels=panels,
    )


def _scores(values: npt.ArrayLike, name: str) -> npt.NDArray[np.float64]:
    scores = np.asarray(values, dtype=float)
    if scores.ndim != 1 or scores.size == 0 or not np.isfinite(scores).all():
        raise ContractError(
            Fault(f"{name} {np.array2string(scores, threshold=8)}",
                  "at least one finite score, one a mock-up", f"{name}=[...] without NaN")
        )  # fmt: skip
    return scores
