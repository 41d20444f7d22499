"""From the numbers of a file to the labelled array: the end of every reader."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ContractError, ReadError, ResiduekitError
from ..schema import make_map, make_points
from .opening import refuse
from .unit_words import tell

_PIECE = 2**19
#: Numbers whose squares are added up together: they fit in the first cache, and no library of
#: linear algebra starts threads for so few.
_ROW = 8192
#: In the encoding of a variable of float32: none of its numbers was infinite when they were read;
#: none was missing either.
FINITE, COMPLETE = "finite", "complete"


def spectra(
    path: Path,
    reader: str,
    values: Any,
    axis: Any,
    notes: Mapping[str, Any],
    *,
    quantity: Any,
    technique: str | None,
    names: Any = None,
    x: Any = None,
    y: Any = None,
    unit: str | None = None,
) -> xr.DataArray:
    """Make the labelled array of a file, or say what in the file breaks the contract.

    Parameters
    ----------
    values : (n_spectra, n_wavenumber) or (n_wavenumber,) of point spectra called `names`; (n_y,
        n_x, n_wavenumber) of a map at `x`, `y`, which are in `unit` (`um` where it is left out).
    notes : what the reader recognised; `residuekit.io.read` adds the checksum to it, but not where
        they say ``opened="lazily"``: such a file is not read through.
    """
    said: dict[str, Any] = {"quantity": quantity, "technique": technique or "unknown",
                            "source": {"file": path.name, "reader": reader, **notes}}  # fmt: skip
    values = stored(path, values)
    with contract_of(path):
        if values.ndim < 3:
            return make_points(values, axis, names, **said)
        array = make_map(values, axis, x, y, **said)
    for name in ("y", "x") if unit else ():
        array = array.assign_coords({name: (name, array[name].values, {"units": unit})})
    return array


@contextmanager
def contract_of(path: Path, error: type[ResiduekitError] = ReadError) -> Iterator[None]:
    """Say of which file it is that an array breaks the contract."""
    try:
        yield
    except ContractError as broken:
        raise error([replace(fault, file=str(path)) for fault in broken.faults]) from broken


def same_axis(one: Any, other: Any) -> bool:
    """Say whether two spectral axes agree to a thousandth of their step."""
    step = np.abs(np.diff(one)).min() if one.size > 1 else 1.0
    return one.size == other.size and np.allclose(other, one, rtol=0, atol=1e-3 * step)


def undoubled(path: Path, axis: Any, values: Any) -> tuple[Any, Any, Any]:
    """Take the mean of two neighbours with one wavenumber, where one in a hundred or fewer is such.

    Returns the axis (n,), the values (..., n), and which places of the given axis were left out.
    """
    doubled = np.r_[False, np.diff(axis) == 0]
    n_doubled = int(doubled.sum())
    if not n_doubled or 100 * n_doubled > axis.size or (doubled[1:] & doubled[:-1]).any():
        return axis, values, np.zeros(axis.size, dtype=bool)
    values = np.array(values, dtype=float)
    at = np.flatnonzero(doubled)
    values[..., at - 1] = (values[..., at - 1] + values[..., at]) / 2
    tell(path, f"{n_doubled} of {axis.size} channels given twice (the first at {axis[at[0]]:g}): "
         "the mean of the two is taken")  # fmt: skip
    return axis[~doubled], values[..., ~doubled], doubled


def stored(path: Path, values: Any) -> Any:
    """Return the values of a file as float32, or say that one is beyond its range."""
    try:
        if getattr(values, "dtype", None) == np.float32 and not hasattr(values, "dask"):
            for piece in _pieces(values):
                _refuse_infinite(piece)
            return values
        return float32(values)
    except OverflowError as error:
        raise refuse(path, str(error), "finite numbers (float32)",
                     "leave the cell empty where a value is missing") from error  # fmt: skip


def float32(values: Any) -> Any:
    """Return the values as float32; a number beyond its range raises OverflowError."""
    if getattr(values, "dtype", None) == np.float32 or hasattr(values, "dask"):
        return values.astype(np.float32, copy=False)
    values = np.asarray(values, dtype=float)
    new = np.empty(values.shape, dtype=np.float32)
    with np.errstate(over="ignore"):
        for piece, into in zip(_pieces(values), _pieces(new, values.nbytes), strict=True):
            into[...] = _refuse_infinite(piece.astype(np.float32))
    return new


def _pieces(values: Any, size: int = 0) -> list[Any]:
    """Views of some rows of an array each, such that a piece fits in the cache."""
    return np.array_split(values, max(1, min(len(values), (size or values.nbytes) // _PIECE)))


def is_finite(piece: Any) -> bool:
    """Whether no number of an array is infinite; some may be missing."""
    rows, rest = in_rows(piece)
    with np.errstate(over="ignore", invalid="ignore"):
        return looked_through(rows, rest, np.vecdot(rows, rows))[0]


def in_rows(piece: Any) -> tuple[Any, Any]:
    """The numbers of an array, of any shape, as rows (n, 8192) and what is left of them (m,)."""
    flat = (piece.T if piece.flags.f_contiguous else piece).reshape(-1)
    whole = flat.size // _ROW * _ROW
    return flat[:whole].reshape(-1, _ROW), flat[whole:]


def looked_through(rows: Any, rest: Any, sums: Any) -> tuple[bool, bool]:
    """Whether none of the numbers is infinite, and whether it is known that none is missing either.

    `sums` (n,) are those of the squares of each row: where one is finite, so is each number of its
    row. A row with another sum holds what is infinite, missing or above 1e17: it is looked at.
    """
    known = np.isfinite(sums)
    if known.all() and np.isfinite(rest).all():
        return True, True
    doubtful = (rest, *(rows[place] for place in np.flatnonzero(~known)))
    return not any(np.isinf(numbers).any() for numbers in doubtful), False


def _refuse_infinite(piece: Any) -> Any:
    if not is_finite(piece):
        raise OverflowError("a number that is infinite or above 3.4e38")
    return piece
