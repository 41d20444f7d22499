"""Exposure and ageing series: does residue rise, and how long stayed the longest clean exposure.

Everything here counts mock-ups; a p-value above 0.05 is not an absence.
"""

from __future__ import annotations

import shutil
import tempfile
import warnings
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .errors import ContractError, Fault, ResiduekitWarning
from .kernels.limits import clopper_pearson_upper
from .kernels.ordered import Trend, cochran_armitage, jonckheere, mixed_model
from .reprs import as_frame, as_html, as_text
from .results import arm_words
from .schema import ARM_COLUMNS

if TYPE_CHECKING:
    import pandas as pd

    from .procedure import Procedure
    from .results import StudyResult
    from .study import Study

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
    from .study import Study

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
