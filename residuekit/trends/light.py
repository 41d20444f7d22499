"""Doses of light and heat, with what may not be concluded from them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..errors import ContractError, Fault, did_you_mean
from ..reprs import as_html


@dataclass(frozen=True)
class Dose:
    """A dose of light, with what may not be concluded from it."""

    value: float
    unit: str
    hours: float

    def __str__(self) -> str:
        return (
            f"{self.value:.4g} {self.unit} in {self.hours:g} h. No years of display follow from "
            "it: that the effect depends on the dose alone fails for less stable colorants at high "
            "intensity, and lux and ultraviolet doses need the lamp's spectrum to be compared."
        )

    def _repr_html_(self) -> str:
        return as_html("Dose", {"in words": str(self)})


_DOSES = {"lx": ("lx h", 1.0), "W m-2": ("kJ m-2", 3.6), "W m-2 nm-1": ("kJ m-2 nm-1", 3.6)}


def dose(level: float, hours: float, unit: str) -> Dose:
    """Give level x time: lx h of lx, kJ m-2 of W m-2 (x 3.6 h), kJ m-2 nm-1 of W m-2 nm-1.

    >>> dose(1.10, 100, "W m-2 nm-1").value
    396.0

    Raises
    ------
    ContractError : another unit, or a level or time that is not a number from 0 up.
    """
    if unit not in _DOSES:
        raise ContractError(Fault(f"unit={unit!r}", did_you_mean(unit, _DOSES), "unit='lx'"))
    if not (0 <= level < np.inf and 0 <= hours < np.inf):
        raise ContractError(
            Fault(f"level={level}, hours={hours}", "numbers from 0 up", "the level and the hours")
        )
    of, factor = _DOSES[unit]
    return Dose(round(level * hours * factor, 9), of, hours)
