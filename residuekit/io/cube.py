"""Bare arrays of numbers: NumPy files, multi-page TIFF, flat binary; what they cannot say is asked.

Such a file knows neither its quantity, its wavenumbers nor which way is up: all three are stated.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ReadError, did_you_mean
from ..schema import MAP_DIMS, POINT_DIMS, WAVENUMBER, make_map, make_points
from .opening import damaged, fits_in, is_below, labelled, readable, refuse, source_of
from .options import BareOptions, FlatOptions, NumpyOptions, need, takes
from .vocabulary import as_fraction, to_wavenumber

NUMPY, TIFF, FLAT = "NumPy", "TIFF", "flat binary"
_INTERLEAVES = {"bsq": (WAVENUMBER, "y", "x"), "bil": ("y", WAVENUMBER, "x"), "bip": MAP_DIMS}
#: The tag by which a TIFF page says how it lies (TIFF 6.0, section 8).
_ORIENTATION = 274
_MAGIC = b"\x93NUMPY"


def recognises_numpy(head: bytes) -> bool:
    """Say whether the first bytes are those of an npy file, or of a zip file of them."""
    return head.startswith(_MAGIC) or (head.startswith(b"PK\x03\x04") and b".npy" in head[:200])


def recognises_tiff(head: bytes) -> bool:
    """Say whether the first bytes are those of a TIFF file."""
    return head[:4] in (b"II*\0", b"MM\0*")


def recognises_nothing(_head: bytes) -> bool:
    """Flat binary has no signature: the suffix alone chooses it."""
    return False


@takes(NumpyOptions)
def read_numpy(path: Path, options: NumpyOptions) -> xr.DataArray:
    """Read a NumPy array (.npy), or one of several (.npz); nothing pickled is ever loaded.

    `NumpyOptions` says what must be stated.

    Raises
    ------
    ReadError : anything of these that is needed and not stated; objects; damage.
    """
    with readable(path):
        data = path.read_bytes()
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
    return _cube(path, options, NUMPY, arrays[dataset], options.dims, notes)


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


@takes(BareOptions)
def read_tiff(path: Path, options: BareOptions) -> xr.DataArray:
    """Read a map from a TIFF file of one page a wavenumber, grey, whole or floating numbers.

    `BareOptions` says what must be stated; `first_row` of a TIFF is most often ``top``.

    Raises
    ------
    ReadError : a number of pages that is not that of the wavenumbers; coloured pages; damage.
    """
    from PIL import Image, ImageSequence

    n_pages = len(_axis(path, options))
    pages: list[Any] = []
    with readable(path):
        path.open("rb").close()
    try:
        with Image.open(path, formats=["TIFF"]) as book:
            fits_in(path, book.width * book.height * 4 * n_pages)
            page: Any
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
                turned = page.tag_v2.get(_ORIENTATION, 1)
                if turned != 1:
                    raise refuse(path, f"a page with the orientation {turned}", "pages that are "
                                 "stored as they are seen (orientation 1)", "export them so, or "
                                 "write the array as .npy")  # fmt: skip
                fits_in(path, page.width * page.height * 4 * n_pages)
                pages.append(np.array(page, dtype=np.float32))
    except ReadError:
        raise
    except Exception as error:  # the library raises anything on damaged bytes
        raise damaged(path, error) from error
    if len(pages) != n_pages:
        raise refuse(path, f"{len(pages)} pages for {n_pages} wavenumbers", "as many pages",
                     "wavenumber=[...], one for each page")  # fmt: skip
    notes = {"layout": "map, page by page"}
    return _cube(path, options, TIFF, np.stack(pages), (WAVENUMBER, "y", "x"), notes)


@takes(FlatOptions)
def read_flat(path: Path, options: FlatOptions) -> xr.DataArray:
    """Read a map from a file of numbers alone; `FlatOptions` says what must be stated.

    Raises
    ------
    ReadError : anything that is not stated; a size that does not fit.
    """
    need(path, options, "dtype", "byte_order", "interleave")
    sizes = whole_numbers(options.shape, 3)
    if sizes is None:
        raise refuse(path, f"shape={options.shape!r}", "3 whole numbers from 1",
                     "shape=(n_y, n_x, n_wavenumber)")  # fmt: skip
    start = options.offset
    if whole_numbers([start], 1, least=0) is None:
        raise refuse(path, f"offset={start!r}", "a whole number from 0", "offset=0")
    kind = np.dtype(str(options.dtype)).newbyteorder(
        "little" if options.byte_order == "little" else "big"
    )
    with readable(path):
        data = path.read_bytes()
    wanted = start + sizes[0] * sizes[1] * sizes[2] * kind.itemsize
    if len(data) != wanted:
        needed = f"{wanted} bytes for the shape {sizes} in {options.dtype} after {start} bytes"
        raise refuse(path, f"{len(data)} bytes", needed, "mend shape, dtype or offset")
    dims = _INTERLEAVES[str(options.interleave)]
    ordered = [sizes[MAP_DIMS.index(dim)] for dim in dims]
    values = np.frombuffer(data, kind, offset=start).reshape(ordered)
    notes = {"layout": f"map, {options.interleave}",
             "numbers": f"{options.dtype}, {options.byte_order} endian"}  # fmt: skip
    return _cube(path, options, FLAT, values, dims, notes)


def whole_numbers(given: Any, count: int, least: int = 1) -> list[int] | None:
    """Return `count` whole numbers from `least`, or None where these are none.

    >>> whole_numbers((2, 3.0), 2), whole_numbers("23", 2), whole_numbers([True, 0], 2)
    ([2, 3], None, None)
    """
    try:
        sizes = [int(size) for size in given if not isinstance(size, bool)]
        fits = sizes == list(given) and len(sizes) == count and min(sizes) >= least
    except (TypeError, ValueError, OverflowError):
        return None
    return sizes if fits else None


def _axis(path: Path, options: BareOptions) -> Any:
    """The wavenumbers (n,), in their unit, from a list or a text file beside the data."""
    given: Any = options.wavenumber
    if given is None:
        raise refuse(
            path,
            "no wavenumbers",
            "one for each place along the spectra",
            "wavenumber=[...], or wavenumber='wavenumbers.txt' beside the file",
        )
    where: Any = path
    if isinstance(given, str):
        if not is_below(given):
            raise refuse(path, f"wavenumber={given!r}", "the name of a file beside this one",
                         "put it there")  # fmt: skip
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
    path: Path,
    options: BareOptions,
    reader: str,
    values: Any,
    dims: Sequence[str] | None,
    notes: dict[str, Any],
) -> xr.DataArray:
    wanted = {2: POINT_DIMS, 3: MAP_DIMS}.get(values.ndim, ())
    if not (isinstance(dims, list | tuple) and wanted and sorted(map(str, dims)) == sorted(wanted)):
        raise refuse(path, f"dims={dims!r} for an array of shape {values.shape}",
                     f"{MAP_DIMS} in the order of the array, or {POINT_DIMS}",
                     "dims=('y', 'x', 'wavenumber')")  # fmt: skip
    need(path, options, "quantity", *(("first_row",) if wanted == MAP_DIMS else ()))
    axis = to_wavenumber(path, _axis(path, options), options.x_unit)
    values = values.transpose([list(dims).index(dim) for dim in wanted])
    if axis.size != values.shape[-1]:
        raise refuse(
            path,
            f"{axis.size} wavenumbers for an array of shape {values.shape} {wanted}",
            f"{values.shape[-1]} wavenumbers",
            "mend wavenumber or dims",
        )
    values, scale = as_fraction(path, values, str(options.quantity), options.percent)
    said = {"quantity": options.quantity, "technique": options.technique or "unknown"}
    if wanted == POINT_DIMS:
        source = source_of(path, reader, **notes, **scale)
        return labelled(path, make_points, values, axis, source=source, **said)
    if options.first_row == "top":
        values = values[::-1]
    order = f"the first row lies at the {options.first_row}, as stated"
    notes = {**notes, **scale, "y order": order}
    x, y = positions(path, values.shape[1], values.shape[0], options.step)
    source = source_of(path, reader, **notes)
    return labelled(path, make_map, values, axis, x, y, source=source, **said)


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
