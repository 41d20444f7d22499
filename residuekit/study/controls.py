"""The controls of a study: which blanks, spiked mock-ups and references each arm is judged by.

Every score is w'(mean spectrum of a mock-up), so only means and the scatter within blank maps are
kept of the maps. Blanks, spiked mock-ups and references come first: what each score can see, and
which one decides, is fixed before an exposed map is opened.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from ..decision.arm import identifier_of, judge_values
from ..decision.assessment import Rules
from ..decision.comparator import comparator_notes, water_change
from ..decision.controls import Controls, no_reference, scatters_within
from ..decision.design import Key, sample
from ..decision.identification import Identifier
from ..decision.net import Metric, make_metric
from ..decision.pairs import BEFORE, paired_controls, paired_notes
from ..decision.reference_check import reference_notes
from ..decision.scores import Score, deciding, marker_rows, scores_on
from ..decision.verdict import Verdict
from ..kernels import netsignal
from ..kernels.paint_change import LEAST_DOF
from ..schema import STRATUM_COLUMNS
from ..words.codes import Note, sentences
from .befores import pairing
from .cache import Cache, key_of
from .manifest import Manifest
from .measurements import Measurement
from .metric_store import from_arrays, to_arrays
from .mockups import MapSummary, MockupMean, comparator, films_of, mockup_means

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
        self._before = {
            sample(mean.row): mean.mean
            for mean in mockup_means(s for s in summaries if s.row.role == BEFORE)
        }
        self._scores: dict[tuple[Any, ...], tuple[Score, ...]] = {}
        self._metrics: dict[tuple[Any, ...], Metric] = {}
        self._identifiers: dict[tuple[Any, ...], Identifier | None] = {}

    @property
    def missing(self) -> list[Note]:
        """Why a stratum has no net signal, where it has none."""
        notes = filter(None, (metric.missing for metric in self._metrics.values()))
        return sorted({sentences([note])[0]: note for note in notes}.values(), key=repr)

    @property
    def remarks(self) -> list[str]:
        """The same in words."""
        return sorted(sentences(self.missing))

    def rules(self, material: str) -> Rules:
        """The error rates of the study and the acceptance limit of a residue."""
        study, own = self.manifest, self.manifest.residue(material)
        limit, margin = own.acceptance_limit, study.scale_margin
        return Rules(study.alpha, study.beta, limit, margin, own.density)

    @cached_property
    def strata(self) -> list[tuple[Any, ...]]:
        """The strata that have exposed rows, in the order of the table."""
        return list(dict.fromkeys(row.stratum for row in self.manifest.of_role("exposed")))

    @cached_property
    def judged(self) -> dict[Key, dict[tuple[str, str], None]]:
        """Stratum -> each material that an arm of it is judged for, with how the arm is paired."""
        found: dict[Key, dict[tuple[str, str], None]] = defaultdict(dict)
        for rows in self.manifest.arms().values():
            for material in self.manifest.materials(rows[0].treatment):
                if self.blanks(rows[0].stratum):
                    found[rows[0].stratum][material, self.pairing(rows)[0]] = None
        return found

    def of_stratum(self, stratum: Key) -> dict[str, str]:
        """Each material that is judged on a stratum -> how its controls are given: paired where
        every arm is."""
        ways: dict[str, list[str]] = defaultdict(list)
        for material, paired in self.judged[stratum]:
            ways[material].append(paired)
        return {material: own[0] if len(own) == 1 else "" for material, own in ways.items()}

    def pairing(self, rows: Sequence[Measurement]) -> tuple[str, Note | None]:
        """How the arm of these exposed rows is paired, and what is said where it is in part."""
        blanks = comparator(self.blanks(rows[0].stratum), rows[0].exposure_min)
        return pairing(rows, [blank.row for blank in blanks], self._before)

    def blanks(self, stratum: tuple[Any, ...]) -> list[MockupMean]:
        """The blank mock-ups of a stratum, water-only and untreated."""
        return [mean for mean in self._of_stratum[stratum] if mean.row.role == "blank"]

    def compared(self, stratum: tuple[Any, ...], paired: str) -> list[MockupMean]:
        """The blanks that arms of a stratum are compared with; of paired arms, the paired ones."""
        own = comparator(self.blanks(stratum))
        return [one for one in own if sample(one.row) in self._before] if paired else own

    def spiked(self, stratum: tuple[Any, ...], residue: str) -> list[MockupMean]:
        """The spiked mock-ups of the same paint and soiling and of any ageing."""
        holds = self.manifest.residue(residue).holds
        return [
            mean
            for other, means in self._of_stratum.items()
            if other[:2] == stratum[:2]
            for mean in means
            if mean.row.role == "spiked" and holds(mean.row)
        ]

    def references(self, residue: str) -> list[MapSummary]:
        """The pure material, one a file."""
        holds = self.manifest.residue(residue).holds
        return [one for one in self._summaries if one.row.role == "reference" and holds(one.row)]

    def _without(self, residue: str) -> Note:
        """What is said where a residue has no reference: none in the table, or none of use."""
        return no_reference(residue, self._lost_references(residue))

    def _lost_references(self, residue: str) -> list[str]:
        used = {one.row.file for one in self.references(residue)}
        return [row.file for row in self.manifest.references(residue) if row.file not in used]

    def lacking(self, residue: str) -> Note | None:
        """That a material has no reference of its own: nothing can be said of its residue."""
        return None if self.references(residue) else self._without(residue)

    def net(self, stratum: tuple[Any, ...], residue: str) -> netsignal.NetSignal | None:
        """The net signal of a residue on a stratum, or None (`remarks` says why)."""
        return self._metric(stratum, residue).net

    def _metric(self, stratum: tuple[Any, ...], residue: str) -> Metric:
        """What the scatter within the stratum's blanks gives, from the cache if it still holds."""
        place = (stratum, residue)
        if place not in self._metrics:
            maps, references = self._blank_maps(stratum), self.references(residue)
            replicates, without = self._replicates(stratum), self._without(residue)
            interferents, others = self._interferents(), self._others(residue)
            own = comparator(self.blanks(stratum))
            key = key_of(
                "metric",
                without,
                [one.key for one in (*maps, *references)],
                [group.tobytes().hex() for group in (*replicates, interferents, others)],
                [blank.files for blank in own],
            )
            arrays = None if self._cache is None else self._cache.arrays(key)
            if arrays is None:
                spectra = [one.mean for one in references]
                made = make_metric(
                    self._scatters(stratum), np.array([one.mean for one in own]), spectra,
                    self.wavenumber, replicates, without, interferents, others,
                )  # fmt: skip
                if self._cache is not None:
                    self._cache.keep(key, to_arrays(made))
            else:
                made = from_arrays(arrays)
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

    def scores(self, stratum: tuple[Any, ...], residue: str, paired: str = "") -> tuple[Score, ...]:
        """Every score on a stratum, in the order fixed beforehand (`scores_on`)."""
        place = (stratum, residue, paired)
        if place not in self._scores:
            self._scores[place] = scores_on(
                self._controls(stratum, residue, paired), self.manifest.residue(residue).markers,
                self.rules(residue), self.manifest.scores,
            )  # fmt: skip
        return self._scores[place]

    def own_scores(self, row: Measurement, residue: str, paired: str = "") -> tuple[Score, ...]:
        """The scores by which a file is scored: a blank's are made without its mock-up, those of a
        paired mock-up give what it differs by from its own state before."""
        scores, own = self.scores(row.stratum, residue, paired), self.compared(row.stratum, paired)
        place = next((k for k, blank in enumerate(own) if row.file in blank.files), None)
        before = self._state_before(row, own) if paired else None
        if row.role == "blank" and place is not None:
            mean = own[place].mean
            value = mean if before is None else mean - before
            made = [score.of_blank(place, value) for score in scores]
        else:
            made = [score.bare() for score in scores]
        return tuple(made if before is None else (score.above(before) for score in made))

    def _state_before(self, row: Measurement, paired: Sequence[MockupMean]) -> Floats:
        """A mock-up before treatment; where it was not measured, what stands in: the blanks'."""
        own = self._before.get(sample(row))
        others = [self._before[sample(blank.row)] for blank in paired]
        return np.mean(others, axis=0) if own is None else own

    def _controls(self, stratum: tuple[Any, ...], residue: str, paired: str = "") -> Controls:
        own = comparator(self.blanks(stratum))
        blanks, spiked = np.array([blank.mean for blank in own]), self.spiked(stratum, residue)
        loadings, responses = self.spiking(stratum, residue)
        metric = self._metric(stratum, residue)
        controls = Controls(
            wavenumber=self.wavenumber,
            paint=blanks.mean(axis=0),
            blanks=blanks,
            metric=metric,
            pixels_per_map=float(np.mean([blank.n_pixels / blank.n_maps for blank in own])),
            loadings=loadings,
            responses=responses,
            rows=metric.rows_of(len(own)),
            shared=self._shared(own, spiked),
            errors=np.array([one.row.loading_error for one in spiked]),
            films=films_of(self.references(residue)),
        )
        if not paired:
            return controls
        kept = [place for place, one in enumerate(own) if sample(one.row) in self._before]
        before = np.array([self._before[sample(own[place].row)] for place in kept])
        behind = [self._differences(one) for one in self._behind(spiked, paired)]
        level = [own.mean(axis=0) if len(own) else np.nan for own in behind]
        found = [one - own for one, own in zip(self._differences(spiked), level, strict=True)]
        return paired_controls(
            controls, kept, before, np.reshape(found, (-1, self.wavenumber.size))
        )

    def _differences(self, mockups: Sequence[MockupMean]) -> Floats:
        """What each mock-up differs by from its own state before; NaN where that is not known."""
        lost = np.full(self.wavenumber.size, np.nan)
        rows = [one.mean - self._before.get(sample(one.row), lost) for one in mockups]
        return np.reshape(rows, (-1, self.wavenumber.size))

    def spiking(self, stratum: tuple[Any, ...], residue: str) -> tuple[Floats, Floats]:
        """Loadings (k,) and spectra (k, n) of spiked mock-ups, less the blanks of their stratum."""
        spiked = self.spiked(stratum, residue)
        responses = [
            one.mean - np.mean([blank.mean for blank in own], axis=0)
            for one, own in zip(spiked, self._behind(spiked), strict=True)
        ]
        loadings = np.array([one.row.loading_ug_cm2 for one in spiked])
        return loadings, np.reshape(responses, (-1, self.wavenumber.size))

    def _behind(self, spiked: Sequence[MockupMean], paired: str = "") -> list[list[MockupMean]]:
        """The blanks that each spiked mock-up's response is taken against."""
        return [self.compared(one.row.stratum, paired) for one in spiked]

    def _shared(
        self, blanks: Sequence[MockupMean], spiked: Sequence[MockupMean], paired: str = ""
    ) -> list[float]:
        """Which share of the blanks behind each spiked mock-up is among those of an arm; none
        where the arm is paired and the spiked mock-up is not."""
        arm = {blank.files for blank in blanks}
        return [
            float(np.mean([blank.files in arm for blank in own]))
            if own and (not paired or sample(one.row) in self._before) else 0.0
            for one, own in zip(spiked, self._behind(spiked, paired), strict=True)
        ]  # fmt: skip

    def marker_rows(self) -> list[dict[str, Any]]:
        """The rows of ``markers.csv``: what each score can see on each stratum."""
        return [
            {**row, "residue": material}
            for stratum in self.strata
            for material, paired in self.of_stratum(stratum).items()
            for row in marker_rows(
                dict(zip(STRATUM_COLUMNS, stratum, strict=True)),
                self.scores(stratum, material, paired),
            )
        ]

    def paint_variation(self) -> list[dict[str, Any]]:
        """On how many replicates each stratum's metric rests: measured, or declared for want of
        them."""
        dof = {
            stratum: sum(len(group) - 1 for group in self._replicates(stratum))
            for stratum in self.strata
            if any(self.net(stratum, one) is not None for one in self.of_stratum(stratum))
        }
        return [
            {
                **dict(zip(STRATUM_COLUMNS, stratum, strict=True)),
                "degrees_of_freedom": number,
                "measured": number >= LEAST_DOF,
            }
            for stratum, number in dof.items()
        ]

    def _water_change(self, stratum: tuple[Any, ...], score: Score, paired: str) -> list[Note]:
        """What water alone did to the paint, where untreated blanks stand beside it; in a paired
        arm, what it did to the blanks themselves."""
        if paired:
            return []
        blanks = self.blanks(stratum)
        untreated = [score.loading(b.mean) for b in blanks if b.row.treatment == "none"]
        if not untreated or len(untreated) == len(blanks):
            return []
        water = (score.values - score.blank_mean) / score.scale
        return [water_change(water, untreated).note(score.name, score.blindness.unit)]

    def judge_arm(
        self,
        exposed: Sequence[MockupMean],
        residue: str,
        quality_failed: Note | None,
        remarks: Sequence[Note],
    ) -> Verdict:
        """Judge one arm for one residue by every score."""
        row = exposed[0].row
        paired, partly = self.pairing([one.row for one in exposed])
        own = self.compared(row.stratum, paired)
        chosen = comparator(self.blanks(row.stratum), row.exposure_min)
        known = {one.files: place for place, one in enumerate(own)}
        blanks = [blank for blank in chosen if blank.files in known]
        places = tuple(known[blank.files] for blank in blanks)
        spiked = self.spiked(row.stratum, residue)
        scores = self.scores(row.stratum, residue, paired)
        values = self._differences(exposed) if paired else np.array([one.mean for one in exposed])
        lost = [blank.row.mockup for blank in chosen if blank.files not in known]
        controls, rules = self._controls(row.stratum, residue, paired), self.rules(residue)
        key = (row.stratum, residue, paired, places)
        if key not in self._identifiers:
            self._identifiers[key] = identifier_of(controls, places, rules)
        return judge_values(
            controls,
            scores,
            values,
            rules,
            places=places,
            identifier=self._identifiers[key],
            shared=self._shared(blanks, spiked, paired),
            quality_failed=quality_failed or self.lacking(residue),
            names={
                role: [mean.row.mockup for mean in means]
                for role, means in (("blank", blanks), ("spiked", spiked), ("exposed", exposed))
            },
            remarks=[
                *comparator_notes([blank.row.treatment for blank in blanks],
                                  [blank.row.exposure_min for blank in blanks], row.exposure_min),
                *remarks,
                *(paired_notes(len(exposed), len(blanks), len(lost), deciding(scores), mockups=lost)
                  if paired else filter(None, [partly])),
                *self._material_notes(row.stratum, residue),
                *(self._water_change(row.stratum, first, paired)
                  if (first := deciding(scores)) else []),
            ],
        )  # fmt: skip

    def _material_notes(self, stratum: tuple[Any, ...], residue: str) -> Iterator[Note]:
        """What must be said of the references of an arm."""
        metric, lost = self._metric(stratum, residue), self._lost_references(residue)
        if metric.missing is not None and metric.missing.code != "no-reference":
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
            self.wavenumber, references, self.manifest.residue(residue).markers, blanks, loaded
        )

    def _interferents(self) -> Floats:
        """The references of what no arm is judged for: foreign matter."""
        asked = self.manifest.asked
        gels = {row.treatment for row in self.manifest.of_role("exposed")}
        return self._means_of(
            lambda row: row.treatment not in gels and not any(one.holds(row) for one in asked)
        )

    def _others(self, residue: str) -> Floats:
        """The references of the other residues of the tables [[residue]]: nuisances of this one."""
        others = [one for one in self.manifest.residues if one.material != residue]
        return self._means_of(lambda row: any(one.holds(row) for one in others))

    def _means_of(self, chosen: Callable[[Measurement], bool]) -> Floats:
        spectra = [one.mean for one in self._summaries
                   if one.row.role == "reference" and chosen(one.row)]  # fmt: skip
        return np.reshape(spectra, (-1, self.wavenumber.size))
