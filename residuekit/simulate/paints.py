"""Paint films as mixtures of pure materials, and what ageing does to them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from ..errors import ContractError, Fault, did_you_mean
from .materials import Floats, spectrum

Mixture = Mapping[str | Path, float]

AGEING_TIME_H = 1500.0  #: hours to 63 % of the ageing change (invented)
OXIDATION = 0.15  #: height of the oxidised binder over that of the binder, fully aged (invented)


@dataclass(frozen=True)
class Paint:
    """A paint film: absorbance of each material at its strongest point, by part.

    A key is a material of `material_names` or the path of an optical-constant file.
    """

    binder: Mixture
    filler: Mixture = field(default_factory=dict)
    surfactant: Mixture = field(default_factory=dict)


#: Films of a few micrometres on a mirror-like support; the amounts are invented.
PAINTS: Mapping[str, Paint] = {
    "alkyd": Paint({"alkyd resin": 0.72}, {"calcite": 0.26, "titanium white": 0.55}),
    "acrylic": Paint(
        {"ethyl acrylate resin": 0.27},
        {"titanium white": 0.12, "calcite": 0.05},
        {"ethoxylate surfactant": 0.006},
    ),
    "acrylic nBMA": Paint(
        {"butyl methacrylate resin": 0.66},
        {"kaolin": 0.20, "phthalocyanine green": 0.09, "calcite": 0.07},
        {"ethoxylate surfactant": 0.06},
    ),
    "oil": Paint({"drying oil": 0.62, "zinc soap": 0.08}, {"baryte": 0.20, "silica": 0.06}),
}


def find_paint(paint: str | Paint) -> Paint:
    """Return a paint by its name in `PAINTS`; a `Paint` is returned as it is."""
    if isinstance(paint, Paint):
        return paint
    if paint not in PAINTS:
        raise ContractError(
            Fault(f"the paint {paint!r}", "a paint of residuekit.simulate or a Paint(...)",
                  did_you_mean(paint, PAINTS))
        )  # fmt: skip
    return PAINTS[paint]


def paint_parts(paint: str | Paint, wavenumber: Any, ageing_h: float = 0.0) -> Floats:
    """Return the absorbance of binder, filler and surfactant, (3, n), on `wavenumber` (cm-1).

    Ageing lets the binder lose up to `OXIDATION` of its height and gain as much of an oxidised
    one: a broad carbonyl at 1712 cm-1 and hydroxyl near 3420 cm-1.
    """
    made = find_paint(paint)
    axis = np.asarray(wavenumber, dtype=float)
    parts = np.array([mix(part, axis) for part in (made.binder, made.filler, made.surfactant)])
    oxidised = OXIDATION * -np.expm1(-ageing_h / AGEING_TIME_H)
    binder_height = sum(made.binder.values())
    parts[0] += oxidised * (binder_height * spectrum("oxidised binder", axis) - parts[0])
    return parts


def mix(mixture: Mixture, wavenumber: Floats) -> Floats:
    """Return the summed absorbance of a mixture, (n,)."""
    total = np.zeros_like(wavenumber)
    for material, height in mixture.items():
        total += height * spectrum(material, wavenumber)
    return total
