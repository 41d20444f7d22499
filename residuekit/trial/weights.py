"""Weights that someone states, and how far the order depends on them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from ..errors import ContractError, Fault, did_you_mean
from ..reprs import as_frame
from ..words import trial as words
from .summary import CRITERIA, VETOED, Candidate, TrialSummary

if TYPE_CHECKING:
    import pandas as pd

_VETOES = ("residue", "pickup")


@dataclass(frozen=True)
class Ranked:
    """A candidate's place; no total where it is vetoed or a weighed criterion is missing.

    `rank_best` and `rank_worst` bound its place when each weight is up to `factor` times larger or
    smaller; `ahead_until` is the factor up to which it stays ahead of all that rank behind it.
    """

    treatment: str
    paint: str
    soiling: str
    standing: str
    total: float = math.nan
    rank: int | None = None
    rank_best: int | None = None
    rank_worst: int | None = None
    ahead_until: float = math.nan
    why_no_total: str = ""


@dataclass(frozen=True, repr=False)
class Ranking:
    """The candidates in the order that stated weights give, with its sensitivity."""

    rows: tuple[Ranked, ...]
    weights: Mapping[str, float]
    factor: float

    def to_frame(self) -> pd.DataFrame:
        """A row a candidate."""
        return as_frame(map(asdict, self.rows))

    def __repr__(self) -> str:
        return words.ranking(self.rows, self.weights, self.factor)

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False, escape=True, na_rep=""))


def weigh(
    summary: TrialSummary | None, weights: Mapping[str, float], factor: float = 2.0
) -> Ranking:
    """Order the candidates that are not vetoed by weights, and say how far the order holds.

    On each paint and soiling a criterion runs from 0 (the worst of those not vetoed) to 1 (the
    best); the total is the weighted mean, so a weight stands for going from worst to best here.
    With differences d of two candidates, the one ahead stays so while no weight changes by more
    than sqrt(sum of w d above 0 / sum of w |d| below 0), up for some and down for others; the
    bounds on the ranks count the pairs that no weights in the range can turn.

    Parameters
    ----------
    summary : of `summarise` or `summary_of`.
    weights : criterion (`soil_removal_percent`, `gloss_size_gu`, `ease`, `health_safety`) ->
        weight, zero or more. Residue and pick-up are vetoes and take none.
    factor : how far each weight may be off, 1 or more.

    Returns
    -------
    A `Ranking`.

    Raises
    ------
    ContractError : an unknown criterion, a veto among the weights, no weight above zero, no summary
        (a run without ``trial.csv`` has none).
    """
    if summary is None:
        raise ContractError(
            Fault("no summary of a trial: the study was run without trial.csv",
                  "a trial.csv in the study folder, a row a mock-up",
                  "add trial.csv (its columns: rk.trial.TRIAL_COLUMNS), then residuekit run DIR")
        )  # fmt: skip
    _check(weights, factor)
    rows: list[Ranked] = []
    for candidates in summary.blocks().values():
        rows += _rank(candidates, {k: w for k, w in weights.items() if w > 0}, factor)
    return Ranking(tuple(rows), dict(weights), factor)


def _check(weights: Mapping[str, float], factor: float) -> None:
    faults = []
    for name, weight in weights.items():
        if name in _VETOES:
            faults.append(
                Fault(f"a weight for {name}", "no weight: a veto is not weighed against anything",
                      f"leave {name!r} out")
            )  # fmt: skip
        elif name not in CRITERIA:
            faults.append(
                Fault(
                    f"the criterion {name!r}", " or ".join(CRITERIA), did_you_mean(name, CRITERIA)
                )
            )
        elif not 0 <= weight < math.inf:
            faults.append(
                Fault(f"the weight {weight} of {name}", "a number, zero or more", f"{name}: 1")
            )
    if not faults and not any(weight > 0 for weight in weights.values()):
        faults.append(Fault("no weight above zero", "one or more", "{'soil_removal_percent': 1}"))
    if not 1 <= factor < math.inf:
        faults.append(Fault(f"factor={factor}", "a number from 1 up", "factor=2"))
    if faults:
        raise ContractError(faults)


def _rank(candidates: list[Candidate], weights: Mapping[str, float], factor: float) -> list[Ranked]:
    without, fit = [], []
    for one in candidates:
        lacking = [name for name in weights if math.isnan(getattr(one, name))]
        if one.standing == VETOED:
            without.append((one, one.reason))
        elif lacking:
            without.append((one, f"missing: {', '.join(lacking)}"))
        else:
            fit.append(one)
    scaled = [dict(zip(weights, row, strict=True))
              for row in zip(*(_scaled(fit, name) for name in weights), strict=True)]  # fmt: skip
    whole = sum(weights.values())
    totals = [sum(w * one[name] for name, w in weights.items()) / whole for one in scaled]
    order = sorted(range(len(fit)), key=lambda at: -totals[at])
    ranked = []
    for at in order:
        others = [other for other in order if other != at]
        behind = [other for other in others if totals[other] < totals[at]]
        turn = {other: _turning_factor(scaled[at], scaled[other], weights) for other in others}
        surely_behind = sum(turn[other] > factor for other in behind)
        ahead = [other for other in others if totals[other] > totals[at]]
        surely_ahead = sum(
            _turning_factor(scaled[other], scaled[at], weights) > factor for other in ahead
        )
        ranked.append(
            Ranked(*_name(fit[at]), total=totals[at], rank=1 + len(ahead),
                   rank_best=1 + surely_ahead, rank_worst=len(fit) - surely_behind,
                   ahead_until=min((turn[other] for other in behind), default=math.nan))
        )  # fmt: skip
    return ranked + [Ranked(*_name(one), why_no_total=why) for one, why in without]


def _name(one: Candidate) -> tuple[str, str, str, str]:
    return one.treatment, one.paint, one.soiling, one.standing


def _scaled(fit: list[Candidate], name: str) -> list[float]:
    """0 for the worst to 1 for the best of a criterion; 1 for all where they are equal."""
    values = [CRITERIA[name] * getattr(one, name) for one in fit]
    low, high = min(values, default=0.0), max(values, default=0.0)
    return [(value - low) / (high - low) if high > low else 1.0 for value in values]


def _turning_factor(
    first: Mapping[str, float], second: Mapping[str, float], weights: Mapping[str, float]
) -> float:
    """The factor on the weights at which `second` catches up with `first`, which is ahead."""
    terms = [weight * (first[name] - second[name]) for name, weight in weights.items()]
    gain, loss = sum(t for t in terms if t > 0), -sum(t for t in terms if t < 0)
    return math.sqrt(gain / loss) if loss > 0 else math.inf
