"""The words other people use for quantities, axes and units, and what they mean here."""

from __future__ import annotations

import re
import unicodedata
import warnings
from collections.abc import Iterable
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import ResiduekitWarning
from .opening import refuse

_SHORT = {"a": "absorbance", "abs": "absorbance", "t": "transmittance", "r": "reflectance",
          "km": "kubelka_munk", "od": "absorbance", "mod": "absorbance", "mau": "absorbance",
          "mabs": "absorbance", "ext": "absorbance"}  # fmt: skip
_LONG = {
    "absorbance": "absorbance", "log(1/r)": "absorbance", "log 1/r": "absorbance",
    "log10(1/r)": "absorbance", "log(1/t)": "absorbance", "log10(1/t)": "absorbance",
    "transmittance": "transmittance", "transmission": "transmittance",
    "reflectance": "reflectance", "reflectivity": "reflectance",
    "optical density": "absorbance", "milliabsorbance": "absorbance",
    "extinktion": "absorbance", "absorbanz": "absorbance", "absorptionsmass": "absorbance",
    "densité optique": "absorbance", "densite optique": "absorbance",
    "densità ottica": "absorbance", "densidad óptica": "absorbance",
    "assorbanza": "absorbance", "absorbancia": "absorbance",
    "transmissionsgrad": "transmittance", "trasmittanza": "transmittance",
    "trasmissione": "transmittance", "transmitancia": "transmittance",
    "transmisión": "transmittance", "durchlässigkeit": "transmittance",
    "durchlaessigkeit": "transmittance", "durchlassigkeit": "transmittance",
    "reflexionsgrad": "reflectance", "reflexion": "reflectance", "réflexion": "reflectance",
    "reflektanz": "reflectance", "remission": "reflectance", "réflectance": "reflectance",
    "riflettanza": "reflectance", "reflectancia": "reflectance",
    "kubelka munk": "kubelka_munk", "f(r)": "kubelka_munk", "absorption index": "absorption_index",
}  # fmt: skip
_EACH_LONG = {known: re.compile(rf"(?<![a-z]){re.escape(known)}(?![a-z])") for known in _LONG}
_ANY_LONG = re.compile("|".join(one.pattern for one in _EACH_LONG.values()))
_WAVENUMBER_WORDS = (
    "wavenumber", "wavenumbers", "wave number", "wave numbers", "wn", "nu", "cm 1",
    "wellenzahl", "wellenzahlen", "nombre d'onde", "nombres d'onde", "numero d'onda",
    "numeri d'onda", "numero de onda", "número de onda", "numeros de onda", "números de onda",
    "golfgetal",
)  # fmt: skip
_WAVELENGTH_WORDS = ("wavelength", "wavelengths", "wl", "lambda", "wellenlänge", "wellenlängen",
                     "wellenlaenge", "longueur d'onde", "longueurs d'onde", "lunghezza d'onda",
                     "lunghezze d'onda", "longitud de onda", "longitudes de onda")  # fmt: skip
