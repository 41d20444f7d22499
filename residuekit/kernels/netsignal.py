"""The net signal: generalised least squares of the whole spectrum in the metric of blank pixels.

The way is `scatter` (one pass a map) -> `pool` -> `blank_metric` -> `net_signal` -> `net_scores`.
Only the scatter *within* blank maps enters the metric. The scatter of blank mock-up means belongs
to the decision; used in both places it makes false alarms (see the tests).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import ContractError, Fault

__all__ = [
    "BlankMetric",
    "NetAnalyte",
    "NetSignal",
    "PooledScatter",
    "Scatter",
    "ShapeTest",
    "blank_metric",
    "common_nuisances",
    "lack_of_fit",
    "nas",
    "net_scores",
    "net_signal",
    "pool",
    "scatter",
    "shape_test",
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
    `whitener` is W with W S0 W' = 1 for the covariance S0 without nuisances.
    """

    form: str
    pull: float
    n_maps: int
    n_pixels: int
    mean: Floats = field(repr=False)
    whitener: Floats = field(repr=False)
    directions: Floats = field(repr=False)
    damping: Floats = field(repr=False)

    def whiten(self, spectra: ArrayLike, *, nuisances: bool = True) -> Floats:
        """Turn spectra (..., n_channels) into coordinates where S is the unit matrix."""
        white: Floats = np.asarray(spectra, dtype=float) @ self.whitener.T
        if nuisances:
            white = white - (white @ self.directions * self.damping) @ self.directions.T
        return white


@dataclass(frozen=True)
class NetSignal:
    """Weights of the deciding score and how well they can see.

    `weights` (n_channels,) have unit response to `target` (n_channels,), the mixture of the
    references (shares `mixture`) that is hardest to see; `standard_error` is that of one pixel,
    sqrt(w'Sw), in units of the reference; `selectivity` in 0 to 1 is the share of the reference's
    norm that the nuisances leave: near 0 the score is blind, and its standard error says so.
    """

    standard_error: float
    selectivity: float
    mixture: Floats
    weights: Floats = field(repr=False)
    target: Floats = field(repr=False)
    references: Floats = field(repr=False)
    metric: BlankMetric = field(repr=False)


@dataclass(frozen=True)
class ShapeTest:
    """Whether a difference has the shape of the reference; E, Q, Q0 without unit."""

    explained: float
    residual: float
    expected_residual: float
    share: float
    refused: bool
    reason: str


