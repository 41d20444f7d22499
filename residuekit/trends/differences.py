"""What paired maps differ by from the same pixels before treatment."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..schema import DIFFERENCE, STRATUM_COLUMNS
from ..words import differences as words
from .finding import Shown

if TYPE_CHECKING:
    from ..results import StudyResult

Row = dict[str, Any]


@dataclass(frozen=True)
class DifferenceMaps(Shown):
    """The difference maps of one role and treatment on one stratum, by the score that decides.

    `maps` has a row a map: `mean`, the scatter of its pixels in the difference (`sd_difference`)
    and in the map after (`sd_after`), `pixels`, how many are above the pixel limit of a difference
    and how many below minus it, and how the paint's texture before and after correlates.
    """

    title = "Difference maps"
    say = words.difference_maps

    conditions: Row
    role: str
    score: str
    unit: str
    pixel_limit: float
    maps: tuple[Row, ...]

    def rows(self) -> list[Row]:
        """A row a map."""
        named = {"role": self.role, "score": self.score}
        own = {"pixel_limit": self.pixel_limit, "unit": self.unit}
        return [{**self.conditions, **named, **one, **own} for one in self.maps]


def difference_maps(result: StudyResult) -> list[DifferenceMaps]:
    """Sum up the difference maps of a run, by the deciding score of each stratum and residue.

    Parameters
    ----------
    result : what a run found.

    Returns
    -------
    A `DifferenceMaps` for each role and treatment of a stratum; none where no mock-up has a map
    before treatment on the grid of its map after.
    """
    groups: dict[tuple[Any, ...], list[tuple[str, float, Row]]] = defaultdict(list)
    for conditions, role, score, unit, limit, row in _measured(result):
        groups[*conditions.items(), role, score].append((unit, limit, row))
    return [
        DifferenceMaps(dict(key[:-2]), key[-2], key[-1], found[0][0],
                       max(limit for _, limit, _ in found), tuple(row for *_, row in found))
        for key, found in groups.items()
    ]  # fmt: skip


def _measured(result: StudyResult) -> Iterator[tuple[Row, str, str, str, float, Row]]:
    judged = result.verdicts[result.verdicts["n_mockups"] > 0].to_dict("records")
    deciding = {(*(row[name] for name in STRATUM_COLUMNS), row["residue"]): row["score"]
                for row in judged}  # fmt: skip
    plain = {(one["file"], one["residue"]): one for one in result.map_entries()}
    for entry in result.map_entries(DIFFERENCE):
        whole = result.score_map(result.folder / entry["map"])
        place = tuple(whole.attrs[name] for name in STRATUM_COLUMNS)
        score = deciding.get((*place, entry["residue"]))
        if score not in whole["marker"].values:
            continue
        one = whole.sel(marker=score)
        after = result.score_map(result.folder / plain[entry["file"], entry["residue"]]["map"])
        values = one["score"].values.astype(np.float64)
        seen, limit = values[np.isfinite(values)], float(one["pixel_limit"])
        names = ("treatment", *(() if entry["role"] == "blank" else ("exposure_min",)))
        conditions = {**dict(zip(STRATUM_COLUMNS, place, strict=True)),
                      **{name: whole.attrs[name] for name in names}}  # fmt: skip
        conditions = {name: value for name, value in conditions.items() if value == value}
        if len(result.residues) > 1:
            conditions["residue"] = entry["residue"]
        row = {
            "mockup": entry["mockup"], "mean": float(seen.mean()), "sd_difference": _sd(seen),
            "sd_after": _sd(after["score"].sel(marker=score).values[np.isfinite(values)]),
            "pixels": seen.size, "above": int((seen > limit).sum()),
            "below": int((seen < -limit).sum()),
            "texture_correlation": float(whole.attrs["texture_correlation"]),
        }  # fmt: skip
        yield conditions, entry["role"], str(score), str(one["unit"].values), limit, row


def _sd(values: Any) -> float:
    return float(np.std(values.astype(np.float64), ddof=1)) if values.size > 1 else float("nan")
