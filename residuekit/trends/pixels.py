"""How many independent pixels the maps of a run are worth: why pixels are no replicates."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..kernels.spatial import effective_pixels
from ..words import findings as words
from ..words.common import stratum_of
from .finding import Shown

if TYPE_CHECKING:
    from ..results import StudyResult


@dataclass(frozen=True)
class MapWorth(Shown):
    """The maps of one paint and role by one score: their pixels, and how many those are worth.

    `residue` is empty where the study asks for one alone.
    """

    title = "Effective pixels"
    say = words.map_worth

    paint: str
    role: str
    residue: str
    score: str
    n_maps: int
    pixels: float
    effective: float
    least: float
    most: float

    def row(self) -> dict[str, Any]:
        """The maps as a row of a table; pixels and effective pixels are medians."""
        residue = {"residue": self.residue} if self.residue else {}
        return {"paint": self.paint, "role": self.role, **residue, "score": self.score,
                "n_maps": self.n_maps, "pixels": self.pixels, "effective_pixels": self.effective,
                "least": self.least, "most": self.most}  # fmt: skip


def map_worth(result: StudyResult) -> list[MapWorth]:
    """Estimate the effective number of pixels of every score map, by the score that decides on its
    stratum for its residue.

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
    deciding = {(stratum_of(row), row["residue"]): str(row["score"])
                for row in judged.to_dict("records")}  # fmt: skip
    several = len(result.residues) > 1
    found: dict[tuple[str, str, str, str], list[tuple[int, float]]] = defaultdict(list)
    for entry in result.map_entries():
        scored = result.score_map(result.folder / entry["map"])
        paint, residue = str(scored.attrs["paint"]), entry["residue"]
        score = deciding.get((stratum_of(scored.attrs), residue), "")
        if "y" not in scored.dims or score not in scored["marker"].values:
            continue
        values = scored["score"].sel(marker=score).values
        found[paint, entry["role"], residue if several else "", score].append(
            (int(np.isfinite(values).sum()), effective_pixels(values))
        )
    return [
        MapWorth(
            *key, len(pairs),
            float(np.median([n for n, _ in pairs])),
            *(float(f([worth for _, worth in pairs])) for f in (np.median, min, max)),
        )
        for key, pairs in found.items()
    ]  # fmt: skip
