"""What normalisation on a band where the gel absorbs takes from a marker."""

from __future__ import annotations

import warnings

from ..errors import ContractError, Fault, ResiduekitWarning
from ..words.findings import normalised_rise as normalised_rise_words


def normalised_rise(
    paint: tuple[float, float], gel: tuple[float, float], *, tolerated: float = 0.1
) -> tuple[float, float]:
    """Give the true rise of a marker by gel, and what is left of it after normalisation on a band.

    Parameters
    ----------
    paint, gel : absorbance of the paint, and of the gel on it, at (marker band, normalising band).
    tolerated : the share of the rise that may be lost without a ResiduekitWarning.

    Apparent rise = (1 + gel_m / paint_m) / (1 + gel_n / paint_n) - 1.

    Returns
    -------
    The true rise and the apparent one, as shares of the paint's own ratio.

    >>> [round(rise, 3) for rise in normalised_rise((0.20, 0.60), (0.02, 0.0))]
    [0.1, 0.1]
    """
    if not min(paint) > 0 or not gel[0] > 0:
        raise ContractError(
            Fault(f"paint={paint}, gel={gel}", "paint above 0 at both bands, gel at the marker",
                  "other bands")
        )  # fmt: skip
    true = gel[0] / paint[0]
    apparent = (1 + true) / (1 + gel[1] / paint[1]) - 1
    if apparent < (1 - tolerated) * true:
        warnings.warn(
            normalised_rise_words(true, apparent),
            ResiduekitWarning,
            stacklevel=2,
        )
    return true, apparent
