"""How mock-ups of one paint differ by more than their pixels show: declared, or measured.

`fitted_change` measures it on mock-ups that are compared with nothing; `smooth_change` declares a
mild one where there are too few of these. Both give a covariance that `blank_metric` takes beside
that of the pixels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .metric import BlankMetric, common_nuisances, spectra_rows

__all__ = ["FittedChange", "fitted_change", "smooth_change"]

Floats = NDArray[np.float64]

#: The change that is declared without replicates: share of the absorbance, least share of the
#: largest one, length in cm-1.
CHANGE_SHARE, CHANGE_FLOOR, CHANGE_LENGTH = 0.003, 0.1, 40.0
#: Full widths at half height, cm-1, of the smooth bumps by which a paint's spectrum may change.
BUMP_WIDTHS = (30.0, 60.0, 120.0)
_PARTS = (
    "noise", "texture", *(f"bumps of {width:g} cm-1" for width in BUMP_WIDTHS), "relative change",
)  # fmt: skip
#: Replicates with fewer degrees of freedom than this measure no change.
LEAST_DOF = 3
#: The share of the measured change that enters the metric: few mock-ups measure it, by a model, and
#: to cancel it in full would amplify what the model does not hold (sorbed water, vapour). Chosen
#: among 1, 1/3, 1/5 and 1/10 on simulated paints; no source.
TRUST = 0.2
#: Channels closer than this, cm-1, are averaged before the variances are estimated.
_SPACING = 12.0
_LEAST_VARIANCE, _MOST_VARIANCE = 1e-11, 10.0
#: A variance below this, 0.003 % squared, is none.
_NEGLIGIBLE = 1e-9
#: A direction belongs to the texture if its variance is this many times that of the noise.
_LOUD = 2.0


@dataclass(frozen=True)
class FittedChange:
    """What a metric takes of a measured change: a covariance (n, n), and what was measured.

    `parts` names the standard deviation of each part: `noise` and `texture` as a share of those of
    one pixel, the others as a share of the local absorbance. `dof` counts what they rest on;
    `variances` are the squares of the parts.
    """

    dof: int
    parts: dict[str, float]
    variances: Floats = field(repr=False)
    covariance: Floats = field(repr=False)


def smooth_change(wavenumber: ArrayLike, mean_blank: ArrayLike) -> Floats:
    """Return (n, n): the covariance of smooth relative changes of the paint's spectrum.

    Mock-ups of one paint differ by more than their pixels show: bands grow, broaden and lean on
    their flanks a little, smoothly along the spectrum. Declared is a change with a standard
    deviation of 0.3 % of the local absorbance (and of 0.03 % of the largest), correlated
    over 40 cm-1 as a Matern process of order 3/2 (Rasmussen & Williams, Gaussian Processes for
    Machine Learning, 2006, eq. 4.17): rough enough not to promise that sharp differences are the
    gel's alone. The three numbers were chosen on simulated paints, among several; no source. Where
    noise dominates, the change is small beside it and costs little.

    Parameters
    ----------
    wavenumber, mean_blank : (n,), cm-1 and the mean blank spectrum in any unit.
    """
    axis = np.asarray(wavenumber, dtype=float)
    return CHANGE_SHARE**2 * _relative(axis, _local(mean_blank))


def fitted_change(
    wavenumber: ArrayLike,
    replicates: Sequence[ArrayLike],
    metric: BlankMetric,
    references: ArrayLike,
    near: FittedChange | None = None,
) -> FittedChange | None:
    """Measure how mock-ups of one paint differ, on replicates that no arm is compared with.

    Each group of replicates (spiked mock-ups of one loading, untreated ones) varies about its own
    mean with the covariance a N + b T + sum c_k K_k: N the noise of one blank pixel and T its
    texture (what stands out of N in S), K_k smooth bumps of three widths in proportion to the local
    absorbance, and relative changes as in `smooth_change`. The variances a, b, c_k are those
    of restricted maximum likelihood (Patterson & Thompson 1971, Biometrika 58, 545) on what the
    references and the common nuisances leave: the direction of the gel has no part in them, nor
    have the blanks with which an arm is compared, so their scatter is still used once alone.

    Parameters
    ----------
    wavenumber : (n,), cm-1. replicates : groups of mock-up means, (k, n) each; a group of one
        tells nothing.
    metric : of the blank pixels, without nuisances or change. references : (n_references, n).
    near : what was found with nearly the same metric; the search begins there.

    Returns
    -------
    The change in units of one blank pixel, (0.2 sum c_k K_k + (b - a) T) / a where b > a; None with
    fewer than 3 degrees of freedom.
    """
    axis = np.asarray(wavenumber, dtype=float)
    groups = [spectra_rows(group, axis.size) for group in replicates]
    dof = sum(len(group) - 1 for group in groups)
    if dof < LEAST_DOF:
        return None
    noise, texture = _apart(metric)
    coarse = _averaging(axis)
    shapes = np.vstack([common_nuisances(axis, metric.mean), spectra_rows(references, axis.size)])
    kept = _free_of(shapes @ coarse.T, (coarse * noise**2 * coarse).sum(axis=1)) @ coarse
    local = _local(metric.mean)
    relative = _relative(axis, local)
    bumps = [_gaussians(axis.tobytes(), width) for width in BUMP_WIDTHS]
    seen = [kept * noise, kept @ texture, *((kept @ one) * local for one in bumps)]
    parts = np.array([*(one @ one.T for one in seen), kept @ relative @ kept.T])
    left = np.vstack([group - group.mean(axis=0) for group in groups]) @ kept.T
    fit = _Fit(parts, left.T / np.sqrt(dof), 1.0 / metric.n_pixels)
    variances = None if near is None else fit.nearby(near.variances)
    if variances is None:
        variances = fit.search(None if near is None else near.variances)
    change = variances[-1] * relative
    for one, variance in zip(bumps, variances[2:-1], strict=True):
        if variance > 0:
            scaled = one * (np.sqrt(variance) * local)
            change += scaled @ scaled.T
    change *= TRUST
    change += max(variances[1] - variances[0], 0.0) * (texture @ texture.T)
    sizes = {name: float(size) for name, size in zip(_PARTS, np.sqrt(variances), strict=True)}
    change /= variances[0]
    return FittedChange(dof, sizes, variances, change)


class _Fit:
    """Restricted likelihood of a sum of covariances (k, m, m) of residuals (m, r) over sqrt(dof).

    The first two variances are at least `least`; the others may be none.
    """

    def __init__(self, parts: Floats, seen: Floats, least: float):
        self._parts, self._seen = parts, seen
        lowest = [least] * 2 + [_LEAST_VARIANCE] * (len(parts) - 2)
        self._bounds = np.array([(low, _MOST_VARIANCE) for low in lowest])

    def search(self, start: Floats | None) -> Floats:
        """The variances of greatest likelihood, sought from a start or from nothing known."""
        from scipy.optimize import minimize

        if start is None:
            n_shapes = len(self._parts) - 2
            start = np.array([1e-2, 2e-2, *np.full(n_shapes, 1e-5 / n_shapes)])
        best = minimize(
            self._deviance, np.log(np.maximum(start, self._bounds[:, 0])), jac=True,
            method="L-BFGS-B", bounds=np.log(self._bounds),
            options={"ftol": 1e-13, "gtol": 1e-7, "maxiter": 500},
        )  # fmt: skip
        return self._settle(np.exp(best.x))[0]

    def nearby(self, start: Floats) -> Floats | None:
        """Those that Newton's steps alone find from a start; None where they miss the greatest."""
        found, settled = self._settle(start)
        within = (found >= self._bounds[:, 0]) & (found <= self._bounds[:, 1])
        free = found > self._bounds[:, 0] * (1 + 1e-6)
        if not settled or not within[free].all():
            return None
        return found if (self._slopes(found)[1][~free] >= 0).all() else None

    def _slopes(self, variances: Floats) -> tuple[float, Floats]:
        """The deviance and its slope in each variance."""
        inverse, log_det = _inverse(np.tensordot(variances, self._parts, axes=1))
        turned = inverse @ self._seen
        misfit = (inverse - turned @ turned.T).ravel()
        slopes: Floats = self._parts.reshape(len(self._parts), -1) @ misfit
        return log_det + float(np.sum(turned * self._seen)), slopes

    def _deviance(self, log_variances: Floats) -> tuple[float, Floats]:
        variances = np.exp(log_variances)
        value, slopes = self._slopes(variances)
        return value, variances * slopes

    def _settle(self, variances: Floats) -> tuple[Floats, bool]:
        """Newton's steps to where a search ends in exact arithmetic, whatever its last digits were.

        A negligible variance is none, and one at its bound stays there. Says whether they ended.
        """
        settled = np.where(variances < _NEGLIGIBLE, 0.0, variances)
        low, high = self._bounds.T
        free = (settled > low * (1 + 1e-6)) & (settled < high * (1 - 1e-6))
        for _ in range(20):
            inverse, _ = _inverse(np.tensordot(settled, self._parts, axes=1))
            turned = inverse @ self._parts[free]
            inner, outer = self._seen.T @ turned, turned @ (inverse @ self._seen)
            flat, across, size = len(turned), turned.transpose(0, 2, 1), settled[free]
            bend = 2 * outer.reshape(flat, -1) @ inner.transpose(0, 2, 1).reshape(flat, -1).T
            bend -= turned.reshape(flat, -1) @ across.reshape(flat, -1).T
            explained = np.sum(outer * self._seen, axis=(1, 2))
            slope = size * (np.trace(turned, axis1=1, axis2=2) - explained)
            bend = np.outer(size, size) * bend + np.diag(slope)
            step = np.linalg.lstsq(bend, slope, rcond=1e-12)[0]
            settled[free] = size * np.exp(-np.clip(step, -0.5, 0.5))
            if np.abs(step).max(initial=0.0) < 1e-9:
                return settled, True
        return settled, False


