"""Is it the gel, or the day? Controls that are repeated over sessions."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ..kernels.ordered import mixed_model
from ..schema import STRATUM_COLUMNS
from ..words import findings as words
from .finding import Shown

if TYPE_CHECKING:
    from ..results import StudyResult

Floats = npt.NDArray[np.float64]
_FEWEST = 3
_KEYS = (*STRATUM_COLUMNS, "treatment")


@dataclass(frozen=True)
class ControlDrift(Shown):
    """What the session of measuring does to a control that is repeated over sessions.

    `drift` is the change of the score from one session to the next, with its standard error
    `drift_error`, `p_value` two-sided;
    `session_sd` and `mockup_sd` are the scatter between sessions beside the drift, and between
    mock-ups; `p_scatter` tests the former by F. NaN where the design cannot tell.
    """

    title = "Repeated control"
    say = words.control_drift

    conditions: dict[str, Any]
    score: str
    unit: str
    n_mockups: int
    sessions: tuple[str, ...]
    drift: float
    drift_error: float
    p_value: float
    p_scatter: float
    session_sd: float
    mockup_sd: float

    @property
    def found(self) -> bool:
        """Whether drift, or scatter of sessions beside it, differs from zero (5 % each)."""
        return self.p_value < 0.05 or self.p_scatter < 0.05

    def values(self) -> dict[str, Any]:
        """Every field by its name, and whether an effect was found."""
        return {**super().values(), "found": self.found}

    def row(self) -> dict[str, Any]:
        """The control as a row of a table."""
        return {
            **self.conditions,
            "score": self.score,
            "n_mockups": self.n_mockups,
            "n_sessions": len(self.sessions),
            "drift": self.drift,
            "drift_error": self.drift_error,
            "p_drift": self.p_value,
            "p_scatter": self.p_scatter,
            "session_sd": self.session_sd,
            "mockup_sd": self.mockup_sd,
            "unit": self.unit,
        }


def control_drift(result: StudyResult) -> list[ControlDrift]:
    """Look for effects of the session and for drift in the blank mock-ups of each score.

    Sessions count in the order in which the table names them; a mock-up that was measured in
    several counts once in each. A mixed model with the session, and a mock-up that is repeated, as
    random effects, the drift over the number of the session as fixed effect, Satterthwaite's
    degrees of freedom; one value a session: a straight line. Strata with fewer than three sessions
    say nothing and are left out.

    Parameters
    ----------
    result : what a run found.

    Returns
    -------
    A `ControlDrift` for each score of each stratum, by each residue.
    """
    listed = result.provenance["measurements"]
    order = list(dict.fromkeys(row["session"] for row in listed if row["session"]))
    files: dict[tuple[Any, ...], dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for row in listed:
        if row["role"] == "blank" and row["session"]:
            files[_place(row)][row["session"]].append(row["file"])
    again = [
        name for own in files.values() if len(own) > 1 for some in own.values() for name in some
    ]
    means = _map_means(result, set(again))
    blanks = result.mockups[result.mockups["role"] == "blank"]
    several = blanks["residue"].nunique() > 1
    found = []
    for key, group in blanks.groupby([*_KEYS, "residue", "score"], sort=False, dropna=False):
        residue, score = map(str, key[-2:])
        values, number, mockup = [], [], []
        for row in group.to_dict("records"):
            own = files.get(_place(row), {})
            for session, names in own.items():
                every = [(name, residue, score) for name in names]
                read = [means[one] for one in every if one in means]
                value = row["mean"] if len(own) == 1 else np.mean(read) if read else np.nan
                if np.isfinite(value):
                    values.append(value)
                    number.append(float(order.index(session)))
                    mockup.append(row["mockup"])
        used = sorted(set(number))
        if len(used) < _FEWEST:
            continue
        fitted = _fit(np.array(values, float), np.array(number), np.array(mockup))
        found.append(
            ControlDrift(
                conditions=dict(zip(_KEYS, key[:-2], strict=True))
                | ({"residue": residue} if several else {}),
                score=score,
                unit=str(group["unit"].iloc[0]),
                n_mockups=len(set(mockup)),
                sessions=tuple(order[int(k)] for k in used),
                **fitted,
            )
        )
    return found


def _place(row: Mapping[Any, Any]) -> tuple[Any, ...]:
    """What names a blank mock-up: its name, its stratum and its treatment."""
    return (*(row[name] for name in _KEYS), row["mockup"])


def _map_means(result: StudyResult, files: set[str]) -> dict[tuple[str, str, str], float]:
    """(file, residue, score) -> the mean of its score map, for mock-ups whose sessions must stand
    apart."""
    means = {}
    for entry in result.map_entries() if files else ():
        if entry["file"] in files:
            values = result.score_map(result.folder / entry["map"])["score"]
            of_pixels = values.mean([dim for dim in values.dims if dim != "marker"])
            for name, value in zip(values["marker"].values, of_pixels.values, strict=True):
                means[entry["file"], entry["residue"], str(name)] = float(value)
    return means


def _fit(values: Floats, number: Floats, mockup: npt.NDArray[Any]) -> dict[str, float]:
    from scipy.special import stdtr

    if len(values) == len(set(number)):
        from scipy.stats import linregress

        line = linregress(number, values)
        return {"drift": float(line.slope), "drift_error": float(line.stderr),
                "p_value": float(line.pvalue), "p_scatter": np.nan, "session_sd": np.nan,
                "mockup_sd": np.nan}  # fmt: skip
    repeated = len(set(mockup)) < len(mockup)
    fit = mixed_model(
        values,
        np.column_stack([np.ones_like(number), number]),
        [number, mockup] if repeated else [number],
    )
    error = float(np.sqrt(fit.covariance[1, 1]))
    t = abs(float(fit.effects[1])) / error if error > 0 else 0.0
    return {
        "drift": float(fit.effects[1]),
        "drift_error": error,
        "p_value": 2 * float(stdtr(fit.degrees_of_freedom[1], -t)),
        "p_scatter": _scatter_test(values, number, mockup if repeated else np.zeros(len(values))),
        "session_sd": float(np.sqrt(fit.variances[0])),
        "mockup_sd": float(np.sqrt(fit.variances[1])),
    }


def _scatter_test(values: Floats, number: Floats, mockup: npt.NDArray[Any]) -> float:
    """The p-value of F for sessions beside a straight drift and beside the mock-ups: a test of lack
    of fit (Draper & Smith, Applied Regression Analysis; from memory)."""
    from scipy.special import fdtrc

    own = (mockup[:, None] == np.unique(mockup)).astype(float)
    straight = np.column_stack([own, number])
    free = np.column_stack([own, number[:, None] == np.unique(number)])
    (rest, rank), (rest_free, rank_free) = (_residual(x, values) for x in (straight, free))
    left = len(values) - rank_free
    if left < 1 or rank_free == rank or not rest_free > 0:
        return float("nan")
    ratio = (rest - rest_free) / (rank_free - rank) / (rest_free / left)
    return float(fdtrc(rank_free - rank, left, ratio))


def _residual(design: Floats, values: Floats) -> tuple[float, int]:
    found, _, rank, _ = np.linalg.lstsq(design, values, rcond=None)
    return float(np.sum((values - design @ found) ** 2)), int(rank)
