"""The controls of a study: which blanks, spiked mock-ups and references each arm is judged by.

Every score is w'(mean spectrum of a mock-up), so only means and the scatter within blank maps are
kept of the maps. Blanks, spiked mock-ups and references come first: what each score can see, and
which one decides, is fixed before an exposed map is opened.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from ..decision.arm import identifier_of, judge_values
from ..decision.assessment import Rules
from ..decision.comparator import comparator_notes, water_change
from ..decision.controls import Controls, scatters_within
from ..decision.identification import Identifier
from ..decision.net import ENOUGH_MEANS, Metric, make_metric
from ..decision.reference_check import reference_notes
from ..decision.scores import Score, deciding, marker_rows, scores_on
from ..decision.verdict import Verdict
from ..kernels import netsignal
from ..kernels.paint_change import LEAST_DOF
from ..schema import STRATUM_COLUMNS
from ..words.codes import Note, from_json, sentences, to_json
from .cache import Cache, key_of, pack, unpack
from .manifest import Manifest
from .measurements import Measurement
from .mockups import MapSummary, MockupMean, comparator, mockup_means

Floats = npt.NDArray[np.float64]
#: References whose responses differ by less than this factor count as alike.
_ALIKE = 1.05


class StudyControls:
    """All that blanks, spiked mock-ups and references say, ready to judge exposed mock-ups."""

    def __init__(
        self,
        manifest: Manifest,
        summaries: Sequence[MapSummary],
        spectra_of: Callable[[MapSummary], npt.NDArray[Any]],
        cache: Cache | None,
    ):
        self.manifest = manifest
        self.wavenumber = summaries[0].wavenumber if summaries else np.empty(0)
        self._summaries, self._spectra_of, self._cache = summaries, spectra_of, cache
        means = mockup_means(s for s in summaries if s.row.role in ("blank", "spiked"))
        self._of_stratum: dict[tuple[Any, ...], list[MockupMean]] = defaultdict(list)
        for mean in means:
            self._of_stratum[mean.row.stratum].append(mean)
        self._scores: dict[tuple[Any, ...], tuple[Score, ...]] = {}
        self._metrics: dict[tuple[Any, ...], Metric] = {}
        self._identifiers: dict[tuple[Any, ...], Identifier | None] = {}

    @property
    def missing(self) -> list[Note]:
        """Why a stratum has no net signal, where it has none."""
        notes = [metric.missing for metric in self._metrics.values() if metric.missing is not None]
        return sorted({sentences([note])[0]: note for note in notes}.values(), key=repr)

    @property
    def remarks(self) -> list[str]:
        """The same in words."""
        return sorted(sentences(self.missing))

    @property
    def rules(self) -> Rules:
        """The error rates and the acceptance limit of the study."""
        return Rules(self.manifest.alpha, self.manifest.beta, self.manifest.acceptance_limit)

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

    def _without(self, residue: str) -> Note:
        """What is said where a residue has no reference: none in the table, or none of use."""
        return Note("no-reference", {"material": residue, "lost": self._lost_references(residue)})

    def _lost_references(self, residue: str) -> list[str]:
        used = {one.row.file for one in self.references(residue)}
        rows = self.manifest.of_role("reference")
        return [row.file for row in rows if row.treatment == residue and row.file not in used]

    def net(self, stratum: tuple[Any, ...], residue: str) -> netsignal.NetSignal | None:
        """The net signal of a residue on a stratum, or None (`remarks` says why)."""
        return self._metric(stratum, residue).net

    def _metric(self, stratum: tuple[Any, ...], residue: str) -> Metric:
        """What the scatter within the stratum's blanks gives, from the cache if it still holds."""
        place = (stratum, residue)
        if place not in self._metrics:
            maps, references = self._blank_maps(stratum), self.references(residue)
            replicates, without = self._replicates(stratum), self._without(residue)
            interferents, own = self._interferents(), comparator(self.blanks(stratum))
            key = key_of(
                "metric",
                without,
                [one.key for one in (*maps, *references)],
                [group.tobytes().hex() for group in (*replicates, interferents)],
                [blank.files for blank in own],
            )
            arrays = None if self._cache is None else self._cache.arrays(key)
            if arrays is None:
                spectra = [one.mean for one in references]
                made = make_metric(
                    self._scatters(stratum), np.array([one.mean for one in own]), spectra,
                    self.wavenumber, replicates, without, interferents,
                )  # fmt: skip
                if self._cache is not None:
                    self._cache.keep(key, _to_arrays(made))
            else:
                made = _from_arrays(arrays)
            self._metrics[place] = made
        return self._metrics[place]

    def _blank_maps(self, stratum: tuple[Any, ...]) -> list[MapSummary]:
        """The maps of the stratum's comparator."""
        kinds = {blank.row.treatment for blank in comparator(self.blanks(stratum))}
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
        compared = comparator(self.blanks(stratum))
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

    def _scatters(self, stratum: tuple[Any, ...]) -> Iterator[netsignal.Scatter]:
        """The scatter within each map of the comparator, by mock-up."""
        of_file = {one.row.file: one for one in self._summaries}
        return scatters_within(
            [
                map(self._spectra, [of_file[file] for file in blank.files])
                for blank in comparator(self.blanks(stratum))
            ]
        )

    def _spectra(self, one: MapSummary) -> npt.NDArray[Any]:
        return one.mean[None] if one.n_pixels == 1 else self._spectra_of(one)

    def scores(self, stratum: tuple[Any, ...], residue: str) -> tuple[Score, ...]:
        """Every score on a stratum, in the order fixed beforehand (`scores_on`)."""
        place = (stratum, residue)
        if place not in self._scores:
            self._scores[place] = scores_on(
                self._controls(stratum, residue), self.manifest.markers, self.rules,
                self.manifest.scores,
            )  # fmt: skip
        return self._scores[place]

    def own_scores(self, row: Measurement, residue: str) -> tuple[Score, ...]:
        """The scores by which a file is scored: a blank's are made without its mock-up."""
        blanks = comparator(self.blanks(row.stratum)) if row.role == "blank" else []
        for place, blank in enumerate(blanks):
            if row.file in blank.files:
                scores = self.scores(row.stratum, residue)
                return tuple(score.of_blank(place, blank.mean) for score in scores)
        return tuple(score.bare() for score in self.scores(row.stratum, residue))

    def _controls(self, stratum: tuple[Any, ...], residue: str) -> Controls:
        own = comparator(self.blanks(stratum))
        blanks = np.array([blank.mean for blank in own])
        loadings, responses = self.spiking(stratum, residue)
        metric = self._metric(stratum, residue)
        return Controls(
            wavenumber=self.wavenumber,
            paint=blanks.mean(axis=0),
            blanks=blanks,
            metric=metric,
            pixels_per_map=float(np.mean([blank.n_pixels / blank.n_maps for blank in own])),
            loadings=loadings,
            responses=responses,
            rows=metric.rows_of(len(own)),
            shared=self._shared(own, self.spiked(stratum, residue)),
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
        return [comparator(self.blanks(one.row.stratum)) for one in spiked]

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

    def _water_change(self, stratum: tuple[Any, ...], score: Score) -> list[Note]:
        """What water alone did to the paint, where untreated blanks stand beside it."""
        blanks = self.blanks(stratum)
        untreated = [score.loading(b.mean) for b in blanks if b.row.treatment == "none"]
        if not untreated or len(untreated) == len(blanks):
            return []
        water = (score.values - score.blank_mean) / score.scale
        return [water_change(water, untreated).note(score.name, score.blindness.unit)]

    def judge_arm(
        self, exposed: Sequence[MockupMean], quality_failed: Note | None, remarks: Sequence[Note]
    ) -> Verdict:
        """Judge one arm by every score."""
        row = exposed[0].row
        residue = self.residue(row.treatment)
        own = self.blanks(row.stratum)
        blanks = comparator(own, row.exposure_min)
        places = {one.files: place for place, one in enumerate(comparator(own))}
        scores, spiked = self.scores(row.stratum, residue), self.spiked(row.stratum, residue)
        controls = self._controls(row.stratum, residue)
        chosen = tuple(places[blank.files] for blank in blanks)
        key = (row.stratum, residue, chosen)
        if key not in self._identifiers:
            self._identifiers[key] = identifier_of(controls, chosen, self.rules)
        return judge_values(
            controls,
            scores,
            np.array([mean.mean for mean in exposed]),
            self.rules,
            places=chosen,
            identifier=self._identifiers[key],
            shared=self._shared(blanks, spiked),
            quality_failed=quality_failed,
            names={
                role: [mean.row.mockup for mean in means]
                for role, means in (("blank", blanks), ("spiked", spiked), ("exposed", exposed))
            },
            remarks=[
                *comparator_notes(
                    [blank.row.treatment for blank in blanks],
                    [blank.row.exposure_min for blank in blanks],
                    row.exposure_min,
                ),
                *remarks,
                *self._material_notes(row.stratum, row.treatment, residue),
                *(self._water_change(row.stratum, first) if (first := deciding(scores)) else []),
            ],
        )

    def _material_notes(
        self, stratum: tuple[Any, ...], treatment: str, residue: str
    ) -> Iterator[Note]:
        """What must be said of the references of an arm."""
        metric, lost = self._metric(stratum, residue), self._lost_references(residue)
        if residue != treatment:
            yield Note("other-material", {"material": residue})
        if metric.missing is not None:
            yield metric.missing
        yield from self.reference_notes(stratum, residue)
        if metric.net is None:
            return
        if lost:
            yield Note("references-left-out", {"files": lost})
        responses = metric.net.references @ metric.net.weights
        times = float(responses.max() / responses.min())
        if self.spiked(stratum, residue) and times >= _ALIKE:
            yield Note("references-differ", {"times": times})

    def reference_notes(self, stratum: tuple[Any, ...], residue: str) -> Iterator[Note]:
        """Whether the references hold the bands asked for, and look like the spiked mock-ups."""
        spiked = [one for one in self.spiked(stratum, residue) if one.row.stratum == stratum]
        references, blanks, loaded = (
            np.reshape([one.mean for one in means], (-1, self.wavenumber.size))
            for means in (self.references(residue), comparator(self.blanks(stratum)), spiked)
        )
        yield from reference_notes(
            self.wavenumber, references, self.manifest.markers, blanks, loaded
        )

    def scatter_notes(self, stratum: tuple[Any, ...]) -> Iterator[Note]:
        """That blanks of one spectrum each are too few for a net signal."""
        blanks = comparator(self.blanks(stratum))
        if blanks and all(one.n_pixels == 1 for one in blanks) and len(blanks) < ENOUGH_MEANS:
            yield Note("single-spectra", {"n": len(blanks), "needed": ENOUGH_MEANS})

    def _interferents(self) -> Floats:
        """The references of what is neither the gel asked for nor a treatment: foreign matter."""
        gels = {row.treatment for row in self.manifest.of_role("exposed")}
        spectra = [
            one.mean
            for one in self._summaries
            if one.row.role == "reference"
            and one.row.treatment not in gels | {self.manifest.treatment}
        ]
        return np.reshape(spectra, (-1, self.wavenumber.size))


def _to_arrays(metric: Metric) -> dict[str, Any]:
    """A metric as the arrays of a cache entry."""
    note = "" if metric.missing is None else json.dumps(to_json(metric.missing))
    arrays = {"missing": np.asarray(note)}
    for name, part in (("within", metric.within), ("net", metric.net)):
        if part is not None:
            arrays |= pack(name, part)
    folds = np.array([*metric.folds.items()], dtype=int)
    own = {"weights": metric.weights, "folds": folds, "interferents": metric.interferents}
    return arrays | own


def _from_arrays(arrays: Mapping[str, Any]) -> Metric:
    note = str(arrays["missing"])
    net = unpack("net", netsignal.NetSignal, arrays) if "net.weights" in arrays else None
    return Metric(
        arrays.get("within"), net, from_json(json.loads(note)) if note else None,
        arrays["weights"], {int(mockup): int(fold) for mockup, fold in arrays["folds"]},
        arrays["interferents"],
    )  # fmt: skip
