"""Denoising by principal components, in blocks: no copy of the spectra is made.

The covariance is summed block by block in float64, so memory does not grow with the pixels.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import ContractError, Fault

__all__ = ["Components", "denoise", "principal_components"]

Floats = npt.NDArray[np.float64]
BLOCK = 4096


@dataclass(frozen=True)
class Components:
    """Mean (n,), loadings (k, n; orthonormal rows), variances (k,), and the variance of all."""

    variances: Floats
    total_variance: float
    mean: Floats = field(repr=False)
    loadings: Floats = field(repr=False)


def principal_components(
    blocks: npt.ArrayLike | Callable[[], Iterable[npt.ArrayLike]], count: int
) -> Components:
    """Find the leading principal components of spectra.

    Parameters
    ----------
    blocks : (n_spectra, n_channels), or a function that gives such blocks one after the other.
    count : how many components.

    Spectra with a value that is not finite are left out. The variances are those of the sample,
    n - 1. Sums are taken about the first spectrum, so that a large offset costs no digits.

    Raises
    ------
    ContractError : fewer spectra or channels than components.
    """
    given = blocks() if callable(blocks) else _parts(np.asarray(blocks))
    n, origin, total, square = 0, None, np.zeros(0), np.zeros((0, 0))
    for block in given:
        rows = np.asarray(block)
        rows = rows[np.isfinite(rows).all(axis=1)].astype(np.float64)
        if not len(rows):
            continue
        if origin is None:
            origin = rows[0].copy()
            total, square = np.zeros(origin.size), np.zeros((origin.size, origin.size))
        rows -= origin
        n += len(rows)
        total += rows.sum(axis=0)
        square += rows.T @ rows
    if origin is None or n <= count or origin.size < count:
        raise ContractError(
            Fault(f"{n} whole spectra of {total.size} channels for {count} components",
                  "more spectra than components, and no fewer channels", "fewer components")
        )  # fmt: skip
    covariance = (square - np.outer(total, total) / n) / (n - 1)
    variances, vectors = _leading(covariance, count)
    return Components(variances, float(np.trace(covariance)), origin + total / n, vectors)


def denoise(block: npt.ArrayLike, components: Components) -> npt.NDArray[Any]:
    """Return the spectra as mean + their part in the components, in the type of `block`.

    What lies outside the components is lost, a rare residue too: look at what is left over before
    a denoised map is believed. A spectrum that is not finite comes out NaN.
    """
    values = np.asarray(block)
    kind = values.dtype if values.dtype.kind == "f" else np.dtype(np.float64)
    result = np.empty(values.shape, kind)
    for start in range(0, len(values), BLOCK):
        part = slice(start, start + BLOCK)
        with np.errstate(invalid="ignore"):
            scores = (values[part].astype(np.float64) - components.mean) @ components.loadings.T
            result[part] = components.mean + scores @ components.loadings
    result[~np.isfinite(values).all(axis=1)] = np.nan
    return result


def _parts(values: npt.NDArray[Any]) -> Iterable[npt.NDArray[Any]]:
    for start in range(0, len(values), BLOCK):
        yield values[start : start + BLOCK]


def _leading(covariance: Floats, count: int) -> tuple[Floats, Floats]:
    """Return the largest eigenvalues, falling, and their vectors in rows, each sign fixed."""
    from scipy.linalg import eigh

    n = len(covariance)
    values, vectors = eigh(covariance, subset_by_index=[n - count, n - 1])
    rows = vectors.T[::-1]
    signs = np.sign(rows[np.arange(count), np.abs(rows).argmax(axis=1)])
    return np.maximum(values[::-1], 0.0), np.ascontiguousarray(rows * signs[:, None])
