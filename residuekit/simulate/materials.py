"""Pure materials: absorbance on any axis, from band lists and from optical constants.

The band lists stand in ``materials.csv``. Positions follow ``shared/bands/bands.csv`` (the sources
are named there) where it has the material, common handbook positions from memory where it has
not; **widths, heights and shapes are invented**: they make spectra that look like the material,
and nothing measured is to be read from them.
"""

from __future__ import annotations

import csv
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..errors import ContractError, Fault, did_you_mean

Floats = NDArray[np.float64]

DENSITY_G_CM3 = 1.3
ABSORPTION_INDEX = 0.2
ACETATE_HEIGHT = 2.5  #: C=O height over C-O height at an acetate fraction of 1 (invented)
CRYSTALLINE_HEIGHT = 0.45  #: height at 1143 cm-1 of a cryogel, over C-O height (invented)

#: Residual acetate (mol/mol) and relative crystallinity of the polyvinyl alcohol gels.
PVA_GELS = {"PVA cryogel": (0.02, 1.0), "PVA cryogel, soluble part": (0.05, 0.25)}
GELS = (
    *PVA_GELS, "agar", "gellan", "xanthan", "carboxymethyl cellulose", "silicone",
    "ammonium citrate", "EDTA salt", "ethoxylate surfactant",
)  # fmt: skip

_NAMED_VAPOUR_LINES = (1653.0, 1699.0, 1717.0, 1734.0, 1740.0, 1772.0)
_VAPOUR_SEED = 1653
_VAPOUR_NATURAL_FWHM = 0.4


@lru_cache(maxsize=1)
def _band_table() -> dict[str, Floats]:
    """The bands of each material, rows of (position, fwhm, height, shape)."""
    text = resources.files(__package__).joinpath("materials.csv").read_text(encoding="utf-8")
    bands: dict[str, list[list[float]]] = {}
    for material, *numbers in list(csv.reader(text.splitlines()))[1:]:
        bands.setdefault(material, []).append([float(number) for number in numbers])
    return {material: np.array(rows) for material, rows in bands.items()}


def material_names() -> tuple[str, ...]:
    """List the materials that `spectrum` knows."""
    return (*PVA_GELS, *_band_table())


def pseudo_voigt(wavenumber: Any, bands: Any) -> Floats:
    """Sum pseudo-Voigt bands: height * (shape * Lorentz + (1 - shape) * Gauss).

    `wavenumber` (n,) in cm-1; `bands` (k, 4), rows of position, full width at half maximum (both
    cm-1), height and shape (0 Gauss, 1 Lorentz). Returns (n,).

    >>> pseudo_voigt([1000.0, 1010.0], [[1000.0, 20.0, 0.5, 0.3]])
    array([0.5 , 0.25])
    """
    axis = np.asarray(wavenumber, dtype=float)
    position, fwhm, height, shape = np.asarray(bands, dtype=float).T[..., None]
    u2 = (2.0 * (axis - position) / fwhm) ** 2
    profile = shape / (1.0 + u2) + (1.0 - shape) * np.exp2(-u2)
    summed: Floats = (height * profile).sum(axis=0)
    return summed


def pva_gel(wavenumber: Any, acetate_fraction: float = 0.02, crystallinity: float = 1.0) -> Floats:
    """Return polyvinyl alcohol with residual acetate, C-O at 1092 cm-1 about 1.

    `acetate_fraction` in mol/mol (0 to 1), `crystallinity` scales the band at 1143 cm-1.
    """
    table = _band_table()
    alcohol = pseudo_voigt(wavenumber, table["polyvinyl alcohol"])
    crystal = pseudo_voigt(wavenumber, table["polyvinyl alcohol, crystalline"])
    acetate = pseudo_voigt(wavenumber, table["vinyl acetate unit"])
    return (
        (1.0 - acetate_fraction) * alcohol
        + CRYSTALLINE_HEIGHT * crystallinity * crystal
        + ACETATE_HEIGHT * acetate_fraction * acetate
    )


def spectrum(material: str | Path, wavenumber: Any) -> Floats:
    """Return a pure material with its strongest point from 700 to 4000 cm-1 at 1.

    Parameters
    ----------
    material : a name of `material_names`, or the path of an optical-constant file
        (see `from_optical_constants`), whose film approximation is used.
    wavenumber : (n,) in cm-1.

    Returns (n,), read-only. Raises `ContractError` for an unknown name or an axis that the file
    does not cover.
    """
    axis = np.ascontiguousarray(wavenumber, dtype=float)
    return _unit_spectrum(material, axis.tobytes())


@lru_cache(maxsize=512)
def _unit_spectrum(material: str | Path, axis_bytes: bytes) -> Floats:
    axis = np.frombuffer(axis_bytes)
    unit: Floats = _raw(material, axis) / _peak(material)
    unit.flags.writeable = False
    return unit


@lru_cache(maxsize=128)
def _peak(material: str | Path) -> float:
    if isinstance(material, Path):
        table = read_optical_constants(material)
        grid = table[(table[:, 0] >= 700.0) & (table[:, 0] <= 4000.0), 0]
    else:
        grid = np.arange(700.0, 4000.5, 0.5)
    return float(_raw(material, grid).max())


