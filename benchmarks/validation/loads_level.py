"""Arms whose mock-ups do not carry alike, and arms that merely vary more than their blanks.

Scores of 6 blank and 6 exposed mock-ups through `assess` and `judge`, 6 spiked ones as in
`score_level`; blank scores scatter with standard deviation 1, a loading of 1 raises a score by 1.
Every difference is confirmed as the gel, so what stands between an alarm and `detected` is the
evenness alone. Upper bounds are held against the mean of the arm's own mock-ups, the tolerance
bound against such mock-ups; loads vary as the names say.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import inf
from types import SimpleNamespace

import numpy as np
from numpy.typing import NDArray

from residuekit.decision.assessment import Assessment, Rules, assess
from residuekit.decision.blindness import assess_blindness
from residuekit.decision.confirmation import Confirmation
from residuekit.decision.limits import decision_levels
from residuekit.decision.scores import sees_better
from residuekit.decision.verdict import judge
from residuekit.kernels.netsignal import ShapeTest
from residuekit.schema import NET_SIGNAL

from .claims import SEED, Claim, rate
from .score_level import SPIKE_CV, SPIKED, decide

Floats = NDArray[np.float64]
N = M = 6
ALPHA = 0.05
#: Above every detection limit of these designs, so that a lost bound shows in the verdict.
ACCEPTANCE = 5.0
GEL = Confirmation(ShapeTest(1.0, 0.0, 1.0), inf, 0.0)


def even(_rng: np.random.Generator) -> Floats:
    """Nothing on any."""
    return np.zeros(M)


def varied(rng: np.random.Generator) -> Floats:
    """Log-normal from mock-up to mock-up, 60 %, mean 3."""
    sigma = np.sqrt(np.log1p(0.36))
    return np.asarray(3.0 * np.exp(sigma * rng.standard_normal(M) - sigma**2 / 2))


def some(rng: np.random.Generator) -> Floats:
    """15 on a fifth of all mock-ups, nothing on the others."""
    return np.where(rng.random(M) < 0.2, 15.0, 0.0)


def few(rng: np.random.Generator) -> Floats:
    """40 on a twentieth of all mock-ups."""
    return np.where(rng.random(M) < 0.05, 40.0, 0.0)


def study(rng: np.random.Generator, loads: Floats, spread: float = 1.0) -> tuple[Assessment, str]:
    """One arm with these loads; `spread` is what its mock-ups scatter by beside them."""
    blanks = rng.standard_normal(N)
    exposed = spread * rng.standard_normal(M) + loads
    spiked = SPIKED * (1 + SPIKE_CV * rng.standard_normal(SPIKED.size))
    responses = spiked + rng.standard_normal(SPIKED.size) - blanks.mean()
    numbers = assess(
        blanks, exposed, assess_blindness(blanks), Rules(ALPHA, ALPHA, ACCEPTANCE),
        loadings=SPIKED, spiked=responses, shared=1.0, confirm=lambda _: GEL,
    )  # fmt: skip
    return numbers, judge([numbers]).verdict


def claims(runs: int) -> Iterator[Claim]:
    """Judge bounds, verdicts and evenness."""
    for name, draw in {"even": even, "varied": varied, "some": some, "few": few}.items():
        yield from _bounds(f"loads, {name}:", draw, runs)
    yield next(_bounds("loads, even, twice the scatter:", even, runs, 2.0))
    for times in (1.1, 1.2):
        rng = np.random.default_rng((SEED, int(10 * times)))
        found = [study(rng, np.full(M, times * ACCEPTANCE))[1] for _ in range(runs)]
        yield rate(f"loads: {times:g} times the acceptance limit called not detected",
                   (0.0, 0.05), [verdict == "not detected" for verdict in found])  # fmt: skip
    yield from evenness(runs)
    yield from choice(runs)


def evenness(runs: int) -> Iterator[Claim]:
    """Judge clean arms whose mock-ups scatter as the blanks do, and twice as widely."""
    for spread, above, detected in ((1.0, (0.043, 0.057), (0.0, 0.055)),
                                    (2.0, (0.2, 0.5), (0.0, 0.08))):  # fmt: skip
        rng = np.random.default_rng((SEED, 70, int(spread)))
        arms = [study(rng, np.zeros(M), spread) for _ in range(runs)]
        place = f"evenness: clean mock-ups that scatter {spread:g} times as widely:"
        yield rate(f"{place} above a limit", above, [numbers.above for numbers, _ in arms])
        yield rate(f"{place} mean passes Welch's test", (0.04, 0.06),
                   [numbers.welch_p < ALPHA for numbers, _ in arms])  # fmt: skip
        yield rate(f"{place} called detected", detected,
                   [verdict == "detected" for _, verdict in arms])  # fmt: skip


def by_spikes(net: SimpleNamespace, band: SimpleNamespace) -> SimpleNamespace:
    """The library's choice of the deciding score."""
    found = sees_better([net, band], SPIKED)
    return net if found is None else band


def choice(
    runs: int, choose: Callable[[SimpleNamespace, SimpleNamespace], SimpleNamespace] = by_spikes
) -> Iterator[Claim]:
    """Judge the decision by whichever of two scores is chosen, on clean arms.

    Net signal and band see other noise; spiked mock-ups scatter 2.5 times as widely by the net
    signal, so either is chosen often.
    """
    rng = np.random.default_rng((SEED, 90))
    alarms, bands = [], []
    levels = decision_levels(N, M, ALPHA)
    for _ in range(runs):
        net, band = (
            SimpleNamespace(
                name=name, blindness=SimpleNamespace(blind=False),
                blanks=rng.standard_normal(N), exposed=rng.standard_normal(M),
                spiked=SPIKED + scatter * rng.standard_normal(SPIKED.size),
            )
            for name, scatter in ((NET_SIGNAL, 2.5), ("band: one", 1.0))
        )  # fmt: skip
        chosen = choose(net, band)
        bands.append(chosen is band)
        alarms.append(decide(chosen.blanks[None], chosen.exposed[None], levels)[0])
    yield rate("choice of the score: false alarms", (0.043, 0.057), alarms)
    yield rate("choice of the score: a band is chosen", (0.5, 1.0), bands)


def _bounds(
    place: str, draw: Callable[[np.random.Generator], Floats], runs: int, spread: float = 1.0
) -> Iterator[Claim]:
    rng = np.random.default_rng((SEED, len(place)))
    held, tolerated = [], []
    for _ in range(runs):
        loads = draw(rng)
        numbers, _ = study(rng, loads, spread)
        held.append(loads.mean() <= numbers.upper_bound)
        such = np.quantile([draw(rng) + rng.standard_normal(M) for _ in range(50)], 0.95)
        tolerated.append(such <= numbers.tolerance_bound)
    yield rate(f"{place} bound holds the mean of these mock-ups", (0.94, 1.0), held)
    normal = draw is even
    yield rate(f"{place} tolerance bound holds 95 % of such mock-ups",
               (0.93, 0.97) if normal else None, tolerated)  # fmt: skip
