"""Is a difference the gel, or something else that absorbs where the gel does?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ..kernels import netsignal
from ..kernels.foreign import Additions, ForeignMatter
from ..markers import Marker, markers
from .limits import decision_levels, decision_limit
from .panel_layout import Panels, one_panel

Floats = npt.NDArray[np.float64]

#: What lies on painted surfaces and absorbs where gels do; a difference must stand without it.
FOREIGN = ("silica", "kaolinite", "starch", "zinc carboxylates")
#: The gel must explain more than this share of what foreign matter alone explains.
LEAST_RATIO = 0.7
#: Full width at half height as a share of a marker's window: sharp, normal, broad.
_WIDTHS = (0.6, 1.2, 2.4)
#: How strong a band may be, in heights of a strong one, by what the marker table says of it.
_STRENGTHS = {"vs": (0.5, 2.0), "s": (0.5, 2.0), "m": (0.25, 1.0), "w": (0.0, 0.5)}
_UNSTATED = (0.0, 1.0)
#: A band whose top is further off the axis than this height is left out.
_LEAST = 0.3


@dataclass(frozen=True)
class Confirmation:
    """Whether a difference was confirmed as the gel.

    `shape` is the test of the whole shape; `amount` is what must still be gel when foreign matter
    may be there too, `limit` its own decision limit (both in references); `ratio` is what the gel
    explains over what foreign matter alone explains beyond the scatter of blanks.
    """

    shape: netsignal.ShapeTest
    amount: float
    limit: float
    ratio: float = np.inf

    @property
    def refused(self) -> bool:
        """Whether the difference may be something else."""
        return self.shape.refused or self.foreign

    @property
    def foreign(self) -> bool:
        """Whether foreign matter alone may explain the difference."""
        return is_foreign(self.amount, self.limit, self.ratio)

    def numbers(self) -> dict[str, Any]:
        """The numbers of both tests, for the sentence."""
        return {
            "share": self.shape.share,
            "left": self.shape.ratio,
            "weak": self.shape.weak,
            "amount": self.amount,
            "limit": self.limit,
            "ratio": self.ratio,
            "needed": LEAST_RATIO,
            "foreign": FOREIGN,
        }


def is_foreign(amount: float, limit: float, ratio: float) -> bool:
    """Whether foreign matter alone may explain a difference: see `Confirmation`."""
    return amount <= limit or ratio <= LEAST_RATIO


def foreign_matter(wavenumber: npt.ArrayLike, measured: npt.ArrayLike = ()) -> list[ForeignMatter]:
    """The materials of `FOREIGN` by their bands in the marker table, and measured spectra.

    Positions and strengths come from the table with its sources; what a strength means in numbers
    and the three widths, which follow the table's windows, are our choice. A table's band is
    somewhere between half and twice as strong as it is called; one without a strength may be
    missing.

    Parameters
    ----------
    wavenumber : (n,), cm-1. measured : (k, n) spectra of foreign matter, each a material.
    """
    axis = np.asarray(wavenumber, dtype=float)
    spectra = np.reshape(np.asarray(measured, dtype=float), (-1, axis.size))
    made = [ForeignMatter(one[None], np.ones(1), np.ones(1)) for one in spectra]
    for material in FOREIGN:
        bands = [marker for marker in markers().values() if marker.material == material]
        for width in _WIDTHS:
            shapes = [_band(axis, marker, width) for marker in bands]
            seen = [place for place, shape in enumerate(shapes) if shape.max() > _LEAST]
            if seen:
                low, high = np.array([_strength(bands[place]) for place in seen]).T
                made.append(ForeignMatter(np.array([shapes[place] for place in seen]), low, high))
    return made


def _band(axis: Floats, marker: Marker, width: float) -> Floats:
    if marker.position is None:
        return np.zeros_like(axis)
    half = width * (marker.high - marker.low) / 2
    shape: Floats = np.exp2(-(((axis - marker.position) / half) ** 2))
    return shape


def _strength(marker: Marker) -> tuple[float, float]:
    said = (marker.strength or "").split()
    return next((_STRENGTHS[word] for word in said if word in _STRENGTHS), _UNSTATED)


def unexplained(
    net: netsignal.NetSignal,
    blanks: Floats,
    exposed: Floats,
    wavenumber: Floats,
    panels: Panels | None = None,
) -> float:
    """Say how much of an arm's mean difference the references leave, in what blanks leave.

    Q / Q0 of `netsignal.shape_test`, about 1 for a clean arm and for one with gel. A net signal is
    biased by what is neither the paint nor the gel, and downwards too; this tells that there is
    such a thing.

    Parameters
    ----------
    net : the net signal. blanks (n, n_wavenumber), n >= 2; exposed (m, n_wavenumber).
    panels : how these lie on panels, where they are judged within them.
    """
    difference = exposed.mean(axis=0) - blanks.mean(axis=0)
    lie = panels or one_panel(len(blanks), len(exposed))
    test = netsignal.shape_test(
        difference, blanks, net, wavenumber, n_exposed=len(exposed), n_behind=lie.behind_mean
    )
    return test.ratio if test.residual else 0.0


class Confirmer:
    """Confirms differences from the blanks of an arm as the gel.

    A difference (the arm's mean, or one mock-up's) is confirmed if its shape is not refused
    (`netsignal.shape_test`) and if foreign matter, which only adds, cannot explain it instead: in
    the metric it is fitted by foreign matter with and without the gel (`kernels.foreign`), and what
    only the gel explains must be above a decision limit of its own, sqrt(RSS without - RSS with) >
    q s_b |g| h; and the gel alone must explain more than 0.7 of what foreign matter alone explains
    beyond what it explains of the blanks' own scatter. The estimate, the limits and the bound stay
    those of the deciding score: what this costs is paid in `inconclusive`.
    """

    def __init__(
        self,
        net: netsignal.NetSignal,
        values: Floats,
        blanks: Floats,
        wavenumber: Floats,
        interferents: npt.ArrayLike = (),
        alpha: float = 0.05,
        panels: Panels | None = None,
    ):
        """Take the controls of an arm.

        Parameters
        ----------
        net : the net signal; values (n,) : those of the blanks by it, each made without itself.
        blanks (n, n_wavenumber) : their spectra, n >= 2.
        interferents (k, n_wavenumber) : measured spectra of foreign matter.
        panels : how blanks and the arm's mock-ups lie on panels, where they are judged within them.
        """
        self.net, self.values, self.blanks, self.panels = net, values, blanks, panels
        self.wavenumber, self.alpha = wavenumber, alpha
        whiten = net.metric.whiten
        self.additions = Additions(
            [
                ForeignMatter(whiten(one.bands), one.least, one.most)
                for one in foreign_matter(wavenumber, interferents)
            ],
            whiten(net.references),
        )
        #: |g| : the norm of the reference in the metric.
        self.norm = float(np.linalg.norm(whiten(net.target)))
        n = len(blanks)
        left_out = whiten(blanks - blanks.mean(axis=0)) * (n / (n - 1))
        by_chance = [self.additions.foreign(row) for row in self.additions.coordinates(left_out)]
        #: What foreign matter explains of a single blank's difference from the others.
        self.by_chance = float(np.mean(by_chance)) * (n - 1) / n

    def __call__(self, exposed: Floats, worst: int | None = None) -> Confirmation:
        """Confirm the mean of exposed mock-ups (m, n_wavenumber), or mock-up number `worst`."""
        chosen = exposed if worst is None else exposed[worst : worst + 1]
        difference = chosen.mean(axis=0) - self.blanks.mean(axis=0)
        alone, lie = worst is not None, self._lie(len(exposed))
        behind = lie.behind_one if alone else lie.behind_mean
        shape = netsignal.shape_test(
            difference, self.blanks, self.net, self.wavenumber,
            n_exposed=len(chosen), n_behind=behind,
        )  # fmt: skip
        seen = self.additions.coordinates(self.net.metric.whiten(difference))
        limit = self.limit(float(self.values.std(ddof=1)), len(exposed), alone=alone)
        amount, ratio = self.compare(seen, len(chosen), behind)
        return Confirmation(shape, amount, limit, ratio)

    def _lie(self, m: int) -> Panels:
        return self.panels or one_panel(len(self.blanks), m)

    def compare(self, seen: Floats, m: int, behind: float) -> tuple[float, float]:
        """The amount that only the gel explains of a mean of m less that of so many blanks, in
        references, and the ratio of what gel and foreign matter explain."""
        found = self.additions.explain(seen)
        ratio = self._ratio(found.gel, found.foreign, m, behind)
        return self._only_gel(found.both, found.foreign), ratio

    def foreign(self, seen: Floats, m: int, behind: float, limit: float) -> bool:
        """Whether `is_foreign` says so of what `compare` finds, with no fit that is not needed."""
        foreign, gel = self.additions.foreign(seen), self.additions.gel(seen)
        if self._ratio(gel, foreign, m, behind) <= LEAST_RATIO:
            return True
        if self._only_gel(gel, foreign) > limit:  # both together explain no less than the gel
            return False
        return self._only_gel(self.additions.both(seen), foreign) <= limit

    def _ratio(self, gel: float, foreign: float, m: int, behind: float) -> float:
        beyond = foreign - self.by_chance * (1 / m + 1 / behind)
        return gel / beyond if beyond > 0 else np.inf

    def _only_gel(self, explained: float, foreign: float) -> float:
        return float(np.sqrt(max(explained - foreign, 0.0))) / self.norm

    def limit(self, scatter: Any, m: int, *, alone: bool = False) -> Any:
        """The decision limit of that amount, for the mean of m mock-ups or the largest of them."""
        from scipy.special import stdtrit

        lie = self._lie(m)
        if alone:
            quantile = decision_levels(lie.n, m, self.alpha, self.panels).mockup
            return decision_limit(quantile, scatter, lie.behind_one)
        quantile = float(stdtrit(lie.freedom, 1 - self.alpha))
        return decision_limit(quantile, scatter, lie.behind_mean, m)
