"""The change of mock-ups from one age to another, with its standard error; paired where it can be.

Works on numbers (n mock-ups,) and on spectra (n mock-ups, channels) alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


class Part(NamedTuple):
    """A mean difference, its variance, and that variance's degrees of freedom."""

    mean: Floats
    variance: Floats
    freedom: Floats


def change(
    young: npt.ArrayLike, aged: npt.ArrayLike, names: tuple[Sequence[str], Sequence[str]]
) -> Part:
    """Give mean(aged) - mean(young) with its variance; paired where both hold the same mock-ups.

    Paired: s^2 / n of the differences, n - 1 degrees of freedom. Else the sum of s^2 / n, with
    degrees of freedom after Satterthwaite, Biometrics Bull. 2 (1946) 110.

    Parameters
    ----------
    young, aged : (n, ...) values of mock-ups, two or more each. names : the mock-ups of each.
    """
    before, after = (np.asarray(values, float) for values in (young, aged))
    if is_paired(*names):
        order = [list(names[1]).index(name) for name in names[0]]
        return _spread(after[order] - before)
    return combine(_spread(after), _spread(before), sign=-1)


def is_paired(young: Sequence[str], aged: Sequence[str]) -> bool:
    """Whether the same mock-ups, each once, were measured at both ages."""
    return len(young) == len(aged) == len(set(young)) and set(young) == set(aged)


def combine(first: Part, second: Part, sign: int = 1) -> Part:
    """Add, or subtract, two independent parts (Satterthwaite's degrees of freedom)."""
    variance = first.variance + second.variance
    with np.errstate(divide="ignore", invalid="ignore"):
        freedom = variance**2 / (
            first.variance**2 / first.freedom + second.variance**2 / second.freedom
        )
    least = np.minimum(first.freedom, second.freedom)
    return Part(first.mean + sign * second.mean, variance, np.where(variance > 0, freedom, least))


def _spread(values: Floats) -> Part:
    n = len(values)
    variance = np.asarray(values.var(axis=0, ddof=1) / n)
    return Part(np.asarray(values.mean(axis=0)), variance, np.full_like(variance, n - 1.0))
