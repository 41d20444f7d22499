"""What foreign matter, which can only add, explains of a difference, with and without the gel."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_ROUNDS = 100
#: A corner is added while its angle with what is left has a cosine above this.
_SMALL = 1e-6


class ForeignMatter(NamedTuple):
    """One material by its bands (k, n_channels), of relative strengths from `least` to `most` (k,).

    A measured spectrum is one band of strength 1.
    """

    bands: Floats
    least: Floats
    most: Floats


class Explained(NamedTuple):
    """What is explained of a difference's sum of squares: by foreign matter, the gel, or both."""

    foreign: float
    gel: float
    both: float


class Additions:
    """Foreign matter and gel in one metric, ready to fit many differences.

    A difference is fitted by sum_j x_j sum_k u_jk s_jk + sum_i a_i g_i with x, a >= 0 and each
    u_jk from `least` to `most` of its band: non-negative least squares (Lawson & Hanson 1974,
    Solving Least Squares Problems, chapter 23) over the corners of that box, of which the one that
    improves the fit most is added in turn until none does (column generation).
    """

    def __init__(self, materials: Sequence[ForeignMatter], gel: Floats):
        """Take bands and references (r, n_channels) that are whitened by the metric."""
        bands = np.vstack([*(one.bands for one in materials), np.empty((0, gel.shape[1]))])
        self._plane, coordinates = np.linalg.qr(np.vstack([gel, bands]).T)
        self._gel, self._bands = list(coordinates.T[: len(gel)]), coordinates.T[len(gel) :]
        self._starts = np.cumsum([0, *(len(one.bands) for one in materials)])[:-1]
        self._of_band = np.repeat(range(len(materials)), [len(one.bands) for one in materials])
        self._least = np.concatenate([*(one.least for one in materials), []])
        self._most = np.concatenate([*(one.most for one in materials), []])
        self._sizes = np.linalg.norm(self._bands, axis=1)

    def coordinates(self, differences: Floats) -> Floats:
        """Differences (..., n_channels) in the space that gel and foreign matter span."""
        seen: Floats = differences @ self._plane
        return seen

    def explain(self, seen: Floats) -> Explained:
        """Fit one difference, given by its coordinates."""
        return Explained(self.foreign(seen), self.gel(seen), self.both(seen))

    def foreign(self, seen: Floats) -> float:
        """What foreign matter alone explains of a difference, given by its coordinates."""
        return self._added(seen, [])

    def gel(self, seen: Floats) -> float:
        """What the gel alone explains; both together never explain less."""
        return _fit(seen, self._gel)[1]

    def both(self, seen: Floats) -> float:
        """What gel and foreign matter explain together."""
        return self._added(seen, self._gel)

    def _added(self, seen: Floats, gel: list[Floats]) -> float:
        least, columns = _SMALL * float(np.linalg.norm(seen)), gel
        for _ in range(_ROUNDS):
            amounts, explained, left = _fit(seen, columns)
            better = self._better(left, least)
            if not len(better):
                break
            foreign = zip(columns[len(gel) :], amounts[len(gel) :], strict=True)
            columns = [*gel, *(one for one, amount in foreign if amount > 0), *better]
        return explained

    def _better(self, left: Floats, least: float) -> Floats:
        """Of each material the corner that improves the fit most, where one does."""
        pull = self._bands @ left
        strengths = np.where(pull > 0, self._most, self._least)
        gain = np.add.reduceat(strengths * (pull - least * self._sizes), self._starts)
        own = self._of_band == np.flatnonzero(gain > 0)[:, None]
        corners: Floats = (own * strengths) @ self._bands
        return corners


def _fit(seen: Floats, columns: Sequence[Floats]) -> tuple[Floats, float, Floats]:
    """Amounts >= 0 of the columns, what they explain, and what they leave."""
    from scipy.optimize import nnls

    if not columns:
        return np.empty(0), 0.0, seen
    system = np.array(columns).T
    amounts, _ = nnls(system, seen)
    left = seen - system @ amounts
    return amounts, float(seen @ seen - left @ left), left
