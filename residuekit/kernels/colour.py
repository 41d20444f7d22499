"""Colour differences by the published formula, of the package colour-science."""

from __future__ import annotations

import warnings
from importlib.util import find_spec

import numpy as np
import numpy.typing as npt

from ..errors import ContractError, Fault

#: What to type where colour-science is missing.
INSTALL = 'python -m pip install "residuekit[trial]"'


def can_compare() -> bool:
    """Say whether colour-science is installed."""
    return find_spec("colour") is not None


def colour_difference(first: npt.ArrayLike, second: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return CIEDE2000 between L*a*b* colours of shape (..., 3), parametric factors 1.

    ISO/CIE 11664-6; Sharma, Wu and Dalal, Color Res. Appl. 30 (2005) 21. Meant for differences
    below about 5 units; larger ones (a black soiling on white) are ordered, not measured.

    Raises
    ------
    ContractError : colour-science is not installed.

    >>> round(float(colour_difference((50, 2.6772, -79.7751), (50, 0, -82.7485))), 4)
    2.0425
    """
    try:
        # The package sets how numpy prints and which warnings show, for the whole session.
        with warnings.catch_warnings(), np.printoptions():
            from colour.difference import delta_E_CIE2000
    except ImportError as problem:
        raise ContractError(
            Fault(f"no colour-science ({problem})", "colour-science, for CIEDE2000", INSTALL)
        ) from problem
    return np.asarray(delta_E_CIE2000(np.asarray(first, float), np.asarray(second, float)))