def _inverse(matrix: Floats) -> tuple[Floats, float]:
    """The inverse of a positive definite matrix by its Cholesky factor, and log det."""
    from scipy.linalg.lapack import dpotrf, dpotri

    factor, failed = dpotrf(matrix, lower=True)
    if failed:
        raise np.linalg.LinAlgError("the covariance of the paint's change is not positive definite")
    half, _ = dpotri(factor, lower=True)
    lower = np.tril(half, -1)
    inverse: Floats = lower + lower.T
    inverse[np.diag_indices_from(inverse)] = half.diagonal()
    return inverse, 2 * float(np.log(factor.diagonal()).sum())


def _apart(metric: BlankMetric) -> tuple[Floats, Floats]:
    """The noise of one blank pixel (n,), and its texture T = F F^T as F (n, k): what stands out.

    The rows of the whitener of a plain metric, in noise, are eigenvectors over sqrt(eigenvalue).
    """
    rows = metric.whitener * metric.noise
    sizes = 1.0 / (rows**2).sum(axis=1)
    loud = sizes > _LOUD
    shapes = (rows[loud] * np.sqrt(sizes[loud])[:, None] * metric.noise).T
    return metric.noise, shapes * np.sqrt(sizes[loud] - 1.0)


def _averaging(axis: Floats) -> Floats:
    """(m, n): means of neighbouring channels, no finer than the variances ask."""
    count = max(1, int(_SPACING / float(np.median(np.diff(axis)))))
    blocks = np.arange(axis.size // count * count) // count
    matrix = np.zeros((axis.size // count, axis.size))
    matrix[blocks, np.arange(blocks.size)] = 1.0 / count
    return matrix


def _free_of(shapes: Floats, variance: Floats) -> Floats:
    """(m - k, m): coordinates of unit noise to which k shapes contribute nothing."""
    scale = 1.0 / np.sqrt(variance)
    basis, _ = np.linalg.qr((shapes * scale).T, mode="complete")
    free: Floats = basis[:, len(shapes) :].T * scale
    return free


def _local(mean_blank: ArrayLike) -> Floats:
    size = np.abs(np.asarray(mean_blank, dtype=float))
    local: Floats = size + CHANGE_FLOOR * size.max()
    return local


@lru_cache(maxsize=8)
def _gaussians(places: bytes, width: float) -> Floats:
    """(n, n): a bump of length 1 at every channel; `places` are the bytes of the axis."""
    axis = np.frombuffer(places)
    shapes = np.exp2(-((2.0 * (axis[:, None] - axis) / width) ** 2))
    shapes /= np.sqrt((shapes**2).sum(axis=1, keepdims=True))
    return shapes


def _relative(axis: Floats, local: Floats) -> Floats:
    """A Matern process of order 3/2 times the local absorbance."""
    lag = np.abs(axis[:, None] - axis) * np.sqrt(3.0) / CHANGE_LENGTH
    covariance: Floats = np.outer(local, local) * (1.0 + lag) * np.exp(-lag)
    return covariance
