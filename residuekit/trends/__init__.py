"""What a run says beside its verdicts: exposure and ageing series, margins, doses, sessions.

Everything here counts mock-ups; a p-value above 0.05 is not an absence.
"""

from ..spectra.survival import normalised_rise
from ..words.findings import DOSE_UNITS
from .ageing import AgeingChange, ageing_changes
from .differences import DifferenceMaps, difference_maps
from .finding import Finding
from .findings import findings
from .growth import GelGrowth, Growth, growth_by_gel, growths
from .light import Acceleration, Dose, arrhenius, dose
from .margins import ExposureMargin, exposure_margins
from .pixels import MapWorth, map_worth
from .series import Series, series
from .sessions import ControlDrift, control_drift

__all__ = [
    "Acceleration",
    "AgeingChange",
    "ControlDrift",
    "DOSE_UNITS",
    "DifferenceMaps",
    "Dose",
    "ExposureMargin",
    "Finding",
    "GelGrowth",
    "Growth",
    "MapWorth",
    "Series",
    "ageing_changes",
    "arrhenius",
    "control_drift",
    "difference_maps",
    "dose",
    "exposure_margins",
    "findings",
    "growth_by_gel",
    "growths",
    "map_worth",
    "normalised_rise",
    "series",
]
