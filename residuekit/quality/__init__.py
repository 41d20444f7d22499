"""Is this spectrum, this map, this instrument fit to be judged?"""

from .instrument import (
    LineCheck,
    PositionCheck,
    air_to_vacuum,
    check_line,
    check_positions,
    vacuum_to_air,
)
from .maps import EXCLUDING, THRESHOLDS, Quality, check_quality

__all__ = [
    "EXCLUDING",
    "THRESHOLDS",
    "LineCheck",
    "PositionCheck",
    "Quality",
    "air_to_vacuum",
    "check_line",
    "check_positions",
    "check_quality",
    "vacuum_to_air",
]
