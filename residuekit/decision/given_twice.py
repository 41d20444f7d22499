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
    """Say that blanks do not differ by the score that decides, or by any where all are blind.

    No scatter, no limit: it is below what noise alone undercuts once in 1e9 (chi-square of n - 1),
    or that of rounding.
    """
    chosen = deciding(scores)
    asked = scores if chosen is None else [chosen]
    if not asked or asked[0].values.size < 2 or not all(map(_is_still, asked)):
        return None
    first = asked[0]
    return Fault(
        f"{where}{first.values.size} blank mock-ups that scatter by "
        f"{scatter_of(first.values):.2g} {first.own_unit} in {first.name}, less than noise allows",
        "blank mock-ups that were each prepared and measured",
        "the files as measured; leave copies out",
    )


def _is_still(score: Score) -> bool:
    from scipy.special import gammaincinv

    free = score.values.size - 1
    rounded = _ROUNDED * float(abs(score.values).max())
    noise = score.noise if score.noise > 0 else 0.0
    least = noise * float(2 * gammaincinv(free / 2, CHANCE) / free) ** 0.5
    return bool(scatter_of(score.values) <= max(least, rounded))


def refuse_still(scores: Sequence[Score]) -> None:
    """Raise a ContractError where blanks do not differ by the score that decides."""
    fault = still_fault(scores)
    if fault is not None:
        raise ContractError(fault)
