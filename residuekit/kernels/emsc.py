"""Scatter correction: multiplicative and extended multiplicative, with kept terms.

A spectrum is modelled as y = b r + sum p_j v^j + sum c_k s_k + e: the reference r, a polynomial in
wavenumber, and known shapes s. The corrected spectrum is (y - polynomial) / b: the *kept* shapes
are in the model so that they do not bend b or the polynomial, and stay in the spectrum with e.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ..errors import ContractError, Fault
from .compiled import contiguous_rows, run

__all__ = ["ScatterModel", "correct_scatter", "scatter_model"]

Floats = npt.NDArray[np.float64]
#: The terms of a model depend on each other beyond this condition of the scaled terms.
CONDITION = 1e6


@dataclass(frozen=True)
class ScatterModel:
    """What a correction needs of its terms: `solver` (terms, n) gives b first, then the polynomial.

    `polynomial` (order + 1, n) are the shapes that are taken out.
    """

    solver: Floats = field(repr=False)
    polynomial: Floats = field(repr=False)


def scatter_model(
    reference: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    *,
    order: int = 2,
    kept: npt.ArrayLike | None = None,
) -> ScatterModel:
    """Make the model of `correct_scatter`.

    Order 0 without kept shapes is multiplicative scatter correction (Geladi, MacDougall & Martens
    1985, Appl. Spectrosc. 39, 491); order 2 is the extended one (Martens & Stark 1991, J. Pharm.
    Biomed. Anal. 9, 625).

    Parameters
    ----------
    reference : (n_channels,), usually the mean spectrum of blanks.
    wavenumber : (n_channels,), cm-1.
    order : of the polynomial that is taken out.
    kept : (n_channels,) or (k, n_channels), shapes that must survive, such as the gel's spectrum.

    Raises
    ------
    ContractError : shapes that do not fit, terms that are mixtures of each other.
    """
    axis = np.asarray(wavenumber, dtype=np.float64)
    centre = np.asarray(reference, dtype=np.float64)
    extra = np.empty((0, axis.size)) if kept is None else np.atleast_2d(np.asarray(kept, float))
    if centre.shape != axis.shape or extra.shape[1:] != axis.shape:
        raise ContractError(
            Fault(f"a reference of shape {centre.shape} and kept shapes of shape {extra.shape} on "
                  f"{axis.size} channels", "one value a channel in each",
                  "put all on the axis of the spectra")
        )  # fmt: skip
    place = (axis - axis.mean()) / max(float(np.ptp(axis)) / 2, np.finfo(float).tiny)
    polynomial = np.polynomial.legendre.legvander(place, order).T
    terms = np.vstack([centre, polynomial, extra])
    lengths = np.linalg.norm(terms, axis=1, keepdims=True)
    sound = np.isfinite(terms).all() and (lengths > 0).all()
    if not sound or np.linalg.cond(terms / lengths) > CONDITION:
        raise ContractError(
            Fault("terms that are not finite, zero, or mixtures of each other",
                  "a reference and kept shapes that differ from each other and from a polynomial "
                  f"of order {order}", "a lower order, or fewer kept shapes")
        )  # fmt: skip
    solver = np.ascontiguousarray(np.linalg.pinv((terms / lengths).T) / lengths)
    return ScatterModel(solver, np.ascontiguousarray(polynomial))


def correct_scatter(
    block: npt.ArrayLike, model: ScatterModel, thickness: bool = True
) -> tuple[npt.NDArray[np.floating], Floats]:
    """Take offset, slope, curvature and effective thickness out of spectra.

    Returns the corrected block, of the type of `block`, and b (n_spectra,). A spectrum that is not
    finite, is flat, or whose b is not above 0 comes out NaN, its b too. Without `thickness` the
    polynomial alone is taken off, and b is 1.

    >>> axis = np.arange(1000.0, 1100.0, 10.0)
    >>> gel = np.exp(-(((axis - 1070) / 15) ** 2))
    >>> paint = np.exp(-(((axis - 1030) / 20) ** 2))
    >>> model = scatter_model(paint, axis, order=1, kept=gel)
    >>> corrected, b = correct_scatter([2 * (paint + 0.1 * gel) + 0.3 - 1e-4 * axis], model)
    >>> bool(np.allclose(corrected, paint + 0.1 * gel)), float(b[0].round(9))
    (True, 2.0)
    """
    rows = contiguous_rows(block)
    result, factors = np.empty_like(rows), np.empty(len(rows))
    solver, polynomial = model.solver[: len(model.polynomial) + 1], model.polynomial
    run("row_loops", "by_model", rows, solver, polynomial, thickness, result, factors)
    return result, factors
