"""Mock-ups that lie on panels: scores of known distribution, and studies.

A panel's own effect, `PANEL` times what one mock-up differs by within it, stands in all its
mock-ups and falls out of their difference from its blanks. Within panels mock-ups scatter with the
standard deviation 1, so that the claims of `score_level` are asked of them unchanged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from math import sqrt
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from residuekit.decision.limits import decision_levels
from residuekit.decision.panel_layout import Panels
from residuekit.simulate import Scorecard, score_runs
from residuekit.simulate.mockup_variation import Variation

from .claims import SEED, Claim, spread
from .score_level import ALPHA, SPIKE_CV, SPIKED, Floats, Studies, claims_of_size
from .study_level import design, run_plainly, simulate_and_run

PANEL = 2.0
#: Blank and exposed mock-ups of each panel: few panels, many with one exposed each, uneven ones.
LAYOUTS = (
    Panels((2, 2, 2), (2, 2, 2)),
    Panels((2,) * 6, (1,) * 6),
    Panels((4, 2, 2), (1, 2, 3)),
    Panels((3, 3), (3, 3)),
)


class PanelStudies(Studies):
    """Clean studies of mock-ups on panels; `measured` holds the scores of blank and exposed
    mock-ups with their panels' effects."""

    def __init__(self, panels: Panels, runs: int):
        self.n, self.m, self.runs, self._panels = panels.n, panels.m, runs, panels
        rng = np.random.default_rng((SEED, *panels.blanks, *panels.exposed))
        effect = PANEL * rng.standard_normal((runs, len(panels.blanks)))
        of_blanks, of_exposed = panels.places()
        of_spiked = np.arange(SPIKED.size) % len(panels.blanks)

        def scores(places: np.ndarray) -> Floats:
            return effect[:, places] + rng.standard_normal((runs, places.size))

        blanks, exposed = self.measured = scores(of_blanks), scores(of_exposed)
        held = 1 + SPIKE_CV * rng.standard_normal((runs, SPIKED.size))
        spiked = scores(of_spiked) + SPIKED * held
        others = scores(of_blanks)
        means, apart = (
            np.stack([own[:, of_blanks == one].mean(axis=1) for one in range(effect.shape[1])], 1)
            for own in (blanks, others)
        )
        self.blanks = (blanks - means[:, of_blanks]) * sqrt((self.n - 1) / panels.freedom)
        self.exposed = exposed - means[:, of_exposed]
        self.responses = spiked - means[:, of_spiked]
        self.apart = spiked - apart[:, of_spiked]

    @property
    def panels(self) -> Panels:
        """How the mock-ups lie on panels."""
        return self._panels

    @property
    def place(self) -> str:
        """How the names of its claims begin."""
        return f"panel scores, {list(self.panels.blanks)} and {list(self.panels.exposed)}:"


def claims(runs: int) -> Iterator[Claim]:
    """Judge every layout."""
    for panels in LAYOUTS:
        levels = decision_levels(panels.n, panels.m, ALPHA, panels)
        yield from claims_of_size(PanelStudies(panels, runs), levels)


def run_studies(count: int) -> Scorecard:
    """Simulate studies on three panels, run them without pictures and score them."""
    with TemporaryDirectory() as place:
        return score_runs(spread(partial(_run_one, Path(place)), range(count)))


def _run_one(place: Path, number: int) -> tuple[Path, Path]:
    made = replace(design(number), panels=3, variation=Variation(panel=PANEL))
    return simulate_and_run(place / f"panels-{number}", made, SEED + 7000 + number, run_plainly)