def _raw(material: str | Path, axis: Floats) -> Floats:
    if isinstance(material, Path):
        return from_optical_constants(material, axis, thickness_nm=1000.0)
    if material in PVA_GELS:
        return pva_gel(axis, *PVA_GELS[material])
    if material not in _band_table():
        raise ContractError(
            Fault(f"the material {material!r}", "a material of residuekit.simulate",
                  did_you_mean(material, material_names()))
        )  # fmt: skip
    return pseudo_voigt(axis, _band_table()[material])


def response_per_ug(position: float) -> float:
    """Return the absorbance of 1 ug cm-2 at a band of absorption index 0.2, light passing twice.

    A = 2 * 4 pi k nu t / ln 10 with t = loading / density (1.3 g cm-3): Beer's law for a thin film
    on a mirror, interference left out. `position` in cm-1.

    >>> round(response_per_ug(1090.0), 5)
    0.00183
    """
    thickness_cm = 1e-6 / DENSITY_G_CM3
    return float(8.0 * np.pi * ABSORPTION_INDEX * position * thickness_cm / np.log(10.0))


def gel_response(gel: str, wavenumber: Any) -> Floats:
    """Return the absorbance of 1 ug cm-2 of a gel, (n,), on the axis `wavenumber` (cm-1).

    The strongest C-O, C=O or Si-O band (below 1900 cm-1) is given an absorption index of 0.2.
    """
    grid = np.arange(700.0, 1900.0)
    fingerprint = spectrum(gel, grid)
    top = int(fingerprint.argmax())
    scale = response_per_ug(float(grid[top])) / fingerprint[top]
    return np.asarray(spectrum(gel, wavenumber) * scale)


def read_optical_constants(path: str | Path) -> Floats:
    """Read a CSV of wavenumber (cm-1, ascending), n and k below one header line, (m, 3)."""
    return np.loadtxt(path, delimiter=",", skiprows=1, ndmin=2)


def from_optical_constants(source: Any, wavenumber: Any, thickness_nm: float) -> Floats:
    """Return the absorbance of a film in the transmission approximation.

    A = 4 pi k nu t / ln 10 (Beer's law; reflection and interference left out: a film in air far
    thinner than the wave answers n times as strongly, see `residuekit.kernels.layers`).

    Parameters
    ----------
    source : path of a CSV file, or array (m, 3), of wavenumber (cm-1, ascending), n, k.
    wavenumber : (n,) in cm-1, inside the tabulated range.
    thickness_nm : film thickness; light passes it once.

    Raises
    ------
    ContractError : the axis reaches beyond the table.

    >>> table = [[1000.0, 1.5, 0.1], [1100.0, 1.5, 0.1]]
    >>> from_optical_constants(table, [1050.0], thickness_nm=1000.0).round(4)
    array([0.0573])
    """
    is_path = isinstance(source, (str, Path))
    table = read_optical_constants(source) if is_path else np.asarray(source, dtype=float)
    axis = np.asarray(wavenumber, dtype=float)
    low, high = float(table[0, 0]), float(table[-1, 0])
    if axis.min() < low or axis.max() > high:
        raise ContractError(
            Fault(f"an axis from {axis.min():g} to {axis.max():g} cm-1",
                  f"an axis inside the optical constants, {low:g} to {high:g} cm-1",
                  "a shorter axis, or constants that cover it", file=str(source) if is_path else "")
        )  # fmt: skip
    k = np.interp(axis, table[:, 0], table[:, 2])
    film: Floats = 4.0 * np.pi * k * axis * thickness_nm * 1e-7 / np.log(10.0)
    return film


@lru_cache(maxsize=1)
def _vapour_lines() -> tuple[Floats, Floats]:
    """Positions and strengths: six known positions, the rest seeded in the two water bands."""
    rng = np.random.default_rng(_VAPOUR_SEED)
    bend = rng.uniform(1350.0, 1880.0, 110)
    stretch = rng.uniform(3560.0, 3920.0, 90)
    bend_strength = np.exp(-(((np.abs(bend - 1595.0) - 90.0) / 110.0) ** 2))
    stretch_strength = 0.8 * np.exp(-(((stretch - 3756.0) / 110.0) ** 2))
    positions = np.concatenate([_NAMED_VAPOUR_LINES, bend, stretch])
    strengths = np.concatenate([bend_strength, stretch_strength]) * rng.uniform(0.1, 1.0, 200)
    return positions, np.concatenate([np.full(len(_NAMED_VAPOUR_LINES), 0.8), strengths])


def vapour(wavenumber: Any, resolution: float) -> Floats:
    """Return water vapour lines, (n,), of integrated strength independent of the resolution.

    `wavenumber` and `resolution` in cm-1. The lines near 1653, 1699, 1717, 1734, 1740 and
    1772 cm-1 stand where they are known to be, the others are invented. A line as strong as these
    is about 0.8 high at 4 cm-1.
    """
    axis = np.ascontiguousarray(wavenumber, dtype=float)
    return _vapour(axis.tobytes(), float(resolution))


@lru_cache(maxsize=32)
def _vapour(axis_bytes: bytes, resolution: float) -> Floats:
    positions, strengths = _vapour_lines()
    fwhm = np.hypot(resolution, _VAPOUR_NATURAL_FWHM)
    reference = np.hypot(4.0, _VAPOUR_NATURAL_FWHM)
    ones = np.ones_like(positions)
    bands = np.stack([positions, fwhm * ones, strengths * reference / fwhm, 0.0 * ones], axis=1)
    lines = pseudo_voigt(np.frombuffer(axis_bytes), bands)
    lines.flags.writeable = False
    return lines
