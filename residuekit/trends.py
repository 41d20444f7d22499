"""Exposure and ageing series: does residue rise, and how long stayed the longest clean exposure.

Everything here counts mock-ups; a p-value above 0.05 is not an absence.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from .errors import ContractError, Fault, ResiduekitWarning, did_you_mean
from .kernels.limits import clopper_pearson_upper
from .kernels.ordered import Trend, cochran_armitage, jonckheere
from .reprs import as_frame, as_html, as_text

if TYPE_CHECKING:
    import pandas as pd

SERIES = ("paint", "soiling", "ageing_h", "treatment", "clearance_min")
AGES = ("paint", "soiling", "treatment", "exposure_min", "clearance_min")


@dataclass(frozen=True)
class Series:
    """One series of mock-ups over exposure (min) or ageing (h).

    `rise` is Jonckheere's test on the mock-up means, `positives` Cochran and Armitage's on their
    decisions with the logarithm of 1 + the rung as score; both one-sided for a rise.
    """

    over: str
    conditions: dict[str, Any]
    rungs: tuple[float, ...]
    n_mockups: tuple[int, ...]
    means: tuple[float, ...]
    positive: tuple[int, ...]
    unit: str
    rise: Trend
    positives: Trend

    def rows(self) -> list[dict[str, Any]]:
        """A row a rung."""
        return [
            {**self.conditions, self.over: rung, "n_mockups": n, "mean": mean, "positive": k,
             "unit": self.unit, "p_rise": self.rise.p_value}
            for rung, n, mean, k in zip(self.rungs, self.n_mockups, self.means, self.positive,
                                        strict=True)
        ]  # fmt: skip

    def to_frame(self) -> pd.DataFrame:
        """A row a rung."""
        return as_frame(self.rows())

    def _summary(self) -> dict[str, Any]:
        return {
            **self.conditions,
            "rungs": ", ".join(f"{rung:g}" for rung in self.rungs),
            "n_mockups": ", ".join(map(str, self.n_mockups)),
            "J": self.rise.statistic,
            "z": self.rise.z,
            "p (means rise)": self.rise.p_value,
            "p (share of positives rises)": self.positives.p_value,
        }

    def __str__(self) -> str:
        return as_text(f"Series over {self.over}", self._summary())

    def _repr_html_(self) -> str:
        return as_html(f"Series over {self.over}", self._summary())


@dataclass(frozen=True)
class ExposureMargin:
    """The longest clean exposure over the working exposure, with what stands behind it.

    `at_least` when the longest rung tested is clean. `n_mockups` counts the mock-ups at and above
    the working exposure that stayed clean; `share_upper_bound` bounds the share of mock-ups with
    residue at the working exposure under the assumption that residue cannot fall with exposure.
    """

    conditions: dict[str, Any]
    working_exposure_min: float
    longest_clean_min: float
    at_least: bool
    detection_limit: float
    upper_bound: float
    unit: str
    n_mockups: int
    share_upper_bound: float

    @property
    def margin(self) -> float:
        """Longest clean exposure / working exposure; NaN when no rung is clean."""
        return self.longest_clean_min / self.working_exposure_min

    def __str__(self) -> str:
        if not self.longest_clean_min > 0:
            return (
                f"No exposure of {self.conditions['treatment']} on {self.conditions['paint']} was "
                "found clean: there is no exposure margin."
            )
        prefix = "at least " if self.at_least else ""
        return (
            f"Exposure margin {prefix}{self.margin:g}: {self.longest_clean_min:g} min clean over "
            f"{self.working_exposure_min:g} min working exposure ({self.conditions['treatment']} "
            f"on {self.conditions['paint']}); at that exposure detection limit "
            f"{self.detection_limit:.3g}, upper bound {self.upper_bound:.3g} {self.unit}. If "
            f"residue cannot fall with exposure, {self.n_mockups} clean mock-ups at and above the "
            f"working exposure leave at most {self.share_upper_bound:.1%} of such mock-ups with "
            "residue above the single mock-up's detection limit."
        )

    def _repr_html_(self) -> str:
        return as_html("Exposure margin", {**self.conditions, "in words": str(self)})


def series(mockups: pd.DataFrame, *, over: str = "exposure_min", score: str) -> list[Series]:
    """Test every series of a study for a rise over exposure or ageing.

    Parameters
    ----------
    mockups : the table ``mockups.csv``. over : ``exposure_min`` or ``ageing_h``.
    score : the deciding score, as the table names it.

    Returns
    -------
    A `Series` for each set of conditions with two rungs or more.

    Raises
    ------
    ContractError : `over` is neither, or no row has this score.
    """
    if over not in ("exposure_min", "ageing_h"):
        raise ContractError(
            Fault(f"over={over!r}", "exposure_min or ageing_h", "over='exposure_min'")
        )
    conditions = list(SERIES if over == "exposure_min" else AGES)
    rows = mockups[(mockups["role"] == "exposed") & (mockups["score"] == score)]
    if rows.empty:
        known = ", ".join(sorted(set(mockups["score"])))
        raise ContractError(Fault(f"no exposed row with the score {score!r}", known, "one of them"))
    found = []
    for key, group in rows.groupby(conditions, sort=False, dropna=False):
        rungs = sorted(set(group[over]))
        if len(rungs) < 2:
            continue
        parts = [group[group[over] == rung] for rung in rungs]
        values = [part["mean"].to_numpy(float) for part in parts]
        hits = [int((part["positive"].astype(str) == "true").sum()) for part in parts]
        sizes = [len(part) for part in parts]
        found.append(
            Series(
                over=over,
                conditions=dict(zip(conditions, key, strict=True)),
                rungs=tuple(float(rung) for rung in rungs),
                n_mockups=tuple(sizes),
                means=tuple(float(part.mean()) for part in values),
                positive=tuple(hits),
                unit=str(group["unit"].iloc[0]),
                rise=jonckheere(values),
                positives=cochran_armitage(hits, sizes, np.log1p(rungs)),
            )
        )
    return found


def exposure_margins(
    verdicts: pd.DataFrame, working_exposure_min: float, alpha: float = 0.05
) -> list[ExposureMargin]:
    """State, for each series, the longest exposure up to which every rung was `not detected`.

    Only rungs at or above the working exposure count; a rung that is not `not detected` ends the
    series. A rung that is inconclusive is not clean.
    """
    conditions = list(SERIES)
    found = []
    for key, group in verdicts.groupby(conditions, sort=False, dropna=False):
        rungs = group[group["exposure_min"] >= working_exposure_min].sort_values("exposure_min")
        clean = []
        for row in rungs.to_dict("records"):
            if row["verdict"] != "not detected":
                break
            clean.append(row)
        last = clean[-1] if clean else None
        n = sum(int(row["n_mockups"]) for row in clean)
        positive = sum(int(row["positive_mockups"]) for row in clean)
        found.append(
            ExposureMargin(
                conditions=dict(zip(conditions, key, strict=True)),
                working_exposure_min=working_exposure_min,
                longest_clean_min=float(last["exposure_min"]) if last else np.nan,
                at_least=bool(clean) and len(clean) == len(rungs),
                detection_limit=float(last["detection_limit"]) if last else np.nan,
                upper_bound=float(last["upper_bound"]) if last else np.nan,
                unit=str(last["unit"]) if last else "",
                n_mockups=n,
                share_upper_bound=clopper_pearson_upper(positive, n, alpha) if n else 1.0,
            )
        )
    return found


def normalised_rise(
    paint: tuple[float, float], gel: tuple[float, float], *, tolerated: float = 0.1
) -> tuple[float, float]:
    """Give the true rise of a marker by gel, and what is left of it after normalisation on a band.

    Parameters
    ----------
    paint, gel : absorbance of the paint, and of the gel on it, at (marker band, normalising band).
    tolerated : the share of the rise that may be lost without a ResiduekitWarning.

    Apparent rise = (1 + gel_m / paint_m) / (1 + gel_n / paint_n) - 1.

    >>> [round(rise, 3) for rise in normalised_rise((0.20, 0.60), (0.02, 0.0))]
    [0.1, 0.1]
    """
    if not min(paint) > 0 or not gel[0] > 0:
        raise ContractError(
            Fault(f"paint={paint}, gel={gel}", "paint above 0 at both bands, gel at the marker",
                  "other bands")
        )  # fmt: skip
    true = gel[0] / paint[0]
    apparent = (1 + true) / (1 + gel[1] / paint[1]) - 1
    if apparent < (1 - tolerated) * true:
        warnings.warn(
            f"the gel absorbs where the spectra are normalised: a true {true:.1%} rise of the "
            f"marker appears as {apparent:.1%}; normalise on a band free of gel, or not at all",
            ResiduekitWarning,
            stacklevel=2,
        )
    return true, apparent


@dataclass(frozen=True)
class Dose:
    """A dose of light, with what may not be concluded from it."""

    value: float
    unit: str
    hours: float

    def __str__(self) -> str:
        return (
            f"{self.value:.4g} {self.unit} in {self.hours:g} h. No years of display follow from "
            "it: that the effect depends on the dose alone fails for less stable colorants at high "
            "intensity, and lux and ultraviolet doses need the lamp's spectrum to be compared."
        )

    def _repr_html_(self) -> str:
        return as_html("Dose", {"in words": str(self)})


_DOSES = {"lx": ("lx h", 1.0), "W m-2": ("kJ m-2", 3.6), "W m-2 nm-1": ("kJ m-2 nm-1", 3.6)}


def dose(level: float, hours: float, unit: str) -> Dose:
    """Give level x time: lx h of lx, kJ m-2 of W m-2 (x 3.6 h), kJ m-2 nm-1 of W m-2 nm-1.

    >>> dose(1.10, 100, "W m-2 nm-1").value
    396.0

    Raises
    ------
    ContractError : another unit, or a level or time that is not a number from 0 up.
    """
    if unit not in _DOSES:
        raise ContractError(Fault(f"unit={unit!r}", did_you_mean(unit, _DOSES), "unit='lx'"))
    if not (0 <= level < np.inf and 0 <= hours < np.inf):
        raise ContractError(
            Fault(f"level={level}, hours={hours}", "numbers from 0 up", "the level and the hours")
        )
    of, factor = _DOSES[unit]
    return Dose(round(level * hours * factor, 9), of, hours)


def growth_by_gel(
    gel_young: npt.ArrayLike,
    gel_aged: npt.ArrayLike,
    blank_young: npt.ArrayLike,
    blank_aged: npt.ArrayLike,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Find absorption that grows with ageing only where gel was applied: the interaction.

    d = (gel aged - gel young) - (blank aged - blank young), of means of mock-ups; its standard
    error is the root of the sum of s^2 / n of the four groups. It is told from nothing channel by
    channel only against a limit for all channels (`residuekit.kernels.spatial.family_quantile`).

    Parameters
    ----------
    each : (n mock-ups, channels) mean spectra, two mock-ups or more, on one axis.

    Returns
    -------
    d and its standard error, (channels,).
    """
    groups = [np.asarray(one, float) for one in (gel_young, gel_aged, blank_young, blank_aged)]
    if (
        any(one.ndim != 2 or len(one) < 2 for one in groups)
        or len({g.shape[1] for g in groups}) > 1
    ):
        raise ContractError(
            Fault(f"groups of shape {[one.shape for one in groups]}",
                  "(n mock-ups, channels) with two mock-ups or more and one axis",
                  "a row a mock-up, resampled to one axis")
        )  # fmt: skip
    means = [one.mean(axis=0) for one in groups]
    errors = [one.var(axis=0, ddof=1) / len(one) for one in groups]
    grown = (means[1] - means[0]) - (means[3] - means[2])
    return grown, np.sqrt(np.sum(errors, axis=0))
