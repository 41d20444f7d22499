"""The identification limit: the least loading called `detected` with 1 - beta probability."""

from __future__ import annotations

from math import nan, sqrt

import numpy as np
import numpy.typing as npt

from ..kernels.netsignal import ShapeBasis
from .confirmation import Confirmer
from .evenness import welch_limit
from .limits import arm_limits, decision_levels, decision_limit
from .panel_layout import Panels, one_panel

Floats = npt.NDArray[np.float64]

_DRAWS = 200
_SEED = 20261127
#: The share of the blanks' variance that is taken to lie in directions they do not show.
_UNSEEN = 0.2
#: Nothing is sought beyond this many times the detection limit.
_FARTHEST = 16.0
_CLOSE = 0.01


class Identifier:
    """Finds the identification limits of one set of controls, each once.

    Decision, Welch's test and confirmation together, by simulation from the controls alone: blanks
    and the mean of the exposed mock-ups are drawn anew (seeded) from the residual covariance of the
    blanks, a fifth of it spread over all directions, the gel's direction kept at the scatter of the
    blanks' values; in each draw the scatter and what the reference leaves of blanks are found
    again. What foreign matter explains by chance stays that of the controls. Bisection over one set
    of draws; a draw that is called at one loading is taken to be called at all above.
    """

    def __init__(self, confirm: Confirmer, beta: float):
        self.confirm, self.beta = confirm, beta
        self._found: dict[tuple[str, int], float] = {}

    def limit(self, score: str, values: Floats, response: float, m: int) -> float:
        """Find the least mean difference at which an arm is called `detected` with 1 - beta.

        Parameters
        ----------
        score : the name of the deciding score. values (n,) : the blanks' by it.
        response : of that score to the reference, in its unit.
        m : exposed mock-ups.

        Returns
        -------
        The limit in the unit of the score, never below the detection limit; NaN where it is not
        reached at 16 times that.
        """
        if (score, m) not in self._found:
            self._found[score, m] = self._limit(values, response, m)
        return self._found[score, m]

    def _limit(self, values: Floats, response: float, m: int) -> float:
        alpha, called = self.confirm.alpha, 1 - self.beta
        scatter = float(values.std(ddof=1))
        panels = self.confirm.panels
        least = arm_limits(scatter, len(values), m, alpha, self.beta, panels).detection
        if not (least > 0 and response > 0):
            return nan
        draws = _Draws(self.confirm, values, response, m, alpha)
        low, high = 0.0, least
        while draws.called(high) < called:
            low, high = high, 1.5 * high
            if high > _FARTHEST * least:
                return nan
        while low > 0 and high - low > _CLOSE * least:
            middle = (low + high) / 2
            low, high = (low, middle) if draws.called(middle) >= called else (middle, high)
        return high


