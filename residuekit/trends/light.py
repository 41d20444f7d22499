"""Doses of light and heat, with what may not be concluded from them."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np

from ..errors import ContractError, Fault, ResiduekitWarning, did_you_mean
from ..words import findings as words
from .finding import Shown


@dataclass(frozen=True)
class Dose(Shown):
    """A dose of light, with what may not be concluded from it."""

    title = "Dose"
    say = words.light_dose

    value: float
    unit: str
    hours: float


_DOSES = {"lx": ("lx h", 1.0), "W m-2": ("kJ m-2", 3.6), "W m-2 nm-1": ("kJ m-2 nm-1", 3.6)}


def dose(level: float, hours: float, unit: str) -> Dose:
    """Give level x time: lx h of lx, kJ m-2 of W m-2 (x 3.6 h), kJ m-2 nm-1 of W m-2 nm-1.

    >>> dose(1.10, 100, "W m-2 nm-1").value
    396.0

    Parameters
    ----------
    level : of the light, in `unit`.
    hours : of exposure.
    unit : ``lx``, ``W m-2`` or ``W m-2 nm-1``.

    Returns
    -------
    A `Dose`.

    Raises
    ------
    ContractError : another unit, or a level or time that is not a number from 0 up.

    >>> dose(1.10, 100, "W m-2 nm-1").value
    396.0
    """
    if unit not in _DOSES:
        raise ContractError(Fault(f"unit={unit!r}", did_you_mean(unit, _DOSES), "unit='lx'"))
    if not (0 <= level < np.inf and 0 <= hours < np.inf):
        raise ContractError(
            Fault(f"level={level}, hours={hours}", "numbers from 0 up", "the level and the hours")
        )
    of, factor = _DOSES[unit]
    return Dose(round(level * hours * factor, 9), of, hours)


#: J mol-1 K-1, exact since the SI of 2019.
GAS_CONSTANT = 8.314462618
_KELVIN = 273.15


@dataclass(frozen=True)
class Acceleration(Shown):
    """How many times faster one activated process goes at a higher temperature."""

    title = "Acceleration"
    say = words.acceleration

    factor: float
    energy_kj_mol: float
    from_celsius: float
    to_celsius: float


def arrhenius(
    energy_kj_mol: float,
    from_celsius: float,
    to_celsius: float,
    *,
    valid_celsius: tuple[float, float],
) -> Acceleration:
    """Give the factor exp(E / R (1 / T1 - 1 / T2)) of one activated process, with a warning.

    Parameters
    ----------
    energy_kj_mol : the activation energy, found for this material and this change.
    from_celsius, to_celsius : the temperatures, degrees C.
    valid_celsius : the range of temperatures in which it was found; both must lie in it.

    Returns
    -------
    An `Acceleration`; it always comes with a warning.

    Raises
    ------
    ContractError : an energy not above 0, or a temperature outside the range.

    >>> import warnings
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore")
    ...     round(arrhenius(80, 23, 60, valid_celsius=(20, 65)).factor)
    37
    """
    low, high = valid_celsius
    outside = [t for t in (from_celsius, to_celsius) if not -_KELVIN < low <= t <= high < np.inf]
    if outside or not 0 < energy_kj_mol < np.inf:
        raise ContractError(
            Fault(f"energy {energy_kj_mol} kJ mol-1, {from_celsius} and {to_celsius} °C",
                  f"an energy above 0, and temperatures within the {low} to {high} °C in which it "
                  "was found", "no factor outside that range: age at a temperature within it")
        )  # fmt: skip
    inverse = 1 / (from_celsius + _KELVIN) - 1 / (to_celsius + _KELVIN)
    factor = float(np.exp(energy_kj_mol * 1000 / GAS_CONSTANT * inverse))
    made = Acceleration(factor, energy_kj_mol, from_celsius, to_celsius)
    warnings.warn(str(made), ResiduekitWarning, stacklevel=2)
    return made
