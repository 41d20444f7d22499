"""The metric of blank pixels: what varies within blank maps, shrunk, and declared nuisances.

The way is `scatter` (one pass a map) -> `pool` -> `blank_metric`, or `crossed_metrics`, which
makes one more without each mock-up. Only the scatter *within* maps enters. The scatter of blank
mock-up means belongs to the decision; used in both places it makes false alarms.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
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
    "crossed_metrics",
    "declare",
    "with_change",
    "pool",
    "pool_means",
    "scatter",
    "spectra_rows",
]

Floats = NDArray[np.float64]

#: Groups of mock-ups that are left out in turn.
FOLDS = 8
BLOCK = 4096
#: Smallest eigenvalue kept, as a share of the largest: float32 data carry no more than this.
CONDITION = 1e-9
#: Variance along a declared nuisance, in units of what one blank pixel determines it to.
NUISANCE_VARIANCE = 1e6
#: A scatter of a smaller share of full rank is decomposed in what it spans.
_FEW = 0.25
#: Below this many pixels a channel the eigenvalues are also pulled towards their median.
PIXELS_A_CHANNEL = 2.0


@dataclass(frozen=True)
class Scatter:
    """The scatter of one map's valid pixels about their own mean: `products` is a sum.

    `mockup` numbers the mock-up that the map is of; None: no other map is of the same.
    """

    n_pixels: int
    mean: Floats = field(repr=False)
    products: Floats = field(repr=False)
    mockup: int | None = None


@dataclass(frozen=True)
class PooledScatter:
    """Within-map scatter of several maps, kept in up to eight groups of whole mock-ups.

    `n_maps`, `dof` (n_folds,), `means` (n_folds, n_channels), those of the maps' means, `products`
    (n_folds, n_channels, n_channels). `folds` says in which group the maps of a mock-up are;
    `overlap` is the scatter of all over the sum of those of the groups.
    """

    n_maps: Floats
    dof: Floats = field(repr=False)
    means: Floats = field(repr=False)
    products: Floats = field(repr=False)
    folds: Mapping[int, int] = field(repr=False)
    overlap: float = 1.0

    @property
    def total(self) -> tuple[Floats, float]:
        """The scatter of all, a sum, and its degrees of freedom."""
        return self.overlap * self.products.sum(axis=0), self.freedom

    @property
    def freedom(self) -> float:
        """The degrees of freedom of the scatter of all."""
        return self.overlap * float(self.dof.sum())

    @property
    def mean(self) -> Floats:
        """The mean (n_channels,) of the maps' means."""
        mean: Floats = np.average(self.means, axis=0, weights=self.n_maps)
        return mean

    def without(self, fold: int) -> PooledScatter:
        """The same without one of the groups, and without the sums of products."""
        kept = np.arange(len(self.dof)) != fold
        return PooledScatter(
            self.n_maps[kept], self.dof[kept], self.means[kept], self.products[:0], {}, self.overlap
        )


@dataclass(frozen=True)
class BlankMetric:
    """The metric S^-1 of blank pixels: shrunk within-map covariance + variance along nuisances.

    `form` names the shrinkage; `pull` is the weight of the median eigenvalue in it.
    `whitener` is W with W S0 W' = 1 for the covariance S0 without nuisances, `change` (n, n) the
    part of S0 that pixels do not show (0, 0 without any), `noise` (n,) the standard deviation of
    each channel's own noise.
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
    noise: Floats = field(repr=False)

    def whiten(self, spectra: ArrayLike, *, nuisances: bool = True) -> Floats:
        """Turn spectra (..., n_channels) into coordinates where S is the unit matrix."""
        white: Floats = np.asarray(spectra, dtype=float) @ self.whitener.T
        if nuisances:
            white = white - (white @ self.directions * self.damping) @ self.directions.T
        return white


def scatter(spectra: ArrayLike, mockup: int | None = None) -> Scatter:
    """Sum the scatter of one map about its own mean, in one pass over blocks of pixels.

    Parameters
    ----------
    spectra : (n_pixels, n_channels), any float type, also a memory map; pixels with a value that
        is not finite are left out.
    mockup : see `Scatter`.

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
            Fault(f"a map with {n_pixels} valid pixel{'s' * (n_pixels != 1)}", "at least two",
                  "leave this map out of the blanks; score single spectra by bands")
        )  # fmt: skip
    offset = total / n_pixels
    own = products - n_pixels * np.outer(offset, offset)
    return Scatter(n_pixels, origin + offset, own, mockup)


