"""What is drawn of a stratum: groups of mock-ups, maps, spectra, detection curve."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ..schema import STRATUM_COLUMNS
from ..words.common import Stratum, stratum_words
from .map_panel import map_extent, pixel_steps
from .spectra_panel import gel_factor

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Group:
    """Mock-ups that stand on one line: a control, or an arm with the row of its verdict.

    `pairs` (n, 2) are the scores of each by itself, before treatment and after, of a paired arm and
    its controls; NaN where a mock-up was not measured before, and None elsewhere.
    """

    words: str
    role: str
    mockups: tuple[str, ...]
    values: Floats
    verdict: Mapping[str, Any] | None = None
    working: bool = False
    pairs: Floats | None = None


@dataclass(frozen=True)
class Map:
    """One map of the deciding score, (y, x), NaN where a pixel is masked.

    `flags` counts the pixels under each flag of the quality check.
    """

    file: str
    role: str
    mockup: str
    words: str
    short: str
    rule: str
    values: Floats
    x: Floats
    y: Floats
    position_unit: str
    flags: Mapping[str, int]

    @property
    def masked(self) -> int:
        """How many pixels are masked."""
        return int(np.isnan(self.values).sum())

    @property
    def steps(self) -> tuple[float, float]:
        """The distance of pixel centres along x and y."""
        return pixel_steps(self.x, self.y)

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Left, right, lower and upper edge of the map."""
        return map_extent(self.x, self.y)


@dataclass(frozen=True)
class Curves:
    """Spectra of some mock-ups, (mock-up, wavenumber).

    `changes` are what paired mock-ups differ by from their own states before treatment.
    """

    words: str
    spectra: Floats
    working: bool = False
    changes: Floats | None = None

    @property
    def compared(self) -> Floats:
        """What a difference is taken of."""
        return self.spectra if self.changes is None else self.changes


@dataclass(frozen=True)
class Spiking:
    """Spiked mock-ups against their known loadings, and the decision limit of one mock-up.

    `slope` is the response to a unit of loading as markers.csv has it, `spread_percent` the
    half width of its two-sided interval of that `confidence` in per cent of it, `k` the mock-ups
    behind it.
    """

    loadings: Floats
    found: Floats
    blanks: Floats
    slope: float
    spread_percent: float
    confidence: float
    k: int
    decision: float


@dataclass(frozen=True)
class Block:
    """One stratum: what is drawn of it."""

    stratum: Stratum
    score: str
    unit: str
    groups: tuple[Group, ...]
    maps: tuple[Map, ...]
    pixel_limit: float
    quantity: str
    wavenumber: Floats
    blank: Curves
    exposed: tuple[Curves, ...]
    gel: Floats | None
    gel_per_loading: float
    scored: frozenset[str]
    blind: frozenset[str]
    spiking: Spiking | None
    residue: str
    paired: str
    acceptance: float | None

    @property
    def words(self) -> str:
        """The stratum as people say it."""
        return stratum_words(self.stratum)

    @property
    def identified(self) -> bool:
        """Whether an arm has an identification limit."""
        return any(
            bool(np.isfinite(group.verdict["identification_limit"]))
            for group in self.groups
            if group.verdict is not None
        )

    @property
    def gel_factor(self) -> float:
        """By how much the pure gel is scaled in the spectra."""
        return gel_factor(self.blank.spectra, self.gel) if self.gel is not None else np.nan


def in_stratum(table: pd.DataFrame | xr.Dataset, stratum: Stratum) -> npt.NDArray[np.bool_]:
    """Which rows of a table, or of the mean spectra, belong to a stratum."""
    columns = zip(STRATUM_COLUMNS, stratum, strict=True)
    inside = [np.asarray(table[name]) == value for name, value in columns]
    return np.asarray(np.logical_and.reduce(inside))
