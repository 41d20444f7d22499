"""The exposure margin: how long stayed the longest clean exposure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..kernels.limit_statistics import clopper_pearson_upper
from ..words import findings as words
from .finding import Shown
from .series import SERIES, held, is_positive, same

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class ExposureMargin(Shown):
    """The longest clean exposure over the working exposure, with what stands behind it.

    `at_least` when the longest rung tested is clean. `n_longest`, `detection_limit`,
    `upper_bound` and `standard_error` are those of the longest clean exposure. `n_mockups` counts
    the different mock-ups at and above the working exposure where all stayed clean, else those of
    the first rung;
    `share_upper_bound` bounds the share of mock-ups above the decision limit of a single one at the
    working exposure, where rungs are pooled under the assumption that residue cannot fall with
    exposure.
    """

    title = "Exposure margin"
    say = words.exposure_margin

    conditions: dict[str, Any]
    working_exposure_min: float
    longest_clean_min: float
    at_least: bool
    n_longest: int
    detection_limit: float
    upper_bound: float
    standard_error: float
    unit: str
    n_mockups: int
    share_upper_bound: float

    @property
    def margin(self) -> float:
        """Longest clean exposure / working exposure; NaN when no rung is clean."""
        return self.longest_clean_min / self.working_exposure_min

    def values(self) -> dict[str, Any]:
        """Every field by its name, and the margin after its two exposures."""
        own = super().values()
        first = list(own)[: len(self.conditions) + 2]
        return {**{name: own[name] for name in first}, "margin": self.margin, **own}


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
        mock-up of every rung is taken for a different one; with it, one that was exposed several
        times counts once.
    working_exposure_min : minutes.
    alpha : of the one-sided bound on the share of mock-ups.

    Returns
    -------
    An `ExposureMargin` for each series.
    """
    found = []
    conditions = held(verdicts, SERIES)
    for key, group in verdicts.groupby(conditions, sort=False, dropna=False):
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
                conditions=dict(zip(conditions, key, strict=True)),
                working_exposure_min=working_exposure_min,
                longest_clean_min=float(last["exposure_min"]) if last else np.nan,
                at_least=bool(clean) and every_rung,
                n_longest=int(last["n_mockups"]) if last else 0,
                detection_limit=float(last["detection_limit"]) if last else np.nan,
                upper_bound=float(last["upper_bound"]) if last else np.nan,
                standard_error=float(last["standard_error"]) if last else np.nan,
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
        & same(mockups, first, held(mockups, SERIES))
    ]
    positive = rows.loc[is_positive(rows), "mockup"]
    return positive.nunique(), rows["mockup"].nunique()
