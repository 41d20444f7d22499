"""Which mock-ups and references of a study stand behind each arm, and how its arms are paired."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from functools import cached_property

import numpy as np
import numpy.typing as npt

from ..decision.controls import no_reference
from ..decision.design import Key, sample
from ..decision.pairs import BEFORE, common_way
from ..decision.panel_layout import BLOCK, panel_means, panels_that_serve
from ..words.codes import Note
from .befores import pairing
from .manifest import Manifest
from .measurements import Measurement
from .mockups import MapSummary, MockupMean, comparator, mockup_means

Floats = npt.NDArray[np.float64]


class ControlMockups:
    """The blanks, spiked mock-ups, states before treatment and references of a study."""

    def __init__(self, manifest: Manifest, summaries: Sequence[MapSummary]):
        self.manifest = manifest
        self.wavenumber = summaries[0].wavenumber if summaries else np.empty(0)
        self._summaries = summaries
        self._of_stratum: dict[Key, list[MockupMean]] = defaultdict(list)
        for mean in mockup_means(s for s in summaries if s.row.role in ("blank", "spiked")):
            self._of_stratum[mean.row.stratum].append(mean)
        self._before = {
            sample(mean.row): mean.mean
            for mean in mockup_means(s for s in summaries if s.row.role == BEFORE)
        }

    @cached_property
    def strata(self) -> list[Key]:
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
        return {material: common_way(own) for material, own in ways.items()}

    def pairing(self, rows: Sequence[Measurement]) -> tuple[str, Note | None]:
        """How the arm of these exposed rows is paired, and what is said where it is in part."""
        known = self.blanks(rows[0].stratum)
        chosen, every = (
            [blank.row for blank in comparator(known, exposure)]
            for exposure in (rows[0].exposure_min, None)
        )
        return pairing(rows, chosen, every, self._before)

    def blanks(self, stratum: Key) -> list[MockupMean]:
        """The blank mock-ups of a stratum, water-only and untreated."""
        return [mean for mean in self._of_stratum[stratum] if mean.row.role == "blank"]

    def compared(self, stratum: Key, paired: str) -> list[MockupMean]:
        """The blanks that arms of a stratum are compared with; of paired arms, the paired ones, or
        those on panels that serve."""
        own = comparator(self.blanks(stratum))
        if paired == BLOCK:
            return on_panels(own)
        return [one for one in own if sample(one.row) in self._before] if paired else own

    def compared_with(self, row: Measurement, paired: str, panels: Sequence[str]) -> list[int]:
        """The places, among the `compared` blanks, of those that an arm is compared with: of its
        exposure where there are enough, on each of its panels too."""
        own = self.compared(row.stratum, paired)
        chosen = comparator(self.blanks(row.stratum), row.exposure_min)
        if paired == BLOCK:
            chosen = on_panels(chosen)
            if not set(panels) <= {blank.row.block for blank in chosen}:
                chosen = own
        files = {blank.files for blank in chosen}
        return [place for place, blank in enumerate(own) if blank.files in files]

    def spiked(self, stratum: Key, residue: str) -> list[MockupMean]:
        """The spiked mock-ups of the same paint and soiling and of any ageing."""
        holds = self.manifest.residue(residue).holds
        return [
            mean
            for other, means in self._of_stratum.items()
            if other[:2] == stratum[:2]
            for mean in means
            if mean.row.role == "spiked" and holds(mean.row)
        ]

    def spiking(self, stratum: Key, residue: str, paired: str = "") -> tuple[Floats, Floats]:
        """Loadings (k,) and spectra (k, n) of spiked mock-ups, less the blanks behind them."""
        spiked = self.spiked(stratum, residue)
        responses = [
            one.mean - np.mean([blank.mean for blank in own], axis=0)
            for one, own in zip(spiked, self._behind(spiked, paired), strict=True)
        ]
        loadings = np.array([one.row.loading_ug_cm2 for one in spiked])
        return loadings, np.reshape(responses, (-1, self.wavenumber.size))

    def _behind(self, spiked: Sequence[MockupMean], paired: str = "") -> list[list[MockupMean]]:
        """The blanks that each spiked mock-up's response is taken against: its panel's where arms
        are judged within panels and it has one that serves."""
        behind = []
        for one in spiked:
            own = self.compared(one.row.stratum, paired)
            if paired == BLOCK:
                beside = [blank for blank in own if blank.row.block == one.row.block]
                own = beside or own or self.compared(one.row.stratum, "")
            behind.append(own)
        return behind

    def _shared(
        self, blanks: Sequence[MockupMean], spiked: Sequence[MockupMean], paired: str = ""
    ) -> list[float]:
        """Which share of the blanks behind each spiked mock-up is among those of an arm; none
        where the arm is paired with states before and the spiked mock-up is not."""
        arm = {blank.files for blank in blanks}
        return [
            float(np.mean([blank.files in arm for blank in own]))
            if own and (paired != BEFORE or sample(one.row) in self._before) else 0.0
            for one, own in zip(spiked, self._behind(spiked, paired), strict=True)
        ]  # fmt: skip

    def _differences(self, mockups: Sequence[MockupMean]) -> Floats:
        """What each mock-up differs by from its own state before; NaN where that is not known."""
        lost = np.full(self.wavenumber.size, np.nan)
        rows = [one.mean - self._before.get(sample(one.row), lost) for one in mockups]
        return np.reshape(rows, (-1, self.wavenumber.size))

    def _apart(self, row: Measurement, own: Sequence[MockupMean], paired: str) -> Floats | None:
        """What is taken off the spectra of a mock-up before they are scored against these blanks:
        its state before (where it was not measured, the mean of the blanks'), or what its panel is
        above them all; None for an arm that is not paired."""
        if paired == BEFORE:
            state = self._before.get(sample(row))
            others = [self._before[sample(blank.row)] for blank in own]
            return np.mean(others, axis=0) if state is None else state
        means = np.array([blank.mean for blank in own])
        panels = [blank.row.block for blank in own]
        if paired != BLOCK or row.block not in panels:
            return None
        (beside,) = panel_means(means, panels, [row.block])
        apart: Floats = beside - means.mean(axis=0)
        return apart

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


def on_panels(blanks: Sequence[MockupMean]) -> list[MockupMean]:
    """The blanks that lie on panels with blanks enough."""
    serve = panels_that_serve(blank.row.block for blank in blanks)
    return [blank for blank in blanks if blank.row.block in serve]
