"""Spectra averaged in space and along the axis until a page can carry them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..errors import ContractError, Fault

Floats = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

#: The data of a page stay below this; with the plotting library the page stays below `PAGE_MB`.
DATA_BYTES, PAGE_MB = 2_900_000, 5
#: The axis is not binned to fewer channels than this while pixels can still be averaged.
LEAST_CHANNELS = 400
#: More rectangles than this are slow to click through.
MOST_PIXELS = 20_000
#: What a pixel costs beside its numbers: its place in words, and its flags in words.
_PLACE_BYTES, _FLAG_BYTES = 60, 160
_BASE64 = 4 / 3
_STRIP_VALUES = 4_000_000


@dataclass(frozen=True)
class Bins:
    """How many pixels (along x and along y) and how many channels are averaged into one."""

    space: int = 1
    channels: int = 1


def choose_bins(array: xr.DataArray, n_layers: int) -> Bins:
    """Choose the least binning with which the data of a page stay below `DATA_BYTES`.

    First channels, down to `LEAST_CHANNELS`, then pixels; point spectra are never averaged.

    Raises
    ------
    ContractError : more point spectra than a page can hold.
    """
    sizes, channels = array.shape[:-1], array.shape[-1]
    flagged = float((array["flag"].values > 0).mean())
    space, along = 1, 1
    while True:
        pixels = int(np.prod([-(-size // space) for size in sizes]))
        numbers = 4 * (-(-channels // along) + n_layers + 6)
        words = _PLACE_BYTES + _FLAG_BYTES * min(flagged * space**2, 1.0)
        size = pixels * (numbers * _BASE64 + words)
        if size <= DATA_BYTES and pixels <= MOST_PIXELS:
            return Bins(space, along)
        if channels / along > LEAST_CHANNELS:
            along += 1
        elif array.dims == schema.MAP_DIMS:
            space += 1
        else:
            most = int(min(pixels * DATA_BYTES / size, MOST_PIXELS))
            raise ContractError(
                Fault(f"{pixels} point spectra", f"at most {most}, to stay below {PAGE_MB} MB",
                      f"residuekit.view(array.isel(spectrum=slice(0, {most})))")
            )  # fmt: skip


def starts(size: int, step: int) -> npt.NDArray[np.intp]:
    """Where each bin starts; the last one may hold fewer."""
    return np.arange(0, size, step)


def bin_axis(spectra: npt.ArrayLike, step: int) -> Floats:
    """The means (..., n_bins) of `step` neighbouring channels."""
    values = np.asarray(spectra, dtype=np.float64)
    first = starts(values.shape[-1], step)
    means: Floats = np.add.reduceat(values, first, axis=-1) / np.diff([*first, values.shape[-1]])
    return means


def bin_pixels(values: npt.NDArray[Any], space: int) -> npt.NDArray[Any]:
    """The sums of (n_y, n_x, ...) over squares of `space` x `space` pixels."""
    if space == 1:
        return values
    rows = np.add.reduceat(values, starts(values.shape[0], space), axis=0)
    summed: npt.NDArray[Any] = np.add.reduceat(rows, starts(values.shape[1], space), axis=1)
    return summed


def bin_mean(values: Floats, space: int) -> Floats:
    """The mean (n_y, n_x, ...) of the finite values in each square; NaN where there is none."""
    finite = np.isfinite(values)
    total = bin_pixels(np.where(finite, values, 0.0), space)
    count = bin_pixels(finite.astype(np.int64), space)
    means: Floats = np.divide(total, count, where=count > 0, out=np.full(total.shape, np.nan))
    return means


def bin_spectra(array: xr.DataArray, valid: npt.NDArray[np.bool_], bins: Bins) -> Floats:
    """The mean spectrum (n_y, n_x, n_channels) of the valid pixels in each bin.

    Where none is valid, the mean of what can be read, so that one can see why. Points count as one
    row. Summed in float64, strip by strip, so that a lazy array is never loaded whole.
    """
    parts = []
    for rows, block in _strips(array, bins.space):
        block = bin_axis(block, bins.channels)
        used = np.where(valid[rows, :, None], block, np.nan)
        means, any_way = bin_mean(used, bins.space), bin_mean(block, bins.space)
        unused = bin_pixels(valid[rows].astype(np.int64), bins.space) == 0
        means[unused] = any_way[unused]
        parts.append(means)
    return np.concatenate(parts)


def _strips(array: xr.DataArray, space: int) -> Iterator[tuple[slice, Floats]]:
    load: Callable[[slice], Floats]
    if array.dims == schema.MAP_DIMS:
        n_rows, row_values = array.shape[0], int(np.prod(array.shape[1:]))
        load = lambda rows: array.isel(y=rows).values  # noqa: E731
    else:
        n_rows, row_values = 1, array.size
        load = lambda rows: array.values[None]  # noqa: E731, ARG005
    step = space * max(1, _STRIP_VALUES // (row_values * space))
    for first in range(0, n_rows, step):
        rows = slice(first, min(first + step, n_rows))
        yield rows, load(rows).astype(np.float64)


def edges(centres: Floats, space: int) -> Floats:
    """The edges (n_bins + 1,) of bins of pixels, halfway between neighbouring centres."""
    steps = np.diff(centres) if centres.size > 1 else np.ones(1)
    inner = (centres[1:] + centres[:-1]) / 2
    every = np.concatenate([[centres[0] - steps[0] / 2], inner, [centres[-1] + steps[-1] / 2]])
    chosen: Floats = every[[*starts(centres.size, space), -1]]
    return chosen