def pool(scatters: Iterable[Scatter]) -> PooledScatter:
    """Add the scatters of maps, each about its own mean, into up to eight groups of mock-ups.

    An iterator is walked once, so that no more than the groups is in memory.

    Raises
    ------
    ContractError : fewer than two maps, or maps of different channels.
    """
    n_maps: list[int] = []
    dof: list[float] = []
    means: list[Floats] = []
    products: list[Floats] = []
    folds: dict[int, int] = {}
    for number, one in enumerate(scatters):
        if means and one.mean.shape != means[0].shape:
            raise ContractError(
                Fault(f"maps of {means[0].size} and of {one.mean.size} channels",
                      "one wavenumber axis in all blanks", "crop or regrid them to one axis")
            )  # fmt: skip
        mockup = -1 - number if one.mockup is None else one.mockup
        fold = folds.setdefault(mockup, len(folds) % FOLDS)
        if fold == len(dof):
            n_maps.append(0)
            dof.append(0.0)
            means.append(np.zeros_like(one.mean))
            products.append(np.zeros_like(one.products))
        n_maps[fold] += 1
        dof[fold] += one.n_pixels - 1
        means[fold] += one.mean
        products[fold] += one.products
    if len(dof) < 2:
        raise ContractError(
            Fault(f"{len(dof)} blank map", "at least two, so that one can check the other",
                  "add blanks, or give strips: [scatter(s) for s in np.array_split(spectra, 5)]")
        )  # fmt: skip
    counts = np.array(n_maps, dtype=float)
    return PooledScatter(
        counts, np.array(dof), np.array(means) / counts[:, None], np.array(products), folds
    )


