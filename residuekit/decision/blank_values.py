"""The values of blank mock-ups where each is scored by weights that were made without it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def blank_values(blanks: Floats, weights: Floats) -> Floats:
    """Give one value a blank, by which decision, limits and bound go.

    Weights made on a blank's own pixels lean towards its mean where scatter is skewed or varies
    together in space; with w_i made without blank i they do not. The mean of the values is
    mean w_i'y_i, from which exposed mock-ups differ by w'y_e, w the mean of the w_i. Their variance
    is s_b^2 = mean over i of (n - 1)/n [w_i'(y_i - mean of the others)]^2; with weights of one kind
    the values are the plain scores.

    Parameters
    ----------
    blanks (n, n_wavenumber) : the spectrum of each blank mock-up.
    weights (n, n_wavenumber) : the weights made without each.

    Returns
    -------
    (n,) values in the unit of the score.

    >>> blank_values(np.array([[1.0, 0.0], [3.0, 0.0]]), np.ones((2, 2)))
    array([1., 3.])
    """
    level = np.einsum("ij,ij->i", weights, blanks).mean()
    own = np.einsum("ij,ij->i", weights, blanks - blanks.mean(axis=0))
    centred = own - own.mean()
    left = float(centred @ centred)
    values: Floats = level + centred * (np.sqrt(own @ own / left) if left > 0 else 1.0)
    return values


def mean_weights(without: Floats) -> Floats:
    """The mean of weights (n, n_wavenumber), to the last digit where they are alike."""
    alike = (without == without[0]).all()
    mean: Floats = without[0] if alike else without.mean(axis=0)
    return mean