#: Numbers that are looked at together: they fit in the cache.
_BLOCK = 2**16
_PERCENT = re.compile(r"%|percent|prozent|pour ?cent|per ?cento|por ?ciento", re.IGNORECASE)
#: What numbers are counted in, where that is not 1.
_COUNTED_IN = {
    **dict.fromkeys(("mau", "mod", "mabs", "milliabsorbance", "1e-3", "1e-03", "10^-3", "10**-3",
                     "10-3", "10⁻³", "x10-3", "x10^-3", "×10⁻³"), 1e-3),
    **dict.fromkeys(("µod", "µau", "1e-6", "10^-6", "10⁻⁶"), 1e-6),
}  # fmt: skip
_ABOVE = {
    *("unit", "units", "y unit", "y units", "yunits", "ordinate", "quantity", "einheit",
      "einheiten", "y einheit", "y achse", "messgrösse", "grösse", "unité", "unités", "unité y",
      "unité de mesure", "ordonnée", "ordonnées", "grandeur", "unità", "unità y",
      "unità di misura", "ordinata", "grandezza", "unidad", "unidades", "unidad y",
      "unidad de medida", "ordenada", "magnitud"),
    *("x unit", "x units", "xunits", "abscissa", "x einheit", "x achse", "abszisse", "abscisse",
      "abscisses", "unité x", "ascissa", "unità x", "abscisa", "unidad x"),
}  # fmt: skip
_AXIS_UNITS = {
    "cm-1": "cm-1", "cm^-1": "cm-1", "1/cm": "cm-1", "cm**-1": "cm-1", "cm⁻¹": "cm-1",
    "/cm": "cm-1", "cm\u22121": "cm-1", "reciprocal centimeters": "cm-1",
    "nm": "nm", "nanometer": "nm", "nanometers": "nm", "nanometre": "nm", "nanometres": "nm",
    "um": "um", "µm": "um", "μm": "um", "micron": "um", "microns": "um", "micrometer": "um",
    "micrometers": "um", "micrometre": "um", "micrometres": "um",
}  # fmt: skip
_PER_CM = {"nm": 1e7, "um": 1e4}
_POSITION_UNITS = {
    **{word: 1.0 for word, unit in _AXIS_UNITS.items() if unit == "um"},
    "mm": 1e3, "millimeter": 1e3, "millimetre": 1e3, "nm": 1e-3,
}  # fmt: skip
#: A spectrum in percent that nowhere exceeds this is more often a fraction (common practice).
_LOW_PERCENT = 1.5
_APOSTROPHES = re.compile("[\u2019\u00b4`]")
_PIXEL_WORDS = ("pixel", "pixels", "px")


def plain(word: str) -> str:
    """Return a word in lower case with single blanks for dashes and underscores, and apostrophes
    and accents of one kind.

    >>> plain(" Kubelka-Munk "), plain("Nombre d\u2019onde"), plain("Messgr\u00f6\u00dfe")
    ('kubelka munk', "nombre d'onde", 'messgrösse')
    """
    word = _APOSTROPHES.sub("'", unicodedata.normalize("NFC", word))
    return " ".join(re.sub(r"[-_\s]+", " ", word).casefold().split())


def quantity_of(word: str, *, short: bool = False) -> tuple[str, bool | None] | None:
    """Return the quantity a word names and whether it says percent; None for any other word.

    Letters alone (A, T, R) count only when `short` says that no name of a spectrum can stand here.

    >>> quantity_of("%T", short=True), quantity_of("Absorbance (1)"), quantity_of("sample 4")
    (('transmittance', True), ('absorbance', None), None)
    """
    percent = True if _PERCENT.search(word) else None
    bare = plain(_PERCENT.sub(" ", word).replace("()", ""))
    if _ANY_LONG.search(bare):
        return next(_LONG[known] for known, one in _EACH_LONG.items() if one.search(bare)), percent
    letter = re.sub(r"[()\[\]\s]", "", bare)
    if (short or percent) and letter in _SHORT:
        return _SHORT[letter], percent
    return None


def said_above(row: tuple[str, ...]) -> str:
    """Return what a row of a name and a value above a table says of a quantity or an axis, or "".

    >>> said_above(("Einheit", "%T")), said_above(("Probe", "T"))
    ('%T', '')
    """
    filled = [cell for cell in row if cell.strip()]
    if len(filled) != 2 or plain(filled[0]).rstrip(": ") not in _ABOVE:
        return ""
    known = quantity_of(filled[1], short=True) or axis_unit_of(filled[1])
    return filled[1] if known else ""


def scaled(
    path: Path, values: Any, notes: dict[str, str], *words: Iterable[str]
) -> tuple[Any, dict[str, str]]:
    """Return values that names or units say are counted in thousandths, as counted in 1.

    `words` are the names that tell a quantity, then the units.

    Raises
    ------
    ReadError : columns that are counted in different units.
    """
    factors = [{_counted_in(word) for word in group} for group in words]
    if any(len(found) > 1 for found in factors):
        raise refuse(path, "columns counted in different units", "one unit for all columns",
                     "part them into a file for each unit, with a row each")  # fmt: skip
    factor = min((one for found in factors for one in found), default=1.0)
    if factor == 1.0:
        return values, notes
    return values * factor, {**notes, "counted in": f"{factor:g}, multiplied by it"}


