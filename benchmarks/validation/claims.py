"""A claim, what was measured, and whether the measurement's interval reaches the claim."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache, partial
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from residuekit.kernels.limit_statistics import clopper_pearson_interval

SEED = 4711
WORKERS = 2
#: Of each interval; small, as nearly 250 claims are judged at once.
ERROR = 0.01
Range = tuple[float, float]


@dataclass(frozen=True)
class Claim:
    """One measured number with its 99 % interval, beside the range that is claimed for it.

    A number without a claim says what something costs; it neither holds nor fails.
    """

    name: str
    claimed: Range | None
    value: float
    low: float
    high: float
    n: int
    percent: bool = True

    @property
    def holds(self) -> bool | None:
        """Whether the interval reaches the claimed range."""
        if self.claimed is None:
            return None
        return self.low <= self.claimed[1] and self.high >= self.claimed[0]

    @property
    def claim(self) -> str:
        """The claimed range in words; empty without a claim."""
        if self.claimed is None:
            return ""
        scale, unit, top = (100, " %", 1.0) if self.percent else (1, "", np.inf)
        low, high = self.claimed
        if low <= 0:
            return f"{scale * high:.3g}{unit} or less"
        if high >= top:
            return f"{scale * low:.3g}{unit} or more"
        return f"{scale * low:.3g} to {scale * high:.3g}{unit}"

    def row(self) -> dict[str, Any]:
        """The claim as JSON prints it."""
        return {
            "name": self.name,
            "claim": self.claim,
            "value": self.value,
            "low": self.low,
            "high": self.high,
            "n": self.n,
            "holds": self.holds,
        }

    def line(self, width: int) -> str:
        """The claim as a line of the table."""
        scale, form = (100, "5.1f") if self.percent else (1, "5.2f")
        value, low, high = (format(scale * x, form) for x in (self.value, self.low, self.high))
        unit = "%" if self.percent else " "
        said = {True: "holds", False: "FAILS", None: ""}[self.holds]
        return (
            f"{self.name:<{width}}  {value} {unit} [{low}, {high}]  {self.n:>6}  "
            f"{said:<5}  {self.claim}"
        ).rstrip()


def rate(name: str, claimed: Range | None, hits: ArrayLike) -> Claim:
    """A share of runs with its exact binomial interval (99 %, Clopper and Pearson 1934)."""
    seen = np.asarray(hits, dtype=bool)
    k, n = int(seen.sum()), seen.size
    if not n:
        raise ValueError(f"nothing was counted for {name!r}")
    low, high = clopper_pearson_interval(k, n, ERROR)
    return Claim(name, claimed, k / n, low, high, n)


def median(name: str, claimed: Range | None, values: ArrayLike) -> Claim:
    """A median with the distribution-free interval (99 %) that the order statistics give."""
    from scipy.stats import binom

    ordered = np.sort(np.asarray(values, dtype=float))
    n = ordered.size
    rank = max(int(binom.ppf(ERROR / 2, n, 0.5)) - 1, 0)
    low, high = float(ordered[rank]), float(ordered[n - 1 - rank])
    return Claim(name, claimed, float(np.median(ordered)), low, high, n, percent=False)


def table(claims: Sequence[Claim]) -> str:
    """All claims, a line each."""
    width = max(len(claim.name) for claim in claims)
    head = f"{'':<{width}}  value    99 % interval    runs          claimed"
    return "\n".join([head, *(claim.line(width) for claim in claims)])


@cache
def _processes() -> ProcessPoolExecutor:
    return ProcessPoolExecutor(WORKERS)


def spread(call: Any, jobs: Iterable[Any]) -> list[Any]:
    """Do the jobs in the processes that all levels share; each carries its own seed, so the order
    is free."""
    return list(_processes().map(call, jobs))


def whole(level: Callable[[int], Iterable[Claim]], runs: int) -> list[Claim]:
    """Judge a level that spreads no jobs, all of it in one of those processes."""
    (found,) = spread(partial(_listed, level), [runs])
    return list(found)


def _listed(level: Callable[[int], Iterable[Claim]], runs: int) -> list[Claim]:
    return list(level(runs))
