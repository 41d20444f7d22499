"""Scores, filters and fits beside numpy, scipy and lmfit."""

from __future__ import annotations

from typing import Any

import numpy as np

from residuekit.kernels import band_fits, bands, netsignal, normalise, smooth
from residuekit.kernels.compiled import run

from .common import AXIS, BLOCK, CORES, FEW, Claim, N, alone, relative, spectra

LINE = 64


def _band_weights() -> np.ndarray[Any, Any]:
    return np.stack([bands.area_weights(AXIS, c - 60, c + 60) for c in np.linspace(900, 3700, 12)])


def _areas_in_numpy(block: Any, weights: Any) -> Any:
    ends = [np.flatnonzero(row)[[0, -1]] for row in weights]
    pieces = [(slice(a, z + 1), row) for (a, z), row in zip(ends, weights, strict=True)]
    return np.stack([block[:, u].astype(np.float64) @ row[u] for u, row in pieces], axis=1)


def _areas(name: str, threads: int) -> Claim:
    block, weights = np.tile(spectra(), (16, 1)), _band_weights()

    def ours() -> Any:
        return bands.apply_weights(block, weights)

    return Claim(
        name, "numpy, the same weights, slices of the windows",
        ours if threads > 1 else lambda: alone(ours),
        lambda: _areas_in_numpy(block, weights), len(block), len(block),
        lambda: relative(ours(), _areas_in_numpy(block, weights)), threads,
    )  # fmt: skip


def areas() -> Claim:
    """12 band areas."""
    return _areas("12 band areas", 1)


def areas_2() -> Claim:
    """12 band areas, two threads."""
    return _areas("12 band areas, two threads", CORES)


