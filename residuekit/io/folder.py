"""A folder of files of one spectrum each, as a map."""

from __future__ import annotations

import dataclasses
import re
import warnings
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ResiduekitWarning
from ..labels import ASSUMED, assumed
from ..schema import WAVENUMBER, source
from .checksum import FOLDER_OPTIONS
from .labelled import same_axis, spectra
from .opening import refuse
from .options import FolderOptions, GridOptions, Stated, need, takes
from .pixel_grid import (
    places_in,
    positions,
    refuse_other_walk,
    upright,
    walk,
    whole_numbers,
)
from .unit_words import tell

NAME = "folder"
_MOST_PIXELS = 10_000_000
#: What is said of each file, and not of how the files make a map.
_OF_EACH = {f.name for f in dataclasses.fields(FolderOptions)} - {
    *(f.name for f in dataclasses.fields(GridOptions)), "missing", "files"
} | {f.name for f in dataclasses.fields(Stated)}  # fmt: skip


def reader(read_file: Callable[..., xr.DataArray]) -> Callable[..., xr.DataArray]:
    """Return the reader of folders that reads each file by `read_file`."""

    @takes(FolderOptions)
    def read(path: Path, options: FolderOptions) -> xr.DataArray:
        """Read a folder of one-spectrum files as a map; `FolderOptions` says how they make it.

        Names that all hold a place (``x25_y0``) make the map by themselves; else the files are
        taken in the order of the numbers in their names.

        Raises
        ------
        ReadError : files that do not fill the grid, differ in axis or quantity, or hold several
            spectra.
        """
        found = _files(path, options.files)
        said = {name: getattr(options, name) for name in _OF_EACH}
        given = {name: value for name, value in said.items() if value is not None}
        with _told_once(path):
            each = [_one(path, read_file(file, **given), file) for file in found]
        first = each[0]
        for other, file in zip(each, found, strict=True):
            _same(path, first, other, found[0].name, file.name)
        values = np.concatenate([spectrum.values for spectrum in each])
        cube, x, y, unit, notes = _grid(path, found, values, options)
        recognised = {
            "layout": "map of one-spectrum files",
            "files": f"{len(found)}, {found[0].name} to {found[-1].name}",
            "form": str(source(first)["reader"]),
            **{name: f"{ASSUMED}{value}" for name, value in assumed(first).items()},
            **notes,
        }
        return spectra(path, NAME, cube, first[WAVENUMBER].values, recognised, x=x, y=y, unit=unit,
                       quantity=str(first.name), technique=first.attrs["technique"])  # fmt: skip

    return read


def _grid(
    path: Path, found: list[Path], values: Any, options: FolderOptions
) -> tuple[Any, Any, Any, str | None, dict[str, str]]:
    """The map (n_y, n_x, n_wavenumber), its x, its y, their unit and what there is to say of it."""
    names = [file.stem for file in found]
    named = places_in(names)
    if named is not None and options.shape is None:
        x, y, unit, notes = named
        cube, columns, rows, gaps = upright(path, x, y, values)
        return cube, columns, rows, unit, {"y order": "by the names, upward", **notes, **gaps}
    n_y, n_x = _shape(path, options.shape)
    need(path, options, "order", "start")
    order, start = str(options.order), str(options.start)
    places = _places(path, found, n_y * n_x, options.missing)
    rows, columns = (part[places] for part in walk(n_y, n_x, order, start))
    refuse_other_walk(path, names, rows, columns)
    cube = np.full((n_y, n_x, values.shape[-1]), np.nan, dtype=np.float32)
    cube[rows, columns] = values
    notes = {"y order": f"{order} from the {start}, as stated"}
    if len(found) < n_y * n_x:
        notes["missing pixels"] = str(n_y * n_x - len(found))
    return cube, *positions(path, n_x, n_y, options.step), None, notes


