"""Loadings that rest on a reference film, where the residue answers as the film does, or weaker.

Scores of 6 blank and 6 exposed mock-ups through `assess` and `judge`, as in `loads_level`; in place
of spiked mock-ups stands one film, whose response errs by the tenth that is taken for it, or three
that scatter by as much. A residue in the paint answers only a share of the film's response.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import inf

import numpy as np

from residuekit.decision.assessment import Assessment, Rules, assess
from residuekit.decision.blindness import assess_blindness
from residuekit.decision.claims import SCALE_MARGIN
from residuekit.decision.confirmation import Confirmation
from residuekit.decision.verdict import judge
from residuekit.kernels.netsignal import ShapeTest
from residuekit.kernels.slope import ONE_FILM, film_slope

from .claims import SEED, Claim, rate

N = M = 6
#: In units of the blanks' scatter: the detection limit (2.5 at the median) lies below the first,
#: but not three times; below the second it does in most studies.
ACCEPTANCE = (4.0, 9.0)
FILM = 50.0
SHARES = (1.0, 0.5, 0.33)
GEL = Confirmation(ShapeTest(1.0, 0.0, 1.0), inf, 0.0)


def study(
    rng: np.random.Generator, loading: float, share: float, films: int, rules: Rules
) -> tuple[Assessment, str]:
    """One arm that carries `loading` everywhere and answers `share` of the film's response."""
    blanks = rng.standard_normal(N)
    exposed = rng.standard_normal(M) + share * loading
    responses = FILM * (1 + ONE_FILM * rng.standard_normal(films))
    film = film_slope(np.full(films, FILM), responses)
    numbers = assess(
        blanks, exposed, assess_blindness(blanks, film), rules, film=film, confirm=lambda _: GEL
    )
    return numbers, judge([numbers]).verdict


def claims(runs: int, margin: float = SCALE_MARGIN) -> Iterator[Claim]:
    """Judge false alarms, bounds, absences at the acceptance limit, and the margin's cost."""
    for films in (1, 3):
        rng = np.random.default_rng((SEED, 80, films))
        rules = Rules(acceptance_limit=ACCEPTANCE[1], scale_margin=margin)
        full = [study(rng, ACCEPTANCE[1], 1.0, films, rules)[0] for _ in range(runs)]
        yield rate(f"film scale: bound holds, {films} film{'s' * (films > 1)}", (0.94, 1.0),
                   [numbers.upper_bound >= ACCEPTANCE[1] for numbers in full])  # fmt: skip
    for limit in ACCEPTANCE:
        rng, rules = np.random.default_rng((SEED, 81)), Rules(0.05, 0.05, limit, margin)
        place = f"film scale, acceptance limit {limit:g}:"
        clean = [study(rng, 0.0, 1.0, 1, rules) for _ in range(runs)]
        yield rate(f"{place} clean arms above a limit", (0.043, 0.057),
                   [numbers.above for numbers, _ in clean])  # fmt: skip
        yield rate(f"{place} clean arms called not detected", None,
                   [verdict == "not detected" for _, verdict in clean])  # fmt: skip
        for share in SHARES:
            found = [study(rng, limit, share, 1, rules)[1] for _ in range(runs)]
            yield rate(f"{place} as much, answering {share:g}, called not detected", (0.0, 0.05),
                       [verdict == "not detected" for verdict in found])  # fmt: skip
