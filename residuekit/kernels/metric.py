"""The metric of blank pixels: what varies within blank maps, shrunk, and declared nuisances.

The way is `scatter` (one pass a map) -> `pool` -> `blank_metric`. Only the scatter *within* maps
enters. The scatter of blank mock-up means belongs to the decision; used in both places it makes
false alarms.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import ContractError, Fault

__all__ = [
    "BlankMetric",
    "PooledScatter",
    "Scatter",
    "blank_metric",
    "common_nuisances",
    "declare",
    "with_change",
    "pool",
    "scatter",
    "spectra_rows",
]

Floats = NDArray[np.float64]

FOLDS = 5
BLOCK = 4096
#: Smallest eigenvalue kept, as a share of the largest: float32 data carry no more than this.
CONDITION = 1e-9
#: Variance along a declared nuisance, in units of what one blank pixel determines it to.
NUISANCE_VARIANCE = 1e6
#: Below this many pixels a channel the eigenvalues are also pulled towards their median.
PIXELS_A_CHANNEL = 2.0


@dataclass(frozen=True)
class Scatter:
    """The scatter of one map's valid pixels about their own mean: `products` is a sum."""

    n_pixels: int
    mean: Floats = field(repr=False)
    products: Floats = field(repr=False)


@dataclass(frozen=True)
class PooledScatter:
    """Within-map scatter of several maps, kept in up to five groups for cross-validation.

    `mean` (n_channels,) is the mean of the maps' means; `dof` (n_folds,), `products`
    (n_folds, n_channels, n_channels).
    """

    n_maps: int
    n_pixels: int
    mean: Floats = field(repr=False)
    dof: Floats = field(repr=False)
    products: Floats = field(repr=False)


@dataclass(frozen=True)
class BlankMetric:
    """The metric S^-1 of blank pixels: shrunk within-map covariance + variance along nuisances.

    `form` names the shrinkage; `pull` is the weight of the median eigenvalue in it.
    `whitener` is W with W S0 W' = 1 for the covariance S0 without nuisances, `change` (n, n) the
    part of S0 that pixels do not show (0, 0 without any).
    """

    form: str
    pull: float
    n_maps: int
    n_pixels: int
    mean: Floats = field(repr=False)
    whitener: Floats = field(repr=False)
    change: Floats = field(repr=False)
    directions: Floats = field(repr=False)
    damping: Floats = field(repr=False)

    def whiten(self, spectra: ArrayLike, *, nuisances: bool = True) -> Floats:
        """Turn spectra (..., n_channels) into coordinates where S is the unit matrix."""
        white: Floats = np.asarray(spectra, dtype=float) @ self.whitener.T
        if nuisances:
            white = white - (white @ self.directions * self.damping) @ self.directions.T
        return white


def scatter(spectra: ArrayLike) -> Scatter:
    """Sum the scatter of one map about its own mean, in one pass over blocks of pixels.

    Parameters
    ----------
    spectra : (n_pixels, n_channels), any float type, also a memory map; pixels with a value that
        is not finite are left out.

    Raises
    ------
    ContractError : fewer than two valid pixels.

    >>> scatter([[0.0, 1.0], [2.0, 1.0], [float("nan"), 5.0]]).products
    array([[2., 0.],
           [0., 0.]])
    """
    given: Any = spectra if hasattr(spectra, "shape") else np.asarray(spectra)
    if given.ndim != 2:
        raise ContractError(
            Fault(f"spectra of shape {given.shape}", "shape (n_pixels, n_channels)",
                  "spectra.reshape(-1, n_channels)")
        )  # fmt: skip
    n_pixels, total, products, origin = 0, 0.0, 0.0, None
    for start in range(0, given.shape[0], BLOCK):
        block = np.asarray(given[start : start + BLOCK], dtype=float)
        block = block[np.isfinite(block).all(axis=1)]
        if not block.size:
            continue
        if origin is None:
            origin = block.mean(axis=0)
        block -= origin
        n_pixels += len(block)
        total = total + block.sum(axis=0)
        products = products + block.T @ block
    if origin is None or n_pixels < 2:
        raise ContractError(
            Fault(f"a map with {n_pixels} valid pixels", "at least two valid pixels",
                  "leave this map out of the blanks")
        )  # fmt: skip
    offset = total / n_pixels
    return Scatter(n_pixels, origin + offset, products - n_pixels * np.outer(offset, offset))


