"""What loadings rest on, and what that allows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from ..schema import REFERENCE_FILM, SPIKED
from .common import Stratum, counted, stratum_words


def slope_words(scales: Sequence[str], study: Mapping[str, Any]) -> str:
    """How scores become loadings."""
    said = (
        "The slope that turns scores into loadings is a weighted straight line through zero over "
        "the spiked mock-ups of the same paint and soiling. "
    )
    if REFERENCE_FILM not in scales:
        return said
    return (
        f"{said if SPIKED in scales else ''}Without spiked mock-ups it is the mean response per "
        "loading of reference films of the pure material, with the scatter of several films or "
        "10 % for a single one, and the declared error of their loadings. Residue in the paint may "
        "answer more weakly than a film, so “not detected” then needs detection limit and upper "
        f"bound {study['scale_margin']:g} times below the acceptance limit (our choice). "
    )


def sunk_words(shares: Mapping[str, float], depth_um: float) -> str:
    """How much more weakly than a film residue in the paint would answer, by way of measuring."""
    listed = "; ".join(f"{share:.2f} times as strongly ({mode})" for mode, share in shares.items())
    return (
        f"A residue that spread evenly over the first {depth_um:g} µm of the paint would answer "
        f"less than a film on it: {listed}, by the optics of a mixed layer at 1092 cm⁻¹ "
        "(absorption index 0.2, assumed). A verdict holds for it where its scale margin is above "
        "the inverse."
    )


def thin_on_mirror(file: str) -> str:
    """That a thin film in transflection may lie where the light's field is weak."""
    return (
        f"{file} is a film of less than 100 µg cm⁻² in transflection: on a bare mirror it would "
        "lie where the field of the light is weak, and answer a small part of what residue on "
        "paint does. Put it on the paint, or on some micrometres of a clear layer."
    )


def scale_line(material: str, stratum: Stratum, spiked: int, films: int, margin: float) -> str:
    """What the loadings of a residue rest on in a stratum, and what that allows.

    >>> scale_line("PVA", ("alkyd", "none", 0.0), 0, 2, 3.0)[:55]
    'scale of PVA on alkyd: reference film (2 reference film'
    """
    place = f"scale of {material} on {stratum_words(stratum)}:"
    if spiked > 1:
        return f"{place} spiked ({counted(spiked, 'mock-up')}), so every verdict can be reached"
    if films:
        return (
            f"{place} reference film ({counted(films, 'reference film')}), so “not detected” "
            f"needs detection limit and upper bound {margin:g} times below the acceptance limit; "
            "four spiked mock-ups near the limit would do without that margin"
        )
    return (
        f"{place} none, so nothing can be “not detected”: four spiked mock-ups near the "
        "acceptance limit, or a reference film with its loading_ug_cm2, would give one"
    )
