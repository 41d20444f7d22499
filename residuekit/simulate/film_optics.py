"""A residue film on paint by exact optics, in each way of measuring, in place of Beer's law."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache, partial

import numpy as np
import numpy.typing as npt

from ..errors import ContractError, Fault, did_you_mean
from ..kernels import layers, reflection
from .materials import ABSORPTION_INDEX, DENSITY_G_CM3, Floats, spectrum

Complex = npt.NDArray[np.complex128]
Measure = Callable[[Sequence[layers.Film]], Floats]

#: Thicknesses of the paint film on a mirror, or free-standing, um (assumed): the mean over them
#: leaves no fringe of one thickness in the signal.
PAINT_UM = np.linspace(3.0, 10.0, 64)
CRYSTALS = {"ATR, diamond": 2.4, "ATR, germanium": 4.0}
MODES = (*CRYSTALS, "external reflection", "transflection on gold", "transmission")
UM_PER_UG_CM2 = 0.01 / DENSITY_G_CM3
_NODES = 17
_FEW_PAINTS = PAINT_UM[::8]
_INDEX_FAR_FROM_BANDS = 1.5


def measures(
    paint: Complex, wavenumber: npt.ArrayLike, thickness_um: Floats = PAINT_UM
) -> dict[str, Measure]:
    """Give, for each of `MODES`, the function films (top first) -> absorbance (n,).

    ATR and reflection as of an endless paint of complex index `paint` (n,), the others the mean
    over paint films of `thickness_um`, on gold or free.
    """
    axis = np.asarray(wavenumber, dtype=np.float64)
    gold = layers.metal_index(axis)

    def over_paints(measure: Measure, top: Sequence[layers.Film]) -> Floats:
        each = [measure([*top, (paint, float(um))]) for um in thickness_um]
        return np.asarray(np.mean(each, axis=0))

    atr: dict[str, Measure] = {
        name: partial(layers.atr, paint=paint, wavenumber=axis, crystal=n)
        for name, n in CRYSTALS.items()
    }
    on_gold = partial(layers.transflection, ground=gold, wavenumber=axis)
    free = partial(layers.transmission, wavenumber=axis)
    return {
        **atr,
        "external reflection": partial(layers.external_reflection, paint=paint, wavenumber=axis),
        "transflection on gold": partial(over_paints, on_gold),
        "transmission": partial(over_paints, free),
    }


def gel_index(gel: str, wavenumber: npt.ArrayLike) -> Complex:
    """Return the complex index (n,) of a simulated gel, n by Kramers-Kronig from k.

    k is 0.2 at the strongest band below 1900 cm-1, as in `gel_response`; n is 1.5 far from bands.
    `wavenumber` (n,) evenly spaced, cm-1.
    """
    axis = np.asarray(wavenumber, dtype=np.float64)
    grid = np.arange(700.0, 1900.0)
    k = ABSORPTION_INDEX * np.asarray(spectrum(gel, axis)) / spectrum(gel, grid).max()
    n = _INDEX_FAR_FROM_BANDS + reflection.index_from_absorption(k, axis)
    return np.asarray(n + 1j * k)


def film_signal(
    gel: str,
    wavenumber: npt.ArrayLike,
    loading_ug_cm2: npt.ArrayLike,
    mode: str = "transflection on gold",
) -> Floats:
    """Return what films of a gel change in the absorbance of paint, (n_loadings, n).

    The transfer matrix of the film (1.3 g cm-3, so 7.7 nm for 1 ug cm-2) on paint of index 1.5;
    beside Beer's law it knows that the film displaces paint, that fields are not even inside a
    film on gold, and that n bends at a band.

    Raises `ContractError` for a mode that is not one of `MODES` or a gel that is unknown.
    """
    if mode not in MODES:
        raise ContractError(
            Fault(f"the mode {mode!r}", f"one of {', '.join(MODES)}", did_you_mean(mode, MODES))
        )
    axis = np.asarray(wavenumber, dtype=np.float64)
    paint = np.full(axis.shape, _INDEX_FAR_FROM_BANDS, dtype=np.complex128)
    measure = measures(paint, axis, _FEW_PAINTS)[mode]
    index, bare = gel_index(gel, axis), measure([])
    depths = UM_PER_UG_CM2 * np.atleast_1d(np.asarray(loading_ug_cm2, dtype=np.float64))
    return np.array([measure([(index, um)]) - bare if um > 0 else 0 * bare for um in depths])


def film_layers(
    gel: str, wavenumber: Floats, loading: Floats, mode: str
) -> list[tuple[Floats, Floats]]:
    """Weights (pixels) and shapes (n,) whose sum is the signal of each pixel's film.

    The signal bends with the loading: it is joined by straight lines between 17 loadings.
    """
    top = float(loading.max())
    if top <= 0:
        return []
    nodes = np.linspace(0.0, top, _NODES)
    shapes = _signals(gel, wavenumber.tobytes(), top, mode)
    spacing = nodes[1]
    weights = [np.clip(1.0 - np.abs(loading - node) / spacing, 0.0, None) for node in nodes[1:]]
    return list(zip(weights, shapes, strict=True))


@lru_cache(maxsize=64)
def _signals(gel: str, axis_bytes: bytes, top: float, mode: str) -> Floats:
    signals = film_signal(gel, np.frombuffer(axis_bytes), np.linspace(0.0, top, _NODES)[1:], mode)
    signals.flags.writeable = False
    return signals
