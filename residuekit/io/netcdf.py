"""NetCDF: own files there and back, and other people's with one spectral dimension."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import xarray as xr

from .dataset import from_dataset
from .files import damaged, float32, readable, refuse
from .hdf5_guard import guard

NAME = "NetCDF"
_HDF5, _CLASSIC = b"\x89HDF\r\n\x1a\n", b"CDF"


def recognises(head: bytes) -> bool:
    """Say whether the first bytes are those of a NetCDF file (HDF5 or classic)."""
    return head.startswith((_HDF5, _CLASSIC))


def read(
    path: Path,
    *,
    variable: str | None = None,
    dims: Mapping[str, str] | None = None,
    quantity: str | None = None,
    technique: str | None = None,
    percent: bool | None = None,
    lazy: bool = False,
) -> xr.DataArray:
    """Read a map or point spectra from NetCDF.

    Parameters
    ----------
    path : the file.
    variable : the variable that holds the spectra, where there is more than one.
    dims : its dimensions where their names do not say it, as
        ``{"y": "scan", "x": "step", "wavenumber": "band"}`` or
        ``{"spectrum": "sample", "wavenumber": "band"}``.
    quantity, technique, percent : what the file does not say itself.
    lazy : leave the numbers in the file, in chunks of 64 x 64 x all wavenumbers (needs dask); the
        checksum is then left out.

    Raises
    ------
    ReadError : a damaged file, no spectra in it, or more than one way to read it.
    """
    dataset = _opened(path, lazy=lazy)
    try:
        return from_dataset(path, dataset, NAME, variable=variable, dims=dims, quantity=quantity,
                            technique=technique, percent=percent, lazy=lazy)  # fmt: skip
    finally:
        if not lazy:
            dataset.close()


def _opened(path: Path, *, lazy: bool) -> xr.Dataset:
    with readable(path), path.open("rb") as file:
        head = file.read(8)
    if not recognises(head):
        raise refuse(path, "a file without the NetCDF signature", "NetCDF (HDF5 or classic)",
                     "export it again, or give it the suffix of its true format")  # fmt: skip
    engine = "h5netcdf" if head.startswith(_HDF5) else "scipy"
    if engine == "h5netcdf":
        guard(path, lazy=lazy)
    try:
        return xr.open_dataset(path, engine=engine, decode_times=False)
    except Exception as error:  # the libraries below raise anything on damaged bytes
        raise damaged(path, error) from error


def write(array: xr.DataArray, path: Path) -> None:
    """Write a labelled array as NetCDF 4 (flags by the CF conventions, float32, uncompressed)."""
    stored = array.copy(data=float32(array.data))
    stored.encoding = {}
    stored.to_dataset().assign_attrs(Conventions="CF-1.11").to_netcdf(path, engine="h5netcdf")
