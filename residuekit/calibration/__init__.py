"""Decision and detection limits, each named by the method that made it; calibration.

`from_blanks`, `from_calibration`, `from_spiking` and `from_injection` make limits; `compare` sets
the methods side by side for one data set, `side_by_side` limits made anywhere. Limits of pixels,
maps, mock-ups and arms are different types and never stand for one another. `calibrate` fits the
response against known loads and finds a load from a response.
"""

from .blanks import from_blanks
from .calibrate import (
    Calibration,
    InversePrediction,
    calibrate,
    film_loading_ug_cm2,
    film_thickness_nm,
    linear_range,
)
from .injection import from_injection
from .limit import (
    PVA,
    ArmLimit,
    Comparison,
    Density,
    Limit,
    MapLimit,
    MockupLimit,
    PixelLimit,
    side_by_side,
)
from .loads import compare, from_calibration
from .spiking import from_spiking

__all__ = [
    "PVA",
    "ArmLimit",
    "Calibration",
    "Comparison",
    "Density",
    "InversePrediction",
    "Limit",
    "MapLimit",
    "MockupLimit",
    "PixelLimit",
    "calibrate",
    "compare",
    "film_loading_ug_cm2",
    "film_thickness_nm",
    "from_blanks",
    "from_calibration",
    "from_injection",
    "from_spiking",
    "linear_range",
    "side_by_side",
]
