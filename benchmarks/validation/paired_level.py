"""Mock-ups measured before and after treatment: scores of known distribution, and studies.

A mock-up's own effect, `OWN` times what one measurement adds, stands in both states and falls out
of their difference; what the measurements add does not. Differences have the standard deviation 1,
so that the claims of `score_level` are asked of them unchanged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from itertools import product
from math import sqrt
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from residuekit.decision.limits import decision_levels
from residuekit.simulate import Scorecard, score_runs

from .claims import SEED, Claim, spread
from .score_level import ALPHA, SIZES, SPIKE_CV, SPIKED, Floats, Studies, claims_of_size
from .study_level import design, run_plainly, simulate_and_run

OWN = 2.0
_ADDED = 1 / sqrt(2)


class PairedStudies(Studies):
    """Clean studies of mock-ups in both states; `states` holds those of the blanks, before and
    after."""

    def __init__(self, n: int, m: int, runs: int):
        self.n, self.m, self.runs = n, m, runs
        rng = np.random.default_rng((SEED, n, m, 2))

        def states(count: int) -> tuple[Floats, Floats]:
            own = OWN * _ADDED * rng.standard_normal((runs, count))
            before, after = (own + _ADDED * rng.standard_normal(own.shape) for _ in range(2))
            return before, after

        def differences(count: int) -> Floats:
            before, after = states(count)
            return after - before

        self.states = states(n)
        self.blanks, self.exposed = self.states[1] - self.states[0], differences(m)
        held = 1 + SPIKE_CV * rng.standard_normal((runs, SPIKED.size))
        spiked = SPIKED * held + differences(SPIKED.size)
        self.responses = spiked - self.blanks.mean(axis=1, keepdims=True)
        self.apart = spiked - differences(n).mean(axis=1, keepdims=True)

    @property
    def place(self) -> str:
        """How the names of its claims begin."""
        return f"paired scores n={self.n} m={self.m}:"

    def as_independent(self) -> Floats:
        """Blanks whose differences scatter as if the two states of a mock-up were independent."""
        mean = self.blanks.mean(axis=1, keepdims=True)
        spread_of = [state.var(axis=1, ddof=1, keepdims=True) for state in self.states]
        wrong = np.sqrt(sum(spread_of)) / self.blanks.std(axis=1, ddof=1, keepdims=True)
        blanks: Floats = mean + (self.blanks - mean) * wrong
        return blanks


def claims(runs: int) -> Iterator[Claim]:
    """Judge every size of study."""
    for n, m in product(SIZES, SIZES):
        yield from claims_of_size(PairedStudies(n, m, runs), decision_levels(n, m, ALPHA))


def run_studies(count: int) -> Scorecard:
    """Simulate studies with maps before treatment, run them without pictures and score them."""
    with TemporaryDirectory() as place:
        return score_runs(spread(partial(_run_one, Path(place)), range(count)))


def _run_one(place: Path, number: int) -> tuple[Path, Path]:
    made = replace(design(number), before=True)
    return simulate_and_run(place / f"paired-{number}", made, SEED + 5000 + number, run_plainly)