def pool(scatters: Iterable[Scatter]) -> PooledScatter:
    """Add the scatters of maps, each about its own mean, into up to five groups.

    An iterator is walked once, so that no more than the groups is in memory.

    Raises
    ------
    ContractError : fewer than two maps, or maps of different channels.
    """
    dof: list[float] = []
    products: list[Floats] = []
    means: list[Floats] = []
    for number, one in enumerate(scatters):
        if means and one.mean.shape != means[0].shape:
            raise ContractError(
                Fault(f"maps of {means[0].size} and of {one.mean.size} channels",
                      "one wavenumber axis in all blanks", "crop or regrid them to one axis")
            )  # fmt: skip
        means.append(one.mean)
        if number < FOLDS:
            dof.append(float(one.n_pixels - 1))
            products.append(one.products.copy())
        else:
            dof[number % FOLDS] += one.n_pixels - 1
            products[number % FOLDS] += one.products
    if len(dof) < 2:
        raise ContractError(
            Fault(f"{len(dof)} blank map", "at least two, so that one can check the other",
                  "add blanks, or give strips: [scatter(s) for s in np.array_split(spectra, 5)]")
        )  # fmt: skip
    n_pixels = int(sum(dof)) + len(means)
    return PooledScatter(
        len(means), n_pixels, np.mean(means, axis=0), np.array(dof), np.array(products)
    )


def blank_metric(pooled: PooledScatter, nuisances: ArrayLike | None = None) -> BlankMetric:
    """Make the metric of blank pixels from their pooled scatter and declared nuisances.

    The covariance keeps the eigenvectors of the pooled scatter; each eigenvalue is replaced by the
    variance that maps left out show along the eigenvectors of the others, made monotone:
    cross-validated non-linear shrinkage (Bartz 2016, arXiv:1611.00798; Abadir, Distaso & Zikes
    2014, J. Econometrics 181, 165). It asks no independent pixels, as the formulas of Ledoit &
    Wolf (2004) and their non-linear successors do: whole maps are left out, so neighbouring
    pixels that vary together widen the eigenvalues as they should. It is done twice, the second
    time with channels scaled to their noise 1 / sqrt((S^-1)_jj), for noise that changes along the
    spectrum. With fewer than 2 pixels a channel the eigenvalues are also pulled towards their
    median with the weight 1 - n / (2 n_channels); `form` and `pull` say so.

    Each nuisance shape gets a variance a million times that to which one blank pixel determines
    its amount: near the projection of Lorber, but finite, so that a shape parallel to the
    reference ends in a selectivity near 0 and a large standard error, never in a division by 0.

    Parameters
    ----------
    pooled : the scatter of the blanks.
    nuisances : (n_shapes, n_channels), in any unit; an all-zero shape has no effect.

    Raises
    ------
    ContractError : blanks that do not vary, shapes that do not fit the channels.
    """
    n_channels = pooled.mean.size
    if not pooled.products.any():
        raise ContractError(
            Fault("blank maps without any scatter", "pixels that differ by noise at least",
                  "use measured maps, not copies of one spectrum, as blanks")
        )  # fmt: skip
    dof = pooled.dof.sum()
    pull = max(0.0, 1.0 - dof / (PIXELS_A_CHANNEL * n_channels))
    form = "cross-validated eigenvalues"
    if pull > 0:
        form += f", pulled by {pull:.2f} to their median (fewer than 2 pixels a channel)"
    unit = np.sqrt(np.trace(pooled.products.sum(axis=0)) / (dof * n_channels))
    rough = _whitener(pooled, np.full(n_channels, unit), pull)
    whitener = _whitener(pooled, 1.0 / np.linalg.norm(rough, axis=0), pull)
    plain = BlankMetric(
        form, pull, pooled.n_maps, pooled.n_pixels, pooled.mean, whitener, np.zeros((0, 0)),
        np.zeros((n_channels, 0)), np.zeros(0),
    )  # fmt: skip
    return plain if nuisances is None else declare(plain, nuisances)


