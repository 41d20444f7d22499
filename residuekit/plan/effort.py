"""What is measured of an arm, and the hours that it takes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..errors import ContractError, Fault


@dataclass(frozen=True)
class Design:
    """What is measured of one arm: exposed and blank mock-ups, maps a mock-up, pixels a map."""

    mockups: int = 6
    blanks: int = 6
    maps: int = 2
    pixels: int = 256
    scans: int = 64

    def __post_init__(self) -> None:
        low = [name for name, least in (("mockups", 1), ("blanks", 2), ("maps", 1), ("pixels", 1),
                                        ("scans", 1)) if getattr(self, name) < least]  # fmt: skip
        if low:
            raise ContractError(
                Fault(", ".join(f"{name} = {getattr(self, name)}" for name in low),
                      "1 or more of each, and 2 or more blanks", "Design(mockups=6, blanks=6)")
            )  # fmt: skip


@dataclass(frozen=True)
class Effort:
    """What the instrument takes. The numbers left out are guesses to be replaced by one's own.

    `pixels_at_once` is 1 for mapping point by point, the number of elements for an array.
    """

    seconds_per_scan: float = 0.3
    pixels_at_once: int = 1
    minutes_per_map: float = 10.0

    def hours(self, design: Design) -> float:
        """Hours for all maps of the arm's exposed and blank mock-ups."""
        exposures = math.ceil(design.pixels / self.pixels_at_once) * design.scans
        a_map = self.minutes_per_map / 60 + exposures * self.seconds_per_scan / 3600
        return (design.mockups + design.blanks) * design.maps * a_map