def areas_bandwidth() -> Claim:
    """12 band areas as a share of read bandwidth."""
    claim = _areas("12 band areas as a share of read bandwidth", 1)
    used = np.flatnonzero(_band_weights().any(axis=0))
    width, lines = 4 * N, 0
    for row in range(LINE):
        lines += np.unique((16 + width * row + 4 * used) // LINE).size
    needed = lines
    whole = np.ones((claim.ours_count, needed // 4), np.float32)
    return claim._replace(
        peer_name="numpy's maximum over as many bytes in a row",
        peer=lambda: whole.max(),
        agreement=None,
        note=f"bytes of the cache lines that hold a weighted channel, {needed} of {width} a "
        f"spectrum; of the weighted channels alone x {4 * used.size / needed:.2f}, of all channels "
        f"x {width / needed:.2f}",
    )


def noise() -> Claim:
    """noise of second differences."""
    block = spectra()

    def peer() -> Any:
        sizes = np.abs(np.diff(block.astype(np.float64), n=2, axis=1))
        return np.median(sizes, axis=1) / bands._MEDIAN

    return Claim("noise of second differences", "numpy median, without the repeated cut",
                 lambda: bands.noise_of_second_differences(block[:BLOCK]), peer, BLOCK,
                 len(block))  # fmt: skip


def snv() -> Claim:
    """SNV as a share of streaming bandwidth."""
    block = np.tile(spectra(), (16, 1))
    result = np.empty_like(block)

    def by_numpy() -> Any:
        rows = block[:BLOCK].astype(np.float64)
        return (rows - rows.mean(axis=1, keepdims=True)) / rows.std(axis=1, ddof=1, keepdims=True)

    factors = np.empty(len(block))

    def ours() -> None:
        run("row_loops", "by_spread", block, 0, N, result, factors)

    return Claim(
        "SNV as a share of streaming bandwidth", "numpy multiply by a number into another array",
        ours,
        lambda: np.multiply(block, np.float32(2.0), out=result), len(block), len(block),
        lambda: relative(normalise.snv(block[:BLOCK], AXIS)[0], by_numpy()),
        note="float32 in and out, sums in float64",
    )  # fmt: skip


def savitzky_golay() -> Claim:
    """Savitzky-Golay 11/3."""
    from scipy.signal import savgol_filter

    block = spectra()
    exact = block[:BLOCK].astype(np.float64)
    return Claim(
        "Savitzky-Golay 11/3", "scipy savgol_filter, float32 in and out",
        lambda: smooth.savitzky_golay(block, 1.0, window=11, order=3),
        lambda: savgol_filter(block, 11, 3), len(block), len(block),
        lambda: relative(smooth.savitzky_golay(exact, 1.0, window=11, order=3),
                         savgol_filter(exact, 11, 3)),
    )  # fmt: skip


def crossed() -> Claim:
    """the metric of 6 blanks with that without each."""
    from residuekit.kernels.metric import PooledScatter, crossed_metrics, pool

    rng = np.random.default_rng(3)
    maps = [0.5 + 0.01 * rng.normal(size=(576, 400)) for _ in range(6)]
    pooled = pool(netsignal.scatter(one, place) for place, one in enumerate(maps))

    def whole(some: PooledScatter) -> Any:
        return crossed_metrics(some, crossed=False)[0]

    def ours() -> Any:
        metric, without = crossed_metrics(pooled)
        return [metric, *without]

    def peer() -> Any:
        return [whole(pooled), *(whole(pooled.without(place)) for place in range(6))]

    return Claim(
        "the metric of 6 blanks and that without each, 400 channels",
        "the same rule from the start for each", ours, peer, 1, 1,
        note="not the same numbers: ours takes the cross-validation of all blanks",
    )  # fmt: skip


def free_bands() -> Claim:
    """two-band fit, free shapes within bounds, 56 channels."""
    axis, pair, block = _pairs()
    limits = band_fits.bounds(axis)
    free = band_fits.SHAPE_PARAMETERS
    heights = band_fits.fit_shapes(block[:FEW], band_fits.over_a_line(axis, pair)).heights

    def fit(number: int) -> float:
        from lmfit import Parameters, minimize

        start = Parameters()
        for k, band in enumerate(pair):
            start.add(f"height_{k}", value=heights[number, k])
            for name in free:
                low, high = limits[name]
                start.add(f"{name}_{k}", value=getattr(band, name), min=low, max=high)
        start.add("offset", value=heights[number, 2])
        start.add("slope", value=heights[number, 3])

        def residual(now: Any) -> Any:
            found = now.valuesdict()
            line = found["offset"] + found["slope"] * (axis - axis.mean())
            made = [
                band_fits.pseudo_voigt(axis, band_fits.Band(*(found[f"{name}_{k}"]
                                                      for name in band_fits.Band._fields)))
                for k in range(len(pair))
            ]  # fmt: skip
            return line + made[0] + made[1] - block[number]

        return float(minimize(residual, start).chisqr)

    def worst() -> float:
        ours = band_fits.fit_free_bands(block[:FEW], axis, pair, free).cost
        return float(max(one / fit(number) - 1 for number, one in enumerate(ours)))

    return Claim("two-band fit, free shapes within bounds, 56 channels", "lmfit minimize in a loop",
                 lambda: alone(lambda: band_fits.fit_free_bands(block, axis, pair, free)),
                 lambda: [fit(number) for number in range(FEW)], len(block), FEW, worst,
                 note="with standard errors; agreement: cost over the peer's cost, "
                 "less 1")  # fmt: skip


def _pairs() -> tuple[Any, list[band_fits.Band], Any]:
    """The axis, the bands from which a fit starts, and spectra of bands near them."""
    rng = np.random.default_rng(2)
    axis = np.linspace(1680.0, 1790.0, 56)
    pair = [band_fits.Band(0.2, 1722.0, 18.0, 0.5), band_fits.Band(0.2, 1746.0, 16.0, 0.5)]
    block = rng.uniform(0, 0.2, (1024, 1)) + 1e-3 * rng.uniform(-1, 1, (1024, 1)) * (axis - 1735)
    for row in block:
        for band in pair:
            place, width = band.centre + rng.normal(0, 1), band.width + rng.uniform(-3, 3)
            one = band_fits.Band(rng.uniform(0.1, 0.5), place, width, rng.uniform(0.3, 0.7))
            row += band_fits.pseudo_voigt(axis, one)
    return axis, pair, block + rng.normal(0, 0.002, block.shape)
