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
from ..marker_choice import Ground, Score, deciding, marker_rows, scores_on
from ..schema import ARM_COLUMNS, STRATUM_COLUMNS
from ..score import net_from_scatters
from ..verdict import Assessment, Verdict, assess, judge
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
            self._cache[key] = scores_on(
                self._ground(stratum, residue),
                self.manifest.markers,
                kinds=self.manifest.scores,
                acceptance_limit=self.manifest.acceptance_limit,
                alpha=self.manifest.alpha,
            )
        return self._cache[key]

    def _ground(self, stratum: tuple[Any, ...], residue: str) -> Ground:
        own, _ = comparator(self.blanks(stratum), None)
        loadings, responses = self.spiking(stratum, residue)
        return Ground(
            wavenumber=self.wavenumber,
            blanks=np.array([blank.mean for blank in own]),
            scatters=self._scatters(stratum),
            pixels_per_map=float(np.mean([blank.n_pixels / blank.n_maps for blank in own])),
            net=self.net(stratum, residue),
            loadings=loadings,
            responses=responses,
        )

    def spiking(self, stratum: tuple[Any, ...], residue: str) -> tuple[Floats, Floats]:
        """Loadings (k,) and spectra (k, n) of spiked mock-ups, less the blanks of their stratum."""
        spiked = self.spiked(stratum, residue)
        blanks = [comparator(self.blanks(one.row.stratum), None)[0] for one in spiked]
        responses = [
            one.mean - np.mean([blank.mean for blank in own], axis=0)
            for one, own in zip(spiked, blanks, strict=True)
        ]
        loadings = np.array([one.row.loading_ug_cm2 for one in spiked])
        return loadings, np.reshape(responses, (-1, self.wavenumber.size))

    def marker_rows(self) -> list[dict[str, Any]]:
        """The rows of ``markers.csv``: what each score can see on each stratum."""
        residue = self.manifest.treatment
        return [
            row
            for stratum in self.strata
            if self.blanks(stratum)
            for row in marker_rows(
                dict(zip(STRATUM_COLUMNS, stratum, strict=True)), self.scores(stratum, residue)
            )
        ]

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
        chosen = deciding(scores)
        if chosen is not None:
            spoken.append(self.paint_change(row.stratum, chosen))
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
        loadings, responses = self.spiking(exposed[0].row.stratum, residue)
        return assess(
            [blank.mean @ score.weights for blank in blanks],
            [mean.mean @ score.weights for mean in exposed],
            loadings=loadings,
            spiked=responses @ score.weights,
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
