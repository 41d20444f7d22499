"""Mock-ups in memory that are one measurement given twice, blanks that do not differ: refused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..errors import ContractError, Fault
from ..spectra.arrays import listed
from ..spectra.twins import CHANCE, imprint, twins
from .blindness import scatter_of
from .controls import MockupArrays
from .scores import Score, deciding

#: Scatter below this share of the values is that of rounding.
_ROUNDED = 1e-9


def refuse_twins(groups: Mapping[str, Sequence[MockupArrays | None] | None]) -> None:
    """Refuse arrays of two mock-ups that agree more closely than noise allows.

    Raises
    ------
    ContractError : a fault for each, with the places of both.
    """
    owners, imprints = [], []
    for name, mockups in groups.items():
        for place, mockup in enumerate(mockups or ()):
            for one in () if mockup is None else listed(mockup, "maps of a mock-up"):
                owners.append(f"{name}[{place}]")
                imprints.append(imprint(one))
    faults = [
        Fault(f"{owners[later]} with the spectra of {owners[first]}, closer than the noise of two "
              "measurements allows", "one entry for one mock-up",
              "leave one of them out; maps of one mock-up go in one list")
        for later, first in twins(imprints, owners)
    ]  # fmt: skip
    if faults:
        raise ContractError(faults)


def still_fault(scores: Sequence[Score], where: str = "") -> Fault | None:
    """Say that blanks do not differ by the score that decides: no scatter, no limit.

    Below what noise alone undercuts once in 1e9 (chi-square of n - 1), or none at all.
    """
    from scipy.special import gammaincinv

    score = deciding(scores)
    if score is None or score.values.size < 2:
        return None
    scatter, free = scatter_of(score.values), score.values.size - 1
    rounded = _ROUNDED * float(abs(score.values).max())
    noise = score.noise if score.noise > 0 else 0.0
    least = noise * float(2 * gammaincinv(free / 2, CHANCE) / free) ** 0.5
    if scatter > max(least, rounded):
        return None
    alone = f", where noise alone gives {noise:.2g}" if noise else ""
    return Fault(
        f"{where}{free + 1} blank mock-ups that scatter by {scatter:.2g} in {score.name}{alone}",
        "blank mock-ups that were each prepared and measured",
        "the files as measured; leave copies out",
    )


def refuse_still(scores: Sequence[Score]) -> None:
    """Raise a ContractError where blanks do not differ by the score that decides."""
    fault = still_fault(scores)
    if fault is not None:
        raise ContractError(fault)
