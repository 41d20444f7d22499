"""Numbers, units and names as people read them."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from typing import Any

from ..reprs import to_error
from ..schema import JUDGED_COLUMNS, LOADING_UNIT, STRATUM_COLUMNS

Stratum = tuple[str, str, float]
Row = Mapping[Any, Any]

_UNITS = {
    LOADING_UNIT: "µg cm⁻²",
    "A cm-1": "A cm⁻¹",
    "cm-1": "cm⁻¹",
    "um": "µm",
    "reference": "× pure gel",
}


def unit_words(unit: str) -> str:
    """A unit of the tables as people write it.

    >>> unit_words("ug cm-2"), unit_words("A")
    ('µg cm⁻²', 'A')
    """
    return _UNITS.get(unit, unit)


def in_words(text: str) -> str:
    """A sentence of the record with its units and minus signs as people write them.

    >>> in_words("mean -0.04 ug cm-2, 1092 cm-1, fringes of 3 um, PVA-2")
    'mean −0.04 µg cm⁻², 1092 cm⁻¹, fringes of 3 µm, PVA-2'
    """
    for ascii_unit in (LOADING_UNIT, "A cm-1", "cm-1"):
        text = text.replace(ascii_unit, _UNITS[ascii_unit])
    return true_minus(re.sub(r"(?<=\d )um\b", _UNITS["um"], text))


def true_minus(text: str) -> str:
    """A text whose negative numbers have a true minus; a hyphen inside a word stays.

    >>> true_minus("-0.5 of 1e-05 at PVA-2")
    '−0.5 of 1e−05 at PVA-2'
    """
    return re.sub(r"(?<![\w.-])-(?=\.?\d)|(?<=\de)-(?=\d)", "−", text)


def number(value: Any, digits: int = 3) -> str:
    """A number to `digits` significant digits with a true minus; a dash where none was computed.

    >>> number(-0.00450376), number(1234.5), number(float("nan")), number(float("inf"))
    ('−0.0045', '1230', '–', '∞')
    """
    if value is None or value != value:
        return "–"
    if math.isinf(value):
        return "∞" if value > 0 else "−∞"
    text = f"{float(value):.{digits}g}"
    if "e" in text and 1e-4 <= abs(value) < 1e9:
        text = f"{float(text):.0f}"
    return text.replace("-", "−")


def rounded(row: Row, name: str) -> str:
    """A number of a verdict, to the second digit of its standard error."""
    value = float(row[name])
    if math.isnan(value):
        return "–"
    return true_minus(to_error(value, float(row["standard_error"])))


def with_error(value: float, error: float) -> str:
    """A number with its standard error, both to the second digit of the latter.

    >>> with_error(0.134, 0.066), with_error(0.134, float("nan"))
    ('0.134 ± 0.066', '0.134')
    """
    spread = f" ± {to_error(error, error)}" if error == error else ""
    return f"{to_error(value, error)}{spread}"


def judged(row: Row) -> bool:
    """Whether an arm has numbers that may be said: what is not assessable has none."""
    fit = row["n_mockups"] and row["verdict"] != "not assessable"
    return bool(fit) and row["estimate"] == row["estimate"]


def bound_words(row: Row) -> str:
    """The upper bound of an arm; none is less than no residue at all."""
    return "below 0" if row["upper_bound"] < 0 else rounded(row, "upper_bound")


def percent(share: float) -> str:
    """A share in per cent.

    >>> percent(0.95), percent(1 - 0.025), percent(0.0499999)
    ('95%', '97.5%', '5%')
    """
    return f"{number(100 * share)}%"


def freedom_words(degrees: float) -> str:
    """Degrees of freedom; nothing where there are none, or where no scatter enters.

    >>> freedom_words(7), freedom_words(8.4321), freedom_words(float("nan"))
    ('7 degrees of freedom', '8.4 degrees of freedom', '')
    """
    if not math.isfinite(degrees):
        return ""
    return f"{number(degrees, 2)} degree{'' if degrees == 1 else 's'} of freedom"


def stratum_of(row: Row) -> Stratum:
    """The stratum of a row of any table."""
    paint, soiling, ageing = (row[name] for name in STRATUM_COLUMNS)
    return str(paint), str(soiling), float(ageing)


def blank_words(treatment: str) -> str:
    """The name of a kind of blank."""
    return {"water": "water-only blank", "none": "untreated blank"}.get(
        treatment, f"{treatment} blank"
    )


def stratum_words(stratum: Stratum) -> str:
    """A stratum as people say it.

    >>> stratum_words(("alkyd", "soot", 400.0))
    'alkyd, soiling soot, aged 400 h'
    """
    paint, soiling, ageing = stratum
    words = [paint]
    if soiling != "none":
        words.append(f"soiling {soiling}")
    if ageing:
        words.append(f"aged {ageing:g} h")
    return ", ".join(words)


def score_words(score: str, unit: str) -> str:
    """A score with its unit, for an axis.

    >>> score_words("net signal", "ug cm-2")
    'net signal (µg cm⁻²)'
    """
    return f"{score} ({unit_words(unit)})"


def conditions_words(row: Row) -> str:
    """The conditions of an arm, or of a series of arms, which leaves out what varies in it; with
    the residue where another name than the treatment's is asked.

    >>> conditions_words({"paint": "alkyd", "soiling": "none", "treatment": "gel",
    ...                   "clearance_min": 2.0, "residue": "citrate"})
    'alkyd, gel, cleared 2 min, residue of citrate'
    """
    stratum = (str(row["paint"]), row.get("soiling", "none"), row.get("ageing_h", 0.0))
    return f"{stratum_words(stratum)}, {treated_words(row)}{residue_words(row)}"


def residue_words(row: Row) -> str:
    """The residue that is asked for, where it has another name than the treatment; else nothing."""
    residue = row.get("residue") or row["treatment"]
    return "" if residue == row["treatment"] else f", residue of {residue}"


def treated_words(row: Row) -> str:
    """What was done to the mock-ups of an arm.

    >>> treated_words({"treatment": "gel", "exposure_min": 2.0, "clearance_min": 1.0,
    ...                "clearance": "swab"})
    'gel 2 min, cleared 1 min by swab'
    """
    words = str(row["treatment"])
    if "exposure_min" in row:
        words += f" {row['exposure_min']:g} min"
    if "clearance_min" in row:
        way = f" by {row['clearance']}" if row.get("clearance") else ""
        words += f", cleared {row['clearance_min']:g} min{way}"
    return words


def arm_words(row: Row) -> str:
    """An arm as people say it.

    >>> arm_words({"paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "treatment": "gel",
    ...            "exposure_min": 2.0, "clearance_min": 2.0})
    'alkyd, gel 2 min, cleared 2 min'
    """
    return conditions_words({name: row[name] for name in JUDGED_COLUMNS if name in row})


def listed(texts: Iterable[object]) -> str:
    """Things in a row of a sentence.

    >>> listed(["a"]), listed(["a", "b"]), listed("abc")
    ('a', 'a and b', 'a, b and c')

    Things that hold commas themselves stand apart by their ands.
    """
    *first, last = list(map(str, texts)) or [""]
    between = " and " if any("," in one for one in (*first, last)) else ", "
    return " and ".join(filter(None, (between.join(first), last)))


def counted(count: int, noun: str) -> str:
    """A count with its noun.

    >>> counted(1, "mock-up"), counted(4, "mock-up")
    ('1 mock-up', '4 mock-ups')
    """
    return f"{count} {noun}" + ("" if count == 1 else "s")


def spectra_words(count: int) -> str:
    """A count of spectra.

    >>> spectra_words(1), spectra_words(4)
    ('1 spectrum', '4 spectra')
    """
    return f"{count} {'spectrum' if count == 1 else 'spectra'}"


def film_nm(loading: float, density: float, digits: int = 2) -> str:
    """The thickness in nm of an even film of a loading in ug cm-2 and a density in g cm-3.

    >>> film_nm(1.27, 1.27)
    '10'
    """
    return number(10 * loading / density, digits)


def also_nm(loading: float, density: float | None) -> str:
    """A loading in ug cm-2 as the thickness of an even film, where the density is known.

    >>> also_nm(1.27, 1.27), also_nm(1.27, None)
    (' (10 nm)', '')
    """
    return "" if density is None else f" ({film_nm(loading, density)} nm)"


def as_films(density: float | None) -> str:
    """What any loading is as an even film, where the density is known.

    >>> as_films(1.25), as_films(None)
    ('1 µg cm⁻² is an even film of 8 nm.', '')
    """
    return "" if density is None else f"1 µg cm⁻² is an even film of {film_nm(1, density, 3)} nm."


def above_one_limit(
    above: int, n: int, limit: str, share: float, seen: str, alpha: float, beta: float
) -> str:
    """How many mock-ups stood out, what share of such mock-ups may, and what of one may be missed.

    `limit` and `seen` are the decision and the detection limit of one mock-up, with their unit;
    `share` bounds the share of mock-ups above the former.

    One at the detection limit is above the decision limit in 1 - beta of cases only, so the share
    at or above the former may be larger by that factor.

    >>> above_one_limit(6, 6, "1.08 ug cm-2", 1.0, "1.80 ug cm-2", 0.05, 0.05)
    '6 of 6 mock-ups stood out (decision limit of one: 1.08 ug cm-2).'
    """
    said = (
        f"{above or 'None'} of {counted(n, 'mock-up')} stood out (decision limit of one: {limit})."
    )
    if above == n:
        return said
    still = "" if above else "still "
    return (
        f"{said} Up to {share:.0%} of such mock-ups could {still}do so ({percent(1 - alpha)} "
        f"confidence). One mock-up with {seen} would be noticed {100 * (1 - beta):g} times in 100; "
        f"less may be missed. Up to {min(share / (1 - beta), 1):.0%} of such mock-ups could carry "
        "that much."
    )


def asked_gels(study: Mapping[str, Any]) -> list[str]:
    """The treatments that a study asks for: those that may leave any of its residues."""
    residues = study.get("residues") or [{"left_by": [study["treatment"]]}]
    return list(dict.fromkeys(gel for one in residues for gel in one["left_by"]))


def working_exposure(study: Mapping[str, Any], treatment: str) -> float | None:
    """The working exposure of a treatment, min: its own where the study has one for each."""
    known: Mapping[str, float] = study.get("working_exposures") or {}
    return known.get(treatment) if known else study["working_exposure_min"]


def working_words(study: Mapping[str, Any], gels: Iterable[str]) -> str:
    """The working exposure of some treatments; each with its own where they differ.

    >>> working_words({"working_exposure_min": 2.0}, ["gel"])
    '2 min'
    >>> working_words({"working_exposures": {"agar": 2.0, "gellan": 10.0}}, ["agar", "gellan"])
    '2 min with agar and 10 min with gellan'
    """
    times = {gel: time for gel in gels if (time := working_exposure(study, gel)) is not None}
    if len(set(times.values())) == 1:
        return f"{number(next(iter(times.values())))} min"
    return " and ".join(f"{number(time)} min with {gel}" for gel, time in times.items())
