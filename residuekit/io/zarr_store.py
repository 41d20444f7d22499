"""Zarr stores (a folder): own ones there and back, other people's as for NetCDF."""

from __future__ import annotations

import math
from pathlib import Path

import xarray as xr

from ..errors import ReadError
from .dataset import CHUNKS, from_dataset
from .labelled import float32
from .opening import ZARR_MARKS, damaged, files_in, fits_in, is_zarr, refuse
from .options import DatasetOptions, takes

NAME = "Zarr"


@takes(DatasetOptions)
def read(path: Path, options: DatasetOptions) -> xr.DataArray:
    """Read a map or point spectra from a Zarr store of format 2 or 3, as from NetCDF.

    Raises
    ------
    ReadError : a damaged store, no spectra in it, or more than one way to read it.
    """
    import zarr

    if not is_zarr(path):
        raise refuse(path, "a folder without " + ", ".join(ZARR_MARKS), "a Zarr store",
                     "name the folder that holds one of them")  # fmt: skip
    files_in(path)
    try:
        held = zarr.open_group(path, mode="r", use_consolidated=False).arrays()
        sizes = [(one.size, math.prod(one.chunks)) for _, one in held]
        if not options.lazy:
            fits_in(path, sum(max(size) for size in sizes))
        dataset = xr.open_zarr(path, chunks=None, consolidated=False, decode_times=False)
    except ReadError:
        raise
    except Exception as error:  # the libraries below raise anything on damaged bytes
        raise damaged(path, error) from error
    return from_dataset(path, dataset, NAME, options)


def write(array: xr.DataArray, path: Path) -> None:
    """Write a labelled array as Zarr format 2, in chunks of 64 x 64 x all wavenumbers."""
    chunks = tuple(min(CHUNKS.get(str(dim), size), size) for dim, size in array.sizes.items())
    data = float32(array.data)
    if hasattr(data, "dask"):
        data = data.rechunk(chunks)
    stored = array.copy(data=data)
    for kept in (stored, *stored.coords.values()):
        kept.encoding = {}
    stored.encoding = {"chunks": chunks}
    dataset = stored.to_dataset().assign_attrs(Conventions="CF-1.11")
    dataset.to_zarr(path, zarr_format=2, consolidated=False)
