"""How mock-ups of one paint differ by more than their pixels show: declared, or measured.

`fitted_change` measures it on mock-ups that are compared with nothing; `smooth_change` declares a
mild one where there are too few of these. Both give a covariance that `blank_metric` takes beside
that of the pixels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

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
    from scipy.optimize import minimize

    axis = np.asarray(wavenumber, dtype=float)
    groups = [spectra_rows(group, axis.size) for group in replicates]
    dof = sum(len(group) - 1 for group in groups)
    if dof < LEAST_DOF:
        return None
    noise, texture = _apart(metric)
    coarse = _averaging(axis)
    shapes = np.vstack([common_nuisances(axis, metric.mean), spectra_rows(references, axis.size)])
    noise_coarse = (coarse * noise) @ coarse.T
    kept = _free_of(shapes @ coarse.T, np.diag(noise_coarse)) @ coarse
    terms = [np.diag(noise), texture, *_family(axis, metric.mean).values()]
    parts = [kept @ term @ kept.T for term in terms]
    left = np.vstack([group - group.mean(axis=0) for group in groups]) @ kept.T
    found = left.T @ left / dof

    def deviance(log_variances: Floats) -> tuple[float, Floats]:
        variances = np.exp(log_variances)
        model = np.tensordot(variances, parts, axes=1)
        factor = np.linalg.cholesky(model)
        inverse = np.linalg.inv(model)
        explained = inverse @ found
        misfit = inverse - explained @ inverse
        value = 2 * np.log(np.diag(factor)).sum() + np.trace(explained)
        return value, variances * np.array([np.sum(misfit * part) for part in parts])

    n_shapes = len(parts) - 2
    start = np.array([1e-2, 2e-2, *np.full(n_shapes, 1e-5 / n_shapes)])
    least = np.array([1.0 / metric.n_pixels] * 2 + [_LEAST_VARIANCE] * n_shapes)
    bounds = np.log([(low, _MOST_VARIANCE) for low in least])
    best = minimize(
        deviance, np.log(np.maximum(start if near is None else near.variances, least)), jac=True,
        method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-13, "gtol": 1e-7, "maxiter": 500},
    )  # fmt: skip
    variances = _settle(np.exp(best.x), np.exp(bounds), parts, found)
    change = TRUST * np.tensordot(variances[2:], terms[2:], axes=1)
    change = change + max(variances[1] - variances[0], 0.0) * texture
    names = ("noise", "texture", *_family(axis[:2], metric.mean[:2]))
    sizes = {name: float(size) for name, size in zip(names, np.sqrt(variances), strict=True)}
    return FittedChange(dof, sizes, variances, change / variances[0])


def _settle(variances: Floats, bounds: Floats, parts: list[Floats], found: Floats) -> Floats:
    """Newton's steps to where the search ends in exact arithmetic, whatever its last digits were.

    A negligible variance is none, and one at its bound stays there.
    """
    settled = np.where(variances < _NEGLIGIBLE, 0.0, variances)
    free = (settled > bounds[:, 0] * (1 + 1e-6)) & (settled < bounds[:, 1] * (1 - 1e-6))
    for _ in range(20):
        inverse = np.linalg.inv(np.tensordot(settled, parts, axes=1))
        turned = [inverse @ part for part, own in zip(parts, free, strict=True) if own]
        explained = inverse @ found
        misfits = [2 * explained @ one - one for one in turned]
        size = settled[free]
        slope = size * [np.trace(one) - np.sum(one * explained.T) for one in turned]
        bend = np.outer(size, size) * [[np.sum(a * b.T) for b in misfits] for a in turned]
        step = np.linalg.lstsq(bend + np.diag(slope), slope, rcond=1e-12)[0]
        settled[free] = size * np.exp(-np.clip(step, -0.5, 0.5))
        if np.abs(step).max(initial=0.0) < 1e-9:
            break
    return settled


def _apart(metric: BlankMetric) -> tuple[Floats, Floats]:
    """The covariance of one blank pixel as noise (n,) and texture (n, n): what stands out of it.

    The rows of the whitener of a plain metric, in noise, are eigenvectors over sqrt(eigenvalue).
    """
    rows = metric.whitener * metric.noise
    sizes = 1.0 / (rows**2).sum(axis=1)
    loud = sizes > _LOUD
    shapes = (rows[loud] * np.sqrt(sizes[loud])[:, None] * metric.noise).T
    return metric.noise**2, (shapes * (sizes[loud] - 1.0)) @ shapes.T


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


def _family(axis: Floats, mean_blank: Floats) -> dict[str, Any]:
    """The covariances of which a change of the paint is made, each in shares of the absorbance."""
    local = _local(mean_blank)
    bumps = {f"bumps of {width:g} cm-1": _bumps(axis, local, width) for width in BUMP_WIDTHS}
    return {**bumps, "relative change": _relative(axis, local)}


@lru_cache(maxsize=8)
def _gaussians(places: bytes, width: float) -> Floats:
    """(n, n): a bump of length 1 at every channel; `places` are the bytes of the axis."""
    axis = np.frombuffer(places)
    shapes = np.exp2(-((2.0 * (axis[:, None] - axis) / width) ** 2))
    shapes /= np.sqrt((shapes**2).sum(axis=1, keepdims=True))
    return shapes


def _bumps(axis: Floats, local: Floats, width: float) -> Floats:
    """Gaussian bumps at every channel, as high as the local absorbance there."""
    shapes = _gaussians(axis.tobytes(), width)
    covariance: Floats = (shapes * local**2) @ shapes.T
    return covariance


def _relative(axis: Floats, local: Floats) -> Floats:
    """A Matern process of order 3/2 times the local absorbance."""
    lag = np.abs(axis[:, None] - axis) * np.sqrt(3.0) / CHANGE_LENGTH
    covariance: Floats = np.outer(local, local) * (1.0 + lag) * np.exp(-lag)
    return covariance
