"""What goes into a limit, checked once: numbers, rates, names."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import ContractError, Fault
from ..schema import UNITS
from ..validator import Field, choice, number, require

Floats = NDArray[np.float64]


def numbers(values: Any, name: str, least: int) -> Floats:
    """Return finite float64 values as one row, at least `least` of them."""
    array = np.asarray(values, dtype=float).ravel()
    bad = int((~np.isfinite(array)).sum())
    if bad:
        raise ContractError(
            Fault(f"{bad} of {array.size} {name} not finite", f"finite {name}",
                  f"{name}[np.isfinite({name})], once you know why they are missing")
        )  # fmt: skip
    enough(array.size, name, least)
    return array


def enough(count: int, name: str, least: int) -> None:
    """Raise where fewer than `least` values were counted."""
    if count < least:
        raise ContractError(
            Fault(f"{count} {name}", f"at least {least} {name}",
                  f"measure {least - count} more")
        )  # fmt: skip


def pairs(loadings: Any, responses: Any, least: int, levels: int = 3) -> tuple[Floats, Floats]:
    """Return loadings (zero or above, at least so many levels) and responses, of one length."""
    x, y = numbers(loadings, "loadings", least), numbers(responses, "responses", least)
    same_length(x, y, "responses")
    not_negative(x, "loadings")
    enough(np.unique(x).size, "different loadings", levels)
    return x, y


def samples(x: Floats, y: Floats, sample: Any) -> tuple[Floats, Floats]:
    """Return one loading and the mean response of each sample; as given where none are named.

    Measurements of one sample share its loading error and its paint: they are no replicates.
    """
    if sample is None:
        return x, y
    labels = np.asarray(sample).astype(str).ravel()
    same_length(x, labels, "samples")
    _, place, counts = np.unique(labels, return_inverse=True, return_counts=True)
    own = np.bincount(place, x) / counts
    mixed = sorted({str(labels[k]) for k in np.flatnonzero(~np.isclose(own[place], x))})
    if mixed:
        raise ContractError(
            Fault(f"more than one loading of the sample {mixed[0]!r}", "one loading a sample",
                  "a name of its own for each sample that was prepared")
        )  # fmt: skip
    return own, np.bincount(place, y) / counts


def same_length(x: Floats, y: NDArray[Any], name: str) -> None:
    if x.size != y.size:
        raise ContractError(
            Fault(f"{x.size} loadings and {y.size} {name}", "one of each for every mock-up",
                  f"the {name} in the order of the loadings")
        )  # fmt: skip


def not_negative(values: Floats, name: str) -> None:
    if values.min() < 0:
        raise ContractError(
            Fault(f"{name} down to {values.min():g}", f"{name} of zero or above",
                  f"the {name} as they were prepared or counted")
        )  # fmt: skip


def rate(value: float, name: str, below: float = 0.5) -> float:
    """Return a rate between 0 and `below`."""
    return _one(value, name, number("a rate", above=0, below=below, example="0.05"))


def confidence_level(value: float) -> float:
    """Return a confidence between 0.5 and 1."""
    return _one(value, "confidence", number("a confidence", above=0.5, below=1, example="0.9"))


def positive(value: float | None, name: str, why: str) -> float:
    """Return a finite number above zero."""
    return _one(value, name, replace(_POSITIVE, words=f"{name} above zero: {why}"))


_POSITIVE = number(above=0, example="...")


def _one(value: Any, name: str, field: Field) -> float:
    return float(require(value, name, field, ContractError))


def scatter(values: Floats, name: str) -> float:
    """Return the standard deviation (n - 1) of values that do not all agree."""
    sd = float(values.std(ddof=1)) if np.ptp(values) > 0 else 0.0
    return positive(sd, f"the standard deviation of the {name}", "they must not all agree")


def choose(value: str, choices: Iterable[str], name: str) -> str:
    """Return a value that is one of the choices."""
    return str(require(value, name, choice(choices), ContractError))


def known_unit(unit: str) -> str:
    return choose(unit, UNITS, "unit")


def rising(slope: float, error: float) -> None:
    """Raise where the response does not rise with the load."""
    if slope <= 0:
        raise ContractError(
            Fault(f"a slope of {slope:.4g} (standard error {error:.2g})",
                  "a response that rises with the loading",
                  "a score that answers to the residue; check the loadings and the sign")
        )  # fmt: skip
