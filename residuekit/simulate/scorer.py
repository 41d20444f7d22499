"""The scorer: opens the sealed truth after a run and counts where the verdicts were wrong."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from .. import schema
from ..errors import Fault, StudyError
from ..kernels.limit_statistics import clopper_pearson_interval
from ..reprs import as_frame
from ..results import StudyResult, open_run
from ..schema import LOADING_UNIT

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NEAR_LIMIT = 1.25  #: an arm is near its stated detection limit within this factor
_CONFIDENCE = 0.95
_COPIED = (
    "score", "unit", "estimate", "standard_error", "decision_limit", "detection_limit",
    "upper_bound", "positive_mockups", "verdict",
)  # fmt: skip
#: Colours of verdicts that people with any colour vision tell apart (Okabe & Ito 2002).
_COLOURS = {
    "detected": "#5B2A00",
    "not detected": "#0072B2",
    "inconclusive": "#E69F00",
    "not assessable": "#000000",
}


@dataclass(frozen=True)
class Rate:
    """How often something happened, with its exact binomial interval (95 %, Clopper and Pearson).

    `nominal` is the rate that the method promises, `promise` the same in words.
    """

    name: str
    hits: int
    n: int
    nominal: float
    promise: str

    @property
    def value(self) -> float:
        """The share, NaN when nothing was counted."""
        return self.hits / self.n if self.n else math.nan

    @property
    def interval(self) -> tuple[float, float]:
        """What the true rate may be; 0 to 1 when nothing was counted."""
        if not self.n:
            return 0.0, 1.0
        return clopper_pearson_interval(self.hits, self.n, 1 - _CONFIDENCE)

    def row(self) -> dict[str, Any]:
        """The numbers under plain names."""
        low, high = self.interval
        return {
            "rate": self.name,
            "hits": self.hits,
            "n": self.n,
            "value": self.value,
            "low": low,
            "high": high,
            "promised": self.promise,
        }


@dataclass(frozen=True)
class Scorecard:
    """Verdicts beside the truth: a row an arm, and the rates over all arms.

    The rows hold the arm's columns and numbers and `study`, `clean`, `true` (mean loading of the
    arm's own mock-ups, ug cm-2), `above` (the decision limit), `z` (error over standard error),
    `low` and `high` (two-sided interval). Loadings are compared only in ug cm-2; z, interval and
    what follows are empty where a score kept its own unit.
    """

    rows: tuple[Mapping[str, Any], ...] = field(repr=False)

    def to_frame(self) -> pd.DataFrame:
        """A row an arm."""
        return as_frame(self.rows)

    def rates_frame(self) -> pd.DataFrame:
        """A row a rate."""
        return as_frame(rate.row() for rate in self.rates)

    @property
    def rates(self) -> tuple[Rate, ...]:
        """False and missed detections, wrong absences, coverage, calibration of limits."""
        rows = self.rows
        alpha, beta = rows[0]["alpha"], rows[0]["beta"]
        clean = [row for row in rows if row["clean"]]
        measured = [row for row in rows if not math.isnan(row["z"])]
        loaded = [row for row in measured if row["true"] >= row["detection_limit"]]
        unacceptable = [row for row in rows if row["true"] > row["acceptance_limit"]]
        near = [
            row for row in measured
            if row["true"] > 0
            and abs(math.log(row["true"] / row["detection_limit"])) <= math.log(NEAR_LIMIT)
        ]  # fmt: skip
        return (
            _rate("clean arm called detected", [r["verdict"] == "detected" for r in clean],
                  alpha, "{:.3g} or less"),
            _rate("clean arm above its decision limit", [r["above"] for r in clean],
                  alpha, "{:.3g}"),
            _rate("arm at or above its detection limit missed", [not r["above"] for r in loaded],
                  beta, "{:.3g} or less"),
            _rate("arm above the acceptance limit called not detected",
                  [r["verdict"] == "not detected" for r in unacceptable], alpha, "{:.3g} or less"),
            _rate("upper bound holds the true loading",
                  [r["true"] <= r["upper_bound"] for r in measured], 1 - alpha, "{:.3g} or more"),
            _rate("two-sided interval holds the true loading",
                  [r["low"] <= r["true"] <= r["high"] for r in measured], 1 - alpha, "{:.3g}"),
            _rate(f"found within a factor {NEAR_LIMIT:g} of the detection limit",
                  [r["above"] for r in near], 1 - beta, "about {:.3g}"),
        )  # fmt: skip

    @property
    def z(self) -> npt.NDArray[np.float64]:
        """Errors over standard errors of the arms that have both."""
        scores = np.array([row["z"] for row in self.rows], dtype=float)
        finite: npt.NDArray[np.float64] = scores[np.isfinite(scores)]
        return finite

    def _summary(self) -> str:
        studies = len({row["study"] for row in self.rows})
        text = f"{len(self.rows)} arms of {studies} stud{'y' if studies == 1 else 'ies'}"
        if self.z.size > 1:
            text += (
                f"; error over standard error: mean {self.z.mean():.2f}, "
                f"standard deviation {self.z.std(ddof=1):.2f}"
            )
        return text

    def __str__(self) -> str:
        table = self.rates_frame().to_string(index=False, float_format=lambda x: f"{x:.3f}")
        return f"Verdicts beside the truth: {self._summary()}\n{table}"

    def _repr_html_(self) -> str:
        table = self.rates_frame().to_html(index=False, escape=True, float_format="{:.3f}".format)
        return f"<p>Verdicts beside the truth: {self._summary()}</p>{table}"


def _rate(name: str, hits: Iterable[bool], nominal: float, promise: str) -> Rate:
    seen = [bool(hit) for hit in hits]
    return Rate(name, sum(seen), len(seen), nominal, promise.format(nominal))


def score_run(run: StudyResult | str | os.PathLike[str], sealed: str | os.PathLike[str]
              ) -> Scorecard:  # fmt: skip
    """Open the sealed truth of a study that has been run and set its verdicts beside it.

    Parameters
    ----------
    run : results, a run folder, or a study folder (its newest run).
    sealed : the JSON file that `simulate_study` wrote.

    Raises
    ------
    ReadError : no finished run. StudyError : the truth is that of another study.
    """
    return score_runs([(run, sealed)])


def score_runs(
    pairs: Iterable[tuple[StudyResult | str | os.PathLike[str], str | os.PathLike[str]]],
) -> Scorecard:
    """Score many runs together, each with its sealed truth; see `score_run`."""
    rows = [row for number, (run, sealed) in enumerate(pairs) for row in _arms(number, run, sealed)]
    if not rows:
        raise StudyError(
            Fault("no arm to score", "at least one study that has been run",
                  "score_runs([(study_folder, sealed_file), ...])")
        )  # fmt: skip
    return Scorecard(tuple(rows))


def _arms(
    number: int, run: StudyResult | str | os.PathLike[str], sealed: str | os.PathLike[str]
) -> Iterable[dict[str, Any]]:
    result = run if isinstance(run, StudyResult) else open_run(Path(run))
    truth = json.loads(Path(sealed).read_text(encoding="utf-8"))
    true_arms = {_key(arm): arm for arm in truth["arms"]}
    verdicts = {_key(row): row for row in result.verdicts.to_dict("records")}
    if true_arms.keys() != verdicts.keys():
        raise StudyError(
            Fault(f"the truth of other arms than the {len(verdicts)} that were judged",
                  "the sealed file of this very study", "give each study its own sealed file",
                  file=str(sealed))
        )  # fmt: skip
    study = result.provenance["study"]
    acceptance = study["acceptance_limit_ug_cm2"]
    shared = {
        "alpha": study["alpha"],
        "beta": study["beta"],
        "acceptance_limit": math.nan if acceptance is None else acceptance,
    }
    for key, row in verdicts.items():
        arm = true_arms[key]
        named = {name: row[name] for name in schema.ARM_COLUMNS}
        found = {name: row[name] for name in _COPIED}
        yield {
            "study": number, **named, "clean": arm["clean"], "true": arm["mean_loading_ug_cm2"],
            **found, **_beside_truth(found, arm["mean_loading_ug_cm2"], study["alpha"]), **shared,
        }  # fmt: skip


def _key(row: Mapping[Any, Any]) -> tuple[Any, ...]:
    """The cells that name an arm; numbers from CSV and JSON alike, an empty one as None."""
    cells = (row.get(name) for name in schema.ARM_COLUMNS)
    return tuple(
        cell if isinstance(cell, str) and cell else None if cell in ("", None) or cell != cell
        else round(float(cell), 9)
        for cell in cells
    )  # fmt: skip


def _beside_truth(row: Mapping[str, Any], true: float, alpha: float) -> dict[str, Any]:
    above = bool(row["estimate"] > row["decision_limit"] or row["positive_mockups"] > 0)
    if row["unit"] != LOADING_UNIT:
        return {"above": above, "z": math.nan, "low": math.nan, "high": math.nan}
    low, high = two_sided_interval(
        row["estimate"], row["standard_error"], row["upper_bound"], alpha
    )
    z = (row["estimate"] - true) / row["standard_error"]
    return {"above": above, "z": z, "low": low, "high": high}


def two_sided_interval(
    estimate: float, standard_error: float, upper_bound: float, alpha: float = 0.05
) -> tuple[float, float]:
    """Give the two-sided interval (confidence 1 - alpha) that belongs to a one-sided bound.

    The bound U = x + t(1 - alpha, nu) SE holds its degrees of freedom; the interval is
    x -+ t(1 - alpha/2, nu) SE.

    >>> low, high = two_sided_interval(0.0, 1.0, 2.015048)   # t(0.95, 5)
    >>> round(high, 3)                                       # t(0.975, 5)
    2.571
    """
    from scipy.special import ndtri, stdtridf, stdtrit

    ratio = float((upper_bound - estimate) / standard_error)
    if ratio - ndtri(1 - alpha) < 1e-6:
        quantile = float(ndtri(1 - alpha / 2))
    else:
        quantile = float(stdtrit(float(stdtridf(1 - alpha, ratio)), 1 - alpha / 2))
    half = quantile * standard_error
    return estimate - half, estimate + half


def scorecard_figure(card: Scorecard) -> Figure:
    """Draw estimates beside the truth, shares found beside stated limits, and all rates."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(12, 4), layout="constrained")
    left, middle, right = figure.subplots(1, 3)
    _draw_estimates(left, card)
    _draw_found(middle, card)
    _draw_rates(right, card.rates)
    figure.suptitle(f"Verdicts beside the truth: {card._summary()}", fontsize=10)
    return figure


