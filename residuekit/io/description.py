"""What a file is, in words: what was recognised, and what was noticed on the way."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from ..reprs import as_html
from ..schema import MAP_DIMS, WAVENUMBER, source


@dataclass(frozen=True)
class Description:
    """What a file is: what was recognised, and what was noticed on the way."""

    file: str
    format: str
    layout: str
    quantity: str
    technique: str
    n_spectra: int
    n_missing: int
    first: float
    last: float
    n_wavenumbers: int
    spacing: str
    grid: str
    pixel_order: str
    recognised: dict[str, Any]
    warnings: tuple[str, ...]

    def _rows(self) -> dict[str, str]:
        rows = {
            **{name: getattr(self, name) for name in ("file", "format", "layout", "quantity")},
            "technique": self.technique,
            "spectra": f"{self.n_spectra}, {self.n_missing} of them with missing values",
            "axis": f"{self.first:.6g} to {self.last:.6g} cm-1, {self.n_wavenumbers} points, "
            f"{self.spacing}",
            "grid": self.grid,
            "pixel order": self.pixel_order,
            **{key: value for key, value in self.recognised.items() if isinstance(value, str)},
        }
        return {key: value for key, value in rows.items() if value}

    def __str__(self) -> str:
        lines = [f"{key:<17}{value}" for key, value in self._rows().items()]
        return "\n".join([*lines, *(f"{'warning':<17}{text}" for text in self.warnings)])

    def _repr_html_(self) -> str:
        told = {f"warning {k}": text for k, text in enumerate(self.warnings, start=1)}
        return as_html("File", {**self._rows(), **told})


def description_of(array: xr.DataArray, noticed: tuple[str, ...]) -> Description:
    """Describe an array as it was read, with the warnings its reader gave."""
    axis = array[WAVENUMBER].values
    recognised = source(array)
    assumed = recognised.pop("quantity", "")
    is_map = array.dims == MAP_DIMS
    return Description(
        file=recognised.pop("file"),
        format=recognised.pop("reader"),
        layout=str(recognised.pop("layout", "map" if is_map else "points")),
        quantity=f"{array.name} ({assumed})" if assumed else str(array.name),
        technique=array.attrs["technique"],
        n_spectra=array[..., 0].size,
        n_missing=int((~array["valid"]).sum()),
        first=float(axis[0]),
        last=float(axis[-1]),
        n_wavenumbers=axis.size,
        spacing=_spacing(axis, "cm-1"),
        grid=_grid(array) if is_map else "",
        pixel_order=str(recognised.pop("y order", "row 0 is the lowest y")) if is_map else "",
        recognised=recognised,
        warnings=noticed,
    )


def _grid(array: xr.DataArray) -> str:
    unit = array["x"].attrs["units"]
    steps = ", ".join(f"{name} {_spacing(array[name].values, unit)}" for name in ("y", "x"))
    return f"{array.sizes['y']} rows (y) x {array.sizes['x']} columns (x); {steps}"


def _spacing(places: Any, unit: str) -> str:
    steps = np.diff(places)
    if not steps.size:
        return "one only"
    if np.ptp(steps) <= 0.01 * steps.mean():
        return f"{steps.mean():.6g} {unit} apart"
    return f"unevenly {steps.min():.6g} to {steps.max():.6g} {unit} apart"
