"""What a user may state of a file: one class of options a format, each option checked in one way.

`takes` turns ``read(path, options)`` into the public ``read(path, **options)``.
"""

from __future__ import annotations

import dataclasses
import functools
import inspect
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

import xarray as xr

from ..errors import ReadError, ResiduekitError
from ..schema import QUANTITIES, TECHNIQUES
from ..validator import CALL, Field, Fields, check, choice, flag, text, unknown_faults
from .opening import refuse

X_UNITS = ("cm-1", "nm", "um")
_IN_FILE = text("a path in the file", "'entry/data/values'")


def option(one: Field, default: Any = None) -> Any:
    """Declare an option by its field; what has none is checked where the file is read."""
    return field(default=default, metadata={"field": one})


def one_of(choices: Iterable[str], default: str | None = None) -> Any:
    """Declare an option that is one of these words, or left out."""
    return option(choice(choices), default)


@dataclass(frozen=True, kw_only=True)
class Stated:
    """What every reader takes where a file does not say it itself.

    Parameters
    ----------
    quantity, technique : one of `schema.QUANTITIES`, one of `schema.TECHNIQUES`.
    percent : whether transmittance or reflectance is in percent.
    """

    quantity: str | None = one_of(QUANTITIES)
    technique: str | None = one_of(TECHNIQUES)
    percent: bool | None = option(flag("True"))


@dataclass(frozen=True, kw_only=True)
class GridOptions(Stated):
    """How spectra that do not say their places make a map.

    Parameters
    ----------
    shape : (n_y, n_x).
    order : ``rows`` (x runs first), ``columns`` (y runs first), each with `` snake`` where every
        second one runs back.
    start : the corner of the first spectrum: ``bottom left``, ``top left`` ...
    step : um from pixel to pixel, one number or (x, y); left out, pixels are counted.
    """

    shape: Sequence[int] | None = None
    order: str | None = one_of(("rows", "columns", "rows snake", "columns snake"))
    start: str | None = one_of(("bottom left", "bottom right", "top left", "top right"))
    step: float | Sequence[float] | None = None


@dataclass(frozen=True, kw_only=True)
class TableOptions(GridOptions):
    """What a table of spectra may leave open.

    Spectra whose names all hold a place (``x25 y0``, ``(25, 0)``) are a map, unless `layout` says
    points; so are those of a stated `shape`.

    Parameters
    ----------
    layout : ``points`` (first column the axis, then a column a spectrum), ``points in rows`` (the
        same turned: first row the axis, then a row a spectrum that opens with its name), ``wide
        map`` (a row a pixel: x, y, then a column a wavenumber) or ``long map`` (x, y, wavenumber,
        value); recognised from the header and the numbers when left out.
    x_unit : the unit of the spectral axis: ``cm-1``, ``nm`` or ``um``.
    """

    layout: str | None = one_of(("points", "points in rows", "wide map", "long map"))
    x_unit: str | None = one_of(X_UNITS)


@dataclass(frozen=True, kw_only=True)
class TextOptions(TableOptions):
    """What a table of text may leave open: how its cells are parted, and its decimal mark."""

    delimiter: str | None = one_of(("\t", ";", ","))
    decimal: str | None = one_of((".", ","))


@dataclass(frozen=True, kw_only=True)
class SheetOptions(TableOptions):
    """What a workbook may leave open: which `sheet`, where more than one holds numbers."""

    sheet: str | None = option(text("the name of a sheet", "'Sheet1'"))


@dataclass(frozen=True, kw_only=True)
class BlockOptions(Stated):
    """What a file of several blocks may leave open.

    Parameters
    ----------
    block : the number (from 1) of one spectrum of a compound file. Left out, all are read, onto
        one axis.
    """

    block: int | None = None


@dataclass(frozen=True, kw_only=True)
class DatasetOptions(Stated):
    """What a dataset of named variables may leave open.

    Parameters
    ----------
    variable : the variable that holds the spectra, where there is more than one.
    dims : its dimensions where their names do not say it, as
        ``{"y": "scan", "x": "step", "wavenumber": "band"}`` or
        ``{"spectrum": "sample", "wavenumber": "band"}``.
    lazy : leave the numbers in the file, in chunks of 64 x 64 x all wavenumbers (needs dask); the
        checksum is then left out.
    """

    variable: str | None = option(text("the name of a variable", "'values'"))
    dims: Mapping[str, str] | None = None
    lazy: bool = option(flag("True"), default=False)


@dataclass(frozen=True, kw_only=True)
class PathOptions(Stated):
    """Where in an HDF5 file everything lies.

    Parameters
    ----------
    dataset : the path in it of the numbers, as ``entry/data/values``. Left out, the NeXus
        attributes ``default``, ``signal`` and ``axes`` lead to it.
    dims : what each of its dimensions is, in their order, as ``("y", "x", "wavenumber")``; a NeXus
        file says it by the names of its axes.
    wavenumber, x, y : the paths of the axes, each with an attribute ``units``; without x and y
        pixels are counted.
    """

    dataset: str | None = option(_IN_FILE)
    dims: Sequence[str] | None = None
    wavenumber: str | None = option(_IN_FILE)
    x: str | None = option(_IN_FILE)
    y: str | None = option(_IN_FILE)


@dataclass(frozen=True, kw_only=True)
class BareOptions(Stated):
    """What a bare array of numbers cannot say.

    Parameters
    ----------
    wavenumber : the numbers, or the name of a text file of them beside the data.
    x_unit : the unit of the wavenumbers: ``cm-1``, ``nm`` or ``um``.
    step : um from pixel to pixel, one number or (x, y); left out, pixels are counted.
    first_row : ``bottom`` or ``top``: where the first row of a map lies.
    """

    wavenumber: str | Sequence[float] | None = None
    x_unit: str = one_of(X_UNITS, "cm-1")
    step: float | Sequence[float] | None = None
    first_row: str | None = one_of(("bottom", "top"))


