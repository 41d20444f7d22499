"""What a map of scores holds beside its mean: numbers only."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import numpy.typing as npt


def family_quantile(n: int, alpha: float = 0.05) -> float:
    """The normal quantile that the largest of n independent pixels passes with probability alpha.

    Sidak (1967): z with 1 - (1 - p)^n = alpha.

    >>> round(family_quantile(1024), 3)
    3.89
    """
    return NormalDist().inv_cdf((1 - alpha) ** (1 / n))


def largest_patch(above: npt.ArrayLike) -> int:
    """Count the pixels of the largest patch of True in a (n_y, n_x) map; edges connect, corners not.

    >>> largest_patch([[True, True, False], [False, False, True]])
    2
    """
    from scipy.ndimage import label

    mask = np.asarray(above, dtype=bool)
    labels, count = label(mask)
    return int(np.bincount(labels.ravel())[1:].max()) if count else 0
