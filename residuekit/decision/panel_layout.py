"""Panels: mock-ups that share the paint of a panel are compared with the blanks beside them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import sqrt
from typing import Any

import numpy as np
import numpy.typing as npt

from ..words.codes import Note

Floats = npt.NDArray[np.float64]

#: Fewer blanks on a panel show nothing of how mock-ups differ within it.
ENOUGH_ON_A_PANEL = 2
#: Least degrees of freedom within panels, as three blanks without panels have.
LEAST_FREEDOM = 2
#: What the column `paired` says of an arm that is judged within panels.
BLOCK = "block"


@dataclass(frozen=True)
class Panels:
    """How many blank and exposed mock-ups lie on each panel; without panels, on one.

    An exposed mock-up is compared with the mean of the a blanks of its panel: its value has the
    variance 1 + 1/a of a mock-up's, and values of one panel share 1/a of it. `named`
    holds the panel of each blank and of each exposed mock-up where they do not lie in that order.
    """

    blanks: tuple[int, ...]
    exposed: tuple[int, ...]
    named: tuple[tuple[str, ...], tuple[str, ...]] | None = field(default=None, compare=False)

    @property
    def n(self) -> int:
        """Blank mock-ups."""
        return sum(self.blanks)

    @property
    def m(self) -> int:
        """Exposed mock-ups."""
        return sum(self.exposed)

    @property
    def freedom(self) -> int:
        """The degrees of freedom of the scatter: each panel gives one for its own mean."""
        return self.n - len(self.blanks)

    @property
    def widening(self) -> float:
        """What blanks differ by from the mean of their panel, times this, has over n - 1 the
        standard deviation that belongs to the degrees of freedom."""
        return sqrt((self.n - 1) / self.freedom)

    @cached_property
    def behind_mean(self) -> float:
        """The arm's mean is compared with what is as certain as a mean of so many blanks."""
        if len(self.blanks) == 1:
            return self.n
        return self.m**2 / sum(c**2 / a for a, c in zip(self.blanks, self.exposed, strict=True))

    @property
    def behind_one(self) -> int:
        """The fewest blanks that a single exposed mock-up is compared with."""
        return min(a for a, c in zip(self.blanks, self.exposed, strict=True) if c)

    @cached_property
    def blank_share(self) -> float:
        """What the blanks of the panels add to the variance among exposed mock-ups, in variances of
        a mock-up; nothing where all are compared with the same."""
        if self.m < 2 or len(self.blanks) == 1:
            return 0.0
        each = sum(c / a for a, c in zip(self.blanks, self.exposed, strict=True))
        return (each - self.m / self.behind_mean) / (self.m - 1)

    @property
    def beside_exposed(self) -> float:
        """The blanks' variance in the arm's mean beyond what scatters among exposed mock-ups."""
        return 1 / self.behind_mean - self.blank_share / self.m

    def places(self) -> tuple[npt.NDArray[np.int_], npt.NDArray[np.int_]]:
        """The panel (numbered) of each blank and of each exposed mock-up."""
        numbers = np.arange(len(self.blanks))
        return np.repeat(numbers, self.blanks), np.repeat(numbers, self.exposed)

    @property
    def on(self) -> tuple[Sequence[Any], ...]:
        """The panel of each blank and of each exposed mock-up, in their own order."""
        return self.named or tuple(own.tolist() for own in self.places())


def one_panel(n: int, m: int) -> Panels:
    """n blank and m exposed mock-ups without panels."""
    return Panels((n,), (m,))


def on_panels_of_two(n: int, m: int) -> Panels:
    """n blank and m exposed mock-ups dealt out over panels with two blanks each, or three."""
    count = max(n // ENOUGH_ON_A_PANEL, 1)
    blanks, exposed = (tuple(len(range(k, own, count)) for k in range(count)) for own in (n, m))
    return Panels(blanks, exposed)


def panels_of(blanks: Sequence[str], exposed: Sequence[str]) -> Panels:
    """Count the mock-ups by the names of their panels; without names all lie on one."""
    of_blanks, of_exposed = Counter(blanks), Counter(exposed)
    exposed_there = tuple(of_exposed[name] for name in of_blanks)
    named = tuple(blanks), tuple(exposed)
    return Panels(tuple(of_blanks.values()), exposed_there, named)


def panels_that_serve(blanks: Iterable[str]) -> set[str]:
    """The panels with blanks enough, by the panel of each blank; empty where they are too few in
    all."""
    counts = Counter(blanks)
    serve = {name: n for name, n in counts.items() if name and n >= ENOUGH_ON_A_PANEL}
    freedom = sum(serve.values()) - len(serve)
    return set(serve) if freedom >= LEAST_FREEDOM else set()


def within_panels(spectra: Floats, panels: Sequence[str]) -> Floats:
    """Take the panels out of the spectra (n, n_wavenumber) of blanks.

    Each keeps the mean of all and what it differs by from the mean of its panel, so widened that
    their standard deviation over n - 1 is that over the degrees of freedom within panels.
    """
    own = spectra - panel_means(spectra, panels, panels)
    values: Floats = spectra.mean(axis=0) + own * panels_of(panels, ()).widening
    return values


def means_within(means: Floats, panels: Sequence[str]) -> Floats:
    """The mean spectra (n, n_wavenumber) of blanks, within panels where all lie on such as
    serve."""
    return means if set(panels) - panels_that_serve(panels) else within_panels(means, panels)


def panel_means(spectra: Floats, panels: Sequence[str], asked: Sequence[str]) -> Floats:
    """The mean of the blanks of each panel asked for, (len(asked), n_wavenumber)."""
    names = np.array(panels)
    return np.reshape([spectra[names == one].mean(axis=0) for one in asked], (-1, spectra.shape[1]))


def panel_notes(layout: Panels | None, score: Any, left_out: Sequence[str] = ()) -> list[Note]:
    """What must be said of an arm that is judged within panels, by its deciding `score`; blanks
    without a panel that serves are left out."""
    if layout is None:
        return []
    numbers: dict[str, Any] = {
        "n_panels": sum(c > 0 for c in layout.exposed), "n_all": len(layout.blanks),
        "n_exposed": layout.m, "n_blanks": layout.n, "freedom": layout.freedom,
        "left_out": list(left_out),
    }  # fmt: skip
    if score is not None:
        scatter = float(score.values.std(ddof=1)) / score.scale
        numbers |= {"scatter": scatter, "unit": score.blindness.unit}
    return [Note("within-panels", numbers)]


def unused_panels(blanks: Sequence[str], exposed: Sequence[str]) -> Note | None:
    """That panels are named and an arm cannot be judged within them; None where no panel holds two
    of these mock-ups or none of the arm has a panel."""
    shared = [name for name, n in Counter([*blanks, *exposed]).items() if name and n > 1]
    if not shared or not any(exposed):
        return None
    counts = Counter(blanks)
    lacking = sorted({name for name in exposed if name and counts[name] < ENOUGH_ON_A_PANEL})
    return Note("panels-not-used", {
        "panels": lacking, "n_without": sum(not name for name in exposed),
        "needed": ENOUGH_ON_A_PANEL,
    })  # fmt: skip
