"""The exposure margin: how long stayed the longest clean exposure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..kernels.limit_statistics import clopper_pearson_upper
from ..reprs import as_html
from .finding import conditions_words
from .series import SERIES, is_positive, same

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class ExposureMargin:
    """The longest clean exposure over the working exposure, with what stands behind it.

    `at_least` when the longest rung tested is clean. `n_longest`, `detection_limit` and
    `upper_bound` are those of the longest clean exposure. `n_mockups` counts the different mock-ups
    at and above the working exposure where all stayed clean, else those of the first rung;
    `share_upper_bound` bounds the share of mock-ups above the decision limit of a single one at the
    working exposure, where rungs are pooled under the assumption that residue cannot fall with
    exposure.
    """

    conditions: dict[str, Any]
    working_exposure_min: float
    longest_clean_min: float
    at_least: bool
    n_longest: int
    detection_limit: float
    upper_bound: float
    unit: str
    n_mockups: int
    share_upper_bound: float

    @property
    def margin(self) -> float:
        """Longest clean exposure / working exposure; NaN when no rung is clean."""
        return self.longest_clean_min / self.working_exposure_min

    def row(self) -> dict[str, Any]:
        """The margin as a row of a table."""
        return {
            **self.conditions,
            "working_exposure_min": self.working_exposure_min,
            "longest_clean_min": self.longest_clean_min,
            "margin": self.margin,
            "at_least": self.at_least,
            "n_longest": self.n_longest,
            "detection_limit": self.detection_limit,
            "upper_bound": self.upper_bound,
            "unit": self.unit,
            "n_mockups": self.n_mockups,
            "share_upper_bound": self.share_upper_bound,
        }

    def __str__(self) -> str:
        words = conditions_words(self.conditions)
        if not self.longest_clean_min > 0:
            return (
                f"{words}: no exposure from {self.working_exposure_min:g} min on was found clean, "
                "so there is no exposure margin."
            )
        prefix = "at least " if self.at_least else ""
        censored = " The longest exposure tested is clean." if self.at_least else ""
        return (
            f"{words}: exposure margin {prefix}{self.margin:g}, {self.longest_clean_min:g} min "
            f"not detected over {self.working_exposure_min:g} min working exposure; at "
            f"{self.longest_clean_min:g} min {self.n_longest} mock-ups, detection limit "
            f"{self.detection_limit:.3g}, upper bound {self.upper_bound:.3g} {self.unit}."
            f"{censored} {self._bound_words()}"
        )

    def _bound_words(self) -> str:
        share = f"at most {self.share_upper_bound:.0%} of such mock-ups above the decision limit"
        if self.at_least:
            return (
                f"If residue cannot fall with exposure (an assumption), {self.n_mockups} different "
                f"mock-ups at and above the working exposure leave {share} of a single one."
            )
        return (
            f"A longer exposure was not clean, so none are pooled: the {self.n_mockups} mock-ups "
            f"of the shortest exposure from there on leave {share} of a single one."
        )

    def _repr_html_(self) -> str:
        return as_html("Exposure margin", {**self.conditions, "in words": str(self)})


def exposure_margins(
    verdicts: pd.DataFrame,
    working_exposure_min: float,
    alpha: float = 0.05,
    mockups: pd.DataFrame | None = None,
) -> list[ExposureMargin]:
    """State, for each series, the longest exposure up to which every rung was `not detected`.

    Only rungs at or above the working exposure count; a rung that is not `not detected` ends the
    series. A rung that is inconclusive is not clean. The bound on the share of mock-ups pools all
    rungs only where all are clean: how many to pool must not be chosen by what they show.

    Parameters
    ----------
    verdicts, mockups : the tables ``verdicts.csv`` and ``mockups.csv``. Without the latter every
        mock-up of every rung is taken for a different one; with it, one that met several exposures
        counts once.
    working_exposure_min : minutes.
    alpha : of the one-sided bound on the share of mock-ups.

    Returns
    -------
    An `ExposureMargin` for each series.
    """
    found = []
    for key, group in verdicts.groupby(list(SERIES), sort=False, dropna=False):
        rungs = group[group["exposure_min"] >= working_exposure_min].sort_values("exposure_min")
        clean = []
        for row in rungs.to_dict("records"):
            if row["verdict"] != "not detected":
                break
            clean.append(row)
        last = clean[-1] if clean else None
        every_rung = len(clean) == len(rungs)
        positive, n = _counted(clean if every_rung else clean[:1], mockups)
        found.append(
            ExposureMargin(
                conditions=dict(zip(SERIES, key, strict=True)),
                working_exposure_min=working_exposure_min,
                longest_clean_min=float(last["exposure_min"]) if last else np.nan,
                at_least=bool(clean) and every_rung,
                n_longest=int(last["n_mockups"]) if last else 0,
                detection_limit=float(last["detection_limit"]) if last else np.nan,
                upper_bound=float(last["upper_bound"]) if last else np.nan,
                unit=str(last["unit"]) if last else "",
                n_mockups=n,
                share_upper_bound=clopper_pearson_upper(positive, n, alpha) if n else 1.0,
            )
        )
    return found


def _counted(clean: list[dict[Any, Any]], mockups: pd.DataFrame | None) -> tuple[int, int]:
    """How many different mock-ups were positive on any clean rung, and how many there are."""
    if mockups is None or not clean:
        return (
            sum(int(row["positive_mockups"]) for row in clean),
            sum(int(row["n_mockups"]) for row in clean),
        )
    first = clean[0]
    rungs = [row["exposure_min"] for row in clean]
    rows = mockups[
        (mockups["role"] == "exposed")
        & (mockups["score"] == first["score"])
        & mockups["exposure_min"].isin(rungs)
        & same(mockups, first, SERIES)
    ]
    positive = rows.loc[is_positive(rows), "mockup"]
    return positive.nunique(), rows["mockup"].nunique()
