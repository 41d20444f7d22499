"""From the means of measured maps to scores, limits and verdicts, stratum by stratum.

Every score is w'(mean spectrum of a mock-up), so only means and the scatter within blank maps are
kept of the maps. Blanks, spiked mock-ups and references come first: what each score can see, and
which one decides, is fixed before an exposed map is opened.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from ..decision.comparator import water_change
from ..decision.confirmation import Confirmation, confirmer, unexplained
from ..decision.scores import Ground, Score, deciding, marker_rows, scores_on
from ..decision.scoring import net_from_scatters
from ..decision.verdict import Verdict, assess, judge
from ..errors import ResiduekitError
from ..kernels import netsignal
from ..kernels.paint_change import LEAST_DOF
from ..reprs import to_error
from ..schema import ARM_COLUMNS, STRATUM_COLUMNS
from .cache import Cache, key_of, pack, unpack
from .manifest import Manifest
from .measurements import Measurement
from .mockups import MapSummary, MockupMean, comparator, mockup_means

Floats = npt.NDArray[np.float64]
#: References whose responses differ by less than this factor count as alike.
_ALIKE = 1.05


@dataclass(frozen=True)
class _Metric:
    """The covariance within a stratum's blank maps, and the net signal or why there is none."""

    within: Floats | None
    net: netsignal.NetSignal | None
    remark: str

    def to_arrays(self) -> dict[str, Any]:
        arrays = {"remark": np.asarray(self.remark)}
        for name, part in (("within", self.within), ("net", self.net)):
            if part is not None:
                arrays |= pack(name, part)
        return arrays

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, Any]) -> _Metric:
        net = None
        if "net.weights" in arrays:
            net = unpack("net", netsignal.NetSignal, arrays)
        return cls(arrays.get("within"), net, str(arrays["remark"]))


def _make_metric(
    scatters: Iterable[netsignal.Scatter],
    references: Sequence[MapSummary],
    wavenumber: Floats,
    missing: str,
    replicates: Sequence[Floats],
) -> _Metric:
    try:
        pooled = netsignal.pool(scatters)
    except ResiduekitError as problem:
        return _Metric(None, None, f"No net signal: {problem.faults[0].found}.")
    within = pooled.products.sum(axis=0) / pooled.dof.sum()
    if not references:
        return _Metric(within, None, f"{missing}: no net signal, no shape test.")
    try:
        spectra = [one.mean for one in references]
        net = net_from_scatters(pooled, spectra, wavenumber, replicates=replicates)
        return _Metric(within, net, "")
    except ResiduekitError as problem:
        return _Metric(within, None, f"No net signal: {problem.faults[0].found}.")


