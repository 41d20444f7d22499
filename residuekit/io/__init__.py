"""Open formats in and out: `formats` holds the one table of readers and writers."""

from __future__ import annotations

import inspect
import json
import os
import tomllib
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ResiduekitWarning, WriteError
from ..schema import FLAGS, WAVENUMBER, check, marked, source, summed
from .atomic_write import aside
from .checksum import marks_of, options_file, sha256, sum_of
from .description import Description, description_of
from .formats import GROUP, READERS, WRITERS, Reader, Writer, holds_spectra, reader_of, writer_of
from .jcamp_peaks import read_peaks
from .labelled import contract_of
from .opening import MOST_TOML, content, inside, refuse, size_of
from .options import options_of, refuse_unknown

__all__ = ["GROUP", "READERS", "WRITERS", "Description", "Reader", "Writer", "describe",
           "holds_spectra", "inside", "read", "read_peaks", "sha256", "size_of",
           "write"]  # fmt: skip


def read(
    path: str | os.PathLike[str],
    *,
    format: str | None = None,  # noqa: A002
    **options: Any,
) -> xr.DataArray:
    """Read spectra from a file of any open format, or a folder, as a labelled array.

    Spectra with transmittance or reflectance above 1 are kept, and flagged `over_range`.

    Parameters
    ----------
    path : the file; its suffix and its first bytes choose the reader.
    format : the reader, where the suffix does not say it: ``table``, ``jcamp``, ``netcdf``,
        ``hdf5``, ``workbook``, ``numpy``, ``tiff`` or ``flat``.
    options : what that reader takes (``help(residuekit.io.options)`` lists them by format). A file
        of the same name with ``.toml`` behind it, or ``map.toml`` in a folder, may hold them too.

    Returns
    -------
    The map or point spectra; `residuekit.schema.source` says where they come from. The SHA-256 in
    it is made when it is first asked for, or the array is written, where the file is above 4 MB.

    Raises
    ------
    ReadError : a file that is absent, damaged, of no known format, or open to guessing.

    >>> import tempfile
    >>> import residuekit as rk
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = rk.write(rk.make_points([0.5, 0.25], [1000, 1010]), f"{folder}/gel.csv")
    ...     m = rk.read(path)
    >>> m.dims, m.values.tolist()
    (('spectrum', 'wavenumber'), [[0.5, 0.25]])
    """
    path = Path(path)
    beside = options_file(path)
    said = _beside(beside) if beside.exists() else {}
    reader = reader_of(path, read, format or said.pop("format", None))
    known = options_of(reader.read)
    refuse_unknown(beside, said, known)
    refuse_unknown(path, options, known)
    options = {**said, **options}
    lazy = bool(options.get("lazy"))
    marks = marks_of(path, alone=lazy)
    with contract_of(path):
        array = _over_range(check(marked(reader.read(path, **options))))
    lowest = array[WAVENUMBER].values[0]
    if not lowest > 0:
        raise refuse(path, f"a wavenumber of {lowest:g} cm-1", "wavenumbers above 0",
                     "mend the axis, or export it again")  # fmt: skip
    found = source(array)
    if "opened" not in found:
        found |= sum_of(path, marks)
        array.attrs["source"] = json.dumps(found, sort_keys=True, ensure_ascii=False)
    if marks_of(path, alone=lazy) != marks:
        raise refuse(path, "a file that changed while it was read", "a file at rest",
                     "read it again once it is written")  # fmt: skip
    return array


def write(array: xr.DataArray, path: str | os.PathLike[str], **options: Any) -> Path:
    """Write a labelled array in the format of the suffix; nothing half-written ever stands there.

    Parameters
    ----------
    array : map or points.
    path : where to; its suffix chooses the format: .nc, .nc4, .zarr, .jdx, .dx, .csv, .tsv, .txt or
        .xlsx. What stands there is replaced.
    options : what that writer takes.

    Returns
    -------
    The path.

    Raises
    ------
    WriteError : no such format, an array that breaks the contract, or would lose what it holds.

    >>> import tempfile
    >>> import residuekit as rk
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     print(rk.write(rk.make_points([0.5, 0.25], [1000, 1010]), f"{folder}/gel.nc").name)
    gel.nc
    """
    path = Path(path)
    writer = writer_of(path)
    known = list(inspect.signature(writer.write).parameters)[2:]
    refuse_unknown(path, options, known, WriteError)
    with contract_of(path, WriteError):
        array = summed(check(array))
    with aside(path) as part:
        writer.write(array, part, **options)
    return path


def describe(path: str | os.PathLike[str], **options: Any) -> Description:
    """Say what a file is: format, layout, quantity, axis, grid, pixel order, warnings.

    Parameters
    ----------
    path, options : as in `read`.

    Returns
    -------
    A `Description`, which prints as a list; warnings of the reader are part of it.

    Raises
    ------
    ReadError : as `read`.

    >>> import tempfile
    >>> import residuekit as rk
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = rk.write(rk.make_points([0.5, 0.25], [1000, 1010]), f"{folder}/gel.csv")
    ...     found = rk.describe(path)
    >>> found.quantity, found.n_spectra, found.n_wavenumbers
    ('absorbance', 1, 2)
    """
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        array = read(path, **options)
    ours = [w for w in caught if issubclass(w.category, ResiduekitWarning)]
    return description_of(array, tuple(str(warning.message) for warning in ours))


def _beside(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(content(path, MOST_TOML).decode())
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise refuse(path, f"TOML that cannot be read ({error})", "key = value",
                     "mend the line") from error  # fmt: skip


def _over_range(array: xr.DataArray) -> xr.DataArray:
    """Flag transmittance and reflectance above 1; files of our own keep their flags."""
    if array.name not in ("transmittance", "reflectance") or "origin" in source(array):
        return array
    flag = array["flag"]
    above = (array.variable > 1).any(WAVENUMBER)
    bit = np.uint16(FLAGS["over_range"][0])
    return array.assign_coords(
        flag=(flag.dims, (flag.variable | above.astype(np.uint16) * bit).data, flag.attrs)
    )