@contextmanager
def _told_once(path: Path) -> Iterator[None]:
    """Tell of many files what is noticed in them once, and in how many."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        yield
    texts = [str(w.message) for w in caught if issubclass(w.category, ResiduekitWarning)]
    kinds = Counter(text.partition(": ")[2] for text in texts)
    for kind, count in kinds.items():
        tell(path, f"{kind} (in {count} of its files)")


def _shape(path: Path, shape: Any) -> tuple[int, int]:
    sizes = whole_numbers(shape, 2)
    if sizes is None or sizes[0] * sizes[1] > _MOST_PIXELS:
        found = "no shape" if shape is None else f"shape={shape!r}"
        raise refuse(path, f"a folder, and {found}", "a file, or the rows and columns of the map "
                     "that its files fill, their order and the corner where they start, or names "
                     "with their places (x25_y0)",
                     f"lines for shape, order and start in a {FOLDER_OPTIONS} in the folder; or "
                     "shape=(n_y, n_x), order='rows', start='top left', as measured")  # fmt: skip
    return sizes[0], sizes[1]


def _files(path: Path, pattern: str) -> list[Path]:
    if not isinstance(pattern, str) or "/" in pattern or "\\" in pattern or not pattern:
        raise refuse(path, f"files={pattern!r}", "a pattern of names", "files='*.csv'")
    visible = (p for p in path.glob(pattern) if p.is_file() and not p.name.startswith("."))
    found = [p for p in visible if p.name != FOLDER_OPTIONS]
    if not found:
        raise refuse(path, f"a folder with no file {pattern}", "files of one spectrum each",
                     "files='*.csv'")  # fmt: skip
    _check_numbers(path, found)
    return sorted(found, key=lambda p: (_numbers(p), p.name))


def _check_numbers(path: Path, found: list[Path]) -> None:
    """Refuse names whose numbers leave the order of the files in doubt."""
    seen: dict[tuple[int, ...], str] = {}
    for file in found:
        numbers = tuple(_numbers(file))
        if numbers in seen and numbers:
            raise refuse(path, f"{seen[numbers]} and {file.name}, which have one number",
                         "a number of its own for each file",
                         "files='*.csv' or remove one")  # fmt: skip
        seen[numbers] = file.name
    if () in seen and len(seen) > 1:
        raise refuse(path, f"{seen[()]}, without a number among files that have one",
                     "a number in each name, or a place", "move it out of the folder; or "
                     "files='*.csv', to leave others out")  # fmt: skip


def _numbers(path: Path) -> list[int]:
    return [int(number) for number in re.findall(r"\d+", path.stem)]


def _places(path: Path, found: list[Path], n_pixels: int, missing: Sequence[int]) -> list[int]:
    """The place (from 0) of each file in the order of the grid."""
    try:
        gaps = {int(place) for place in missing}
    except (TypeError, ValueError):
        gaps = {0}
    if not gaps <= set(range(1, n_pixels + 1)):
        raise refuse(path, f"missing={missing!r}", f"places from 1 to {n_pixels}", "missing=[3, 7]")
    if len(found) + len(gaps) == n_pixels:
        return [place - 1 for place in range(1, n_pixels + 1) if place not in gaps]
    last = [_numbers(file)[-1] if _numbers(file) else -1 for file in found]
    counted = len(set(last)) == len(last) and len(found) < n_pixels and not gaps
    for lowest in (0, 1):
        if counted and min(last) == lowest and max(last) == n_pixels - 1 + lowest:
            return [number - lowest for number in last]
    raise refuse(path, f"{len(found)} files and {len(gaps)} missing places for a grid of "
                 f"{n_pixels} pixels", "one file a pixel, or names numbered from 0 or 1 whose gaps "
                 "are the missing ones", "mend shape, or say missing=[...]")  # fmt: skip


def _one(path: Path, array: xr.DataArray, file: Path) -> xr.DataArray:
    if array.dims[0] != "spectrum" or array.sizes["spectrum"] != 1:
        raise refuse(path, f"{file.name} with the shape {array.shape}", "one spectrum a file",
                     "files='*.csv', to leave others out")  # fmt: skip
    return array


def _same(path: Path, first: xr.DataArray, other: xr.DataArray, one: str, two: str) -> None:
    a, b = first[WAVENUMBER].values, other[WAVENUMBER].values
    if not same_axis(a, b):
        raise refuse(path, f"{two} with {b.size} points from {b[0]:g} to {b[-1]:g}, {one} with "
                     f"{a.size} from {a[0]:g} to {a[-1]:g}", "one axis",
                     "export all alike")  # fmt: skip
    if first.name != other.name:
        raise refuse(path, f"{two} in {other.name}, {one} in {first.name}", "one quantity",
                     "export all alike, or quantity='absorbance' (or another) for all")  # fmt: skip
