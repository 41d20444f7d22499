"""From the means of measured maps to scores, limits and verdicts, stratum by stratum.

Every score is w'(mean spectrum of a mock-up), so only means and the scatter within blank maps are
kept of the maps. Blanks, spiked mock-ups and references come first: what each score can see, and
which one decides, is fixed before an exposed map is opened.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import ResiduekitError
from ..kernels import netsignal
from ..kernels.decision import Slope, slope_through_zero
from ..kernels.spatial import family_quantile
from ..markers import marker_weights
from ..schema import ARM_COLUMNS, NET_SIGNAL, STRATUM_COLUMNS
from ..score import NET_UNIT, net_from_scatters
from ..verdict import Assessment, Blindness, Verdict, assess, assess_blindness, judge
from .manifest import Manifest
from .measurements import Measurement

Floats = npt.NDArray[np.float64]
_ENOUGH = 3


@dataclass(frozen=True)
class MapSummary:
    """What is kept of one measured file: its mean spectrum, its counts, its scatter if a blank."""

    row: Measurement
    wavenumber: Floats
    mean: Floats
    n_pixels: int
    scatter: netsignal.Scatter | None
    quality: Mapping[str, Any]
    technique: str


@dataclass(frozen=True)
class MockupMean:
    """One physical sample under one set of conditions: the mean of its maps."""

    row: Measurement
    mean: Floats
    files: tuple[str, ...]
    n_pixels: int

    @property
    def n_maps(self) -> int:
        """How many files stand behind the mean."""
        return len(self.files)


@dataclass(frozen=True)
class Score:
    """One linear score on one stratum: weights, what it can see there, and its pixel limit."""

    name: str
    weights: Floats
    own_unit: str
    selectivity: float
    noise: float
    blindness: Blindness
    slope: Slope | None
    blank_mean: float
    pixel_limit: float

    @property
    def scale(self) -> float:
        """The slope b, or 1 when the score keeps its own unit."""
        return self.slope.value if self.slope is not None and self.slope.value > 0 else 1.0

    def loading(self, spectra: npt.ArrayLike) -> Floats:
        """Spectra (..., n) -> (w'y - blank mean) / b."""
        values: Floats = (np.asarray(spectra) @ self.weights - self.blank_mean) / self.scale
        return values


def mockup_means(summaries: Iterable[MapSummary]) -> list[MockupMean]:
    """Average the maps of each mock-up; a mock-up under two conditions stands for each apart."""
    gathered: dict[tuple[Any, ...], list[MapSummary]] = defaultdict(list)
    for one in summaries:
        place = one.row.stratum if one.row.role == "blank" else one.row.arm
        loading = one.row.loading_ug_cm2
        key = (
            one.row.role,
            one.row.mockup,
            place,
            one.row.treatment,
            None if math.isnan(loading) else loading,
        )
        gathered[key].append(one)
    return [
        MockupMean(
            maps[0].row,
            np.mean([one.mean for one in maps], axis=0),
            tuple(one.row.file for one in maps),
            sum(one.n_pixels for one in maps),
        )
        for maps in gathered.values()
    ]


def comparator(
    blanks: Sequence[MockupMean], exposure_min: float | None
) -> tuple[list[MockupMean], str]:
    """The blanks an arm is compared with, and what must be said of them.

    Water-only and untreated blanks are never pooled. Water-only blanks of the same exposure are
    taken when there are three or more, else all water-only blanks; untreated ones stand in alone
    when there is no other.
    """
    water = [blank for blank in blanks if blank.row.treatment == "water"]
    if not water:
        return list(blanks), (
            "Compared with untreated blanks alone: what water itself does to the paint is not "
            "taken out."
        )
    if exposure_min is None:
        return water, ""
    same = [blank for blank in water if blank.row.exposure_min == exposure_min]
    if len(same) == len(water):
        return water, ""
    if len(same) >= _ENOUGH:
        return same, ""
    times = sorted({blank.row.exposure_min for blank in water if blank.row.exposure_min >= 0})
    given = " and ".join(f"{time:g}" for time in times) + " min" if times else "unstated exposure"
    return (
        water,
        f"The water-only blanks are of {given}, not all of the arm's {exposure_min:g} min.",
    )


class Bench:
    """All that blanks, spiked mock-ups and references say, ready to judge exposed mock-ups."""

    def __init__(self, manifest: Manifest, summaries: Sequence[MapSummary]):
        self.manifest = manifest
        self.wavenumber = summaries[0].wavenumber if summaries else np.empty(0)
        self._summaries = summaries
        means = mockup_means(s for s in summaries if s.row.role in ("blank", "spiked"))
        self._of_stratum: dict[tuple[Any, ...], list[MockupMean]] = defaultdict(list)
        for mean in means:
            self._of_stratum[mean.row.stratum].append(mean)
        self._cache: dict[tuple[Any, ...], tuple[Score, ...]] = {}
        self._nets: dict[tuple[Any, ...], netsignal.NetSignal] = {}
        self.remarks: dict[tuple[Any, ...], str] = {}

    @cached_property
    def strata(self) -> list[tuple[Any, ...]]:
        """The strata that have exposed rows, in the order of the table."""
        return list(dict.fromkeys(row.stratum for row in self.manifest.of_role("exposed")))

    def residue(self, treatment: str) -> str:
        """The material whose residue is looked for: the arm's own if it has references, else the
        one the study asks for."""
        own = any(row.treatment == treatment for row in self.manifest.of_role("reference"))
        return treatment if own else self.manifest.treatment

    def blanks(self, stratum: tuple[Any, ...]) -> list[MockupMean]:
        """The blank mock-ups of a stratum, water-only and untreated."""
        return [mean for mean in self._of_stratum[stratum] if mean.row.role == "blank"]

    def spiked(self, stratum: tuple[Any, ...], residue: str) -> list[MockupMean]:
        """The spiked mock-ups of the same paint and soiling and of any ageing."""
        return [
            mean
            for other, means in self._of_stratum.items()
            if other[:2] == stratum[:2]
            for mean in means
            if mean.row.role == "spiked" and mean.row.treatment == residue
        ]

    def references(self, residue: str) -> list[Floats]:
        """The mean spectra of the pure material, one a file."""
        return [
            one.mean
            for one in self._summaries
            if one.row.role == "reference" and one.row.treatment == residue
        ]

    def net(self, stratum: tuple[Any, ...], residue: str) -> netsignal.NetSignal | None:
        """The net signal of a residue on a stratum, or None with a remark on why there is none."""
        key = (stratum, residue)
        if key not in self._nets and key not in self.remarks:
            references = self.references(residue)
            if not references:
                self.remarks[key] = f"No reference of {residue}: no net signal and no shape test."
                return None
            try:
                self._nets[key] = net_from_scatters(
                    self._scatters(stratum), references, self.wavenumber
                )
            except ResiduekitError as problem:
                self.remarks[key] = f"No net signal: {problem.faults[0].found}."
        return self._nets.get(key)

    def _scatters(self, stratum: tuple[Any, ...]) -> list[netsignal.Scatter]:
        """The scatter within the comparator's maps; single spectra of a mock-up count as a map."""
        kinds = {blank.row.treatment for blank in comparator(self.blanks(stratum), None)[0]}
        found, points = [], defaultdict(list)
        for one in self._summaries:
            row = one.row
            if row.role != "blank" or row.stratum != stratum or row.treatment not in kinds:
                continue
            if one.scatter is not None:
                found.append(one.scatter)
            else:
                points[row.mockup].append(one.mean)
        return found + [netsignal.scatter(means) for means in points.values() if len(means) > 1]

    def scores(self, stratum: tuple[Any, ...], residue: str) -> tuple[Score, ...]:
        """Every score on a stratum in the order fixed beforehand: net signal, then the bands."""
        key = (stratum, residue)
        if key not in self._cache:
            self._cache[key] = tuple(self._make_scores(stratum, residue))
        return self._cache[key]

    def _make_scores(self, stratum: tuple[Any, ...], residue: str) -> Iterable[Score]:
        scatters = self._scatters(stratum)
        dof = sum(one.n_pixels - 1 for one in scatters)
        within = sum(one.products for one in scatters) / dof if dof else None
        net = self.net(stratum, residue)
        if net is not None and NET_SIGNAL in self.manifest.scores:
            yield self._score(stratum, residue, NET_SIGNAL, net.weights, NET_UNIT,
                              net.selectivity, net.standard_error)  # fmt: skip
        if "band" not in self.manifest.scores:
            return
        weights = marker_weights(self.manifest.markers, self.wavenumber)
        paint = np.mean([blank.mean for blank in self.blanks(stratum)], axis=0)
        for marker, row in zip(self.manifest.markers, weights, strict=True):
            sd = math.sqrt(row @ within @ row) if within is not None else math.nan
            selectivity = math.nan if net is None else _overlap(net.target, paint, row)
            yield self._score(stratum, residue, f"band: {marker.name}", row, marker.unit,
                              selectivity, sd)  # fmt: skip

    def _score(
        self,
        stratum: tuple[Any, ...],
        residue: str,
        name: str,
        weights: Floats,
        unit: str,
        selectivity: float,
        pixel_sd: float,
    ) -> Score:
        """Calibrate one functional on the blanks and spiked mock-ups of a stratum."""
        own, _ = comparator(self.blanks(stratum), None)
        values = np.array([blank.mean @ weights for blank in own])
        scatter = float(values.std(ddof=1)) if values.size > 1 else math.nan
        per_map = np.mean([blank.n_pixels / blank.n_maps for blank in own])
        noise = pixel_sd / math.sqrt(per_map)
        loadings, responses = self.spiking(stratum, residue, weights)
        slope = slope_through_zero(loadings, responses, scatter if values.size > 1 else 0.0)
        known = slope if slope.count >= 2 else None
        blindness = assess_blindness(
            values, known, noise=noise, acceptance_limit=self.manifest.acceptance_limit, unit=unit
        )
        scale = known.value if known is not None and known.value > 0 else 1.0
        spread = math.hypot(pixel_sd, 0.0 if math.isnan(scatter) else scatter)
        quantile = family_quantile(max(1, round(per_map)), self.manifest.alpha)
        return Score(
            name, weights, unit, selectivity, noise, blindness, known, float(values.mean()),
            quantile * spread / scale,
        )  # fmt: skip

    def spiking(
        self, stratum: tuple[Any, ...], residue: str, weights: Floats
    ) -> tuple[list[float], list[float]]:
        """Loadings and responses of spiked mock-ups, each less the blanks of its own stratum."""
        loadings, responses = [], []
        for mean in self.spiked(stratum, residue):
            own, _ = comparator(self.blanks(mean.row.stratum), None)
            blank = np.mean([one.mean @ weights for one in own])
            loadings.append(mean.row.loading_ug_cm2)
            responses.append(float(mean.mean @ weights - blank))
        return loadings, responses

    def deciding(self, stratum: tuple[Any, ...], residue: str) -> Score | None:
        """The first score that is not blind, in the order fixed beforehand."""
        scores = self.scores(stratum, residue)
        return next((score for score in scores if not score.blindness.blind), None)

    def marker_rows(self) -> list[dict[str, Any]]:
        """The rows of ``markers.csv``: what each score can see on each stratum."""
        rows = []
        residue = self.manifest.treatment
        for stratum in self.strata:
            if not self.blanks(stratum):
                continue
            deciding = self.deciding(stratum, residue)
            for score in self.scores(stratum, residue):
                sight = score.blindness
                rows.append(
                    {
                        "score": score.name,
                        **dict(zip(STRATUM_COLUMNS, stratum, strict=True)),
                        "selectivity": score.selectivity,
                        "slope": sight.slope,
                        "slope_se": sight.slope_se,
                        "mockup_limit": sight.mockup_limit,
                        "noise_limit": sight.noise_limit,
                        "unit": sight.unit,
                        "blind": sight.blind,
                        "deciding": score is deciding,
                    }
                )
        return rows

    def paint_change(self, stratum: tuple[Any, ...], score: Score) -> str:
        """What water alone did to the paint, where untreated blanks stand beside it."""
        groups = [
            np.array([score.loading(b.mean) for b in self.blanks(stratum) if b.row.treatment == t])
            for t in ("water", "none")
        ]
        water, untreated = groups
        if not water.size or not untreated.size:
            return ""
        change = water.mean() - untreated.mean()
        return (
            f"Water alone changed {score.name} by {change:.3g} {score.blindness.unit} (mean of "
            f"{water.size} water-only less {untreated.size} untreated mock-ups)."
        )

    def judge_arm(
        self, exposed: Sequence[MockupMean], quality_failed: str, notes: Sequence[str]
    ) -> Verdict:
        """Judge one arm by every score."""
        row = exposed[0].row
        residue = self.residue(row.treatment)
        blanks, said = comparator(self.blanks(row.stratum), row.exposure_min)
        scores = self.scores(row.stratum, residue)
        net = self.net(row.stratum, residue)
        assessments = [self._assess(score, residue, blanks, exposed, net) for score in scores]
        spoken = [said, *notes]
        if residue != row.treatment:
            spoken.append(f"The residue looked for is that of {residue}.")
        if (row.stratum, residue) in self.remarks:
            spoken.append(self.remarks[row.stratum, residue])
        deciding = self.deciding(row.stratum, residue)
        if deciding is not None:
            spoken.append(self.paint_change(row.stratum, deciding))
        return judge(
            assessments,
            acceptance_limit=self.manifest.acceptance_limit,
            quality_failed=quality_failed,
            notes=spoken,
        )

    def _assess(
        self,
        score: Score,
        residue: str,
        blanks: Sequence[MockupMean],
        exposed: Sequence[MockupMean],
        net: netsignal.NetSignal | None,
    ) -> Assessment:
        loadings, responses = self.spiking(exposed[0].row.stratum, residue, score.weights)
        return assess(
            [blank.mean @ score.weights for blank in blanks],
            [mean.mean @ score.weights for mean in exposed],
            loadings=loadings,
            spiked=responses,
            blindness=score.blindness,
            shape=self._shape(blanks, exposed, net),
            score=score.name,
            unit=score.own_unit,
            alpha=self.manifest.alpha,
            beta=self.manifest.beta,
        )

    def _shape(
        self,
        blanks: Sequence[MockupMean],
        exposed: Sequence[MockupMean],
        net: netsignal.NetSignal | None,
    ) -> Callable[[int | None], netsignal.ShapeTest] | None:
        if net is None or len(blanks) < 2:
            return None

        def test(worst: int | None) -> netsignal.ShapeTest:
            chosen = exposed if worst is None else [exposed[worst]]
            paint = np.array([blank.mean for blank in blanks])
            difference = np.mean([one.mean for one in chosen], axis=0) - paint.mean(axis=0)
            return netsignal.shape_test(
                difference, paint, net, self.wavenumber, n_exposed=len(chosen)
            )

        return test


def arm_columns(row: Measurement) -> dict[str, Any]:
    """The columns that name an arm."""
    return {name: getattr(row, name) for name in ARM_COLUMNS}


def _overlap(reference: Floats, paint: Floats, weights: Floats) -> float:
    """Lorber's selectivity of a band: what of the gel, within the window, is not the paint's shape.

    Both spectra are taken over the channels with weights, each less its straight line between the
    window's ends; 0 where they have one shape, 1 where they share nothing.
    """
    used = np.flatnonzero(weights)
    ends = np.array([0, used.size - 1])
    parts = []
    for spectrum in (reference[used], paint[used]):
        line = np.interp(np.arange(used.size), ends, spectrum[ends])
        parts.append(spectrum - line)
    gel, film = parts
    if not gel.any():
        return 0.0
    return netsignal.nas(gel, film[None]).selectivity
