"""One map of a painted surface, with the truth of what lies on it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from .. import schema
from ..errors import ContractError, Fault
from .fields import Seed, gaussian_fields, loading_field, stream
from .film_optics import film_layers
from .materials import Floats, gel_response, spectrum, vapour
from .mockup_variation import Mockup
from .paints import Paint, paint_parts

DEFAULT_AXIS = (800.0, 3800.0, 4.0)
SINGLE_SCAN_NOISE = 2.4e-3
GE_DEPTH_UM_AT_1000 = 0.664
LN10 = np.float32(np.log(10.0))


@dataclass(frozen=True)
class Texture:
    """What varies from pixel to pixel: relative standard deviations over the map.

    All but the residue follow random fields correlated over `length_px` pixels. `sorbed_water` and
    `baseline` (offset, slope and curvature over 1500 cm-1) are absorbances; `baseline_spread` is
    relative. `contact_gap_um` is the air gap below a germanium crystal: absorbance falls by
    exp(-2 gap / penetration depth) (Harrick's exponential field; depth 0.664 um at 1000 cm-1 for
    45 degrees and n = 1.5, from Harrick's formula).
    """

    length_px: float = 2.0
    thickness: float = 0.015
    binder: float = 0.01
    filler: float = 0.04
    surfactant: float = 0.15
    sorbed_water: float = 0.015
    baseline: tuple[float, float, float] = (0.045, 0.015, 0.004)
    baseline_spread: float = 0.15
    contact_gap_um: float = 0.0


@dataclass(frozen=True)
class Instrument:
    """How the map is measured.

    `resolution` in cm-1; `ceiling` is the absorbance at which stray light equals the signal;
    `vapour` the line height (absorbance) that drifts in over a map; `fringe` the amplitude
    (absorbance) and `fringe_period` the period (cm-1) of interference; `spikes` the share of
    pixels with a single-channel spike. `optics` is None, and the residue adds Beer's law of a film
    that light passes twice, or one of `film_optics.MODES`, and it adds what the transfer matrix of
    the film on paint says.
    """

    technique: str = "transflection"
    resolution: float = 4.0
    scans: int = 64
    ceiling: float = 2.5
    vapour: float = 4e-4
    fringe: float = 0.0
    fringe_period: float = 900.0
    spikes: float = 0.0
    optics: str | None = None

    @property
    def noise(self) -> float:
        """Standard deviation of the transmittance: falls as the root of scans and resolution.

        sigma = sigma_1 sqrt(4 / resolution) / sqrt(scans), one number of scans taking a time
        inverse to the resolution (trading rules of Griffiths and de Haseth, from memory).
        """
        return float(SINGLE_SCAN_NOISE * np.sqrt(4.0 / self.resolution / self.scans))


def even_axis(low: float, high: float, step: float) -> Floats:
    """Return wavenumbers from `low` to `high` by `step`, all cm-1, (n,)."""
    return low + step * np.arange(round((high - low) / step) + 1, dtype=np.float64)


def simulate_map(
    paint: str | Paint = "alkyd",
    shape: tuple[int, int] = (24, 24),
    wavenumber: Any = None,
    *,
    step_um: float = 5.5,
    residue_ug_cm2: float = 0.0,
    gel: str = "PVA cryogel",
    pattern: str = "uniform",
    foreign: Mapping[str, float] | None = None,
    surfactant_loss: float = 0.0,
    ageing_h: float = 0.0,
    mockup: Mockup | None = None,
    texture: Texture | None = None,
    instrument: Instrument | None = None,
    seed: Seed = 0,
    surface: Seed | None = None,
) -> tuple[xr.DataArray, dict[str, Any]]:
    """Make one map of a painted surface and the truth of what lies on it.

    Parameters
    ----------
    paint : a name of `PAINTS`, or a `Paint`.
    shape : pixels (n_y, n_x).
    wavenumber : (n,) in cm-1, ascending; 800 to 3800 by 4 when left out.
    step_um : distance of the pixels, um.
    residue_ug_cm2, gel, pattern : mean loading over the map, its material, and `uniform`, `patchy`
        or `pores`.
    foreign : other matter, in patches: material -> mean absorbance at its strongest point.
    surfactant_loss : share of the paint's surfactant that wet cleaning took, 0 to 1.
    ageing_h : hours of ageing.
    mockup : from `draw_mockup`; none, a typical one.
    texture, instrument : how the paint and the measurement vary; the usual ones when left out.
    seed : the same seed gives the same map, and the same texture and noise with any residue.
    surface : seed of what lies there, paint and residue: maps that share it show the same place,
        with the noise of their own seeds; left out, `seed`.

    Returns
    -------
    The map (absorbance) and its truth: `loading_ug_cm2` (mean), `loading_field` (n_y, n_x), `gel`,
    `pattern`, `foreign`, `noise_transmittance`, `spiked_pixels`.

    Raises
    ------
    ContractError : an unknown paint, gel, material or pattern; a negative loading.

    >>> data, truth = simulate_map(shape=(4, 4), residue_ug_cm2=2.0, pattern="patchy", seed=1)
    >>> data.sizes["wavenumber"], round(truth["loading_ug_cm2"], 6)
    (751, 2.0)
    """
    if residue_ug_cm2 < 0:
        raise ContractError(
            Fault(f"a loading of {residue_ug_cm2:g} ug cm-2", "a loading of 0 or more",
                  "residue_ug_cm2=0.0 for a clean map")
        )  # fmt: skip
    axis = even_axis(*DEFAULT_AXIS) if wavenumber is None else np.asarray(wavenumber, dtype=float)
    texture, instrument = texture or Texture(), instrument or Instrument()
    parts = paint_parts(paint, axis, ageing_h)
    mockup = mockup or Mockup(np.zeros(axis.size))
    surface = seed if surface is None else surface
    loading = residue_ug_cm2 * _field(surface, "residue", pattern, shape)
    layers = [
        *_film_layers(surface, parts, mockup, texture, shape, axis, surfactant_loss),
        *_instrument_layers(seed, instrument, shape, axis),
        *(
            [(loading, gel_response(gel, axis))]
            if instrument.optics is None
            else film_layers(gel, axis, loading, instrument.optics)
        ),
        *[
            (height * _field(surface, material, "patchy", shape), spectrum(material, axis))
            for material, height in (foreign or {}).items()
        ],
    ]
    weights = np.array([weight.ravel() for weight, _ in layers], dtype=np.float32)
    shapes = np.array([shape_ for _, shape_ in layers], dtype=np.float32)
    values = weights.T @ shapes
    if texture.contact_gap_um:
        values *= _contact(seed, texture, shape, axis)
    spiked = _measure(values, seed, instrument)
    data = schema.make_map(
        values.reshape(*shape, axis.size),
        axis,
        x=step_um * np.arange(shape[1]),
        y=step_um * np.arange(shape[0]),
        technique=instrument.technique,
        source={"reader": "residuekit.simulate", "note": "invented data"},
    )
    truth = {
        "loading_ug_cm2": float(loading.mean()),
        "loading_field": loading,
        "gel": gel,
        "pattern": pattern,
        "foreign": dict(foreign or {}),
        "noise_transmittance": instrument.noise,
        "spiked_pixels": spiked,
    }
    return data, truth


Layer = tuple[NDArray[Any], Floats]


def _rng(seed: Seed, place: str) -> np.random.Generator:
    return np.random.default_rng(stream(seed, place))


def _field(seed: Seed, place: str, pattern: str, shape: tuple[int, int]) -> Floats:
    return loading_field(_rng(seed, place), pattern, shape)


def _film_layers(
    seed: Seed,
    parts: Floats,
    mockup: Mockup,
    texture: Texture,
    shape: tuple[int, int],
    axis: Floats,
    surfactant_loss: float,
) -> list[Layer]:
    """The paint film and what its surface does to the light: weight per pixel, spectrum."""
    binder, filler, surfactant = parts
    field = gaussian_fields(_rng(seed, "texture"), 8, shape, texture.length_px)
    film = mockup.thickness * (1.0 + texture.thickness * field[0])
    kept = mockup.surfactant * (1.0 - surfactant_loss)
    water = texture.sorbed_water * mockup.sorbed_water
    u = (axis - 800.0) / 1500.0
    level = 1.0 + texture.baseline_spread * field[5:8]
    baseline = [(height * level[power], u**power) for power, height in enumerate(texture.baseline)]
    return [
        (film * (1.0 + texture.binder * field[1]), binder),
        (film * (1.0 + texture.filler * field[2]) * mockup.ratio, filler),
        (film * np.clip(1.0 + texture.surfactant * field[3], 0.0, None) * kept, surfactant),
        (film, mockup.offset),
        (water * (1.0 + 0.15 * field[4]), spectrum("sorbed water", axis)),
        *baseline,
    ]


def _instrument_layers(
    seed: Seed, instrument: Instrument, shape: tuple[int, int], axis: Floats
) -> list[Layer]:
    """Vapour and carbon dioxide that drift in the order of measuring, and fringes."""
    rng = _rng(seed, "instrument")
    order = np.linspace(-1.0, 1.0, shape[0] * shape[1]).reshape(shape)
    water, gas = rng.normal(size=2), rng.normal(size=2)
    phase = rng.uniform(0.0, 2.0 * np.pi) + 0.4 * gaussian_fields(rng, 1, shape, 6.0)[0]
    angle = 2.0 * np.pi * axis / instrument.fringe_period
    return [
        (instrument.vapour * (water[0] + water[1] * order), vapour(axis, instrument.resolution)),
        (4.0 * instrument.vapour * (gas[0] + gas[1] * order), spectrum("carbon dioxide", axis)),
        (instrument.fringe * np.cos(phase), np.cos(angle)),
        (instrument.fringe * np.sin(phase), np.sin(angle)),
    ]


def _contact(
    seed: Seed, texture: Texture, shape: tuple[int, int], axis: Floats
) -> NDArray[np.float32]:
    gap = np.abs(gaussian_fields(_rng(seed, "contact"), 1, shape, texture.length_px)[0].ravel())
    rate = 2.0 * texture.contact_gap_um * axis / (1000.0 * GE_DEPTH_UM_AT_1000)
    factor: NDArray[np.float32] = np.exp(-gap[:, None] * rate.astype(np.float32))
    return factor


def _measure(values: NDArray[np.float32], seed: Seed, instrument: Instrument) -> int:
    """Turn true into measured absorbance in place: stray light, detector noise, spikes.

    Noise adds to the transmittance, so it grows with absorbance as it does in a detector.
    Returns how many pixels carry a spike.
    """
    stray = np.float32(10.0**-instrument.ceiling)
    noise = _rng(seed, "noise").standard_normal(values.shape, dtype=np.float32)
    noise *= np.float32(instrument.noise)
    values *= -LN10
    np.exp(values, out=values)
    values += stray
    values /= 1.0 + stray
    values += noise
    np.clip(values, stray / 10.0, None, out=values)
    np.log(values, out=values)
    values /= -LN10
    rng = _rng(seed, "spikes")
    hit = np.flatnonzero(rng.random(values.shape[0]) < instrument.spikes)
    channel = rng.integers(values.shape[1], size=hit.size)
    values[hit, channel] += rng.uniform(0.05, 0.3, size=hit.size).astype(np.float32)
    return int(hit.size)
