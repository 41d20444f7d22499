"""Is it the gel, or the day, or the procedure? Repeated controls, and a second procedure."""

from __future__ import annotations

import shutil
import tempfile
import warnings
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import ResiduekitWarning
from ..kernels.ordered import mixed_model
from ..procedure import Procedure
from ..reprs import as_frame, as_html
from ..results import StudyResult, arm_words
from ..schema import ARM_COLUMNS

if TYPE_CHECKING:
    import pandas as pd

    from . import Study


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

    def __str__(self) -> str:
        words = (
            "The control depends on the session: measure every arm in every session."
            if self.found
            else "No effect of the session was found; a small one may be missed."
        )
        return (
            f"{self.score} of {self.n_mockups} blank mock-ups over {len(self.sessions)} sessions "
            f"on {self.conditions['paint']}: drift {self.drift:.3g} {self.unit} a session "
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


@dataclass(frozen=True)
class ProcedureComparison:
    """The verdicts of a study under its own procedure, and under another beside them."""

    rows: tuple[dict[str, Any], ...]

    @property
    def differing(self) -> tuple[dict[str, Any], ...]:
        """The arms whose verdict hangs on the procedure."""
        return tuple(row for row in self.rows if row["verdict"] != row["other_verdict"])

    def to_frame(self) -> pd.DataFrame:
        """A row an arm."""
        return as_frame(list(self.rows))

    def __str__(self) -> str:
        lines = [
            f"{arm_words(row)}: {row['verdict']}; by the other procedure {row['other_verdict']}"
            for row in self.rows
        ]
        lines.append(
            f"{len(self.differing)} of {len(self.rows)} verdicts hang on the procedure."
            if self.differing
            else "No verdict hangs on which of the two procedures was used."
        )
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False, escape=True))


def compare_procedures(study: Study, other: Procedure) -> ProcedureComparison:
    """Judge a study by its own procedure and by another, with a warning where they differ.

    The study's own verdict stays the one that counts: it was fixed beforehand. The second run
    leaves nothing in the study folder.
    """
    from . import Study

    manifest, own = study.manifest, study.run()
    with tempfile.TemporaryDirectory() as place:
        for name in manifest.sources:
            shutil.copyfile(manifest.folder / name, Path(place) / name)
        rows = tuple(
            replace(row, file=str((manifest.folder / row.file).resolve()))
            for row in manifest.measurements
        )
        beside = replace(manifest, folder=Path(place), procedure=other, measurements=rows)
        second = Study(beside).run()
    found = tuple(
        {
            **{name: row[name] for name in ARM_COLUMNS},
            **{name: row[name] for name in ("verdict", "estimate", "detection_limit", "unit")},
            **{f"other_{n}": also[n] for n in ("verdict", "estimate", "detection_limit", "unit")},
        }
        for row, also in zip(
            own.verdicts.to_dict("records"), second.verdicts.to_dict("records"), strict=True
        )
    )
    compared = ProcedureComparison(found)
    if compared.differing:
        warnings.warn(str(compared), ResiduekitWarning, stacklevel=2)
    return compared
