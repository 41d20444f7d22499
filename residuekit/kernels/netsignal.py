"""The net signal: generalised least squares of the whole spectrum in the metric of blank pixels.

`net_signal` makes the weights of the deciding score from references and the metric of blank
pixels (`scatter`, `pool`, `blank_metric`, from `metric`); `net_scores`, `lack_of_fit` and
`shape_test` use them; `nas` is Lorber's original form.
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from ..errors import ContractError, Fault
from .metric import (
    BlankMetric,
    PooledScatter,
    Scatter,
    blank_metric,
    common_nuisances,
    crossed_metrics,
    declare,
    pool,
    pool_means,
    scatter,
    spectra_rows,
    with_change,
)

__all__ = [
    "BlankMetric",
    "NetAnalyte",
    "NetSignal",
    "PooledScatter",
    "Scatter",
    "ShapeBasis",
    "ShapeTest",
    "blank_metric",
    "common_nuisances",
    "crossed_metrics",
    "declare",
    "lack_of_fit",
    "nas",
    "net_scores",
    "net_signal",
    "pool",
    "pool_means",
    "scatter",
    "shape_test",
    "with_change",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class NetSignal:
    """Weights of the deciding score and how well they can see.

    `weights` (n_channels,) have unit response to `target` (n_channels,), the mixture of the
    references (shares `mixture`) that is hardest to see; `standard_error` is that of one pixel,
    sqrt(w'Sw) less what the declared change adds, in units of the reference; `selectivity` in 0 to
    1 is the share of the reference's norm that the nuisances leave: near 0 the score is blind, and
    its standard error says so.
    """

    standard_error: float
    selectivity: float
    mixture: Floats
    weights: Floats = field(repr=False)
    target: Floats = field(repr=False)
    references: Floats = field(repr=False)
    metric: BlankMetric = field(repr=False)


#: A shape is refused when it leaves more than this many times what blanks leave ...
_MOST_LEFT = 3
#: ... and the reference explains less than this share of what is beyond the blanks' scatter.
_LEAST_SHARE = 0.8


@dataclass(frozen=True)
class ShapeTest:
    """Whether a difference has the shape of the reference; E, Q, Q0 without unit."""

    explained: float
    residual: float
    expected_residual: float

    @property
    def share(self) -> float:
        """E / (E + Q - Q0): how much of the difference beyond the blanks' scatter is explained."""
        beyond = self.explained + max(self.residual - self.expected_residual, 0.0)
        return self.explained / beyond if beyond > 0 else 0.0

    @property
    def ratio(self) -> float:
        """Q / Q0: what the reference leaves, in what the scatter of the blanks leaves."""
        return self.residual / self.expected_residual if self.expected_residual > 0 else np.inf

    @property
    def refused(self) -> bool:
        """Whether the difference has another shape than the reference."""
        return self.residual > _MOST_LEFT * self.expected_residual and self.share < _LEAST_SHARE

    @property
    def weak(self) -> bool:
        """Whether the shape is not refused, but too little of it is explained to prove the gel."""
        return not self.refused and self.share < _LEAST_SHARE


@dataclass(frozen=True)
class NetAnalyte:
    """Lorber's net analyte signal, its norm, and its share of the spectrum's norm."""

    signal: Floats = field(repr=False)
    norm: float
    selectivity: float


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
    spectra = spectra_rows(references, metric.mean.size)
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
    variance = 1.0 / size**2
    if metric.change.size:
        variance -= float(weights @ metric.change @ weights)
    return NetSignal(
        float(np.sqrt(variance)), size / free, shares, weights, target, spectra, metric
    )


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
    basis = _basis(net.metric.whiten(net.references))
    residual: Floats = (white**2).sum(axis=-1) - ((white @ basis) ** 2).sum(axis=-1)
    mean_square: Floats = residual / (net.target.size - basis.shape[1])
    return mean_square


def shape_test(
    difference: ArrayLike,
    blanks: ArrayLike,
    net: NetSignal,
    wavenumber: ArrayLike,
    *,
    n_exposed: int,
    n_behind: float | None = None,
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
    n_behind : blanks whose mean is as certain as what the exposed are compared with; n unless said.

    Raises
    ------
    ContractError : fewer than two blanks, shapes that do not fit, no exposed mock-up.
    """
    n_channels = net.target.size
    means = spectra_rows(blanks, n_channels)
    n = len(means)
    if n < 2 or n_exposed < 1:
        raise ContractError(
            Fault(f"{n} blank and {n_exposed} exposed mock-ups",
                  "two blank mock-ups or more, and an exposed one", "add mock-ups")
        )  # fmt: skip
    shape = ShapeBasis(net, wavenumber)
    left_out = (means - means.mean(axis=0)) * (n / (n - 1))
    left = shape.left(net.metric.whiten(left_out))
    expected = float(left.mean()) * (n - 1) / n * (1 / n_exposed + 1 / (n_behind or n))
    return shape.test(net.metric.whiten(spectra_rows(difference, n_channels))[0], expected)


class ShapeBasis:
    """The references and their derivatives in wavenumber, as `shape_test` fits differences by them;
    for differences that are whitened."""

    def __init__(self, net: NetSignal, wavenumber: ArrayLike):
        axis = np.asarray(wavenumber, dtype=float)
        span = np.vstack([net.references, np.gradient(net.references, axis, axis=1)])
        self._basis = _basis(net.metric.whiten(span))

    def turned(self, turn: Floats) -> ShapeBasis:
        """The same for differences whose coordinates a rotation (n_channels, n_channels) turned:
        for `white @ turn`."""
        other = copy(self)
        other._basis = turn.T @ self._basis
        return other

    def left(self, white: Floats) -> Floats:
        """Q of each difference (..., n_channels): what references and derivatives leave."""
        return _explain(white, self._basis)[1]

    def test(self, white: Floats, expected: float) -> ShapeTest:
        """The test of one difference (n_channels,) beside the Q0 that is expected."""
        explained, left = _explain(white, self._basis)
        return ShapeTest(float(explained), float(left), expected)


def _basis(white: Floats) -> Floats:
    """Orthonormal columns that span the rows."""
    basis, sizes, _ = np.linalg.svd(white.T, full_matrices=False)
    spanning: Floats = basis[:, sizes > 1e-10 * sizes[0]]
    return spanning


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
    rows = spectra_rows(interferents, signal.size)
    whole = float(np.linalg.norm(signal))
    if not whole > 0:
        raise ContractError(
            Fault("a spectrum that is zero or not finite", "a spectrum of the analyte", "check it")
        )
    amounts, *_ = np.linalg.lstsq(rows.T, signal, rcond=None)
    net = signal - amounts @ rows
    norm = float(np.linalg.norm(net))
    return NetAnalyte(net, norm, norm / whole)
