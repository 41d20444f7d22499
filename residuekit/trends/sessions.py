"""Is it the gel, or the day? Controls that are repeated over sessions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..kernels.ordered import mixed_model
from ..reprs import as_html
from .finding import conditions_words

if TYPE_CHECKING:
    from ..results import StudyResult


@dataclass(frozen=True)
class ControlDrift:
    """What the session of measuring does to a control that is repeated over sessions.

    `drift` is the change of the score from one session to the next, `p_value` two-sided;
    `session_sd` and `mockup_sd` are the scatter between sessions beside the drift, and between
    mock-ups of one session.
    """

    conditions: dict[str, Any]
    score: str
    unit: str
    n_mockups: int
    sessions: tuple[str, ...]
    drift: float
    p_value: float
    session_sd: float
    mockup_sd: float

    @property
    def found(self) -> bool:
        """Whether the drift is told from none (5 %), or sessions scatter more than mock-ups."""
        return self.p_value < 0.05 or self.session_sd > self.mockup_sd

    def row(self) -> dict[str, Any]:
        """The control as a row of a table."""
        return {
            **self.conditions,
            "score": self.score,
            "n_mockups": self.n_mockups,
            "n_sessions": len(self.sessions),
            "drift": self.drift,
            "p_drift": self.p_value,
            "session_sd": self.session_sd,
            "mockup_sd": self.mockup_sd,
            "unit": self.unit,
        }

    def __str__(self) -> str:
        words = (
            "The control depends on the session: measure every arm in every session."
            if self.found
            else "No effect of the session was found; a small one may be missed."
        )
        return (
            f"{self.score} of {self.n_mockups} blank mock-ups over {len(self.sessions)} sessions "
            f"({conditions_words(self.conditions)}): drift {self.drift:.3g} {self.unit} a session "
            f"(p = {self.p_value:.2g}), scatter between sessions {self.session_sd:.3g}, between "
            f"mock-ups {self.mockup_sd:.3g}. {words}"
        )

    def _repr_html_(self) -> str:
        return as_html("Repeated control", {**self.conditions, "in words": str(self)})


def control_drift(result: StudyResult) -> list[ControlDrift]:
    """Look for effects of the session and for drift in the blank mock-ups of each score.

    Sessions count in the order in which the table names them. A mixed model with the session as
    random effect, the drift over the number of the session as fixed effect, and Satterthwaite's
    degrees of freedom. Strata with fewer than three sessions, or no mock-up more than sessions,
    say nothing and are left out.
    """
    from scipy.stats import t as student

    listed = result.provenance["measurements"]
    session = {row["mockup"]: row["session"] for row in listed if row["role"] == "blank"}
    order = list(dict.fromkeys(row["session"] for row in listed if row["session"]))
    blanks = result.mockups[result.mockups["role"] == "blank"]
    keys = ["paint", "soiling", "ageing_h", "treatment", "score"]
    found = []
    for key, every in blanks.groupby(keys, sort=False, dropna=False):
        group = every[every["mockup"].map(session).astype(bool)]
        number = np.array([order.index(session[name]) for name in group["mockup"]], dtype=float)
        used = sorted(set(number))
        if len(used) < 3 or len(group) <= len(used):
            continue
        fit = mixed_model(
            group["mean"].to_numpy(float), np.column_stack([np.ones_like(number), number]), [number]
        )
        error = float(np.sqrt(fit.covariance[1, 1]))
        t = abs(float(fit.effects[1])) / error if error > 0 else 0.0
        found.append(
            ControlDrift(
                conditions=dict(zip(keys[:-1], key[:-1], strict=True)),
                score=str(key[-1]),
                unit=str(group["unit"].iloc[0]),
                n_mockups=len(group),
                sessions=tuple(order[int(k)] for k in used),
                drift=float(fit.effects[1]),
                p_value=2 * float(student.sf(t, float(fit.degrees_of_freedom[1]))),
                session_sd=float(np.sqrt(fit.variances[0])),
                mockup_sd=float(np.sqrt(fit.variances[1])),
            )
        )
    return found
