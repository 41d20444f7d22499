"""What states before treatment, or panels, would bring: from the blanks of a pilot."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from ..decision.limits import arm_limits
from ..decision.pairs import BEFORE, ENOUGH_PAIRS
from ..decision.panel_layout import BLOCK, on_panels_of_two, panels_that_serve
from ..errors import ContractError, Fault
from .effort import Design
from .pilot import pilot_blanks

if TYPE_CHECKING:
    from ..results import StudyResult

#: Of the interval of a ratio of scatters.
_CONFIDENCE = 0.9
_WAYS = {
    BEFORE: "Measuring each mock-up before treatment too",
    BLOCK: "Laying mock-ups on panels with two blanks each",
}


@dataclass(frozen=True)
class Gain:
    """What pairing would bring: `way` is ``before`` or ``block``, `alone` and `paired` the standard
    deviations of a mock-up without it and with it.

    `low` and `high` bound `ratio`, the former over the latter, with 90 % confidence; the detection
    limits are those of an arm of `design`. Numbers are in `unit`.
    """

    way: str
    alone: float
    paired: float
    low: float
    high: float
    n_blanks: int
    design: Design
    detection_limit: float
    paired_detection_limit: float
    unit: str

    @property
    def ratio(self) -> float:
        """How many times as widely mock-ups scatter without pairing."""
        return self.alone / self.paired

    @property
    def advice(self) -> str:
        """What follows, in a sentence or two."""
        seen = (
            f"by {self.n_blanks} blanks mock-ups scatter {self.ratio:.2f} times as widely without "
            f"it ({self.low:.2f} to {self.high:.2f}, 90%)"
        )
        limits = (
            f"with {self.design.mockups} exposed and {self.design.blanks} blank mock-ups the "
            f"detection limit is about {self.paired_detection_limit:.3g} {self.unit}, and "
            f"{self.detection_limit:.3g} without it"
        )
        if self.paired_detection_limit >= self.detection_limit:
            return f"{_WAYS[self.way]} gains nothing here: {seen}; {limits}."
        if self.low <= 1:
            return (
                f"{_WAYS[self.way]} may gain nothing: {seen}. So few blanks cannot tell a gain "
                f"from none; were it so, {limits}."
            )
        return f"{_WAYS[self.way]} lowers the limits: {seen}; {limits}."

    def __str__(self) -> str:
        return self.advice


def before_gain(
    before: npt.ArrayLike,
    after: npt.ArrayLike,
    *,
    design: Design | None = None,
    alpha: float = 0.05,
    beta: float = 0.05,
    unit: str = "ug cm-2",
) -> Gain:
    """Say what measuring mock-ups before treatment too would bring.

    The interval is that of Pitman and Morgan for two variances of the same mock-ups (Biometrika 31,
    1939, 9 and 13, from memory), for normal scatter.

    Parameters
    ----------
    before, after (n,) : scores of the same blanks in both states, three or more, in `unit`.
    design : what will be measured; mock-ups are taken to be measured as these.
    alpha, beta : one-sided rates of false and of missed detections.
    unit : of the scores.

    Returns
    -------
    A `Gain`.

    Raises
    ------
    ContractError : fewer than three blanks, or such as do not differ.

    >>> gain = before_gain([0.0, 0.4, -0.3, 0.1], [0.1, 0.4, -0.2, 0.1])
    >>> round(gain.ratio, 1), gain.paired_detection_limit < gain.detection_limit
    (4.2, True)
    """
    from scipy.special import stdtrit

    first, last = (np.asarray(values, dtype=float) for values in (before, after))
    change = last - first
    n = change.size
    if n < ENOUGH_PAIRS or not (last.std() > 0 and change.std() > 0):
        raise ContractError(
            Fault(f"{n} blanks in both states", "three or more that differ",
                  "blanks measured before treatment and after it")
        )  # fmt: skip
    alone, paired = float(last.std(ddof=1)), float(change.std(ddof=1))
    alike = float(np.corrcoef(last, change)[0, 1])
    quantile = float(stdtrit(n - 2, (1 + _CONFIDENCE) / 2))
    wide = 1 + 2 * max(1 - alike**2, 0.0) * quantile**2 / (n - 2)
    times = math.sqrt(wide + math.sqrt(wide**2 - 1))
    shown = design or Design()
    limit, paired_limit = (
        arm_limits(scatter, shown.blanks, shown.mockups, alpha, beta).detection
        for scatter in (alone, paired)
    )
    ratio = alone / paired
    return Gain(
        BEFORE, alone, paired, ratio / times, ratio * times, n, shown, limit, paired_limit, unit
    )


def panel_gain(
    scores: npt.ArrayLike,
    panels: Sequence[str],
    *,
    design: Design | None = None,
    alpha: float = 0.05,
    beta: float = 0.05,
    unit: str = "ug cm-2",
) -> Gain:
    """Say what laying mock-ups on panels, with two blanks on each, would bring.

    Beside it stand mock-ups with a panel each. The interval is that of the ratio of variances of
    one-way analysis of variance with random panels (by F; exact where these have equally many
    blanks).

    Parameters
    ----------
    scores (n,) : of blanks by themselves, in `unit`; panels (n,) : the panel of each, two or more
        panels with two blanks.
    design, alpha, beta, unit : as in `before_gain`; four blanks or more.

    Returns
    -------
    A `Gain`.

    Raises
    ------
    ContractError : too few panels or blanks, or blanks that do not differ.

    >>> gain = panel_gain([0.0, 0.1, 0.9, 1.0, -0.8, -0.9], ["A", "A", "B", "B", "C", "C"])
    >>> round(gain.ratio, 1), gain.paired_detection_limit < gain.detection_limit
    (12.7, True)
    """
    from scipy.special import fdtri

    names = np.array(panels, dtype=str)
    serve = sorted(panels_that_serve(names.tolist()))
    values = np.asarray(scores, dtype=float)
    groups = [values[names == one] for one in serve]
    shown = design or Design()
    within = sum(float(((own - own.mean()) ** 2).sum()) for own in groups)
    if len(groups) < 2 or shown.blanks < 4 or not within > 0:
        raise ContractError(
            Fault(f"{len(groups)} panels with two blanks, a design of {shown.blanks} blanks",
                  "two panels or more with blanks that differ, and four blanks to lay on panels",
                  "panels=['A', 'A', 'B', 'B'], Design(blanks=6)")
        )  # fmt: skip
    counts = np.array([own.size for own in groups])
    n, between_nu = int(counts.sum()), len(groups) - 1
    within_nu, each = n - len(groups), (n - (counts**2).sum() / n) / between_nu
    level = float(np.concatenate(groups).mean())
    between = sum(own.size * (float(own.mean()) - level) ** 2 for own in groups) / between_nu
    paired = math.sqrt(within / within_nu)
    found = between / paired**2

    def ratio(divided: float) -> float:
        return math.sqrt(1 + max(found / divided - 1, 0.0) / each)

    low, high = (
        ratio(float(fdtri(between_nu, within_nu, share)))
        for share in ((1 + _CONFIDENCE) / 2, (1 - _CONFIDENCE) / 2)
    )
    alone = ratio(1.0) * paired
    n_blanks, m = shown.blanks, shown.mockups
    lie = on_panels_of_two(n_blanks, m)
    limits = (
        arm_limits(alone, n_blanks, m, alpha, beta).detection,
        arm_limits(paired, n_blanks, m, alpha, beta, lie).detection,
    )
    return Gain(BLOCK, alone, paired, low, high, n, shown, *limits, unit)


def gains_from_run(
    run: StudyResult,
    *,
    paint: str | None = None,
    design: Design | None = None,
    alpha: float = 0.05,
    beta: float = 0.05,
) -> tuple[Gain, ...]:
    """Say what pairing would bring by the blanks of a finished run: states before, panels.

    Parameters
    ----------
    run, paint : as in `from_run`.
    design, alpha, beta : as in `before_gain`.

    Returns
    -------
    A `Gain` for each way that three blanks or more of the run tell of; none where they tell of
    none.

    Raises
    ------
    ContractError : an unknown paint, or no deciding score in ug cm-2.
    """
    return tuple(_gains(run, paint, design or Design(), alpha, beta))


def _gains(
    run: StudyResult, paint: str | None, design: Design, alpha: float, beta: float
) -> Iterator[Gain]:
    row, blanks = pilot_blanks(run, paint)
    unit = str(row["unit"])
    known = blanks[np.isfinite(blanks["before"].to_numpy(dtype=float))]
    if len(known) >= ENOUGH_PAIRS:
        yield before_gain(
            known["before"], known["unpaired"], design=design, alpha=alpha, beta=beta, unit=unit
        )
    if len(panels_that_serve(blanks["block"])) > 1 and design.blanks >= 4:
        yield panel_gain(
            blanks["unpaired"], [*blanks["block"]], design=design, alpha=alpha, beta=beta,
            unit=unit,
        )  # fmt: skip
