"""Scores of mock-ups drawn from a known distribution: 10,000 studies a configuration.

The decision is a vectorised form of the rule in `residuekit.assess` with the library's own
`decision_levels`; that both agree is one of the claims. Detection limits, slopes and bounds are
computed by the library's functions, study by study. The truth: blank scores scatter with standard
deviation 1, a loading of 1 raises a score by 1, each of 6 spiked mock-ups (3 at 6, 3 at 18) holds
its loading to 3 %.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import product
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from residuekit.decision.assessment import Rules, assess
from residuekit.decision.blindness import assess_blindness
from residuekit.decision.bound import upper_bound
from residuekit.decision.limits import Levels, decision_levels
from residuekit.decision.panel_layout import Panels, one_panel
from residuekit.kernels.limit_statistics import noncentrality
from residuekit.kernels.slope import Slope, slope_through_zero

from .claims import SEED, Claim, rate

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Draw = Callable[[np.random.Generator, tuple[int, int]], Floats]
SIZES = (3, 6, 12)
ALPHA = 0.05
FALSE_ALARMS, FOUND = (0.043, 0.057), (0.93, 0.97)
ONE_SIDED, TWO_SIDED = (0.93, 1.0), (0.93, 0.97)
#: Heavy tails cost 2 to 5 points, unless the largest of twelve mock-ups is drawn from them.
HEAVY = (0.07, 0.10)
SPIKED = np.repeat([6.0, 18.0], 3)
SPIKE_CV = 0.03


def normal(rng: np.random.Generator, shape: tuple[int, int]) -> Floats:
    """Mock-up effects of standard deviation 1."""
    return rng.standard_normal(shape)


def student3(rng: np.random.Generator, shape: tuple[int, int]) -> Floats:
    """Heavy-tailed mock-up effects: Student t with 3 degrees of freedom, standard deviation 1."""
    return rng.standard_t(3, shape) / sqrt(3)


def above(
    blanks: Floats, exposed: Floats, levels: Levels, panels: Panels | None = None
) -> tuple[Bools, Bools]:
    """Say of each study whether the arm (T1) and whether a single mock-up (T2) is above.

    `blanks` (runs, n), `exposed` (runs, m); two (runs,) out. `panels` is how they lie on panels.
    """
    m = exposed.shape[1]
    lie = panels or one_panel(blanks.shape[1], m)
    scatter = blanks.std(axis=1, ddof=1)
    excess = exposed - blanks.mean(axis=1, keepdims=True)
    arm = excess.mean(axis=1) > levels.arm * scatter * sqrt(1 / m + 1 / lie.behind_mean)
    mockup = excess.max(axis=1) > levels.mockup * scatter * sqrt(1 + 1 / lie.behind_one)
    return arm, mockup


def decide(blanks: Floats, exposed: Floats, levels: Levels, panels: Panels | None = None) -> Bools:
    """Say of each study whether either of the two is above, (runs,)."""
    return np.logical_or(*above(blanks, exposed, levels, panels))


def found_at_own_limit(nu: int, levels: Levels) -> float:
    """Integrate the chance that an arm at the limit its own blanks state is above, slope known.

    The limit errs with s_b, so the chance is the mean of Phi((delta - q1) s_b): 94.4 to 95.7 %.
    """
    from scipy.special import gammaincinv, ndtr

    gain = noncentrality(nu, levels.arm, ALPHA) - levels.arm
    chance = (np.arange(10_000) + 0.5) / 10_000
    return float(ndtr(gain * np.sqrt(gammaincinv(nu / 2, chance) * 2 / nu)).mean())


def slopes(blanks: Floats, responses: Floats, shared: bool) -> Slope:
    """Fit the slope of every study as the library does; one `Slope` of arrays (runs,).

    `shared` says whether `responses` were taken against `blanks`.
    """
    pairs = zip(responses, blanks.std(axis=1, ddof=1), strict=True)
    found = [slope_through_zero(SPIKED, row, s, shared=float(shared)) for row, s in pairs]
    value, error, _, pull, *_ = np.array(found).T
    return Slope(value, error, SPIKED.size, pull)


def coverage(
    blanks: Floats, exposed: Floats, slope: Slope, true: float, panels: Panels | None = None
) -> tuple[Bools, Bools]:
    """Say of each study whether its one-sided bound and its two-sided interval hold the truth."""
    estimate = (exposed.mean(axis=1) - blanks.mean(axis=1)) / slope.value
    scatters = blanks.var(axis=1, ddof=1), exposed.var(axis=1, ddof=1)
    one, two = (
        upper_bound(
            estimate, scatters[0], blanks.shape[1], scatters[1], exposed.shape[1], slope, alpha,
            panels,
        ).upper
        for alpha in (ALPHA, ALPHA / 2)
    )  # fmt: skip
    return true <= one, np.abs(true - estimate) <= two - estimate


class Studies:
    """Clean studies of one size: scores of blank, exposed and spiked mock-ups.

    `responses` are spiked scores less the mean of the arm's own blanks; `apart` the same less the
    mean of other blanks, as for an arm of another ageing.
    """

    def __init__(self, n: int, m: int, runs: int, draw: Draw = normal):
        self.n, self.m, self.runs = n, m, runs
        rng = np.random.default_rng((SEED, n, m, draw is normal))
        self.blanks, self.exposed = draw(rng, (runs, n)), draw(rng, (runs, m))
        held = 1 + SPIKE_CV * rng.standard_normal((runs, SPIKED.size))
        spiked = SPIKED * held + draw(rng, held.shape)
        self.responses = spiked - self.blanks.mean(axis=1, keepdims=True)
        self.apart = spiked - draw(rng, (runs, n)).mean(axis=1, keepdims=True)

    @property
    def panels(self) -> Panels:
        """How the mock-ups lie on panels."""
        return one_panel(self.n, self.m)

    @property
    def place(self) -> str:
        """How the names of its claims begin."""
        return f"scores n={self.n} m={self.m}:"

    def limits(self, levels: Levels) -> tuple[float, float]:
        """The detection limits of the arm and of one mock-up for a standard deviation of 1."""
        lie = self.panels
        arm, one = (noncentrality(lie.freedom, q, ALPHA) for q in (levels.arm, levels.mockup))
        return arm * sqrt(1 / self.m + 1 / lie.behind_mean), one * sqrt(1 + 1 / lie.behind_one)


def claims(runs: int, levels_for: Callable[..., Levels] = decision_levels) -> Iterator[Claim]:
    """Judge every size of study; `levels_for` is the library's rule unless another is on trial."""
    for n, m in product(SIZES, SIZES):
        yield from claims_of_size(Studies(n, m, runs), levels_for(n, m, ALPHA))
    for n, m in product(SIZES, SIZES):
        heavy = Studies(n, m, runs, student3)
        alarms = decide(heavy.blanks, heavy.exposed, levels_for(n, m, ALPHA))
        claimed = HEAVY if m < 12 else None
        yield rate(f"scores n={n} m={m}: false alarms, Student t(3) mock-ups", claimed, alarms)
    yield _same_as_assess(min(runs, 300))


