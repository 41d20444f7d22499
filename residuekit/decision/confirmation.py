"""Is a difference the gel, or something else that absorbs where the gel does?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ..kernels import netsignal
from ..markers import markers
from .blank_values import blank_values, mean_weights
from .limits import decision_levels, decision_limit

Floats = npt.NDArray[np.float64]

#: What lies on painted surfaces and absorbs where gels do; a difference must stand without it.
FOREIGN = ("silica", "kaolinite", "starch", "zinc carboxylates")
#: Full width at half height as a share of a marker's window, once narrow and once wide.
_WIDTHS = (0.6, 1.2)
#: A band whose top is further off the axis than this height is left out.
_LEAST = 0.3


@dataclass(frozen=True)
class Confirmation:
    """Whether a difference was confirmed as the gel.

    `shape` is the test of the whole shape; `amount` is what is left of the difference when the
    bands of foreign matter may be anything, `limit` its own decision limit (both in references).
    """

    shape: netsignal.ShapeTest
    amount: float
    limit: float

    @property
    def refused(self) -> bool:
        """Whether the difference may be something else."""
        return self.shape.refused or self.amount <= self.limit

    def numbers(self) -> dict[str, Any]:
        """The numbers of both tests, for the sentence."""
        return {
            "share": self.shape.share,
            "ratio": self.shape.ratio,
            "weak": self.shape.weak,
            "amount": self.amount,
            "limit": self.limit,
            "foreign": FOREIGN,
        }


def foreign_bands(wavenumber: npt.ArrayLike) -> Floats:
    """Return (k, n): each band of `FOREIGN` in the marker table by itself, in two widths.

    Positions come from the table with its sources; the widths follow the tables' windows (our
    choice, no source). Single bands in two widths stand for many relative strengths and forms:
    no spectrum of the foreign matter at hand is needed.
    """
    axis = np.asarray(wavenumber, dtype=float)
    shapes = [
        np.exp2(-((2 * (axis - marker.position) / (width * (marker.high - marker.low))) ** 2))
        for marker in markers().values()
        if marker.material in FOREIGN and marker.position is not None
        for width in _WIDTHS
    ]
    return np.array([shape for shape in shapes if shape.max() > _LEAST]).reshape(-1, axis.size)


def unexplained(
    net: netsignal.NetSignal, blanks: Floats, exposed: Floats, wavenumber: Floats
) -> float:
    """Say how much of an arm's mean difference the references leave, in what blanks leave.

    Q / Q0 of `netsignal.shape_test`, about 1 for a clean arm and for one with gel. A net signal is
    biased by what is neither the paint nor the gel, and downwards too; this tells that there is
    such a thing.

    Parameters
    ----------
    net : the net signal. blanks (n, n_wavenumber), n >= 2; exposed (m, n_wavenumber).
    """
    difference = exposed.mean(axis=0) - blanks.mean(axis=0)
    test = netsignal.shape_test(difference, blanks, net, wavenumber, n_exposed=len(exposed))
    return test.ratio if test.residual else 0.0


def confirmer(
    net: netsignal.NetSignal,
    careful: Floats,
    blanks: Floats,
    exposed: Floats,
    wavenumber: Floats,
    alpha: float = 0.05,
) -> Callable[[int | None], Confirmation]:
    """Make the `confirm` argument of `assess` for one arm.

    A difference (the arm's mean, or one mock-up's) is confirmed as the gel if its shape is not
    refused (`netsignal.shape_test`) and if the net signal that is blind to every band of foreign
    matter (`foreign_bands`) and to the known interferents is above a decision limit of its own.
    The estimate, the limits and the bound stay those of the deciding score: what this costs is
    paid in `inconclusive`, not in what can be seen.

    Parameters
    ----------
    net : the net signal. blanks (n, n_wavenumber), exposed (m, n_wavenumber): mock-up means.
    careful (n, n_wavenumber) : the weights blind to foreign matter, made without each blank.
    """
    levels = blank_values(blanks, careful)
    weights = mean_weights(careful)

    def confirm(worst: int | None) -> Confirmation:
        from scipy.special import stdtrit

        chosen = exposed if worst is None else exposed[worst : worst + 1]
        difference = chosen.mean(axis=0) - blanks.mean(axis=0)
        shape = netsignal.shape_test(difference, blanks, net, wavenumber, n_exposed=len(chosen))
        n, m = len(blanks), len(exposed)
        quantile = float(stdtrit(n - 1, 1 - alpha))
        if worst is not None:
            quantile = decision_levels(n, m, alpha).mockup
        limit = decision_limit(quantile, float(levels.std(ddof=1)), n, len(chosen))
        amount = float((chosen @ weights).mean() - levels.mean())
        return Confirmation(shape, amount, limit)

    return confirm