def pool_means(means: ArrayLike) -> PooledScatter:
    """The scatter of mock-ups of one spectrum each about their mean, each a group of its own.

    Left out, one shows n / (n - 1) times its square distance from the mean of all, which is
    (n - 1) / n times that from the mean of the others.

    Parameters
    ----------
    means : (n_mockups, n_channels), one spectrum a mock-up.
    """
    spectra = np.asarray(means, dtype=float)
    n = len(spectra)
    apart = (spectra - spectra.mean(axis=0)) * np.sqrt(n / (n - 1))
    products = apart[:, :, None] * apart[:, None, :]
    return PooledScatter(
        np.ones(n), np.ones(n), spectra, products, {place: place for place in range(n)}, 1 - 1 / n
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
    plain, _ = crossed_metrics(pooled, crossed=False)
    return plain if nuisances is None else declare(plain, nuisances)


def crossed_metrics(
    pooled: PooledScatter, *, crossed: bool = True
) -> tuple[BlankMetric, list[BlankMetric]]:
    """Make the metric of all blanks as `blank_metric`, and one without each group of mock-ups.

    A metric made with a mock-up's own pixels leans towards its mean where scatter is skewed, so
    this mock-up is scored in the one made without it. The eigenvectors are those that the
    cross-validation has at hand; the eigenvalues are what the other groups show along theirs.
    None is made where that would leave fewer than two groups.
    """
    if np.count_nonzero(pooled.products.any(axis=(1, 2))) < 2:
        raise ContractError(
            Fault("blank maps without any scatter, or in one mock-up alone",
                  "pixels that differ by noise at least",
                  "use measured maps, not copies of one spectrum, as blanks")
        )  # fmt: skip
    n_channels, n_folds = pooled.mean.size, len(pooled.dof)
    total, dof = pooled.total
    unit = np.sqrt(np.trace(total) / (dof * n_channels))
    groups = [*range(n_folds), None]
    rough = _whiteners(pooled, [np.full(n_channels, unit)] * (n_folds + 1), groups)
    kept = groups if crossed and n_folds > 2 else [None]
    scales = [1.0 / np.linalg.norm(one, axis=0) for one in rough]
    metrics = [
        _plain_metric(pooled if fold is None else pooled.without(fold), whitener,
                      scales[-1 if fold is None else fold])
        for fold, whitener in zip(kept, _whiteners(pooled, scales, kept), strict=True)
    ]  # fmt: skip
    return metrics[-1], metrics[:-1]


def _plain_metric(pooled: PooledScatter, whitener: Floats, noise: Floats) -> BlankMetric:
    """The metric without nuisances and change."""
    dof = pooled.freedom
    pull, form = _pull(dof, pooled.mean.size), "cross-validated eigenvalues"
    if pull > 0:
        form += f", pulled by {pull:.2f} to their median (fewer than 2 pixels a channel)"
    n_maps = int(pooled.n_maps.sum())
    return BlankMetric(
        form, pull, n_maps, round(dof) + n_maps, pooled.mean, whitener,
        np.zeros((0, 0)), np.zeros((pooled.mean.size, 0)), np.zeros(0), noise,
    )  # fmt: skip


def _pull(dof: float, n_channels: int) -> float:
    return max(0.0, 1.0 - dof / (PIXELS_A_CHANNEL * n_channels))


def with_change(metric: BlankMetric, change: ArrayLike) -> BlankMetric:
    """Return the metric with this covariance (n_channels, n_channels) added to that of the pixels.

    Nuisances have to be declared after it.
    """
    from scipy.linalg import solve_triangular

    declared = np.asarray(change, dtype=float)
    whitened = metric.whitener @ declared @ metric.whitener.T
    whitened[np.diag_indices_from(whitened)] += 1.0
    whitener = solve_triangular(np.linalg.cholesky(whitened), metric.whitener, lower=True)
    return replace(metric, whitener=whitener, change=declared)


def declare(metric: BlankMetric, nuisances: ArrayLike) -> BlankMetric:
    """Return the metric with these nuisance shapes (n_shapes, n_channels) in place of its own."""
    white = spectra_rows(nuisances, metric.mean.size) @ metric.whitener.T
    length = np.linalg.norm(white, axis=1, keepdims=True)
    white = np.divide(white, length, out=np.zeros_like(white), where=length > 0)
    directions, sizes, _ = np.linalg.svd(white.T, full_matrices=False)
    damping = 1.0 - 1.0 / np.sqrt(1.0 + NUISANCE_VARIANCE * sizes**2)
    return replace(metric, directions=directions, damping=damping)


def _whiteners(
    pooled: PooledScatter, scales: Sequence[Floats], wanted: Sequence[int | None]
) -> Iterator[Floats]:
    """W = d^-1/2 V' / scale of all maps (None) and without the groups that are wanted, in turn.

    V of these maps, and d what groups show along the V of the others; `scales` one a group left
    out, then that of all.
    """
    total, dof = pooled.total
    n_channels = len(total)
    along: list[Floats] = []
    vectors: dict[int, Floats] = {}
    for held, own_dof, scale in zip(pooled.products, pooled.dof, scales, strict=False):
        scaled = total - held
        scaled /= np.outer(scale, scale)
        rank = round(dof - own_dof)
        others = _eigenvectors(scaled, rank)
        np.divide(held, np.outer(scale, scale), out=scaled)
        # Directions in which the others do not vary at all have no order of their own.
        unseen = max(0, n_channels - rank)
        seen, shown = others[:, unseen:], np.empty(n_channels)
        shown[unseen:] = np.einsum("ij,ij->j", seen, scaled @ seen)
        if unseen:
            shown[:unseen] = (np.trace(scaled) - shown[unseen:].sum()) / unseen
        along.append(shown)
        vectors[len(vectors)] = others
    for fold in wanted:
        left = [number for number in range(len(along)) if number != fold]
        freedom = pooled.dof[left].sum()
        values = _monotone(np.sum([along[number] for number in left], axis=0) / freedom)
        pull = _pull(freedom, n_channels)
        values = (1.0 - pull) * values + pull * np.median(values)
        values = np.maximum(values, CONDITION * values.max())
        scale = scales[-1 if fold is None else fold]
        own = (
            _eigenvectors(total / np.outer(scale, scale), round(dof))
            if fold is None
            else vectors.pop(fold)
        )
        yield (own / np.sqrt(values)).T / scale


def _eigenvectors(matrix: Floats, rank: int) -> Floats:
    """Eigenvectors (n, n) of a scatter, ascending; what it does not span is any basis of the rest.

    Few spectra span little: their factor is found by pivoted Cholesky decomposition (Higham 1990,
    Reliable Numerical Computation, Oxford, 161; from memory), and the rest need no eigenproblem.
    """
    from scipy.linalg.lapack import dpstrf

    if rank > len(matrix) * _FEW:
        vectors: Floats = np.linalg.eigh(matrix)[1]
        return vectors
    half, order, found, _ = dpstrf(matrix, lower=True)
    factor = np.empty((len(matrix), min(rank, found)))
    factor[order - 1] = np.tril(half[:, : factor.shape[1]])
    basis, _, _ = np.linalg.svd(factor)
    return basis[:, ::-1]


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