def _counted_in(word: str) -> float:
    """Return what a name or a unit says numbers are counted in.

    >>> _counted_in("absorbance (mAU)"), _counted_in("1e-3"), _counted_in("absorbance")
    (0.001, 0.001, 1.0)
    """
    parts = re.split(r"[\s()\[\]/,;:]+", word.strip().casefold())
    return next((_COUNTED_IN[part] for part in parts if part in _COUNTED_IN), 1.0)


def axis_unit_of(word: str) -> str | None:
    """Return the unit of a spectral axis (`cm-1`, `nm`, `um`) that a name or a unit says.

    >>> axis_unit_of("Wavenumbers"), axis_unit_of("wavelength [nm]"), axis_unit_of("time")
    ('cm-1', 'nm', None)
    """
    parts = re.split(r"[\s()\[\],:;]+", word.strip().casefold())
    for part in (word.strip().casefold(), *parts, *(p.rpartition("_")[2] for p in parts)):
        if part in _AXIS_UNITS:
            return _AXIS_UNITS[part]
    return "cm-1" if is_wavenumber_word(word) else None


def is_unit_word(word: str) -> bool:
    """Say whether a cell is a unit of a spectral axis or a position, and not a name of one.

    >>> is_unit_word("cm-1"), is_unit_word("[um]"), is_unit_word("wavenumber")
    (True, True, False)
    """
    bare = word.strip("()[] ").casefold()
    return bare in _AXIS_UNITS or bare in _POSITION_UNITS or bare in _PIXEL_WORDS


def is_wavenumber_word(word: str) -> bool:
    """Say whether a column or a dimension is called a wavenumber."""
    return _begins(word, _WAVENUMBER_WORDS)


@lru_cache(maxsize=256)
def is_axis_word(word: str) -> bool:
    """Say whether a column or a dimension is called a wavenumber or a wavelength."""
    return _begins(word, (*_WAVENUMBER_WORDS, *_WAVELENGTH_WORDS)) or axis_unit_of(word) == "cm-1"


def contradicts(name: str, unit: str) -> bool:
    """Say whether a wavenumber stands in a unit of wavelengths, or a wavelength in cm-1.

    >>> contradicts("wavenumber", "nm"), contradicts("wavelength", "nm"), contradicts("s", "nm")
    (True, False, False)
    """
    return _begins(name, _WAVELENGTH_WORDS if unit == "cm-1" else _WAVENUMBER_WORDS)


def _begins(word: str, known: tuple[str, ...]) -> bool:
    bare = plain(re.split(r"[(\[]", word)[0])
    return any(bare == start or bare.startswith(f"{start} ") for start in known)


def per_cm(axis: Any, unit: str) -> Any:
    """Convert a spectral axis to cm-1: 1e7 / nm, 1e4 / um (vacuum wavelengths)."""
    return axis if unit == "cm-1" else _PER_CM[unit] / axis


def to_wavenumber(path: Path, axis: Any, unit: str) -> Any:
    """Convert the spectral axis of a file to cm-1; refuse wavelengths that are not above zero."""
    if unit != "cm-1" and not (axis > 0).all():
        raise refuse(path, f"a wavelength of {axis.min():g} {unit}", "wavelengths above zero",
                     "look at the first column")  # fmt: skip
    return per_cm(axis, unit)


def position_of(word: str) -> tuple[str, str | None, float] | None:
    """Return (`x` or `y`, unit, factor to it) for the name of a position column, else None.

    >>> position_of("X (mm)"), position_of("y_pixel"), position_of("x"), position_of("yield")
    (('x', 'um', 1000.0), ('y', 'pixel', 1.0), ('x', None, 1.0), None)
    """
    parts = [part for part in re.split(r"[\s_()\[\]]+", word.casefold()) if part]
    parts = [part for part in parts if part not in ("position", "pos", "coordinate")]
    if not parts or parts[0] not in ("x", "y") or len(parts) > 2:
        return None
    if len(parts) == 1:
        return parts[0], None, 1.0
    unit = position_unit_of(parts[1])
    return None if unit is None else (parts[0], *unit)


