"""What differs from mock-up to mock-up and is not seen inside any map."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from .fields import Seed, stream
from .materials import Floats
from .paints import Paint, paint_parts

KNOTS = np.arange(500.0, 4300.0, 20.0)
BUMP_FWHM = (40.0, 75.0, 120.0)
FLOOR = 0.05
FACTORS = 5


@dataclass(frozen=True)
class Variation:
    """How much mock-ups differ: standard deviations, all multiplied by `scale`.

    `bumps` is a share of the local absorbance, `shift` is in cm-1, the others are shares of 1.
    `session` is the drift of a measuring day, and `panel` how panels differ, as multiples of what
    one mock-up differs by.
    `tail_df` (above 2) gives heavy tails: all that is unusual about a mock-up is multiplied by one
    factor that makes it multivariate Student t of that many degrees of freedom, variance kept.
    """

    scale: float = 1.0
    bumps: float = 0.003
    shift: float = 0.1
    ratio: float = 0.015
    thickness: float = 0.003
    surfactant: float = 0.15
    sorbed_water: float = 0.1
    session: float = 0.0
    panel: float = 0.0
    tail_df: float | None = None


@dataclass(frozen=True)
class Mockup:
    """One mock-up's own departure from its paint, the same in all its maps.

    `offset` (n,) is added absorbance; film thickness, filler over binder, surfactant and sorbed
    water are multiplied by their factors.
    """

    offset: Floats
    thickness: float = 1.0
    ratio: float = 1.0
    surfactant: float = 1.0
    sorbed_water: float = 1.0


def draw_mockup(
    paint: str | Paint,
    wavenumber: Any,
    seed: Seed,
    variation: Variation | None = None,
    *,
    ageing_h: float = 0.0,
    session: Seed | None = None,
    panel: Seed | None = None,
) -> Mockup:
    """Draw what is special about one mock-up, the session it was measured in and its panel.

    Smooth bumps 40 to 120 cm-1 wide, a shift of all bands (the derivative of the paint's
    spectrum), film thickness, filler over binder, surfactant, sorbed water. `wavenumber` (n,) in
    cm-1; another axis with the same seed gives the same mock-up.
    """
    variation = variation or Variation()
    axis = np.ascontiguousarray(wavenumber, dtype=float)
    normal = _normals(seed)
    if variation.tail_df is not None:
        normal *= _tail_factor(seed, variation.tail_df)
    if session is not None:
        normal += variation.session * _normals(session)
    if panel is not None:
        normal += variation.panel * _normals(panel)
    normal *= variation.scale
    shift, thickness, ratio, surfactant, water = normal[:FACTORS]
    spectrum = paint_parts(paint, axis, ageing_h).sum(axis=0)
    local = np.interp(KNOTS, axis, spectrum) + FLOOR * spectrum.max()
    bumps = _bump_matrix(axis.tobytes()) @ (np.tile(local, len(BUMP_FWHM)) * normal[FACTORS:])
    return Mockup(
        variation.bumps * bumps + variation.shift * shift * np.gradient(spectrum, axis),
        float(np.exp(variation.thickness * thickness)),
        float(np.exp(variation.ratio * ratio)),
        float(np.exp(variation.surfactant * surfactant)),
        float(np.exp(variation.sorbed_water * water)),
    )


def _normals(seed: Seed) -> Floats:
    rng = np.random.default_rng(stream(seed, "effects"))
    return rng.standard_normal(FACTORS + len(BUMP_FWHM) * KNOTS.size)


def _tail_factor(seed: Seed, df: float) -> float:
    rng = np.random.default_rng(stream(seed, "tail"))
    return float(np.sqrt((df - 2.0) / rng.chisquare(df)))


@lru_cache(maxsize=16)
def _bump_matrix(axis_bytes: bytes) -> Floats:
    """Gaussian bumps at the knots, (n, widths * knots), of unit variance in each width's sum."""
    axis = np.frombuffer(axis_bytes)
    blocks = []
    for fwhm in BUMP_FWHM:
        bump = np.exp2(-((2.0 * (axis[:, None] - KNOTS) / fwhm) ** 2))
        blocks.append(bump / np.sqrt((bump**2).sum(axis=1, keepdims=True)))
    matrix: Floats = np.hstack(blocks) / np.sqrt(len(BUMP_FWHM))
    return matrix
