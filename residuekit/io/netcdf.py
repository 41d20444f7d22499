"""NetCDF: own files there and back, and other people's with one spectral dimension."""

from __future__ import annotations

from pathlib import Path

import xarray as xr

from ..errors import ReadError
from .dataset import from_dataset
from .hdf5 import guard
from .labelled import float32
from .netcdf_plain import plain_bytes, plain_dataset
from .opening import damaged, opened, readable, refuse
from .options import DatasetOptions, takes

NAME = "NetCDF"
_HDF5, _CLASSIC = b"\x89HDF\r\n\x1a\n", b"CDF"


def recognises(head: bytes) -> bool:
    """Say whether the first bytes are those of a NetCDF file (HDF5 or classic)."""
    return head.startswith((_HDF5, _CLASSIC))


@takes(DatasetOptions)
def read(path: Path, options: DatasetOptions) -> xr.DataArray:
    """Read a map or point spectra from NetCDF; `DatasetOptions` says what may be stated.

    Raises
    ------
    ReadError : a damaged file, no spectra in it, or more than one way to read it.
    """
    dataset = _opened(path, lazy=options.lazy)
    try:
        return from_dataset(path, dataset, NAME, options)
    finally:
        if not options.lazy:
            dataset.close()


def _opened(path: Path, *, lazy: bool) -> xr.Dataset:
    with opened(path) as file, readable(path):
        head = file.read(8)
    if not recognises(head):
        raise refuse(path, "a file without the NetCDF signature", "NetCDF (HDF5 or classic)",
                     "export it again, or give it the suffix of its true format")  # fmt: skip
    engine = "h5netcdf" if head.startswith(_HDF5) else "scipy"
    if engine == "h5netcdf":
        plain = None if lazy else plain_dataset(path)
        if plain is not None:
            return plain
        guard(path, lazy=lazy)
    try:
        return xr.open_dataset(path, engine=engine, decode_times=False)
    except Exception as error:  # the libraries below raise anything on damaged bytes
        raise damaged(path, error) from error


def load_own(path: Path) -> xr.Dataset:
    """Return a whole dataset that a run has written.

    Raises
    ------
    ReadError : a damaged file, or what `hdf5.guard` refuses.
    """
    try:
        with _opened(path, lazy=False) as dataset:
            return dataset.load()
    except ReadError:
        raise
    except Exception as error:  # the libraries below raise anything on damaged bytes
        raise damaged(path, error) from error


def write_own(dataset: xr.Dataset, path: Path) -> None:
    """Write a dataset from memory: a full disk is an OSError, not the end of the process."""
    path.write_bytes(plain_bytes(dataset))


def write(array: xr.DataArray, path: Path) -> None:
    """Write a labelled array as NetCDF 4 (flags by the CF conventions, float32, uncompressed)."""
    stored = array.copy(deep=False, data=float32(array.data))
    stored.encoding = {}
    dataset = stored.to_dataset().assign_attrs(Conventions="CF-1.11")
    if hasattr(stored.data, "dask"):
        dataset.to_netcdf(path, engine="h5netcdf")
    else:
        write_own(dataset, path)