def position_unit_of(word: str) -> tuple[str, float] | None:
    """Return the position unit (`um` or `pixel`) a unit word stands for and the factor to it."""
    word = word.strip().casefold()
    if word in _PIXEL_WORDS:
        return "pixel", 1.0
    return ("um", _POSITION_UNITS[word]) if word in _POSITION_UNITS else None


def as_fraction(
    path: Path, values: Any, quantity: str, percent: bool | None
) -> tuple[Any, dict[str, str]]:
    """Return transmittance or reflectance as a fraction of 1, and what was done to the scale.

    Where nothing says percent, numbers up to 2 are a fraction, and numbers of which a tenth is
    above 5 are percent (with a warning: common practice, no source). Numbers said to be percent
    that never exceed 1.5 are divided too, with a warning.

    Raises
    ------
    ReadError : anything between, or percent of a quantity that has none.
    """
    if quantity not in ("transmittance", "reflectance"):
        if percent:
            raise refuse(path, f"{quantity} in percent", "transmittance or reflectance in percent",
                         "quantity='transmittance' or percent=False")  # fmt: skip
        return values, {}
    finite = values[np.isfinite(values)]
    if percent and finite.size and finite.max() <= _LOW_PERCENT:
        tell(path, f"{quantity} in percent, but at most {finite.max():.4g}: if it is a fraction of "
             "1, percent=False")  # fmt: skip
    if percent is None:
        if finite.size == 0 or finite.max() <= 2:
            percent = False
        elif np.quantile(finite, 0.9) >= 5:
            percent = True
            tell(path, f"{quantity} up to {finite.max():.4g} taken as percent, divided by 100")
        else:
            raise refuse(path, f"{quantity} up to {finite.max():.4g}", "a fraction of 1 or percent",
                         "percent=True or percent=False")  # fmt: skip
    return (values / 100, {"scale": "percent, divided by 100"}) if percent else (values, {})


def extremes(values: Any) -> tuple[float, float]:
    """Return the lowest and the highest number of an array, of any shape; NaN where none is held.

    >>> extremes(np.array([[0.5, np.nan], [0.25, 2.0]]))
    (0.25, 2.0)
    """
    flat = (values.T if values.flags.f_contiguous else values).reshape(-1)
    blocks = [flat[start : start + _BLOCK] for start in range(0, flat.size, _BLOCK)]
    low, high = (
        reduction.reduce([reduction.reduce(block) for block in blocks], initial=np.nan)
        for reduction in (np.fmin, np.fmax)
    )
    return float(low), float(high)


def doubt_absorbance(path: Path, values: Any, low: float, high: float) -> None:
    """Warn where numbers that are taken for absorbance look like transmittance or reflectance.

    As a fraction: 0 to 1.1, and none below 0.5, or most above 0.5 with bands that point downward.
    In percent: a tenth above 5. Common practice, no source; fewer than 10 numbers say nothing.
    """
    if low < 0 or 1.1 < high < 5:
        return
    held = np.isfinite(values)
    finite = values if held.all() else values[held]
    if finite.size < 10:
        return
    middle = np.quantile(finite, 0.5)
    downward = middle > 0.5 and middle - low > 2 * (high - middle)
    if high <= 1.1 and (low >= 0.5 or downward):
        scale, typed = "as a fraction of 1", "percent=False"
    elif np.quantile(finite, 0.9) >= 5:
        scale, typed = "in percent", "percent=True"
    else:
        return
    tell(path, f"numbers from {low:.3g} to {high:.3g} without a name are taken for absorbance, but "
         f"look like transmittance or reflectance {scale}: if so, quantity='transmittance', "
         f"{typed} in read, or these lines in {path.name}.toml beside the file: quantity = "
         f'"transmittance", {typed.lower().replace("=", " = ")}')  # fmt: skip


def tell(path: Path, message: str, line: int | None = None) -> None:
    """Warn of something in a file that does not stop the reading."""
    where = f"{path.name}, line {line}" if line is not None else path.name
    warnings.warn(f"{where}: {message}", ResiduekitWarning, stacklevel=2)
