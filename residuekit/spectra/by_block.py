"""Kernels run over blocks of whole spectra of a labelled array."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from ..kernels.compiled import over_blocks
from ..schema import WAVENUMBER

Floats = npt.NDArray[np.float64]
#: Spectra of 1,000 channels that stay in a core's cache from one kernel to the next.
ROWS_AT_ONCE = 256


def per_spectrum(
    array: xr.DataArray, compute: Callable[[Floats], Floats], channels: int | None = None
) -> xr.DataArray:
    """Run a kernel over blocks of whole spectra; float64 inside, float32 out, lazy if lazy.

    `channels` is how many the result has, those of `array` when left out. One spectrum of zeros
    goes first, so that a kernel that cannot serve this axis says so now.
    """
    compute(np.zeros((1, array.sizes[WAVENUMBER])))
    size = array.sizes[WAVENUMBER] if channels is None else channels

    def blockwise(values: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
        rows = values.reshape(-1, values.shape[-1])
        result = np.empty((rows.shape[0], size), dtype=np.float32)

        def fill(part: slice) -> None:
            result[part] = compute(rows[part].astype(np.float64))

        over_blocks(fill, len(rows), ROWS_AT_ONCE)
        return result.reshape((*values.shape[:-1], size))

    lazy = array.chunks is not None
    whole = array.chunk({WAVENUMBER: -1}) if lazy else array
    result: xr.DataArray = xr.apply_ufunc(
        blockwise,
        whole,
        input_core_dims=[[WAVENUMBER]],
        output_core_dims=[[WAVENUMBER]],
        exclude_dims={WAVENUMBER},
        dask="parallelized",
        output_dtypes=[np.float32],
        dask_gufunc_kwargs={"output_sizes": {WAVENUMBER: size}},
    )
    return result
