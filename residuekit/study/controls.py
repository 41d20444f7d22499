"""The controls of a study: which blanks, spiked mock-ups and references each arm is judged by.

Every score is w'(mean spectrum of a mock-up), so only means and the scatter within blank maps are
kept of the maps. Blanks, spiked mock-ups and references come first: what each score can see, and
which one decides, is fixed before an exposed map is opened.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ..decision.arm import identifier_of, judge_values, layout_of
from ..decision.assessment import Rules
from ..decision.comparator import comparator_notes, water_change
from ..decision.controls import Controls, scatters_within
from ..decision.design import sample
from ..decision.identification import Identifier
from ..decision.net import Metric, make_metric
from ..decision.pairs import BEFORE, paired_controls, paired_notes
from ..decision.panel_layout import BLOCK, means_within, panel_notes
from ..decision.reference_check import reference_notes
from ..decision.scores import Score, deciding, marker_rows, scores_on
from ..decision.verdict import Verdict
from ..kernels import netsignal
from ..kernels.paint_change import LEAST_DOF
from ..schema import STRATUM_COLUMNS
from ..words.codes import Note, sentences
from .cache import Cache, key_of
from .control_mockups import ControlMockups, on_panels
from .manifest import Manifest
from .measurements import Measurement
from .metric_store import from_arrays, to_arrays
from .mockups import MapSummary, MockupMean, comparator, films_of

Floats = npt.NDArray[np.float64]
#: References whose responses differ by less than this factor count as alike.
_ALIKE = 1.05


class StudyControls(ControlMockups):
    """All that blanks, spiked mock-ups and references say, ready to judge exposed mock-ups."""

    def __init__(
        self,
        manifest: Manifest,
        summaries: Sequence[MapSummary],
        scatters_of: Callable[[Sequence[MapSummary]], Iterator[netsignal.Scatter]],
        cache: Cache | None,
    ):
        super().__init__(manifest, summaries)
        self._scatters_of, self._cache = scatters_of, cache
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
                [[blank.files, blank.row.block] for blank in own],
            )
            arrays = None if self._cache is None else self._cache.arrays(key)
            if arrays is None:
                spectra = [one.mean for one in references]
                means = means_within(
                    np.array([one.mean for one in own]), [one.row.block for one in own]
                )
                made = make_metric(
                    self._scatters(stratum), means, spectra,
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
        """Groups of mock-ups of the same paint, soiling and panel that no arm of the stratum is
        compared with: spiked ones of one loading, untreated ones, the blanks of other ageings
        unless they are the same samples."""
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
                    groups[other, row.block, row.role, row.treatment, loading].append(mean.mean)
        return [np.array(group) for group in groups.values() if len(group) > 1]

    def _scatters(self, stratum: tuple[Any, ...]) -> Iterator[netsignal.Scatter]:
        """The scatter within each map of the comparator, by mock-up."""
        of_file = {one.row.file: one for one in self._summaries}
        mockups = [
            [of_file[file] for file in blank.files] for blank in comparator(self.blanks(stratum))
        ]
        made = self._scatters_of([one for maps in mockups for one in maps if one.n_pixels > 1])
        return scatters_within(
            [(next(made) if one.n_pixels > 1 else one.mean[None] for one in maps)
             for maps in mockups]
        )  # fmt: skip

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
        paired mock-up give what it differs by from its own state before, or from its panel."""
        made, apart = self._own_scores(row, residue, paired)
        return made if apart is None else tuple(score.above(apart) for score in made)

    def difference_scores(self, row: Measurement, residue: str) -> tuple[Score, ...]:
        """The scores of what each pixel of a paired mock-up differs by from the same pixel before,
        less what the blanks changed by on average, as the value of the mock-up is."""
        made, _ = self._own_scores(row, residue, BEFORE)
        return tuple(score.of_two_pixels() for score in made)

    def _own_scores(
        self, row: Measurement, residue: str, paired: str
    ) -> tuple[tuple[Score, ...], Floats | None]:
        """The scores of a file, and the spectrum that is taken off it first."""
        scores, own = self.scores(row.stratum, residue, paired), self.compared(row.stratum, paired)
        place = next((k for k, blank in enumerate(own) if row.file in blank.files), None)
        apart = self._apart(row, own, paired)
        if row.role == "blank" and place is not None:
            mean = own[place].mean
            value = mean if apart is None else mean - apart
            return tuple(score.of_blank(place, value) for score in scores), apart
        return tuple(score.bare() for score in scores), apart

    def unpaired(self, one: MockupMean, residue: str, paired: str) -> list[dict[str, float]]:
        """What each score gives of a mock-up by itself, less the mean of the blanks: now, before
        treatment where it was measured then, and what the two differ by; in the unit of `mean`."""
        own = self.compared(one.row.stratum, paired)
        level = np.mean([blank.mean for blank in own], axis=0)
        states = {"unpaired": one.mean, "before": self._before.get(sample(one.row))}
        found = []
        for score in self.scores(one.row.stratum, residue, paired):
            place = next((k for k, blank in enumerate(own) if blank.files == one.files), None)
            weights = score.weights if place is None else score.without[place]
            values = {
                name: float(weights @ (state - level)) / score.scale
                for name, state in states.items() if state is not None
            }  # fmt: skip
            if "before" in values:
                values["change"] = values["unpaired"] - values["before"]
            found.append(values)
        return found

    def _controls(self, stratum: tuple[Any, ...], residue: str, paired: str = "") -> Controls:
        every = comparator(self.blanks(stratum))
        own = on_panels(every) if paired == BLOCK else every
        blanks, spiked = np.array([blank.mean for blank in own]), self.spiked(stratum, residue)
        within = paired if paired == BLOCK else ""
        loadings, responses = self.spiking(stratum, residue, within)
        metric = self._metric(stratum, residue)
        rows = metric.rows_of(len(every))
        controls = Controls(
            wavenumber=self.wavenumber,
            paint=blanks.mean(axis=0),
            blanks=blanks,
            metric=metric,
            pixels_per_map=float(np.mean([blank.n_pixels / blank.n_maps for blank in own])),
            loadings=loadings,
            responses=responses,
            rows=rows[[place for place, one in enumerate(every) if one in own]],
            shared=self._shared(own, spiked, within),
            errors=np.array([one.row.loading_error for one in spiked]),
            films=films_of(self.references(residue)),
            panels=tuple(blank.row.block for blank in own) if within else (),
        )
        if paired != BEFORE:
            return controls
        kept = [place for place, one in enumerate(own) if sample(one.row) in self._before]
        before = np.array([self._before[sample(own[place].row)] for place in kept])
        behind = [self._differences(one) for one in self._behind(spiked, paired)]
        level = [own.mean(axis=0) if len(own) else np.nan for own in behind]
        found = [one - own for one, own in zip(self._differences(spiked), level, strict=True)]
        return paired_controls(
            controls, kept, before, np.reshape(found, (-1, self.wavenumber.size))
        )

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
        if paired == BEFORE:
            return []
        blanks, own = self.blanks(stratum), self.compared(stratum, paired)
        apart = [self._apart(b.row, own, paired) for b in blanks]
        untreated = [
            score.loading(b.mean if above is None else b.mean - above)
            for b, above in zip(blanks, apart, strict=True) if b.row.treatment == "none"
        ]  # fmt: skip
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
        panels = tuple(one.row.block for one in exposed) if paired == BLOCK else ()
        own = self.compared(row.stratum, paired)
        chosen = comparator(self.blanks(row.stratum), row.exposure_min)
        places = tuple(self.compared_with(row, paired, panels))
        blanks = [own[place] for place in places]
        spiked = self.spiked(row.stratum, residue)
        scores = self.scores(row.stratum, residue, paired)
        values = np.array([one.mean for one in exposed])
        if paired == BEFORE:
            values = self._differences(exposed)
        used = {blank.files for blank in blanks}
        lost = [blank.row.mockup for blank in chosen if blank.files not in used]
        controls, rules = self._controls(row.stratum, residue, paired), self.rules(residue)
        key = (row.stratum, residue, paired, places, panels)
        if key not in self._identifiers:
            self._identifiers[key] = identifier_of(controls, places, rules, panels)
        of_pairs = paired_notes(
            len(exposed), len(blanks), len(lost), deciding(scores), mockups=lost
        )
        if panels:
            of_pairs = panel_notes(layout_of(controls, places, panels), deciding(scores), lost)
        beside = [blank for blank in blanks if not panels or blank.row.block in panels]
        return judge_values(
            controls,
            scores,
            values,
            rules,
            places=places,
            panels=panels,
            identifier=self._identifiers[key],
            shared=self._shared(beside, spiked, paired),
            quality_failed=quality_failed or self.lacking(residue),
            names={
                role: [mean.row.mockup for mean in means]
                for role, means in (("blank", blanks), ("spiked", spiked), ("exposed", exposed))
            },
            remarks=[
                *comparator_notes([blank.row.treatment for blank in blanks],
                                  [blank.row.exposure_min for blank in blanks], row.exposure_min),
                *remarks,
                *(of_pairs if paired else filter(None, [partly])),
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
