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
from ..words.common import counted

Floats = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

#: A page stays below this, unless it is asked to carry more.
PAGE_MB = 5.0
#: Kept for the page without its data.
_OWN_BYTES = 150_000
#: The axis is not averaged to fewer channels than this while pixels can still be averaged.
LEAST_CHANNELS = 400
#: More points than this are slow to click through.
_MOST_POINTS = 10_000
#: What a pixel costs beside its scores: the place of its state in a list; a point its entry in
#: another, with its name twice; a spectrum the number of its pixels.
_STATE_BYTES, _ENTRY_BYTES, _WEIGHT_BYTES = 2, 50, 6
_BASE64 = 4 / 3
_STRIP_VALUES = 4_000_000


@dataclass(frozen=True)
class Bins:
    """How many pixels (along x and along y) and how many channels are averaged into one."""

    space: int = 1
    channels: int = 1


def choose_bins(array: xr.DataArray, n_layers: int, room: float, most_mb: float) -> Bins:
    """Choose the least averaging of spectra with which the data of a page stay below `room` bytes.

    First channels, down to `LEAST_CHANNELS`, then pixels. Scores are never averaged, and neither
    are point spectra.

    Raises
    ------
    ContractError : more than a page below `most_mb` can hold.
    """
    sizes, channels = array.shape[:-1], array.shape[-1]
    is_map, pixels = array.dims == schema.MAP_DIMS, int(np.prod(sizes))
    each = (4 * n_layers + _STATE_BYTES) * _BASE64
    if not is_map:
        names = array["spectrum"].values if "spectrum" in array.coords else ("12345",)
        each += _ENTRY_BYTES + 2 * float(np.mean([len(str(name).encode()) for name in names]))
    room -= _OWN_BYTES
    space, along = 1, 1
    while True:
        spectra = int(np.prod([-(-size // space) for size in sizes]))
        data = pixels * each + spectra * (-(-channels // along) * 4 * _BASE64 + _WEIGHT_BYTES)
        if data <= room and (is_map or pixels <= _MOST_POINTS):
            return Bins(space, along)
        if channels / along > LEAST_CHANNELS:
            along += 1
        elif is_map and space < max(sizes):
            space += 1
        else:
            break
    if is_map:
        need = most_mb + (data - room) / 1e6
        raise ContractError(
            Fault(f"{counted(n_layers, 'score')} of {pixels} pixels, which need {need:.1f} MB",
                  f"at most {most_mb:g} MB", f"residuekit.view(..., most_mb={np.ceil(need):g})")
        )  # fmt: skip
    most = int(min(pixels * room / data, _MOST_POINTS))
    raise ContractError(
        Fault(f"{pixels} point spectra", f"at most {most}, to stay below {most_mb:g} MB",
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


def edges(centres: Floats) -> Floats:
    """The edges (n + 1,) of pixels, halfway between neighbouring centres."""
    steps = np.diff(centres) if centres.size > 1 else np.ones(1)
    inner = (centres[1:] + centres[:-1]) / 2
    return np.concatenate([[centres[0] - steps[0] / 2], inner, [centres[-1] + steps[-1] / 2]])
