"""How many independent pixels the maps of a run are worth: why pixels are no replicates."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..kernels.spatial import effective_pixels
from ..words import findings as words
from .finding import Shown

if TYPE_CHECKING:
    from ..results import StudyResult


@dataclass(frozen=True)
class MapWorth(Shown):
    """The maps of one paint and role by one score: their pixels, and how many those are worth."""

    title = "Effective pixels"
    say = words.map_worth

    paint: str
    role: str
    score: str
    n_maps: int
    pixels: float
    effective: float
    least: float
    most: float

    def row(self) -> dict[str, Any]:
        """The maps as a row of a table; pixels and effective pixels are medians."""
        return {"paint": self.paint, "role": self.role, "score": self.score,
                "n_maps": self.n_maps, "pixels": self.pixels, "effective_pixels": self.effective,
                "least": self.least, "most": self.most}  # fmt: skip


def map_worth(result: StudyResult) -> list[MapWorth]:
    """Estimate the effective number of pixels of every score map, by each paint's deciding score.

    From the spatial correlation within each map (`residuekit.kernels.spatial.effective_pixels`).
    Point spectra have none.

    Parameters
    ----------
    result : what a run found.

    Returns
    -------
    A `MapWorth` for each map.
    """
    judged = result.verdicts[result.verdicts["n_mockups"] > 0]
    deciding = dict(zip(judged["paint"], judged["score"], strict=True))
    found: dict[tuple[str, str], list[tuple[int, float]]] = defaultdict(list)
    for path in result.maps():
        scored = result.score_map(path)
        paint, role = str(scored.attrs["paint"]), str(scored.attrs["role"])
        score = deciding.get(paint)
        if "y" not in scored.dims or score not in scored["marker"].values:
            continue
        values = scored["score"].sel(marker=score).values
        found[paint, role].append((int(np.isfinite(values).sum()), effective_pixels(values)))
    return [
        MapWorth(
            paint, role, str(deciding[paint]), len(pairs),
            float(np.median([n for n, _ in pairs])),
            *(float(f([worth for _, worth in pairs])) for f in (np.median, min, max)),
        )
        for (paint, role), pairs in found.items()
    ]  # fmt: skip
