"""Is this spectrum, this map fit to be judged? Flags a pixel, a table a map."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr

from . import schema
from .kernels.bands import noise_of_second_differences
from .reprs import as_frame, as_html, as_text

if TYPE_CHECKING:
    import pandas as pd

#: Flags that take a pixel out of every mean; the others are counted and said.
EXCLUDING = ("missing", "dead", "noisy")


@dataclass(frozen=True)
class Quality:
    """What a check found: the array with its flags, and the numbers of the map.

    `failed` says in words why the map is not fit to be judged, and is empty when it is.
    """

    array: xr.DataArray = field(repr=False)
    n_pixels: int
    n_valid: int
    counts: dict[str, int]
    noise: float
    failed: str

    def row(self) -> dict[str, Any]:
        """The numbers of the map as one row."""
        return {
            "n_pixels": self.n_pixels,
            "n_valid": self.n_valid,
            "noise": self.noise,
            **{f"n_{name}": count for name, count in self.counts.items()},
            "failed": self.failed,
        }

    def to_frame(self) -> pd.DataFrame:
        """One row a map."""
        return as_frame([self.row()])

    def __str__(self) -> str:
        return as_text("Quality", self.row())

    def _repr_html_(self) -> str:
        return as_html("Quality", self.row())


def check_quality(
    array: xr.DataArray,
    *,
    saturation: float | None = None,
    noise_ratio: float = 5.0,
    least_valid: float = 0.5,
) -> Quality:
    """Flag the pixels that are not fit to be used and say whether the map is fit to be judged.

    Parameters
    ----------
    array : map or points, before the procedure.
    saturation : absorbance above which a detector no longer follows; 1.2 for a map and 1.5 for
        points when left out (common practice, no source). Only absorbance is looked at.
    noise_ratio : a pixel whose noise is more than this many times the map's median is `noisy`;
        noise is the white noise from second differences.
    least_valid : the map fails when a smaller share of its pixels than this is valid.

    Missing (NaN), dead (constant) and noisy pixels become invalid; saturated ones and
    transmittance above 1 are flagged and counted.
    """
    array = schema.check(array)
    values = array.values
    if saturation is None:
        saturation = 1.2 if array.ndim == 3 else 1.5
    found = {"missing": ~np.isfinite(values).all(axis=-1)}
    found["dead"] = ~found["missing"] & (values == values[..., :1]).all(axis=-1)
    usable = ~(found["missing"] | found["dead"])
    noise = np.full(usable.shape, np.nan)
    if usable.any() and values.shape[-1] >= 3:
        noise[usable] = noise_of_second_differences(values[usable])
    typical = float(np.median(noise[usable])) if usable.any() else float("nan")
    with np.errstate(invalid="ignore"):
        found["noisy"] = usable & (noise > noise_ratio * typical) & (typical > 0)
        above = (values > {"absorbance": saturation}.get(str(array.name), np.inf)).any(axis=-1)
        over = (values > 1.0).any(axis=-1) & (array.name in ("transmittance", "reflectance"))
    found |= {"saturated": above, "over_range": over}
    flag = array["flag"].values.copy()
    valid = array["valid"].values.copy()
    for name, pixels in found.items():
        flag[pixels] |= np.uint16(schema.FLAGS[name][0])
        if name in EXCLUDING:
            valid &= ~pixels
    flagged = array.assign_coords(
        valid=(array["valid"].dims, valid),
        flag=(array["flag"].dims, flag, schema.flag_attributes()),
    )
    share = float(valid.mean())
    failed = ""
    if share < least_valid:
        words = [f"{int(p.sum())} {n}" for n, p in found.items() if p.any() and n in EXCLUDING]
        failed = f"only {share:.0%} of {valid.size} pixels are valid ({', '.join(words)})"
    return Quality(
        array=flagged,
        n_pixels=valid.size,
        n_valid=int(valid.sum()),
        counts={name: int(pixels.sum()) for name, pixels in found.items()},
        noise=typical,
        failed=failed,
    )