class _Draws:
    """Blanks and exposed means drawn anew, and how many of them are called at a loading."""

    def __init__(self, confirm: Confirmer, values: Floats, response: float, m: int, alpha: float):
        net, n = confirm.net, len(values)
        order = np.argsort(confirm.values, kind="stable")
        self._confirm, self._response, self._m = confirm, response, m
        self._lie = lie = confirm.panels or one_panel(n, m)
        rng = np.random.default_rng((_SEED, n, m))
        common = rng.standard_normal((_DRAWS, n + m, n)) / sqrt(n - 1)
        if len(lie.blanks) > 1:
            common = _within(lie) @ common
        deciding, own = (common @ (one - one.mean())[order] for one in (values, confirm.values))
        self._decide(deciding, n, alpha)
        self._scatter = own[:, :n].std(axis=1, ddof=1)

        white = net.metric.whiten(confirm.blanks - confirm.blanks.mean(axis=0))[order]
        gel = net.metric.whiten(net.target)
        unseen = sqrt(_UNSEEN * float((white**2).sum()) / (n - 1) / gel.size)
        # Coordinates of the metric are known but for a rotation, which the last digits decide:
        # noise is drawn in a frame of its own.
        turn, triangle = np.linalg.qr(net.metric.whitener)
        turn *= np.where(triangle.diagonal() < 0, -1.0, 1.0)
        turned, along = white @ turn, gel @ turn / confirm.norm

        def spectra(draws: slice, which: slice, spread: float) -> Floats:
            """Draws of blanks, or of the exposed mean, (draws, k, n_channels) in that frame."""
            weights, scores = common[draws, which], own[draws, which]
            if spread != 1:
                weights, scores = (x.mean(axis=1, keepdims=True) for x in (weights, scores))
            drawn: Floats = rng.standard_normal((*weights.shape[:2], gel.size))
            drawn *= unseen * spread
            drawn += sqrt(1 - _UNSEEN) * weights @ turned
            drawn += (confirm.norm * scores - drawn @ along)[..., None] * along
            return drawn

        self._shape = ShapeBasis(net, confirm.wavenumber)
        shape = self._shape.turned(turn)
        level, left = np.empty((_DRAWS, gel.size)), np.empty(_DRAWS)
        for draw in range(_DRAWS):  # the blanks of all draws would be many times the rest
            blanks = spectra(slice(draw, draw + 1), slice(0, n), 1.0)[0]
            level[draw] = blanks.mean(axis=0)
            left[draw] = shape.left((blanks - level[draw]) * (n / (n - 1))).mean()
        apart = spectra(slice(None), slice(n, None), 1 / sqrt(m))[:, 0] - level
        difference = apart @ turn.T
        self._expected = left * (n - 1) / n * (1 / m + 1 / lie.behind_mean)
        self._difference, self._gel = difference, gel
        self._seen = confirm.additions.coordinates(difference)
        self._seen_gel = confirm.additions.coordinates(gel)
        self._settled = np.full((2, _DRAWS), [[0.0], [np.inf]])

    def _decide(self, drawn: Floats, n: int, alpha: float) -> None:
        """The loading above which each draw is above its decision limit and passes Welch's test."""
        blank, exposed = drawn[:, :n], drawn[:, n:]
        m, lie = exposed.shape[1], self._lie
        quantile = decision_levels(n, m, alpha, lie).arm
        needed = decision_limit(quantile, blank.std(axis=1, ddof=1), lie.behind_mean, m)
        if m > 1:
            needed = np.maximum(needed, welch_limit(blank, exposed, alpha, lie))
        self._needed = needed - exposed.mean(axis=1) + blank.mean(axis=1)

    def called(self, size: float) -> float:
        """The share of draws that are called `detected` at a mean difference of this size."""
        never, always = self._settled
        for draw in np.flatnonzero((never < size) & (size < always)):
            if self._one(draw, size):
                always[draw] = size
            else:
                never[draw] = size
        return float((always <= size).mean())

    def _one(self, draw: np.intp, size: float) -> bool:
        if size <= self._needed[draw]:
            return False
        loaded = size / self._response
        white = self._difference[draw] + loaded * self._gel
        if self._shape.test(white, self._expected[draw]).refused:
            return False
        seen = self._seen[draw] + loaded * self._seen_gel
        limit = float(self._confirm.limit(self._scatter[draw], self._m))
        return not self._confirm.foreign(seen, self._m, self._lie.behind_mean, limit)


def _within(lie: Panels) -> Floats:
    """What takes the panels out of blank and exposed mock-ups (n + m, n + m), as `within_panels`
    and `panel_means` do."""
    of_blanks, of_exposed = lie.places()
    of_all = np.concatenate([of_blanks, of_exposed])
    n, taken = lie.n, np.eye(lie.n + lie.m)
    beside = of_all[:, None] == of_blanks
    taken[:, :n] -= beside / beside.sum(axis=1, keepdims=True)
    taken[:n] *= sqrt((n - 1) / lie.freedom)
    return taken
