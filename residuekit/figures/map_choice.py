"""Which score maps are drawn of a stratum, and why a map cannot be."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from ..decision.comparator import comparator_kind
from ..errors import Fault
from ..schema import FLAGS, POSITION_UNITS
from ..words.common import Stratum, blank_words, counted, number, stratum_of, stratum_words
from .stratum import Map

if TYPE_CHECKING:
    import pandas as pd

    from ..results import StudyResult


@dataclass(frozen=True)
class Pick:
    """A mock-up whose map is wanted: its role, its name on the map, why it, its row."""

    role: str
    words: str
    rule: str
    row: Mapping[Any, Any]
    working: bool = False


def choose_maps(
    result: StudyResult,
    own: pd.DataFrame,
    stratum: Stratum,
    unit: str,
    exposed: Sequence[Pick],
    spiked: Sequence[tuple[float, pd.DataFrame]],
) -> tuple[tuple[Map, ...], float] | Fault:
    """A typical blank, the picked exposed ones, a spiked one; and the pixel limit.

    A stratum of points has no maps and no limit (NaN). Maps without that of a blank, without a
    limit, of another unit, or of which no scale bar can be made are a fault.
    """
    blanks = own[own["role"] == "blank"]
    blanks = blanks[blanks["treatment"] == comparator_kind(blanks["treatment"])]
    typical = _median_row(blanks)
    rule = f"the median of {counted(len(blanks), blank_words(typical['treatment']))}"
    picks = [Pick("blank", "blank", rule, typical), *exposed]
    for loading, rows in spiked[:1]:
        rule = f"the median of {counted(len(rows), 'mock-up')} of the lowest loading"
        picks.append(Pick("spiked", f"spiked {number(loading)} µg cm⁻²", rule, _median_row(rows)))
    chosen, limits = [], []
    for pick in picks:
        dataset = _read_map(result, stratum, pick.row, pick.role)
        if dataset is None:
            continue
        wrong = _wrong(dataset, unit)
        if wrong is not None:
            return wrong
        chosen.append(_as_map(dataset, pick))
        limits.append(float(dataset["pixel_limit"]))
    if chosen and chosen[0].role != "blank":
        return Fault(
            f"{stratum_words(stratum)} with a map of the mock-up {chosen[0].mockup!r} and none of "
            "a blank",
            "a control on the same scale for every map that is drawn",
            "map a blank mock-up of this paint, soiling and ageing and run the study again",
        )
    return tuple(chosen), max(limits, default=float("nan"))


def _wrong(dataset: xr.Dataset, unit: str) -> Fault | None:
    """Why a score map cannot be drawn, or None."""
    words = f"the score map of {dataset.attrs['file']}"
    own = str(dataset["unit"].values)
    if own != unit:
        return Fault(f"{words} in {own} beside verdicts in {unit}", "one scale for all maps",
                     "run the study again")  # fmt: skip
    if not np.isfinite(dataset["pixel_limit"]):
        return Fault(
            f"{words} without a pixel limit",
            "the limit on the map and on its colour bar",
            "map a blank mock-up of this paint, soiling and ageing and run the study again",
        )
    places = [dataset[name] for name in ("x", "y")]
    if (
        any(at.attrs.get("units") not in POSITION_UNITS for at in places)
        or max(at.size for at in places) < 2
        or any(not _even(at.values) for at in places)
    ):
        return Fault(
            f"{words} of which no scale bar can be made",
            "two pixels or more, evenly spaced, with x and y in um or counted in pixels",
            "make_map(values, wavenumber, x, y) with the centres of the pixels, then run again",
        )
    return None


def _even(places: Any) -> bool:
    steps = np.diff(places)
    return not steps.size or bool(np.ptp(steps) <= 0.02 * steps.mean())


def _median_row(rows: pd.DataFrame) -> dict[Any, Any]:
    """The mock-up in the middle; of two in the middle the lower one."""
    ordered = rows.sort_values(["mean", "mockup"])
    found: dict[Any, Any] = ordered.iloc[(len(ordered) - 1) // 2].to_dict()
    return found


def _read_map(
    result: StudyResult, stratum: Stratum, row: Mapping[Any, Any], role: str
) -> xr.Dataset | None:
    """The map of a mock-up with the highest mean score, or None if it has only points."""
    same = (
        "treatment",
        *(() if role == "blank" else ("exposure_min", "clearance_min", "clearance")),
    )
    best: tuple[float, xr.Dataset] | None = None
    for entry in result.map_entries():
        if entry["role"] != role or entry["mockup"] != row["mockup"]:
            continue
        whole = result.score_map(result.folder / entry["map"])
        fits = stratum_of(whole.attrs) == stratum and all(
            whole.attrs[name] == row[name] or _both_nan(whole.attrs[name], row[name])
            for name in same
        )
        if not fits or "y" not in whole.dims or row["score"] not in whole["marker"]:
            continue
        dataset = whole.sel(marker=row["score"])
        mean = float(dataset["score"].mean())
        if best is None or mean > best[0]:
            best = mean, dataset
    return None if best is None else best[1]


def _both_nan(a: Any, b: Any) -> bool:
    return bool(a != a and b != b)


def _as_map(dataset: xr.Dataset, pick: Pick) -> Map:
    flag = dataset["flag"].values
    counts = {name: int((flag & bit > 0).sum()) for name, (bit, _) in FLAGS.items()}
    return Map(
        file=str(dataset.attrs["file"]),
        role=pick.role,
        mockup=str(dataset.attrs["mockup"]),
        words=pick.words,
        short=pick.words.removeprefix("exposed ").replace("spiked", "spike").split(" µg")[0],
        rule=pick.rule,
        values=dataset["score"].values.astype(np.float64),
        x=dataset["x"].values,
        y=dataset["y"].values,
        position_unit=str(dataset["x"].attrs["units"]),
        flags={name: count for name, count in counts.items() if count},
    )
