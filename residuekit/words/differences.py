"""Difference maps in words: what they show, and why there is none."""

from __future__ import annotations

from collections.abc import Mapping
from statistics import median
from typing import Any

from .common import conditions_words, counted, number, unit_words

#: What a difference map is, and what it leaves open.
REGISTRATION = (
    "A difference map is, pixel by pixel, the map after treatment less the map before. What the "
    "blanks changed by on average is taken off too.",
    "A pixel carries the scatter of two pixels, and its limit counts both. How closely the maps "
    "lie on each other is not known to a pixel: edges and fine texture need not cancel.",
)
COMMENT = " ".join(REGISTRATION)
ALTERNATIVE = "Maps of what each pixel differs by from the same pixel before, as in the table."
#: Why there is no difference map: what was found, and what it would need.
_WHY = {
    "points": ("one state is mapped and the other measured as points", "a map of both states"),
    "unscaled": ("the size of a pixel is not stated",
                 "step under [[reading]], or x and y in um in the files"),
    "size": ("the maps before and after have unlike numbers of pixels",
             "the same field with the same number of pixels"),
    "step": ("the pixels before and after have unlike sizes", "the same size of pixel"),
    "place": ("the recorded places before and after differ", "the same place on the stage"),
    "several": ("several maps of the mock-up have the same recorded places, so which belong "
                "together is not known",
                "places on the stage in the files, or one map of each state"),
    "turned": ("the paint's texture fits better where one map is turned or mirrored",
               "the mock-up, or the file, the same way round in both states"),
    "nothing in common": ("no pixel is valid in both maps", "maps with valid pixels in common"),
}  # fmt: skip
WHY = tuple(_WHY)


def no_difference_map(numbers: Mapping[str, Any]) -> str:
    """Why mock-ups have no difference map, and what it would need."""
    found, needed = _WHY[numbers["why"]]
    return (
        f"No difference map of {', '.join(numbers['mockups'])}: {found}. It needs {needed}. "
        "Nothing is moved or resampled to fit."
    )


def difference_maps(row: Mapping[str, Any]) -> str:
    """The difference maps of a role and treatment: scatter, pixels beyond the limits, texture."""
    maps = row["maps"]
    unit, limit = unit_words(row["unit"]), number(row["pixel_limit"], 2)
    after, apart = (number(median(one[k] for one in maps), 2)
                    for k in ("sd_after", "sd_difference"))  # fmt: skip
    above, below, pixels = (sum(one[k] for one in maps) for k in ("above", "below", "pixels"))
    least = min(one["texture_correlation"] for one in maps)
    treated = "" if row["role"] == "blank" else f", {row['role']}"
    return (
        f"{conditions_words(row)}{treated}: {counted(len(maps), 'difference map')} by "
        f"{row['score']}. Pixels scatter by {apart} {unit} in the difference and by {after} in the "
        f"map after (medians). Above the limit {limit}, more than the scatter of two pixels "
        f"explains: {above} of {pixels} pixels; below minus it: {below}. "
        f"The texture before and after correlates by {least:.2f} at least."
    )


def difference_layer(above: int, below: int, n: int, limit: str) -> str:
    """What a difference map of the viewer shows, and how many pixels lie beyond its limit."""
    return (
        "After less before, pixel by pixel, less what the blanks changed by. How closely the maps "
        f"lie on each other is not known to a pixel. Above the pixel limit of a difference, "
        f"{limit}: {above} of {n} pixels valid in both maps; below minus it: {below}. The others "
        "are paler."
    )


def differences_caption(n: int, unit: str, more: int) -> str:
    """What the panel of difference maps shows."""
    said = [
        f"{counted(n, 'difference map')}, in {unit_words(unit)}, on one colour scale around zero.",
        COMMENT,
        "Pixels within plus and minus the pixel limit are paler. Lines part them from those above "
        "(solid) and below (dotted). Masked pixels are grey and hatched; y points upward.",
    ]
    if more:
        said.append(f"{counted(more, 'further map')} under maps/.")
    return " ".join(said)
