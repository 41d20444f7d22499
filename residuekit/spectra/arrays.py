"""The spectra of a labelled array as plain numbers: those of its valid pixels, and their mean."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..errors import ContractError, Fault

Floats = npt.NDArray[np.float64]


def valid_spectra(array: xr.DataArray) -> npt.NDArray[np.floating[Any]]:
    """The spectra of the valid pixels, (n_pixels, n_wavenumber)."""
    array = schema.check(array)
    spectra: npt.NDArray[np.floating[Any]] = array.values[array["valid"].values]
    return spectra


def mean_spectrum(array: xr.DataArray) -> Floats:
    """The mean spectrum (n_wavenumber,) of the valid pixels, summed in float64."""
    spectra = valid_spectra(array)
    if not len(spectra):
        raise ContractError(
            Fault("no valid pixel", "at least one pixel that is fit to be used",
                  "a step crop in [procedure] that leaves missing values out, or measure again; "
                  "residuekit.check_quality(array) says why each pixel was left out")
        )  # fmt: skip
    mean: Floats = spectra.mean(axis=0, dtype=np.float64)
    return mean


def same_axis(wanted: Floats, found: Floats, tolerance: float = 0.01) -> None:
    """Raise a ContractError unless two axes agree to `tolerance` cm-1."""
    if wanted.shape == found.shape and np.abs(wanted - found).max() <= tolerance:
        return
    first, second = (f"{a.size} points from {a[0]:g} to {a[-1]:g}" for a in (wanted, found))
    raise ContractError(
        Fault(f"a wavenumber axis of {second} cm-1", f"the axis of the others: {first} cm-1",
              f"{resample_step([(a[0], a[-1], a.size) for a in (wanted, found)])} among the steps "
              "in [procedure] of study.toml; nothing is interpolated in silence")
    )  # fmt: skip


def resample_step(spans: Iterable[tuple[float, float, int]]) -> str:
    """The step, as it is typed, that brings axes (first, last, channels) to one.

    It has the spacing of the coarsest and lies where all of them do.

    >>> resample_step([(900, 1800, 226), (898, 1802, 453)])
    '{step = "resample", spacing = 4, low = 900, high = 1800}'
    """
    known = list(spans)
    spacing = float(f"{max((last - first) / max(n - 1, 1) for first, last, n in known):.4g}")
    low = np.ceil(max(first for first, _, _ in known) / spacing - 1e-9) * spacing
    high = np.floor(min(last for _, last, _ in known) / spacing + 1e-9) * spacing
    return f'{{step = "resample", spacing = {spacing:g}, low = {low:.8g}, high = {high:.8g}}}'


def listed(given: xr.DataArray | Iterable[xr.DataArray], name: str) -> list[xr.DataArray]:
    """One labelled array or several as a list of checked ones; a ContractError for none."""
    arrays = [given] if isinstance(given, xr.DataArray) else list(given)
    if not arrays:
        raise ContractError(Fault(f"no {name}", "at least one labelled array", f"{name}=[...]"))
    return [schema.check(array) for array in arrays]