def claims_of_size(studies: Studies, levels: Levels) -> Iterator[Claim]:
    """Judge decision, limits and bounds of one size of study."""
    blanks, exposed = studies.blanks, studies.exposed
    arm, one = studies.limits(levels)
    single = exposed.copy()
    single[:, 0] += one
    own = arm * blanks.std(axis=1, ddof=1, keepdims=True)
    slope = slopes(blanks, studies.responses, shared=True)
    stated = own / slope.value[:, None]
    expected = found_at_own_limit(studies.panels.freedom, levels)
    place, lie = studies.place, studies.panels
    for name, claimed, hits in (
        ("false alarms", FALSE_ALARMS, decide(blanks, exposed, levels, lie)),
        ("found at the true limit", FOUND, decide(blanks, exposed + arm, levels, lie)),
        ("one mock-up found at its true limit", FOUND, decide(blanks, single, levels, lie)),
        ("arm mean above at the study's own limit, slope known",
         (expected - 0.005, expected + 0.005), above(blanks, exposed + own, levels, lie)[0]),
        ("found at the study's own limit", (0.93, 1.0),
         decide(blanks, exposed + stated, levels, lie)),
    ):  # fmt: skip
        yield rate(f"{place} {name}", claimed, hits)
    for where, found, true in (
        ("0", slope, 0.0),
        ("the true limit", slope, arm),
        ("the true limit, spiked on other blanks", slopes(blanks, studies.apart, False), arm),
    ):
        below, inside = coverage(blanks, exposed + true, found, true, lie)
        yield rate(f"{place} one-sided bound holds {where}", ONE_SIDED, below)
        yield rate(f"{place} two-sided interval holds {where}", TWO_SIDED, inside)


def _same_as_assess(runs: int) -> Claim:
    studies = Studies(6, 6, runs)
    exposed = studies.exposed + np.linspace(0, 4, runs)[:, None]
    decided = decide(studies.blanks, exposed, decision_levels(6, 6, ALPHA))
    pairs = zip(studies.blanks, exposed, decided, strict=True)
    same = [
        assess(blank, arm, assess_blindness(blank), Rules(ALPHA)).above == said
        for blank, arm, said in pairs
    ]
    return rate("scores: vectorised decision agrees with assess()", (1.0, 1.0), same)


def naive_claims(runs: int) -> Iterator[Claim]:
    """Judge a t-test on pixels of clean studies, 3 + 3 mock-ups, and the library's decision.

    Two-sided at 5 %, pixels pooled over mock-ups; mock-up scatter as a share of pixel scatter.
    """
    for share, pixels, claimed in ((0.1, 1024, (0.54, 0.58)), (0.5, 256, (0.77, 0.81))):
        rng = np.random.default_rng((SEED, pixels))
        place = f"pixels: mock-up scatter {share:g} of pixel scatter, {pixels} px:"
        pixel_alarms, alarms = _pixel_studies(rng, runs, share, pixels)
        yield rate(f"{place} pixel t-test, false alarms", claimed, pixel_alarms)
        yield rate(f"{place} the library's decision", FALSE_ALARMS, alarms)


def _pixel_studies(
    rng: np.random.Generator, runs: int, share: float, pixels: int
) -> tuple[Bools, Bools]:
    from scipy.special import stdtr

    levels = decision_levels(3, 3, ALPHA)
    t, means = np.empty(runs), np.empty((runs, 2, 3))
    for run in range(runs):
        values = rng.standard_normal((2, 3, pixels), dtype=np.float32)
        values += share * rng.standard_normal((2, 3, 1), dtype=np.float32)
        means[run] = values.mean(axis=2)
        pooled = values.reshape(2, -1)
        difference = np.diff(pooled.mean(axis=1))[0]
        t[run] = difference / sqrt(pooled.var(axis=1, ddof=1).mean() * 2 / pooled.shape[1])
    p = 2 * stdtr(6 * pixels - 2, -np.abs(t))
    return p < ALPHA, decide(means[:, 0], means[:, 1], levels)
