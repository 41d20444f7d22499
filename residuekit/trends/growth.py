"""Absorption that grows with ageing only where gel was applied."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from ..errors import ContractError, Fault


def growth_by_gel(
    gel_young: npt.ArrayLike,
    gel_aged: npt.ArrayLike,
    blank_young: npt.ArrayLike,
    blank_aged: npt.ArrayLike,
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Find absorption that grows with ageing only where gel was applied: the interaction.

    d = (gel aged - gel young) - (blank aged - blank young), of means of mock-ups; its standard
    error is the root of the sum of s^2 / n of the four groups. It is told from nothing channel by
    channel only against a limit for all channels (`residuekit.kernels.spatial.family_quantile`).

    Parameters
    ----------
    each : (n mock-ups, channels) mean spectra, two mock-ups or more, on one axis.

    Returns
    -------
    d and its standard error, (channels,).
    """
    groups = [np.asarray(one, float) for one in (gel_young, gel_aged, blank_young, blank_aged)]
    if (
        any(one.ndim != 2 or len(one) < 2 for one in groups)
        or len({g.shape[1] for g in groups}) > 1
    ):
        raise ContractError(
            Fault(f"groups of shape {[one.shape for one in groups]}",
                  "(n mock-ups, channels) with two mock-ups or more and one axis",
                  "a row a mock-up, resampled to one axis")
        )  # fmt: skip
    means = [one.mean(axis=0) for one in groups]
    errors = [one.var(axis=0, ddof=1) / len(one) for one in groups]
    grown = (means[1] - means[0]) - (means[3] - means[2])
    return grown, np.sqrt(np.sum(errors, axis=0))