def _draw_estimates(axes: Axes, card: Scorecard) -> None:
    measured = [row for row in card.rows if not math.isnan(row["z"])]
    for verdict, colour in _COLOURS.items():
        rows = [row for row in measured if row["verdict"] == verdict]
        if not rows:
            continue
        true, x = ([row[name] for row in rows] for name in ("true", "estimate"))
        half = [row["high"] - row["estimate"] for row in rows]
        axes.errorbar(true, x, half, fmt="o", ms=3.5, lw=0.7, color=colour,
                      label=f"{verdict} ({len(rows)})")  # fmt: skip
    axes.axline((0, 0), slope=1, color="black", lw=0.8)
    axes.set(xlabel="true mean loading of the arm (µg cm⁻²)",
             ylabel="estimate, two-sided interval (µg cm⁻²)")  # fmt: skip
    axes.legend(fontsize=7, frameon=False, loc="upper left")


def _draw_found(axes: Axes, card: Scorecard) -> None:
    measured = [row for row in card.rows if not math.isnan(row["z"])]
    ratio = np.array([row["true"] / row["detection_limit"] for row in measured])
    above = np.array([row["above"] for row in measured], dtype=bool)
    edges = [0.0, 1e-9, 0.25, 0.5, 1 / NEAR_LIMIT, NEAR_LIMIT, 2.0, math.inf]
    names = ["0", "to 0.25", "to 0.5", "to 0.8", "to 1.25", "to 2", "more"]
    for place, (low, high) in enumerate(pairwise(edges)):
        inside = above[(ratio >= low) & (ratio < high)]
        rate = Rate(names[place], int(inside.sum()), inside.size, math.nan, "")
        if rate.n:
            axes.vlines(place, *rate.interval, color="#0072B2")
            axes.plot(place, rate.value, "o", color="#0072B2")
        names[place] += f"\n({rate.n})"
    axes.axhline(0.95, color="black", lw=0.6, ls=":")
    axes.axhline(0.05, color="black", lw=0.6, ls=":")
    axes.set_xticks(range(len(names)), names, fontsize=7)
    axes.set(xlabel="true loading / stated detection limit (arms)", ylim=(-0.03, 1.03),
             ylabel="share of arms above the decision limit")  # fmt: skip


def _draw_rates(axes: Axes, rates: Iterable[Rate]) -> None:
    counted = [rate for rate in rates if rate.n]
    for place, rate in enumerate(counted):
        axes.hlines(-place, *rate.interval, color="#0072B2")
        axes.plot(rate.value, -place, "o", color="#0072B2")
        axes.plot(rate.nominal, -place, "|", color="black", ms=14)
        axes.text(0.5, 0.3 - place, f"{rate.name} ({rate.hits} of {rate.n})", ha="center",
                  fontsize=7)  # fmt: skip
    axes.set(xlim=(-0.02, 1.02), ylim=(0.4 - len(counted), 0.7), yticks=[],
             xlabel="rate, its 95% interval, what is promised (bar)")  # fmt: skip
