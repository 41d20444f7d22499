"""What an HDF5 file may not do: point at other files, or declare far more than it holds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from .opening import damaged, fits_in, refuse

_MOST_OBJECTS = 10_000


def guard(path: Path, *, lazy: bool = False) -> None:
    """Refuse a file with links or storage in other files, or with more numbers than it can hold.

    Raises
    ------
    ReadError : any of these, or a file that h5py cannot walk through.
    """
    import h5py

    faults: list[str] = []
    seen: list[tuple[str, int]] = []

    def look(name: str, link: Any) -> bool | None:
        seen.append((name, 0))
        if isinstance(link, h5py.ExternalLink):
            faults.append(f"{name}, a link to the file {link.filename}")
        return True if faults or len(seen) > _MOST_OBJECTS else None

    def measure(name: str, found: Any) -> None:
        if isinstance(found, h5py.Dataset):
            if found.external or found.is_virtual:
                faults.append(f"{name}, numbers kept in another file")
            seen.append((name, found.size * found.dtype.itemsize if found.shape else 0))

    try:
        with h5py.File(path, "r") as file:
            file.visititems_links(look)
            if not faults and len(seen) <= _MOST_OBJECTS:
                file.visititems(measure)
    except Exception as error:  # the library raises anything on damaged bytes
        raise damaged(path, error) from error
    if faults or len(seen) > 2 * _MOST_OBJECTS:
        raise refuse(path, faults[0] if faults else f"more than {_MOST_OBJECTS} objects",
                     "all of it in this one file", "export it as one whole file")  # fmt: skip
    if not lazy:
        fits_in(path, sum(size for _, size in seen))
