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
              "measure on one grid; nothing is interpolated in silence")
    )  # fmt: skip


def listed(given: xr.DataArray | Iterable[xr.DataArray], name: str) -> list[xr.DataArray]:
    """One labelled array or several as a list of checked ones; a ContractError for none."""
    arrays = [given] if isinstance(given, xr.DataArray) else list(given)
    if not arrays:
        raise ContractError(Fault(f"no {name}", "at least one labelled array", f"{name}=[...]"))
    return [schema.check(array) for array in arrays]
