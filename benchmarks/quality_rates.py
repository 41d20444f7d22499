"""How often the quality check finds a known fault, and how often it flags a sound pixel.

    python -m benchmarks.quality_rates

Simulated maps (invented data) of every paint; one fault at a time goes into one pixel in ten, in
the size the table names, and every other pixel is sound.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from residuekit import schema
from residuekit.kernels.reflection import film_fraction, penetration_depth
from residuekit.simulate import simulate_map
from residuekit.simulate.materials import vapour
from residuekit.simulate.paints import PAINTS
from residuekit.spectra.quality import check_quality

SHARE = 0.1
NOISE = 3e-4


@dataclass(frozen=True)
class Case:
    """A fault, its size in words, and what it does to rows (n, channels) on an axis."""

    flag: str
    size: str
    spoil: Callable[[np.ndarray, np.ndarray, np.random.Generator], np.ndarray]
    technique: str = "transflection"


def _spike(height: float) -> Callable[..., np.ndarray]:
    def spoil(rows, axis, rng):
        rows = rows.copy()
        channel = rng.integers(2, axis.size - 2, len(rows))
        rows[np.arange(len(rows)), channel] += height * rng.choice([-1.0, 1.0], len(rows))
        return rows

    return spoil


def _missing(rows, axis, rng):
    rows = rows.copy()
    rows[np.arange(len(rows)), rng.integers(0, axis.size, len(rows))] = np.nan
    return rows


def _fringe(height: float, period: float) -> Callable[..., np.ndarray]:
    def spoil(rows, axis, rng):
        phase = rng.uniform(0, 2 * np.pi, (len(rows), 1))
        return rows + height * np.cos(2 * np.pi * axis / period + phase)

    return spoil


def _contact(gap_um: float) -> Callable[..., np.ndarray]:
    return lambda rows, axis, _: rows * (1 - film_fraction(gap_um, penetration_depth(axis, 4.0)))


def _dispersive(rows, *_):
    """Three tenths of the absorption, seven of its dispersive partner (Hilbert transform)."""
    from scipy.signal import hilbert, savgol_filter

    smooth = savgol_filter(rows, 9, 2, axis=1)
    partner = np.imag(hilbert(smooth - smooth[:, :1], axis=1))
    return rows - 0.7 * smooth + 0.7 * partner


CASES = (
    Case("missing", "one NaN", _missing),
    Case("dead", "constant", lambda rows, *_: np.full_like(rows, 0.2)),
    Case("noisy", "noise x 14", lambda rows, _, rng: rows + rng.normal(0, 8 * NOISE, rows.shape)),
    Case("noisy", "noise x 2.8 (below)",
         lambda rows, _, rng: rows + rng.normal(0, 3 * NOISE / 2, rows.shape)),
    Case("saturated", "top at A 1.5",
         lambda rows, *_: rows * 1.5 / rows.max(axis=1, keepdims=True)),
    Case("spike", "0.02 A", _spike(0.02)),
    Case("spike", "0.005 A", _spike(0.005)),
    Case("vapour", "lines 0.02 A", lambda rows, axis, _: rows + 0.02 * vapour(axis, 4.0)),
    Case("vapour", "lines 0.004 A", lambda rows, axis, _: rows + 0.004 * vapour(axis, 4.0)),
    Case("baseline", "0.3 A per 1000", lambda rows, axis, _: rows + 0.3 * (axis - 800) / 1000),
    Case("fringe", "0.004 A, 120 cm-1", _fringe(0.004, 120.0)),
    Case("fringe", "0.004 A, 400 cm-1", _fringe(0.004, 400.0)),
    Case("contact", "gap 0.2 um, Ge", _contact(0.2), "atr"),
    Case("derivative", "70 % dispersive", _dispersive),
)  # fmt: skip


def rates(maps_a_paint: int = 2, shape: tuple[int, int] = (24, 24)) -> pd.DataFrame:
    """One row a case: share of spoilt pixels found; share of sound ones flagged alike."""
    rows = []
    sound = [
        simulate_map(paint, shape, seed=seed)[0] for paint in PAINTS for seed in range(maps_a_paint)
    ]
    for case in CASES:
        rng = np.random.default_rng(1)
        found = flagged = spoilt = clean = 0
        for array in sound:
            array, hit = spoil(array, case, rng)
            flags = check_quality(array).array["flag"].values.ravel()
            seen = (flags & schema.FLAGS[case.flag][0]) > 0
            found += int(seen[hit].sum())
            flagged += int(seen[~hit].sum())
            spoilt += int(hit.sum())
            clean += int((~hit).sum())
        rows.append(
            {"flag": case.flag, "fault": case.size, "found": found / spoilt,
             "false": flagged / clean, "n_spoilt": spoilt, "n_sound": clean}
        )  # fmt: skip
    return pd.DataFrame(rows)


def spoil(
    array: xr.DataArray, case: Case, rng: np.random.Generator
) -> tuple[xr.DataArray, np.ndarray]:
    """Put a fault into one pixel in ten; return the map and where it is."""
    values = array.values.reshape(-1, array.shape[-1]).astype(float)
    hit = rng.random(len(values)) < SHARE
    axis = array["wavenumber"].values
    values[hit] = case.spoil(values[hit], axis, rng)
    spoilt = schema.make_map(
        values.reshape(array.shape), axis, array.x.values, array.y.values, technique=case.technique
    )
    return spoilt, hit


def false_flags(maps_a_paint: int = 2, shape: tuple[int, int] = (24, 24)) -> pd.DataFrame:
    """The share of pixels of sound maps that get each flag."""
    total: dict[str, int] = dict.fromkeys(schema.FLAGS, 0)
    pixels = 0
    for paint in PAINTS:
        for seed in range(maps_a_paint):
            found = check_quality(simulate_map(paint, shape, seed=100 + seed)[0])
            pixels += found.n_pixels
            total = {name: count + found.counts[name] for name, count in total.items()}
    return pd.DataFrame(
        [{"flag": name, "false": count / pixels, "n": pixels} for name, count in total.items()]
    )


if __name__ == "__main__":
    print(rates().to_string(index=False, float_format="%.4f"))
    print("\nsound maps")
    print(false_flags().to_string(index=False, float_format="%.5f"))
