"""Doses of light and heat, with what may not be concluded from them."""

from __future__ import annotations

import warnings
from dataclasses import dataclass

import numpy as np

from ..errors import ContractError, Fault, ResiduekitWarning, did_you_mean
from ..reprs import as_html

#: Units of a dose as they are written -> as they are said.
DOSE_UNITS = {
    "h": "h", "hours": "h", "lx h": "lx h", "lux h": "lx h", "klx h": "klx h", "mlx h": "Mlx h",
    "kj m-2": "kJ m-2", "kj/m2": "kJ m-2", "kj/m²": "kJ m-2", "kj m-2 nm-1": "kJ m-2 nm-1",
}  # fmt: skip
_LIGHT = (
    "No years of display follow from a dose of light: that the effect depends on the dose alone "
    "fails for less stable colorants at high intensity, and lux and ultraviolet doses need the "
    "lamp's spectrum to be compared."
)
_HEAT = (
    "Hours in a chamber stand for no other time without the temperature, the humidity, and an "
    "activation energy with the range in which it was found (`residuekit.trends.arrhenius`)."
)


def dose_words(value: float, unit: str, hours: float) -> str:
    """A dose of the table of measurements in words, with the mean level where it is one of light.

    >>> dose_words(150, "klx h", 3000)
    '150 klx h (0.05 klx on average)'
    """
    said = DOSE_UNITS.get(unit.casefold(), unit)
    if said.startswith("kJ") and hours > 0:
        return f"{value:g} {said} ({value / hours / 3.6:.3g} {said.replace('kJ', 'W')} on average)"
    if said.endswith("lx h") and hours > 0:
        return f"{value:g} {said} ({value / hours:.3g} {said.removesuffix(' h')} on average)"
    return f"{value:g} {said}"


def dose_caution(unit: str) -> str:
    """What may not be concluded from a dose in this unit."""
    return _HEAT if DOSE_UNITS.get(unit.casefold()) == "h" else _LIGHT


@dataclass(frozen=True)
class Dose:
    """A dose of light, with what may not be concluded from it."""

    value: float
    unit: str
    hours: float

    def __str__(self) -> str:
        return f"{self.value:.4g} {self.unit} in {self.hours:g} h. {_LIGHT}"

    def _repr_html_(self) -> str:
        return as_html("Dose", {"in words": str(self)})


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


_ACTIVATED = (
    "The energy dominates the factor, which holds for that one process alone: above a glass "
    "transition or a melting point (acrylic, wax, polyether) nothing may be extrapolated, and "
    "humidity changes soaps, crystallinity and hydroxyl bands by itself."
)


@dataclass(frozen=True)
class Acceleration:
    """How many times faster one activated process goes at a higher temperature, and its price."""

    factor: float
    energy_kj_mol: float
    from_celsius: float
    to_celsius: float

    def __str__(self) -> str:
        return (
            f"{self.factor:.3g} times from {self.from_celsius:g} to {self.to_celsius:g} °C at "
            f"{self.energy_kj_mol:g} kJ mol-1. {_ACTIVATED}"
        )

    def _repr_html_(self) -> str:
        return as_html("Acceleration", {"in words": str(self)})


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