@dataclass(frozen=True)
class NetAnalyte:
    """Lorber's net analyte signal, its norm, and its share of the spectrum's norm."""

    signal: Floats = field(repr=False)
    norm: float
    selectivity: float


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
    """Make the metric of blank pixels from their pooled scatter and declared nuisance shapes.

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
    shapes = np.zeros((0, n_channels)) if nuisances is None else _rows(nuisances, n_channels)
    white = shapes @ whitener.T
    length = np.linalg.norm(white, axis=1, keepdims=True)
    white = np.divide(white, length, out=np.zeros_like(white), where=length > 0)
    directions, sizes, _ = np.linalg.svd(white.T, full_matrices=False)
    damping = 1.0 - 1.0 / np.sqrt(1.0 + NUISANCE_VARIANCE * sizes**2)
    return BlankMetric(
        form, pull, pooled.n_maps, pooled.n_pixels, pooled.mean, whitener, directions, damping
    )


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


def net_signal(references: ArrayLike, metric: BlankMetric) -> NetSignal:
    """Make the weights w = S^-1 g / (g' S^-1 g) with unit response to the reference g.

    Several references span what a residue may be made of. Their one score is the most careful:
    the smallest w'Sw with w'g_k >= 1 for every reference. Then g is the mixture (shares >= 0, sum
    1) that is nearest to nothing in the metric, the hardest to see, and any non-negative mixture
    is scored at its full amount or more. Give the references for equal amounts of material. It is
    least distance programming (Lawson & Hanson 1974, Solving Least Squares Problems, chapter 23).

    Parameters
    ----------
    references : (n_channels,) or (n_references, n_channels).
    metric : from `blank_metric`, on the same channels and after the same procedure.

    Raises
    ------
    ContractError : a reference that is empty, or references that cancel each other.
    """
    spectra = _rows(references, metric.mean.size)
    if not spectra.any(axis=1).all():
        raise ContractError(
            Fault("a reference that is zero everywhere", "a spectrum of the gel",
                  "check the reference after the procedure")
        )  # fmt: skip
    white = metric.whiten(spectra)
    shares = _nearest_mixture(white)
    target = shares @ spectra
    white_target = shares @ white
    size = float(np.linalg.norm(white_target))
    free = float(np.linalg.norm(metric.whiten(target, nuisances=False)))
    inner = white_target - metric.directions @ (
        metric.damping * (metric.directions.T @ white_target)
    )
    weights = metric.whitener.T @ inner / size**2
    return NetSignal(1.0 / size, size / free, shares, weights, target, spectra, metric)


def _nearest_mixture(white: Floats) -> Floats:
    """Shares (>= 0, sum 1) of the rows' mixture that is nearest to the origin."""
    from scipy.optimize import nnls

    scale = np.linalg.norm(white, axis=1).min()
    system = np.vstack([white.T / scale, np.ones(len(white))])
    amounts, misfit = nnls(system, np.r_[np.zeros(white.shape[1]), 1.0])
    if misfit < 1e-6 or not amounts.any():
        raise ContractError(
            Fault("references that cancel each other", "references that point one way",
                  "give absorbances of one sign, or one reference alone")
        )  # fmt: skip
    shares: Floats = amounts / amounts.sum()
    return shares


def net_scores(spectra: ArrayLike, net: NetSignal) -> Floats:
    """Score pixels: w'x for (..., n_channels) spectra, in references; NaN where a pixel has NaN."""
    scores: Floats = np.asarray(spectra, dtype=float) @ net.weights
    return scores


def lack_of_fit(spectra: ArrayLike, net: NetSignal) -> Floats:
    """Say how far each pixel is from mean blank + references: mean square in units of S.

    About 1 for a blank pixel with or without residue, larger for anything else. Several
    references are fitted freely. (..., n_channels) in, (...) out; NaN where a pixel has NaN.
    """
    white = net.metric.whiten(np.asarray(spectra, dtype=float) - net.metric.mean)
    basis, _ = np.linalg.qr(net.metric.whiten(net.references).T)
    residual: Floats = (white**2).sum(axis=-1) - ((white @ basis) ** 2).sum(axis=-1)
    return residual / (net.target.size - basis.shape[1])


def shape_test(
    difference: ArrayLike,
    blanks: ArrayLike,
    net: NetSignal,
    wavenumber: ArrayLike,
    *,
    n_exposed: int,
) -> ShapeTest:
    """Ask whether a difference is the reference's spectrum or something else.

    The difference d (mean exposed - mean blank) is fitted by the references and their derivatives
    in wavenumber in the metric S^-1: E explained, Q left. Blank mock-ups, each against the mean of
    the n-1 others, give Q0 = mean Q (n-1)/n (1/m + 1/n). Refused if Q > 3 Q0 and
    E / (E + Q - Q0) < 0.8.

    Parameters
    ----------
    difference : (n_channels,).
    blanks : (n, n_channels), the means of the blank mock-ups, n >= 2.
    net : the net signal, which carries references and metric.
    wavenumber : (n_channels,), cm-1.
    n_exposed : m, the mock-ups behind the mean exposed spectrum; 1 for a single mock-up.

    Raises
    ------
    ContractError : fewer than two blanks, shapes that do not fit, no exposed mock-up.
    """
    n_channels = net.target.size
    means = _rows(blanks, n_channels)
    n = len(means)
    if n < 2 or n_exposed < 1:
        raise ContractError(
            Fault(f"{n} blank and {n_exposed} exposed mock-ups",
                  "two blank mock-ups or more, and an exposed one", "add mock-ups")
        )  # fmt: skip
    axis = np.asarray(wavenumber, dtype=float)
    span = np.vstack([net.references, np.gradient(net.references, axis, axis=1)])
    basis, sizes, _ = np.linalg.svd(net.metric.whiten(span).T, full_matrices=False)
    basis = basis[:, sizes > 1e-10 * sizes[0]]
    left_out = (means - means.mean(axis=0)) * (n / (n - 1))
    _, blank_residual = _explain(net.metric.whiten(left_out), basis)
    expected = float(blank_residual.mean()) * (n - 1) / n * (1 / n_exposed + 1 / n)
    parts = _explain(net.metric.whiten(_rows(difference, n_channels)), basis)
    explained, residual = (float(part[0]) for part in parts)
    beyond = explained + max(residual - expected, 0.0)
    share = explained / beyond if beyond > 0 else 0.0
    refused = residual > 3 * expected and share < 0.8
    reason = (
        f"the reference explains {share:.0%} of what goes beyond the blanks' scatter; "
        f"the rest is {residual / expected if expected > 0 else np.inf:.1f} times that scatter"
    )
    return ShapeTest(explained, residual, expected, share, refused, reason)


def _explain(white: Floats, basis: Floats) -> tuple[Floats, Floats]:
    fitted = white @ basis
    left = white - fitted @ basis.T
    return (fitted**2).sum(axis=-1), (left**2).sum(axis=-1)


def nas(spectrum: ArrayLike, interferents: ArrayLike) -> NetAnalyte:
    """Return the net analyte signal (I - K K+) s on the space free of the interferents.

    Lorber 1986, Anal. Chem. 58, 1167. Selectivity is the norm of the net signal over that of s.

    Parameters
    ----------
    spectrum : (n_channels,).
    interferents : (n_interferents, n_channels); they may depend on each other.

    Raises
    ------
    ContractError : an empty spectrum, or shapes that do not fit.

    >>> float(nas([1, 2, 1, 0], [[0, 1, 1, 1], [1, 0, 1, 2]]).selectivity)
    0.6666666666666...
    """
    signal = np.asarray(spectrum, dtype=float)
    rows = _rows(interferents, signal.size)
    whole = float(np.linalg.norm(signal))
    if not whole > 0:
        raise ContractError(
            Fault("a spectrum that is zero or not finite", "a spectrum of the analyte", "check it")
        )
    amounts, *_ = np.linalg.lstsq(rows.T, signal, rcond=None)
    net = signal - amounts @ rows
    norm = float(np.linalg.norm(net))
    return NetAnalyte(net, norm, norm / whole)


def _rows(values: ArrayLike, n_channels: int) -> Floats:
    rows = np.atleast_2d(np.asarray(values, dtype=float))
    if rows.ndim != 2 or rows.shape[1] != n_channels or not np.isfinite(rows).all():
        kind = "" if np.isfinite(rows).all() else " with values that are not finite"
        raise ContractError(
            Fault(f"spectra of shape {rows.shape}{kind}", f"finite spectra of {n_channels} channels",
                  "put references, nuisances and blanks through the same procedure as the maps")
        )  # fmt: skip
    return rows
