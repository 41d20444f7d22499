"""NumPy files: .npy, or one array of an .npz; nothing pickled is ever loaded."""

from __future__ import annotations

import io
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ReadError, did_you_mean
from ..schema import WAVENUMBER
from .bare_array import from_numbers
from .opening import content, damaged, fits_in, refuse
from .options import NumpyOptions, takes

NAME = "NumPy"
_MAGIC = b"\x93NUMPY"
_MOST_ARRAYS = 1000


def recognises(head: bytes) -> bool:
    """Say whether the first bytes are those of an npy file, or of a zip file of them."""
    return head.startswith(_MAGIC) or (head.startswith(b"PK\x03\x04") and b".npy" in head[:200])


@takes(NumpyOptions)
def read(path: Path, options: NumpyOptions) -> xr.DataArray:
    """Read a NumPy array (.npy), or one of several (.npz); nothing pickled is ever loaded.

    `NumpyOptions` says what must be stated.

    Raises
    ------
    ReadError : anything of these that is needed and not stated; objects; damage.
    """
    data = content(path)
    arrays = _npz(path, data) if data[:2] == b"PK" else {"": _npy(path, data)}
    given = options.wavenumber if options.wavenumber is not None else WAVENUMBER
    if isinstance(given, str) and given in arrays:
        options = replace(options, wavenumber=arrays.pop(given))
    dataset = options.dataset
    if dataset is None and len(arrays) == 1:
        dataset = next(iter(arrays))
    if dataset not in arrays:
        names = ", ".join(arrays)
        raise refuse(path, f"dataset={dataset!r} among {names}", "the name of one array",
                     did_you_mean(str(dataset), arrays) if dataset else "dataset=...")  # fmt: skip
    notes = {"dataset": dataset} if dataset else {}
    return from_numbers(path, options, NAME, arrays[dataset], options.dims, notes)


def _npz(path: Path, data: bytes) -> dict[str, Any]:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            if len(members) > _MOST_ARRAYS:
                raise refuse(path, f"more than {_MOST_ARRAYS} arrays", "fewer", "save some alone")
            fits_in(path, sum(member.file_size for member in members) // 8)
            return {
                member.filename.removesuffix(".npy"): _npy(path, archive.read(member))
                for member in members
            }
    except ReadError:
        raise
    except Exception as error:  # zipfile raises many kinds on damaged bytes
        raise damaged(path, error) from error


def _npy(path: Path, data: bytes) -> Any:
    stream = io.BytesIO(data)
    try:
        version = np.lib.format.read_magic(stream)
        header = {(1, 0): np.lib.format.read_array_header_1_0}.get(
            version, np.lib.format.read_array_header_2_0
        )
        shape, fortran, dtype = header(stream)
        body = data[stream.tell() :]
        if dtype.kind not in "fiu" or any(size < 0 for size in shape):
            raise refuse(path, f"an array of {dtype}", "an array of numbers", "save numbers, no "
                         "objects: np.save(name, array.astype('float32'))")  # fmt: skip
        size = int(np.prod([int(n) for n in shape], dtype=object))
        if size * dtype.itemsize != len(body):
            raise refuse(path, f"{len(body)} bytes for an array of shape {shape} of {dtype}",
                         f"{size * dtype.itemsize} bytes", "copy it again: it was cut")  # fmt: skip
        fits_in(path, size)
        return np.frombuffer(body, dtype).reshape(shape, order="F" if fortran else "C")
    except ReadError:
        raise
    except Exception as error:  # a header is Python text, and may hold anything
        raise damaged(path, error) from error
