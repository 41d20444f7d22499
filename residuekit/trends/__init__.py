"""Exposure and ageing series: does residue rise, and how long stayed the longest clean exposure.

Everything here counts mock-ups; a p-value above 0.05 is not an absence.
"""

from .finding import Finding
from .findings import findings
from .growth import growth_by_gel
from .light import Dose, dose
from .margins import ExposureMargin, exposure_margins
from .normalised import normalised_rise
from .series import Series, series
from .sessions import ControlDrift, control_drift

__all__ = [
    "ControlDrift",
    "Dose",
    "ExposureMargin",
    "Finding",
    "Series",
    "control_drift",
    "dose",
    "exposure_margins",
    "findings",
    "growth_by_gel",
    "normalised_rise",
    "series",
]
