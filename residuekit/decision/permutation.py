"""A second opinion on a decision, free of any form of scatter: the labels of mock-ups permuted."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache, reduce
from math import comb, prod
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
#: Labellings up to which every one is counted; beyond, as many less one are drawn, seeded.
MOST_LABELLINGS = 20_000
_SEED = 20261126


class Permuted(NamedTuple):
    """The one-sided p-value of a difference, the number of labellings behind it, and whether these
    are all there are."""

    p: float
    labellings: int
    exact: bool


def permuted_labels(
    blanks: npt.ArrayLike,
    exposed: npt.ArrayLike,
    panels: Sequence[Sequence[Any]] | None = None,
) -> Permuted:
    """Ask how often a difference of means as large comes of exchanging the labels of mock-ups.

    Fisher's randomisation test, one-sided: with nothing there the labels mean nothing, whatever the
    form of the scatter. It is exact for labels that were drawn by lot, and holds its rate for
    skewed and heavy-tailed scatter; unequal scatter of blank and exposed mock-ups it does not
    forgive. With 6 and 6 mock-ups there are 924 labellings and the least p is 0.00108; with 3 and 3
    20 and 0.05. Within panels, labels are exchanged on each panel alone, and the difference is the
    mean of what exposed mock-ups differ by from the mean of their panel's blanks: whatever a
    panel adds to all its mock-ups counts for nothing.

    Parameters
    ----------
    blanks, exposed : (n,) and (m,) values, one a mock-up, in one unit.
    panels : the panels of the blanks and of the exposed mock-ups; each has blanks.

    >>> permuted_labels([0.0, 1.0, 2.0], [3.0, 4.0, 5.0])
    Permuted(p=0.05, labellings=20, exact=True)
    """
    blank, found = np.asarray(blanks, dtype=float), np.asarray(exposed, dtype=float)
    of_blanks, of_found = map(np.array, panels or ([""] * blank.size, [""] * found.size))
    names = dict.fromkeys(of_found.tolist())
    groups = [(blank[of_blanks == name], found[of_found == name]) for name in names]
    picks, exact = _labellings(tuple((a.size, c.size) for a, c in groups))
    made, added, equal = 0.0, [], 0.0
    for (a, c), own in zip(groups, picks, strict=True):
        # One more exposed mock-up also takes its value from the mean of its panel's blanks.
        times = 1 + c.size / a.size
        added.append(times * (own @ np.concatenate([a, c])))
        made += times * c.sum()
        # Sums of the same numbers in another order differ in their last digits.
        equal += 1e-12 * times * (np.abs(a).sum() + np.abs(c).sum())
    sums = reduce(_combined, added) if exact else np.sum(added, axis=0)
    as_large = int((sums >= made - equal).sum())
    if exact:
        return Permuted(as_large / sums.size, sums.size, True)
    return Permuted((as_large + 1) / (sums.size + 1), sums.size + 1, False)


def _combined(one: Floats, other: Floats) -> Floats:
    """The sums of every number with every other."""
    sums: Floats = np.add.outer(one, other).ravel()
    return sums


@lru_cache(maxsize=16)
def _labellings(sizes: tuple[tuple[int, int], ...]) -> tuple[list[npt.NDArray[np.float32]], bool]:
    """For each panel rows of 0 and 1 (labellings, n + m): which of its mock-ups are called exposed.

    All of each panel, to be combined with all of the others; where that is too many, as many of
    each as are drawn.
    """
    if prod(comb(n + m, m) for n, m in sizes) <= MOST_LABELLINGS:
        return [_every(n, m) for n, m in sizes], True
    rng = np.random.default_rng((_SEED, *(count for pair in sizes for count in pair)))
    drawn = [rng.random((MOST_LABELLINGS - 1, n + m)).argsort(axis=1) < m for n, m in sizes]
    return [own.astype(np.float32) for own in drawn], False


def _every(n: int, m: int) -> npt.NDArray[np.float32]:
    from itertools import combinations

    places = np.array([*combinations(range(n + m), m)])
    picks = np.zeros((len(places), n + m), dtype=np.float32)
    np.put_along_axis(picks, places, 1.0, axis=1)
    return picks
