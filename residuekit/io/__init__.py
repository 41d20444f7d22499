"""Open formats in and out: one table of readers and writers, one file a format."""

from __future__ import annotations

import dataclasses
import inspect
import os
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ContractError, Fault, ReadError, ResiduekitWarning, WriteError, did_you_mean
from ..schema import MAP_DIMS, WAVENUMBER, check, source
from . import jcampdx, netcdf, table_writer, tables
from .files import aside, readable, refuse, sha256

__all__ = ["READERS", "WRITERS", "Description", "Reader", "Writer", "describe", "read", "sha256",
           "write"]  # fmt: skip

_HEAD = 4096


@dataclass(frozen=True)
class Reader:
    """A format that can be read: its suffixes, and whether the first bytes of a file are its own.

    `read(path, **options)` returns a labelled array or raises `ReadError`; its keyword arguments
    are the options a user may give.
    """

    name: str
    suffixes: tuple[str, ...]
    read: Callable[..., xr.DataArray]
    recognises: Callable[[bytes], bool]


@dataclass(frozen=True)
class Writer:
    """A format that can be written: `write(array, path, **options)`."""

    name: str
    suffixes: tuple[str, ...]
    write: Callable[..., None]


READERS = (
    Reader(netcdf.NAME, (".nc", ".nc4", ".cdf"), netcdf.read, netcdf.recognises),
    Reader(jcampdx.NAME, (".jdx", ".dx", ".jcm"), jcampdx.read, jcampdx.recognises),
    Reader(tables.NAME, (".csv", ".tsv", ".txt"), tables.read, tables.recognises),
)
WRITERS = (
    Writer(netcdf.NAME, (".nc", ".nc4"), netcdf.write),
    Writer(tables.NAME, (".csv", ".tsv", ".txt"), table_writer.write),
)


def read(path: str | os.PathLike[str], **options: Any) -> xr.DataArray:
    """Read spectra from a file of any open format as a labelled array.

    Parameters
    ----------
    path : the file; its suffix and its first bytes choose the reader.
    options : what that reader takes (its own docstring lists them).

    Raises
    ------
    ReadError : a file that is absent, damaged, of no known format, or open to guessing.
    """
    path = Path(path)
    reader = _reader(path)
    known = [p.name for p in inspect.signature(reader.read).parameters.values()
             if p.kind is p.KEYWORD_ONLY]  # fmt: skip
    _know(path, options, known, ReadError)
    return reader.read(path, **options)


def write(array: xr.DataArray, path: str | os.PathLike[str], **options: Any) -> Path:
    """Write a labelled array in the format of the suffix; nothing half-written ever stands there.

    Raises
    ------
    WriteError : no such format, an array that breaks the contract, or would lose what it holds.
    """
    path = Path(path)
    writers = [writer for writer in WRITERS if path.suffix.lower() in writer.suffixes]
    if not writers:
        suffixes = [suffix for writer in WRITERS for suffix in writer.suffixes]
        raise WriteError(
            Fault(f"the suffix {path.suffix!r}", f"one of {', '.join(suffixes)}",
                  did_you_mean(path.suffix, suffixes), str(path))
        )  # fmt: skip
    known = list(inspect.signature(writers[0].write).parameters)[2:]
    _know(path, options, known, WriteError)
    try:
        array = check(array)
    except ContractError as error:
        raise WriteError([dataclasses.replace(f, file=str(path)) for f in error.faults]) from error
    with aside(path) as part:
        writers[0].write(array, part, **options)
    return path


def _reader(path: Path) -> Reader:
    """Choose by the first bytes; where they say nothing, by the suffix."""
    suffixes = [suffix for reader in READERS for suffix in reader.suffixes]
    if path.suffix.lower() not in suffixes and not path.is_dir():
        raise refuse(path, f"the suffix {path.suffix!r}", f"one of {', '.join(suffixes)}",
                     did_you_mean(path.suffix, suffixes))  # fmt: skip
    with readable(path), path.open("rb") as file:
        head = file.read(_HEAD)
    named = [reader for reader in READERS if path.suffix.lower() in reader.suffixes]
    return next((reader for reader in READERS if reader.recognises(head)), named[0])


def _know(
    path: Path, options: dict[str, Any], known: list[str], error: type[ReadError | WriteError]
) -> None:
    faults = [
        Fault(f"the option {name!r}", f"one of {', '.join(known) or 'none'}",
              did_you_mean(name, known) if known else "leave it out", str(path))
        for name in options if name not in known
    ]  # fmt: skip
    if faults:
        raise error(faults)


@dataclass(frozen=True)
class Description:
    """What a file is: what was recognised, and what was noticed on the way."""

    file: str
    format: str
    layout: str
    quantity: str
    technique: str
    n_spectra: int
    n_missing: int
    first: float
    last: float
    n_wavenumbers: int
    spacing: str
    grid: str
    pixel_order: str
    recognised: dict[str, Any]
    warnings: tuple[str, ...]

    def __str__(self) -> str:
        rows = {
            "file": self.file,
            "format": self.format,
            "layout": self.layout,
            "quantity": self.quantity,
            "technique": self.technique,
            "spectra": f"{self.n_spectra}, {self.n_missing} of them with missing values",
            "axis": f"{self.first:.6g} to {self.last:.6g} cm-1, {self.n_wavenumbers} points, "
            f"{self.spacing}",
            "grid": self.grid,
            "pixel order": self.pixel_order,
            **{key: value for key, value in self.recognised.items() if isinstance(value, str)},
        }
        lines = [f"{key:<17}{value}" for key, value in rows.items() if value]
        return "\n".join([*lines, *(f"{'warning':<17}{text}" for text in self.warnings)])


def describe(path: str | os.PathLike[str], **options: Any) -> Description:
    """Say what a file is: format, layout, quantity, axis, grid, pixel order, warnings.

    Raises
    ------
    ReadError : as `read`.
    """
    path = Path(path)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        array = read(path, **options)
    axis = array[WAVENUMBER].values
    recognised = source(array)
    is_map = array.dims == MAP_DIMS
    return Description(
        file=recognised.pop("file"),
        format=recognised.pop("reader"),
        layout=str(recognised.pop("layout", "map" if is_map else "points")),
        quantity=str(array.name) + _assumed(recognised.pop("quantity", "")),
        technique=array.attrs["technique"],
        n_spectra=array[..., 0].size,
        n_missing=int((~array["valid"]).sum()),
        first=float(axis[0]),
        last=float(axis[-1]),
        n_wavenumbers=axis.size,
        spacing=_spacing(axis, "cm-1"),
        grid=_grid(array) if is_map else "",
        pixel_order=str(recognised.pop("y order", "row 0 is the lowest y")) if is_map else "",
        recognised=recognised,
        warnings=tuple(
            str(warning.message) for warning in caught
            if issubclass(warning.category, ResiduekitWarning)
        ),
    )  # fmt: skip


def _assumed(note: str) -> str:
    return f" ({note})" if note else ""


def _grid(array: xr.DataArray) -> str:
    unit = array["x"].attrs["units"]
    steps = ", ".join(f"{name} {_spacing(array[name].values, unit)}" for name in ("y", "x"))
    return f"{array.sizes['y']} rows (y) x {array.sizes['x']} columns (x); {steps}"


def _spacing(places: Any, unit: str) -> str:
    steps = np.diff(places)
    if not steps.size:
        return "one only"
    if np.ptp(steps) <= 0.01 * steps.mean():
        return f"{steps.mean():.6g} {unit} apart"
    return f"unevenly {steps.min():.6g} to {steps.max():.6g} {unit} apart"
