"""What is kept of measured maps, their means by mock-up, and the blanks of an arm."""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ..decision.comparator import comparator_places
from ..decision.controls import Films
from ..decision.design import sample
from .grids import Grid, partners
from .measurements import Measurement

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class MapSummary:
    """What is kept of one measured file: its mean spectrum, its counts, what its check found.

    `key` names what it was made from: the file's content, the procedure, the code; `grid` is where
    the pixels of a map lie.
    """

    row: Measurement
    key: str
    wavenumber: Floats
    mean: Floats
    n_pixels: int
    quality: Mapping[str, Any]
    quantity: str
    technique: str
    grid: Grid | None = None


def to_arrays(summary: MapSummary) -> dict[str, Any]:
    """What is kept of a file as the arrays of a cache entry."""
    return {
        "wavenumber": summary.wavenumber,
        "mean": summary.mean,
        "n_pixels": summary.n_pixels,
        "quantity": summary.quantity,
        "technique": summary.technique,
        "quality": json.dumps(dict(summary.quality)),
        **({} if summary.grid is None else vars(summary.grid)),
    }


def from_arrays(arrays: dict[str, Any], row: Measurement, key: str) -> MapSummary:
    """What is kept of a file, again from `to_arrays`."""
    return MapSummary(
        row=row,
        key=key,
        wavenumber=arrays["wavenumber"],
        mean=arrays["mean"],
        n_pixels=int(arrays["n_pixels"]),
        quality=json.loads(str(arrays["quality"])),
        quantity=str(arrays["quantity"]),
        technique=str(arrays["technique"]),
        grid=Grid(arrays["x"], arrays["y"], str(arrays["unit"])) if "unit" in arrays else None,
    )


@dataclass(frozen=True)
class MockupMean:
    """One physical sample under one set of conditions: the mean of its maps."""

    row: Measurement
    mean: Floats
    files: tuple[str, ...]
    n_pixels: int

    @property
    def n_maps(self) -> int:
        """How many files stand behind the mean."""
        return len(self.files)


def mockup_of(row: Measurement) -> tuple[Any, ...]:
    """What the rows of one mock-up under one set of conditions share; a reference is its file."""
    if row.role == "before":
        return row.role, *sample(row)
    place = row.stratum if row.role == "blank" else row.arm
    loading = None if math.isnan(row.loading_ug_cm2) else row.loading_ug_cm2
    alone = row.file if row.role == "reference" else ""
    return row.role, row.mockup, place, row.treatment, row.material, loading, alone


def mockup_means(summaries: Iterable[MapSummary]) -> list[MockupMean]:
    """Average the maps of each mock-up; a mock-up under two conditions stands for each apart."""
    gathered: dict[tuple[Any, ...], list[MapSummary]] = defaultdict(list)
    for one in summaries:
        gathered[mockup_of(one.row)].append(one)
    return [
        MockupMean(
            maps[0].row,
            np.mean([one.mean for one in maps], axis=0),
            tuple(one.row.file for one in maps),
            sum(one.n_pixels for one in maps),
        )
        for maps in gathered.values()
    ]


def comparator(blanks: Sequence[MockupMean], exposure_min: float | None = None) -> list[MockupMean]:
    """The blanks an arm of this exposure, or a stratum as a whole, is compared with."""
    places = comparator_places(
        [blank.row.treatment for blank in blanks],
        [blank.row.exposure_min for blank in blanks],
        exposure_min,
    )
    return [blanks[place] for place in places]


def films_of(references: Iterable[MapSummary]) -> Films | None:
    """The films among references, files of one mock-up averaged; None where there are none."""
    gathered: dict[tuple[str, float], list[MapSummary]] = defaultdict(list)
    for one in references:
        if one.row.loading_ug_cm2 > 0:
            name = one.row.mockup or one.row.file
            gathered[name, one.row.loading_ug_cm2].append(one)
    if not gathered:
        return None
    return Films(
        np.array([loading for _, loading in gathered]),
        np.array([np.mean([one.mean for one in own], axis=0) for own in gathered.values()]),
        np.array([own[0].row.loading_error for own in gathered.values()]),
    )


def map_partners(
    rows: Iterable[Measurement],
    befores: Iterable[Measurement],
    grids: Mapping[str, Grid | None],
) -> tuple[dict[str, Measurement], dict[str, str]]:
    """Which map before treatment shows the pixels of each file, and why a file has none; by file.

    `rows` are of states after treatment; `grids` are by file, None of points.
    """
    of_sample, groups = defaultdict(list), defaultdict[Any, list[Measurement]](list)
    for row in befores:
        of_sample[sample(row)].append(row)
    for row in rows:
        groups[mockup_of(row)].append(row)
    before, apart = {}, {}
    for own in groups.values():
        known = of_sample[sample(own[0])]
        sides = ([grids[row.file] for row in some] for some in (own, known))
        for row, (place, why) in zip(own, partners(*sides), strict=True):
            if place is not None:
                before[row.file] = known[place]
            elif why:
                apart[row.file] = why
    return before, apart
