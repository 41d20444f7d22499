"""Bare arrays of numbers: NumPy files, multi-page TIFF, flat binary; what they cannot say is asked.

Such a file knows neither its quantity, its wavenumbers nor which way is up: all three are stated.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ReadError, did_you_mean
from ..schema import MAP_DIMS, POINT_DIMS, WAVENUMBER, make_map, make_points
from .files import damaged, fits_in, labelled, readable, refuse, source_of
from .words import as_fraction, axis_unit_of, stated, to_wavenumber

NUMPY, TIFF, FLAT = "NumPy", "TIFF", "flat binary"
_INTERLEAVES = {"bsq": (WAVENUMBER, "y", "x"), "bil": ("y", WAVENUMBER, "x"), "bip": MAP_DIMS}
_MAGIC = b"\x93NUMPY"
_FIRST_ROWS = ("bottom", "top")


@dataclass(frozen=True)
class _Said:
    """What the user states of a bare array."""

    path: Path
    quantity: str | None
    technique: str | None
    percent: bool | None
    wavenumber: Any
    x_unit: str
    step: Any
    first_row: str | None


def recognises_numpy(head: bytes) -> bool:
    """Say whether the first bytes are those of an npy file, or of a zip file of them."""
    return head.startswith(_MAGIC) or (head.startswith(b"PK\x03\x04") and b".npy" in head[:200])


def recognises_tiff(head: bytes) -> bool:
    """Say whether the first bytes are those of a TIFF file."""
    return head[:4] in (b"II*\0", b"MM\0*")


def recognises_nothing(_head: bytes) -> bool:
    """Flat binary has no signature: the suffix alone chooses it."""
    return False


def read_numpy(
    path: Path,
    *,
    dims: Sequence[str] | None = None,
    wavenumber: str | Sequence[float] | None = None,
    dataset: str | None = None,
    x_unit: str = "cm-1",
    step: float | Sequence[float] | None = None,
    first_row: str | None = None,
    quantity: str | None = None,
    technique: str | None = None,
    percent: bool | None = None,
) -> xr.DataArray:
    """Read a NumPy array (.npy), or one of several (.npz); nothing pickled is ever loaded.

    Parameters
    ----------
    dims : what each dimension is, as ``("y", "x", "wavenumber")`` or ``("spectrum",
        "wavenumber")``.
    wavenumber : the numbers, or the name of a text file of them beside this one, or the name of an
        array in the same .npz.
    dataset : the name of the array in an .npz that holds more than one.
    x_unit : the unit of the wavenumbers: ``cm-1``, ``nm`` or ``um``.
    step : um from pixel to pixel, one number or (x, y); left out, pixels are counted.
    first_row : ``bottom`` or ``top``: where the first row of a map lies.
    quantity, technique, percent : what the numbers are.

    Raises
    ------
    ReadError : anything of these that is needed and not stated; objects; damage.
    """
    with readable(path):
        data = path.read_bytes()
    arrays = _npz(path, data) if data[:2] == b"PK" else {"": _npy(path, data)}
    given = wavenumber
    if isinstance(wavenumber, str) and wavenumber in arrays:
        given = arrays.pop(wavenumber)
    elif wavenumber is None and WAVENUMBER in arrays:
        given = arrays.pop(WAVENUMBER)
    if dataset is None and len(arrays) == 1:
        dataset = next(iter(arrays))
    if dataset not in arrays:
        names = ", ".join(arrays)
        raise refuse(path, f"dataset={dataset!r} among {names}", "the name of one array",
                     did_you_mean(str(dataset), arrays) if dataset else "dataset=...")  # fmt: skip
    said = _Said(path, quantity, technique, percent, given, x_unit, step, first_row)
    return _cube(said, NUMPY, arrays[dataset], dims, {"dataset": dataset} if dataset else {})


def _npz(path: Path, data: bytes) -> dict[str, Any]:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            fits_in(path, sum(member.file_size for member in members))
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
            raise refuse(
                path,
                f"an array of {dtype}",
                "an array of numbers",
                "save numbers, no objects: np.save(name, array.astype('float32'))",
            )
        size = int(np.prod([int(n) for n in shape], dtype=object))
        if size * dtype.itemsize != len(body):
            raise refuse(path, f"{len(body)} bytes for an array of shape {shape} of {dtype}",
                         f"{size * dtype.itemsize} bytes", "copy it again: it was cut")  # fmt: skip
        return np.frombuffer(body, dtype).reshape(shape, order="F" if fortran else "C")
    except ReadError:
        raise
    except Exception as error:  # a header is Python text, and may hold anything
        raise damaged(path, error) from error


def read_tiff(
    path: Path,
    *,
    wavenumber: str | Sequence[float] | None = None,
    x_unit: str = "cm-1",
    step: float | Sequence[float] | None = None,
    first_row: str | None = None,
    quantity: str | None = None,
    technique: str | None = None,
    percent: bool | None = None,
) -> xr.DataArray:
    """Read a map from a TIFF file of one page a wavenumber, grey, whole or floating numbers.

    The options are those of `read_numpy`; `first_row` of a TIFF is most often ``top``.

    Raises
    ------
    ReadError : a number of pages that is not that of the wavenumbers; coloured pages; damage.
    """
    from PIL import Image, ImageSequence

    said = _Said(path, quantity, technique, percent, wavenumber, x_unit, step, first_row)
    n_pages = len(_axis(said))
    pages: list[Any] = []
    with readable(path):
        path.open("rb").close()
    try:
        with Image.open(path, formats=["TIFF"]) as book:
            fits_in(path, book.width * book.height * 4 * n_pages)
            for page in ImageSequence.Iterator(book):
                if page.mode not in ("L", "F", "I", "I;16", "I;16B") or page.size != book.size:
                    raise refuse(
                        path,
                        f"a page of mode {page.mode}, {page.size}",
                        "grey pages of one size",
                        "export one grey page a wavenumber",
                    )
                if len(pages) == n_pages:
                    raise refuse(path, f"more than {n_pages} pages", "as many as wavenumbers",
                                 "wavenumber=[...], one for each page")  # fmt: skip
                fits_in(path, page.width * page.height * 4 * n_pages)
                pages.append(np.array(page, dtype=np.float32))
    except ReadError:
        raise
    except Exception as error:  # the library raises anything on damaged bytes
        raise damaged(path, error) from error
    if len(pages) != n_pages:
        raise refuse(path, f"{len(pages)} pages for {n_pages} wavenumbers", "as many pages",
                     "wavenumber=[...], one for each page")  # fmt: skip
    return _cube(
        said, TIFF, np.stack(pages), (WAVENUMBER, "y", "x"), {"layout": "map, page by page"}
    )


def read_flat(
    path: Path,
    *,
    shape: Sequence[int] | None = None,
    dtype: str | None = None,
    byte_order: str | None = None,
    interleave: str | None = None,
    offset: int = 0,
    wavenumber: str | Sequence[float] | None = None,
    x_unit: str = "cm-1",
    step: float | Sequence[float] | None = None,
    first_row: str | None = None,
    quantity: str | None = None,
    technique: str | None = None,
    percent: bool | None = None,
) -> xr.DataArray:
    """Read a map from a file of numbers alone.

    Parameters
    ----------
    shape : (n_y, n_x, n_wavenumber).
    dtype : ``float32``, ``float64``, ``int16``, ``uint16``, ``int32`` ...
    byte_order : ``little`` or ``big``.
    interleave : ``bsq`` (wavenumber by wavenumber), ``bil`` (in each row) or ``bip`` (pixel by
        pixel).
    offset : bytes of a head to leave out.
    wavenumber, x_unit, step, first_row, quantity, technique, percent : as for NumPy files.

    Raises
    ------
    ReadError : anything that is not stated; a size that does not fit.
    """
    kinds = ("float32", "float64", "int16", "uint16", "int32", "uint32", "uint8")
    needs: list[tuple[str, Any, Sequence[str]]] = [
        ("dtype", dtype, kinds), ("byte_order", byte_order, ("little", "big")),
        ("interleave", interleave, tuple(_INTERLEAVES)),
    ]  # fmt: skip
    for name, value, choices in needs:
        if value not in choices:
            raise refuse(
                path,
                f"{name}={value!r}",
                f"one of {', '.join(choices)}",
                did_you_mean(str(value), choices) if value else f"{name}={choices[0]!r}",
            )
    sizes = _whole(path, "shape", shape, 3)
    (start,) = _whole(path, "offset", [offset], 1, least=0)
    kind = np.dtype(str(dtype)).newbyteorder("<" if byte_order == "little" else ">")
    with readable(path):
        data = path.read_bytes()
    wanted = start + sizes[0] * sizes[1] * sizes[2] * kind.itemsize
    if len(data) != wanted:
        raise refuse(path, f"{len(data)} bytes", f"{wanted} bytes for the shape {sizes} in {dtype}"
                     f" after {start} bytes", "mend shape, dtype or offset")  # fmt: skip
    dims = _INTERLEAVES[str(interleave)]
    ordered = [sizes[MAP_DIMS.index(dim)] for dim in dims]
    values = np.frombuffer(data, kind, offset=start).reshape(ordered)
    said = _Said(path, quantity, technique, percent, wavenumber, x_unit, step, first_row)
    notes = {"layout": f"map, {interleave}", "numbers": f"{dtype}, {byte_order} endian"}
    return _cube(said, FLAT, values, dims, notes)


def _whole(path: Path, name: str, given: Any, count: int, least: int = 1) -> list[int]:
    try:
        sizes = [int(size) for size in given]
        if sizes == list(given) and len(sizes) == count and min(sizes) >= least:
            return sizes
    except (TypeError, ValueError, OverflowError):
        pass
    raise refuse(path, f"{name}={given!r}", f"{count} whole numbers from {least}",
                 "shape=(n_y, n_x, n_wavenumber)" if count == 3 else f"{name}={least}")  # fmt: skip


def _axis(said: _Said) -> Any:
    """The wavenumbers (n,), in their unit, from a list or a text file beside the data."""
    given, path = said.wavenumber, said.path
    if given is None:
        raise refuse(
            path,
            "no wavenumbers",
            "one for each place along the spectra",
            "wavenumber=[...], or wavenumber='wavenumbers.txt' beside the file",
        )
    if axis_unit_of(said.x_unit) is None:
        raise refuse(path, f"x_unit={said.x_unit!r}", "cm-1, nm or um", "x_unit='cm-1'")
    where: Any = path
    if isinstance(given, str):
        where = path.parent / given
        with readable(where):
            given = where.read_bytes().decode("latin-1").replace(",", " ").split()
    try:
        axis = np.asarray(given, dtype=float)
    except (TypeError, ValueError) as error:
        raise refuse(where, f"wavenumbers that are no numbers ({error})", "numbers only",
                     "one number a line") from error  # fmt: skip
    if axis.ndim != 1 or axis.size == 0 or not np.isfinite(axis).all():
        raise refuse(where, f"wavenumbers of shape {axis.shape}", "a list of finite numbers",
                     "wavenumber=[...]")  # fmt: skip
    return axis


def _cube(
    said: _Said, reader: str, values: Any, dims: Sequence[str] | None, notes: dict[str, Any]
) -> xr.DataArray:
    path = said.path
    stated(path, said.quantity, said.technique, said.percent)
    wanted = {2: POINT_DIMS, 3: MAP_DIMS}.get(values.ndim, ())
    if dims is None or isinstance(dims, str) or not wanted or sorted(dims) != sorted(wanted):
        raise refuse(path, f"dims={dims!r} for an array of shape {values.shape}",
                     f"{MAP_DIMS} in the order of the array, or {POINT_DIMS}",
                     "dims=('y', 'x', 'wavenumber')")  # fmt: skip
    if said.quantity is None:
        raise refuse(path, "numbers without a name", "their quantity", "quantity='absorbance'")
    axis = to_wavenumber(path, _axis(said), str(axis_unit_of(said.x_unit)))
    values = values.transpose([list(dims).index(dim) for dim in wanted])
    if axis.size != values.shape[-1]:
        raise refuse(
            path,
            f"{axis.size} wavenumbers for an array of shape {values.shape} {wanted}",
            f"{values.shape[-1]} wavenumbers",
            "mend wavenumber or dims",
        )
    values, scale = as_fraction(path, values, said.quantity, said.percent)
    options = {"quantity": said.quantity, "technique": said.technique or "unknown"}
    if wanted == POINT_DIMS:
        source = source_of(path, reader, **notes, **scale)
        return labelled(path, make_points, values, axis, source=source, **options)
    if said.first_row not in _FIRST_ROWS:
        raise refuse(path, f"first_row={said.first_row!r}", "where the first row of the map lies",
                     "first_row='top' (as in pictures) or first_row='bottom'")  # fmt: skip
    if said.first_row == "top":
        values = values[::-1]
    notes = {**notes, **scale, "y order": f"the first row lies at the {said.first_row}, as stated"}
    x, y = positions(path, values.shape[1], values.shape[0], said.step)
    source = source_of(path, reader, **notes)
    return labelled(path, make_map, values, axis, x, y, source=source, **options)


def positions(path: Path, n_x: int, n_y: int, step: Any) -> tuple[Any, Any]:
    """Return the x (n_x,) and y (n_y,) of a grid with this step in um; None, None without one.

    Raises
    ------
    ReadError : a step that is not one or two numbers above zero.
    """
    if step is None:
        return None, None
    try:
        steps = np.broadcast_to(np.asarray(step, dtype=float), 2)
    except (TypeError, ValueError):
        steps = np.zeros(2)
    if not (np.isfinite(steps).all() and (steps > 0).all()):
        raise refuse(path, f"step={step!r}", "um from pixel to pixel: one number, or (x, y)",
                     "step=5.5")  # fmt: skip
    return np.arange(n_x) * steps[0], np.arange(n_y) * steps[1]