class Bench:
    """All that blanks, spiked mock-ups and references say, ready to judge exposed mock-ups."""

    def __init__(
        self,
        manifest: Manifest,
        summaries: Sequence[MapSummary],
        spectra_of: Callable[[MapSummary], npt.NDArray[Any]],
        cache: Cache,
    ):
        self.manifest = manifest
        self.wavenumber = summaries[0].wavenumber if summaries else np.empty(0)
        self._summaries, self._spectra_of, self._cache = summaries, spectra_of, cache
        means = mockup_means(s for s in summaries if s.row.role in ("blank", "spiked"))
        self._of_stratum: dict[tuple[Any, ...], list[MockupMean]] = defaultdict(list)
        for mean in means:
            self._of_stratum[mean.row.stratum].append(mean)
        self._scores: dict[tuple[Any, ...], tuple[Score, ...]] = {}
        self._metrics: dict[tuple[Any, ...], _Metric] = {}

    @property
    def remarks(self) -> list[str]:
        """Why a stratum has no net signal, where it has none."""
        return sorted({metric.remark for metric in self._metrics.values() if metric.remark})

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

    def references(self, residue: str) -> list[MapSummary]:
        """The pure material, one a file."""
        return [
            one
            for one in self._summaries
            if one.row.role == "reference" and one.row.treatment == residue
        ]

    def _missing(self, residue: str) -> str:
        """What is said where a residue has no reference: none in the table, or none of use."""
        lost = self._lost_references(residue)
        if not lost:
            return f"No reference of {residue}"
        return f"No reference of {residue} could be used ({', '.join(lost)} left out)"

    def _lost_references(self, residue: str) -> list[str]:
        used = {one.row.file for one in self.references(residue)}
        rows = self.manifest.of_role("reference")
        return [row.file for row in rows if row.treatment == residue and row.file not in used]

    def net(self, stratum: tuple[Any, ...], residue: str) -> netsignal.NetSignal | None:
        """The net signal of a residue on a stratum, or None (`remarks` says why)."""
        return self._metric(stratum, residue).net

    def _metric(self, stratum: tuple[Any, ...], residue: str) -> _Metric:
        """What the scatter within the stratum's blanks gives, from the cache if it still holds."""
        place = (stratum, residue)
        if place not in self._metrics:
            maps, references = self._blank_maps(stratum), self.references(residue)
            replicates, missing = self._replicates(stratum), self._missing(residue)
            key = key_of(
                "metric",
                missing,
                [one.key for one in (*maps, *references)],
                [group.tobytes().hex() for group in replicates],
            )
            arrays = self._cache.arrays(key)
            if arrays is None:
                made = _make_metric(
                    self._scatters(maps), references, self.wavenumber, missing, replicates
                )
                self._cache.keep(key, made.to_arrays())
            else:
                made = _Metric.from_arrays(arrays)
            self._metrics[place] = made
        return self._metrics[place]

    def _blank_maps(self, stratum: tuple[Any, ...]) -> list[MapSummary]:
        """The maps of the stratum's comparator."""
        kinds = {blank.row.treatment for blank in comparator(self.blanks(stratum), None)[0]}
        return [
            one
            for one in self._summaries
            if one.row.role == "blank" and one.row.stratum == stratum
            if one.row.treatment in kinds
        ]

    def _replicates(self, stratum: tuple[Any, ...]) -> list[Floats]:
        """Groups of mock-ups of the same paint and soiling that no arm of the stratum is compared
        with: spiked ones of one loading, untreated ones, the blanks of other ageings unless they
        are the same samples."""
        groups: dict[tuple[Any, ...], list[Floats]] = defaultdict(list)
        compared = comparator(self.blanks(stratum), None)[0]
        kinds = {blank.row.treatment for blank in compared}
        samples = {blank.row.mockup for blank in compared}
        for other, means in self._of_stratum.items():
            if other[:2] != stratum[:2]:
                continue
            for mean in means:
                row = mean.row
                apart = row.role == "spiked" or other != stratum or row.treatment not in kinds
                if apart and row.mockup not in samples:
                    loading = 0.0 if row.role == "blank" else row.loading_ug_cm2
                    groups[other, row.role, row.treatment, loading].append(mean.mean)
        return [np.array(group) for group in groups.values() if len(group) > 1]

    def _scatters(self, maps: Sequence[MapSummary]) -> Iterator[netsignal.Scatter]:
        """The scatter within each map; single spectra of one mock-up count as a map."""
        points: dict[str, list[Floats]] = defaultdict(list)
        for one in maps:
            if one.n_pixels > 1:
                yield netsignal.scatter(self._spectra_of(one))
            else:
                points[one.row.mockup].append(one.mean)
        for means in points.values():
            if len(means) > 1:
                yield netsignal.scatter(means)

    def scores(self, stratum: tuple[Any, ...], residue: str) -> tuple[Score, ...]:
        """Every score on a stratum in the order fixed beforehand: net signal, then the bands."""
        place = (stratum, residue)
        if place not in self._scores:
            self._scores[place] = scores_on(
                self._ground(stratum, residue),
                self.manifest.markers,
                kinds=self.manifest.scores,
                acceptance_limit=self.manifest.acceptance_limit,
                alpha=self.manifest.alpha,
            )
        return self._scores[place]

    def _ground(self, stratum: tuple[Any, ...], residue: str) -> Ground:
        own, _ = comparator(self.blanks(stratum), None)
        loadings, responses = self.spiking(stratum, residue)
        return Ground(
            wavenumber=self.wavenumber,
            blanks=np.array([blank.mean for blank in own]),
            within=self._metric(stratum, residue).within,
            pixels_per_map=float(np.mean([blank.n_pixels / blank.n_maps for blank in own])),
            net=self.net(stratum, residue),
            loadings=loadings,
            responses=responses,
        )

    def spiking(self, stratum: tuple[Any, ...], residue: str) -> tuple[Floats, Floats]:
        """Loadings (k,) and spectra (k, n) of spiked mock-ups, less the blanks of their stratum."""
        spiked = self.spiked(stratum, residue)
        responses = [
            one.mean - np.mean([blank.mean for blank in own], axis=0)
            for one, own in zip(spiked, self._behind(spiked), strict=True)
        ]
        loadings = np.array([one.row.loading_ug_cm2 for one in spiked])
        return loadings, np.reshape(responses, (-1, self.wavenumber.size))

    def _behind(self, spiked: Sequence[MockupMean]) -> list[list[MockupMean]]:
        """The blanks that each spiked mock-up's response is taken against."""
        return [comparator(self.blanks(one.row.stratum), None)[0] for one in spiked]

    def _shared(
        self, blanks: Sequence[MockupMean], spiked: Sequence[MockupMean]
    ) -> list[np.floating[Any]]:
        """Which share of the blanks behind each spiked mock-up is among those of an arm."""
        arm = {blank.files for blank in blanks}
        return [np.mean([blank.files in arm for blank in own]) for own in self._behind(spiked)]

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

    def paint_variation(self) -> list[dict[str, Any]]:
        """On how many replicates each stratum's metric rests: measured, or declared for want of
        them."""
        dof = {
            stratum: sum(len(group) - 1 for group in self._replicates(stratum))
            for stratum in self.strata
            if self.blanks(stratum) and self.net(stratum, self.manifest.treatment) is not None
        }
        return [
            {
                **dict(zip(STRATUM_COLUMNS, stratum, strict=True)),
                "degrees_of_freedom": number,
                "measured": number >= LEAST_DOF,
            }
            for stratum, number in dof.items()
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
        change = water_change(water, untreated)
        error = change.standard_error
        spread = f" +/- {to_error(error, error)}" if math.isfinite(error) else ""
        return (
            f"Water alone changed {score.name} by {to_error(change.size, error)}{spread} "
            f"{score.blindness.unit} (mean of {water.size} water-only less {untreated.size} "
            f"untreated mock-ups): {change.words}."
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
        shape, strange = self._confirmed(blanks, exposed, net)
        loadings, responses = self.spiking(row.stratum, residue)
        shared = self._shared(blanks, self.spiked(row.stratum, residue))
        assessments = [
            assess(
                [blank.mean @ score.weights for blank in blanks],
                [mean.mean @ score.weights for mean in exposed],
                loadings=loadings,
                spiked=responses @ score.weights,
                shared=shared,
                blindness=score.blindness,
                shape=shape,
                unexplained=strange,
                score=score.name,
                unit=score.own_unit,
                alpha=self.manifest.alpha,
                beta=self.manifest.beta,
            )
            for score in scores
        ]
        spoken = [said, *notes]
        if residue != row.treatment:
            spoken.append(f"The residue looked for is that of {residue}.")
        spoken.append(self._metric(row.stratum, residue).remark)
        lost = self._lost_references(residue)
        if net is not None and lost:
            spoken.append(f"References left out: {', '.join(lost)}.")
        if net is not None and self.spiked(row.stratum, residue):
            spoken.append(_unlike_references(net))
        chosen = deciding(scores)
        if chosen is not None:
            spoken.append(self.paint_change(row.stratum, chosen))
        return judge(
            assessments,
            acceptance_limit=self.manifest.acceptance_limit,
            quality_failed=quality_failed,
            notes=spoken,
        )

    def _confirmed(
        self,
        blanks: Sequence[MockupMean],
        exposed: Sequence[MockupMean],
        net: netsignal.NetSignal | None,
    ) -> tuple[Callable[[int | None], Confirmation] | None, float]:
        """Of an arm, the same for every score: the test for the gel, and what is not the gel's."""
        if net is None or len(blanks) < 2:
            return None, 0.0
        clean = np.array([blank.mean for blank in blanks])
        met = np.array([mean.mean for mean in exposed])
        test = confirmer(
            net, clean, met, self.wavenumber, self._interferents(), self.manifest.alpha
        )
        return cache(test), unexplained(net, clean, met, self.wavenumber)

    def _interferents(self) -> Floats | None:
        """The references of what is neither the gel asked for nor a treatment: foreign matter."""
        gels = {row.treatment for row in self.manifest.of_role("exposed")}
        spectra = [
            one.mean
            for one in self._summaries
            if one.row.role == "reference"
            and one.row.treatment not in gels | {self.manifest.treatment}
        ]
        return np.array(spectra) if spectra else None


def _unlike_references(net: netsignal.NetSignal) -> str:
    """What must be said where the slope may be that of a reference that is easier to see."""
    responses = net.references @ net.weights
    times = float(responses.max() / responses.min())
    if times < _ALIKE:
        return ""
    return (
        f"The references of the gel respond up to {times:.2g} times unlike: loadings are those of "
        "what was spiked, and a residue of the part that is hardest to see may be so many times as "
        "much as is stated."
    )


def arm_columns(row: Measurement) -> dict[str, Any]:
    """The columns that name an arm."""
    return {name: getattr(row, name) for name in ARM_COLUMNS}
