"""What loadings rest on, and what that allows."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ..reprs import to_error
from ..schema import LOADING_UNIT, REFERENCE_FILM, SPIKED
from .common import Row, Stratum, counted, film_nm, stratum_words

#: What a scale of loading rests on, in words.
KNOWN = {SPIKED: "spiked mock-up", REFERENCE_FILM: "reference film"}
MATRIX_HEADS = (
    "stratum", "score", "response of spiked mock-ups", "of reference films", "ratio",
    "95% interval",
)  # fmt: skip
MATRIX_CAPTION = (
    "Matrix effect: response per µg cm⁻² of spiked mock-ups over that of reference films, with "
    "Fieller's 95% interval; 1 means none"
)


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


def as_film(row: Row, density: float | None) -> Iterator[str]:
    """The same loadings as thicknesses of even films, where the density (g cm-3) is known."""
    if density is None or row["unit"] != LOADING_UNIT or math.isnan(row["upper_bound"]):
        return
    mean, upper, seen = (
        film_nm(row[name], density) for name in ("estimate", "upper_bound", "detection_limit")
    )
    yield (
        f"As an even film of {density:g} g cm⁻³: mean {mean}, upper bound {upper}, detection limit "
        f"{seen} nm."
    )


def film_scale_words(n: Mapping[str, Any]) -> str:
    """That loadings rest on films, and what “not detected” then needs."""
    films = counted(n["n"], "reference film")
    alone = " A single film shows no scatter: 10% of its response is taken." if n["n"] == 1 else ""
    return (
        f"Loadings rest on {films}, not on spiked mock-ups: residue in or on the paint may answer "
        f"more weakly than a film.{alone} “Not detected” therefore needs a scale margin of "
        f"{n['needed']:g} (our choice, scale_margin in study.toml)."
    )


def matrix_words(n: Mapping[str, Any]) -> str:
    """The ratio of the slopes of spiked mock-ups and films, and whether it is one."""
    if not math.isfinite(n["high"]):
        judged = "These do not bound the effect."
    elif n["low"] <= 1 <= n["high"]:
        judged = "No effect is shown."
    else:
        judged = "The paint, or the way of spiking, changes the response."
    films = "a single film" if n["n_films"] == 1 else f"{n['n_films']} films"
    return (
        f"Per loading, {n['n_spiked']} spiked mock-ups answer {n['value']:.2f} times as strongly "
        f"as {films} of the pure material (matrix effect; 95% interval {ratio_interval(n)}, "
        f"Fieller). {judged} Loadings rest on the spiked mock-ups."
    )


def ratio_interval(n: Mapping[str, Any]) -> str:
    """The interval of a ratio, or that nothing bounds it."""
    return f"{n['low']:.2f} to {n['high']:.2f}" if math.isfinite(n["high"]) else "not bounded"


def matrix_row(place: str, n: Mapping[str, Any]) -> tuple[str, ...]:
    """A line of the table under `MATRIX_HEADS`."""
    slopes = (
        f"{to_error(n[name], n[f'{name}_error'])} ± {to_error(*[n[f'{name}_error']] * 2)} "
        f"({n[f'n_{count}']})"
        for name, count in (("spiked", "spiked"), ("film", "films"))
    )
    return place, n["score"], *slopes, f"{n['value']:.2f}", ratio_interval(n)


def sunk_words(shares: Mapping[str, float], depth_um: float) -> str:
    """How much more weakly than a film residue in the paint would answer, by way of measuring."""
    listed = "; ".join(f"{share:.2f} times as strongly ({mode})" for mode, share in shares.items())
    return (
        f"A residue that spread evenly over the first {depth_um:g} µm of the paint would answer "
        f"less than a film on it: {listed}, by the optics of a mixed layer at 1092 cm⁻¹ "
        "(absorption index 0.2, assumed). A verdict holds for it where its scale margin is above "
        "the inverse."
    )


def sunk_margin(shares: Mapping[str, float], depth_um: float, margin: float) -> str:
    """Whether a scale margin covers residue in the paint, by way of measuring.

    >>> sunk_margin({"diamond": 0.62, "germanium": 0.3}, 1.0, 3.1)[:70]
    'Residue spread over the first 1 µm of the paint would answer 0.62 (dia'
    """
    if not shares:
        return ""
    listed = " or ".join(
        f"{share:.2f} ({mode}, {'covered' if margin * share >= 1 else 'not covered'})"
        for mode, share in shares.items()
    )
    return (
        f"Residue spread over the first {depth_um:g} µm of the paint would answer {listed} times "
        "as strongly as a film."
    )


def thin_on_mirror(file: str) -> str:
    """That a thin film in transflection may lie where the light's field is weak."""
    return (
        f"{file} is a film of less than 100 µg cm⁻² in transflection: on a bare mirror it would "
        "lie where the field of the light is weak, and answer a small part of what residue on "
        "paint does. Put it on the paint, or on some micrometres of a clear layer."
    )


def scale_line(
    material: str, stratum: Stratum, spiked: int, films: int, margin: float, *, accepted: bool
) -> str:
    """What the loadings of a residue rest on in a stratum, and what that allows.

    `accepted` says whether the study states an acceptance limit.

    >>> scale_line("PVA", ("alkyd", "none", 0.0), 0, 2, 3.0, accepted=True)[:55]
    'scale of PVA on alkyd: reference film (2 reference film'
    """
    place = f"scale of {material} on {stratum_words(stratum)}:"
    found = (
        f"spiked ({counted(spiked, 'mock-up')})"
        if spiked > 1
        else f"reference film ({counted(films, 'reference film')})"
    )
    if (spiked > 1 or films) and not accepted:
        return f"{place} {found}, but without an acceptance limit nothing can be “not detected”"
    if spiked > 1:
        return f"{place} {found}, so loadings are held to the acceptance limit"
    if films:
        return (
            f"{place} {found}, so “not detected” "
            f"needs detection limit and upper bound {margin:g} times below the acceptance limit; "
            "four spiked mock-ups near the limit would do without that margin"
        )
    return (
        f"{place} none, so nothing can be “not detected”: four spiked mock-ups near the "
        "acceptance limit, or a reference film with its loading_ug_cm2, would give one"
    )
