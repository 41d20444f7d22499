"""Zarr stores (a folder): own ones there and back, other people's as for NetCDF."""

from __future__ import annotations

from pathlib import Path

import xarray as xr

from .dataset import CHUNKS, from_dataset
from .labelled import float32
from .opening import ZARR_MARKS, damaged, fits_in, is_zarr, refuse
from .options import DatasetOptions, takes

NAME = "Zarr"


@takes(DatasetOptions)
def read(path: Path, options: DatasetOptions) -> xr.DataArray:
    """Read a map or point spectra from a Zarr store of format 2 or 3, as from NetCDF.

    Raises
    ------
    ReadError : a damaged store, no spectra in it, or more than one way to read it.
    """
    if not is_zarr(path):
        raise refuse(path, "a folder without " + ", ".join(ZARR_MARKS), "a Zarr store",
                     "name the folder that holds one of them")  # fmt: skip
    try:
        dataset = xr.open_zarr(path, chunks=None, consolidated=False, decode_times=False)
        declared = sum(array.nbytes for array in dataset.variables.values())
    except Exception as error:  # the libraries below raise anything on damaged bytes
        raise damaged(path, error) from error
    if not options.lazy:
        fits_in(path, declared)
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