@dataclass(frozen=True, kw_only=True)
class NumpyOptions(BareOptions):
    """What a NumPy file cannot say; its `wavenumber` may also be the name of an array in an .npz.

    Parameters
    ----------
    dims : what each dimension is, as ``("y", "x", "wavenumber")`` or ``("spectrum",
        "wavenumber")``.
    dataset : the name of the array in an .npz that holds more than one.
    """

    dims: Sequence[str] | None = None
    dataset: str | None = option(text("the name of an array", "'spectra'"))


@dataclass(frozen=True, kw_only=True)
class FlatOptions(BareOptions):
    """What a file of numbers alone cannot say.

    Parameters
    ----------
    shape : (n_y, n_x, n_wavenumber).
    dtype, byte_order : ``float32``, ``float64``, ``int16`` ...; ``little`` or ``big``.
    interleave : ``bsq`` (wavenumber by wavenumber), ``bil`` (in each row) or ``bip`` (pixel by
        pixel).
    offset : bytes of a head to leave out.
    """

    shape: Sequence[int] | None = None
    dtype: str | None = one_of(
        ("float32", "float64", "int16", "uint16", "int32", "uint32", "uint8")
    )
    byte_order: str | None = one_of(("little", "big"))
    interleave: str | None = one_of(("bsq", "bil", "bip"))
    offset: int = 0


@dataclass(frozen=True, kw_only=True)
class FolderOptions(BlockOptions, SheetOptions, TextOptions):
    """How the files of a folder make a map, and how each is read; `map.toml` in it may hold these.

    Parameters
    ----------
    missing : the places (from 1, in the same order) of pixels that have no file.
    files : which files, as ``*.csv``.
    """

    missing: Sequence[int] = ()
    files: str = "*"


Options = TypeVar("Options", bound=Stated)


def takes(
    kind: type[Options],
) -> Callable[[Callable[[Path, Options], xr.DataArray]], Callable[..., xr.DataArray]]:
    """Turn ``read(path, options)`` into ``read(path, **options)``, the options those of `kind`.

    `inspect.signature` sees them as its keyword-only parameters.
    """

    def turned(reader: Callable[[Path, Options], xr.DataArray]) -> Callable[..., xr.DataArray]:
        @functools.wraps(reader)
        def read(path: Path, **options: Any) -> xr.DataArray:
            return reader(path, checked(path, kind(**options)))

        known = [
            inspect.Parameter(f.name, inspect.Parameter.KEYWORD_ONLY, default=f.default)
            for f in dataclasses.fields(kind)
        ]
        path = inspect.Parameter("path", inspect.Parameter.POSITIONAL_OR_KEYWORD)
        vars(read)["__signature__"] = inspect.Signature([path, *known])
        return read

    return turned


def options_of(reader: Callable[..., Any]) -> list[str]:
    """Return the names of the options of any ``read(path, *, option=...)``."""
    parameters = inspect.signature(reader).parameters.values()
    return [p.name for p in parameters if p.kind is p.KEYWORD_ONLY]


def refuse_unknown(
    path: Path,
    given: Iterable[str],
    known: Sequence[str],
    error: type[ResiduekitError] = ReadError,
) -> None:
    """Refuse options that are not known, all at once, each with the nearest that is."""
    faults = unknown_faults(given, known, replace(CALL, file=str(path)))
    if faults:
        raise error(faults)


def fields_of(options: Stated | type[Stated]) -> Fields:
    """Return the fields of those options that have one, by their names."""
    return {
        one.name: one.metadata["field"]
        for one in dataclasses.fields(options)
        if "field" in one.metadata
    }


def every_field() -> Fields:
    """Return what may be stated of a file in a study, of whatever format it is."""
    kinds = (TextOptions, SheetOptions, BlockOptions, DatasetOptions, PathOptions, NumpyOptions,
             FlatOptions, FolderOptions)  # fmt: skip
    names = dict.fromkeys(one.name for kind in kinds for one in dataclasses.fields(kind))
    known = {name: one for kind in kinds for name, one in fields_of(kind).items()}
    for kind in kinds:  # what one of them takes in its own way is checked where the file is read
        for name in {one.name for one in dataclasses.fields(kind)} - fields_of(kind).keys():
            known.pop(name, None)
    free = Field("a value", "...", lambda _value: True)
    return {name: known.get(name, free) for name in names if name not in ("files", "lazy")}


def checked(path: Path, options: Options) -> Options:
    """Return options that are as their fields say; refuse all others at once."""
    _refuse_wrong(path, options, fields_of(options))
    return options


def need(path: Path, options: Stated, *names: str) -> None:
    """Refuse options that must be stated and are not, all at once, each with its choices."""
    fields = fields_of(options)
    _refuse_wrong(path, options, {name: fields[name] for name in names}, names)


def _refuse_wrong(path: Path, options: Stated, fields: Fields, needed: Sequence[str] = ()) -> None:
    given = {name: getattr(options, name) for name in fields}
    given = {name: value for name, value in given.items() if value is not None}
    _, faults = check(given, fields, replace(CALL, file=str(path)), needed)
    if faults:
        raise ReadError(faults)


def kept(path: Path, options: Options, **said: Any) -> Options:
    """Return options as a file of our own states them; refuse those that contradict it."""
    for name, value in said.items():
        given = getattr(options, name)
        if given is not None and given != value:
            raise refuse(path, f"{name}={given!r} for a file that says {value!r}",
                         "what the file says", f"leave {name} out")  # fmt: skip
    return checked(path, dataclasses.replace(options, **said))
