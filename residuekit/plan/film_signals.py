"""What a thin residue gives in each way of measuring: exact optics beside the usual approximation.

The indices come from the marker table: positions as there; absorption indices by the strength
there (s 0.2, m 0.08, w 0.03, none given 0.05) and widths of half the window are assumed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ..calibration.arguments import positive
from ..errors import ContractError, Fault, did_you_mean
from ..kernels import layers, reflection
from ..markers import marker, markers
from ..reprs import as_frame
from ..simulate.film_optics import CRYSTALS, measures

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FilmSignals", "film_signals", "marker_index"]

Floats = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]

INDEX_OF_STRENGTH = {"s": 0.2, "m": 0.08, "w": 0.03}
_INDEX_NOT_GIVEN = 0.05


def marker_index(material: str, wavenumber: npt.ArrayLike, n_infinity: float = 1.5) -> Complex:
    """Make the complex index of a material of the marker table, an oscillator a band.

    Parameters
    ----------
    material : as the table names it.
    wavenumber : (n,) cm-1.
    n_infinity : the real index far above all bands.

    Returns
    -------
    (n,) complex index.

    Raises
    ------
    ContractError : a material that the table does not have.

    >>> index = marker_index("poly(vinyl alcohol), fully hydrolysed", [1092.0, 2000.0])
    >>> bool(index.imag[0] > index.imag[1])
    True
    """
    known = {one.material for one in markers().values()}
    if material not in known:
        raise ContractError(
            Fault(f"the material {material!r}", "a material of the marker table",
                  did_you_mean(material, sorted(known)))
        )  # fmt: skip
    bands = [
        (one.position, (one.high - one.low) / 2, INDEX_OF_STRENGTH.get((one.strength or " ")[0],
                                                                       _INDEX_NOT_GIVEN))
        for one in markers().values()
        if one.material == material and one.position is not None
    ]  # fmt: skip
    return layers.band_index(wavenumber, bands, n_infinity)


@dataclass(frozen=True)
class FilmSignals:
    """Signals of films at one band, a row each way of measuring and thickness."""

    marker: str
    rows: tuple[dict[str, Any], ...]

    def to_frame(self) -> pd.DataFrame:
        """Columns `mode`, `thickness_nm`, `signal`, `thin_film` (both absorbance), `ratio`."""
        return as_frame(self.rows)

    def __str__(self) -> str:
        return f"{self.marker}\n{self.to_frame().to_string(index=False)}"

    def _repr_html_(self) -> str:
        return str(self.to_frame().to_html(index=False, float_format=lambda value: f"{value:.3g}"))


def film_signals(
    name: str = "pva C-O 1092",
    paint: npt.ArrayLike = 1.5,
    thickness_nm: Iterable[float] = (1.0, 10.0, 100.0),
) -> FilmSignals:
    """Compute what films of a marker's material change at its band, on paint, in five ways.

    `signal` is the absorbance with the film less that without it, at the band's position; ATR and
    reflection as of an endless paint, the others the mean over paint films of 3 to 10 um, on gold
    or free.
    `thin_film` beside it: Beer's law (transmission once, on gold twice); in ATR its effective
    thickness times 1 - exp(-2 t/dp) (Harrick 1967, from memory); in reflection
    (8 pi nu t / ln 10) Im[(e_film - e_paint)/(1 - e_paint)] at normal incidence, e = n^2 with
    k >= 0 (McIntyre & Aspnes, Surf. Sci. 24, 417, 1971, from memory). None of them knows that the
    film displaces paint, that fields are not even inside a film on gold, or that n bends at a
    band: where `ratio` = signal / thin_film is far from 1, trust the signal.

    Parameters
    ----------
    name : a marker with a position, of a gel.
    paint : its complex index at the band.
    thickness_nm : of the films, nm.

    Returns
    -------
    A `FilmSignals`: a row a way of measuring and thickness.

    Raises
    ------
    MarkerError : an unknown marker.
    ContractError : a thickness of 0 or below.
    """
    chosen = marker(name)
    if chosen.position is None:
        raise ContractError(
            Fault(f"the marker {name!r} without a position", "a marker with one", "another marker")
        )
    axis = np.array([float(chosen.position)])
    gel = marker_index(chosen.material, axis)
    base = np.broadcast_to(np.asarray(paint, dtype=complex), axis.shape)
    rows = []
    for mode, measure in measures(base, axis).items():
        for nm in thickness_nm:
            um = positive(nm, "thickness_nm", "the thickness of a film") / 1000
            signal = float((measure([(gel, um)]) - measure([]))[0])
            approximation = _thin_film(mode, gel[0], base[0], float(axis[0]), um)
            rows.append({"mode": mode, "thickness_nm": nm, "signal": signal,
                         "thin_film": approximation, "ratio": signal / approximation})  # fmt: skip
    return FilmSignals(name, tuple(rows))


def _thin_film(mode: str, gel: complex, paint: complex, wavenumber: float, um: float) -> float:
    beer = 4 * math.pi * gel.imag * wavenumber / reflection.UM_PER_CM / math.log(10)
    if mode in CRYSTALS:
        n1 = CRYSTALS[mode]
        bulk = reflection.effective_thickness(wavenumber, n1, paint.real)
        depth = reflection.penetration_depth(wavenumber, n1, paint.real)
        return float(beer * bulk * reflection.film_fraction(um, depth))
    if mode == "external reflection":
        change = ((gel**2 - paint**2) / (1 - paint**2)).imag
        return 8 * math.pi * wavenumber / reflection.UM_PER_CM * um * change / math.log(10)
    return beer * um * (2 if "gold" in mode else 1)