def with_change(metric: BlankMetric, change: ArrayLike) -> BlankMetric:
    """Return the metric with this covariance (n_channels, n_channels) added to that of the pixels.

    Nuisances have to be declared after it.
    """
    declared = np.asarray(change, dtype=float)
    sizes, vectors = np.linalg.eigh(metric.whitener @ declared @ metric.whitener.T)
    whitener = (vectors / np.sqrt(1.0 + np.maximum(sizes, 0.0))) @ vectors.T @ metric.whitener
    return replace(metric, whitener=whitener, change=declared)


def declare(metric: BlankMetric, nuisances: ArrayLike) -> BlankMetric:
    """Return the metric with these nuisance shapes (n_shapes, n_channels) in place of its own."""
    white = spectra_rows(nuisances, metric.mean.size) @ metric.whitener.T
    length = np.linalg.norm(white, axis=1, keepdims=True)
    white = np.divide(white, length, out=np.zeros_like(white), where=length > 0)
    directions, sizes, _ = np.linalg.svd(white.T, full_matrices=False)
    damping = 1.0 - 1.0 / np.sqrt(1.0 + NUISANCE_VARIANCE * sizes**2)
    return replace(metric, directions=directions, damping=damping)


def _whitener(pooled: PooledScatter, scale: Floats, pull: float) -> Floats:
    """W = d^-1/2 V' / scale, with V of all maps and d from maps left out in turn."""
    products = pooled.products / np.outer(scale, scale)
    total, dof = products.sum(axis=0), pooled.dof.sum()
    left_out = np.zeros(scale.size)
    for held in products:
        _, vectors = np.linalg.eigh(total - held)
        left_out += np.einsum("ij,ij->j", vectors, held @ vectors)
    values = _monotone(left_out / dof)
    values = (1.0 - pull) * values + pull * np.median(values)
    values = np.maximum(values, CONDITION * values.max())
    _, vectors = np.linalg.eigh(total)
    whitener: Floats = (vectors / np.sqrt(values)).T / scale
    return whitener


def _monotone(values: Floats) -> Floats:
    from scipy.optimize import isotonic_regression

    ascending: Floats = isotonic_regression(values).x
    return ascending


def common_nuisances(wavenumber: ArrayLike, mean_blank: ArrayLike) -> Floats:
    """Return (3, n_channels): a shift of the paint's bands (derivative), an offset, a slope."""
    axis = np.asarray(wavenumber, dtype=float)
    mean = np.asarray(mean_blank, dtype=float)
    return np.array([np.gradient(mean, axis), np.ones_like(axis), axis - axis.mean()])


def spectra_rows(values: ArrayLike, n_channels: int) -> Floats:
    """Return (n_spectra, n_channels) finite float64 rows, or refuse."""
    rows = np.atleast_2d(np.asarray(values, dtype=float))
    if rows.ndim != 2 or rows.shape[1] != n_channels or not np.isfinite(rows).all():
        kind = "" if np.isfinite(rows).all() else " with values that are not finite"
        raise ContractError(
            Fault(f"spectra of shape {rows.shape}{kind}",
                  f"finite spectra of {n_channels} channels",
                  "put references, nuisances and blanks through the same procedure as the maps")
        )  # fmt: skip
    return rows
