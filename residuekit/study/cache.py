"""What was computed before and still holds: an entry is named by all that it was made from."""

from __future__ import annotations

import dataclasses
import hashlib
import hmac
import io
import json
import os
import shutil
import uuid
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, get_type_hints

import numpy as np

from ..errors import ReadError
from ..io.opening import content
from .seal import LENGTH, own_key, seal

#: The parts of the library that an entry depends on; the others show or explain results.
_PARTS = ("data", "decision", "io", "kernels", "markers.py", "schema.py", "labels.py", "spectra",
          "study/bad_channels.py", "study/cache.py", "study/grids.py", "study/look.py",
          "study/measure.py", "study/mockups.py", "study/pixel_pairs.py", "study/seal.py",
          "words/differences.py")  # fmt: skip
_DIGEST = "sha256 of the file"


def code_version() -> str:
    """The sha256 of the library's code and data, as far as results depend on it."""
    return _version_of(_PARTS)


def whole_version() -> str:
    """The sha256 of all code and data of the library."""
    return _version_of(("",))


@cache
def _version_of(parts: tuple[str, ...]) -> str:
    root = Path(str(files("residuekit")))
    digest = hashlib.sha256()
    for path in sorted([*root.rglob("*.py"), *root.rglob("*.toml")]):
        place = path.relative_to(root).as_posix()
        if place.startswith(parts):
            digest.update(place.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def key_of(*parts: Any) -> str:
    """The name of an entry made from `parts` (JSON values) by this version of the code."""
    text = json.dumps([code_version(), *parts], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


class Cache:
    """Entries below one folder; an entry is written aside and moved in place, or not at all.

    Each is sealed with the user's key. `foreign` holds the names of those that are not: they were
    made elsewhere, or changed, and count as none.
    """

    def __init__(self, folder: Path):
        self.folder = folder
        self.foreign: set[str] = set()
        self._used: set[str] = set()
        self._key = own_key()
        folder.mkdir(parents=True, exist_ok=True)

    def arrays(self, key: str) -> dict[str, Any] | None:
        """The arrays of an entry, or None."""
        path = self.path(key, ".npz")
        try:
            data = content(path)
        except ReadError:
            return None
        if not hmac.compare_digest(data[:LENGTH], seal(self._key, key, data[LENGTH:])):
            self.foreign.add(key)
            return None
        with np.load(io.BytesIO(data[LENGTH:]), allow_pickle=False) as entry:
            return {name: entry[name] for name in entry.files}

    def keep(self, key: str, arrays: Mapping[str, Any]) -> None:
        """Write the arrays of an entry."""
        path = self.path(key, ".npz")
        part = path.with_name(f".{uuid.uuid4().hex}.part")
        packed = io.BytesIO()
        np.savez(packed, allow_pickle=False, **arrays)
        try:
            part.write_bytes(seal(self._key, key, packed.getvalue()) + packed.getvalue())
            os.replace(part, path)
        finally:
            part.unlink(missing_ok=True)

    def file(self, key: str, place: Path) -> dict[str, Any] | None:
        """Put the file of an entry at `place` and give its arrays, or None: a file that was changed
        since it was kept counts as none."""
        arrays, made = self.arrays(key), self.path(key, ".nc")
        if arrays is None or not made.is_file():
            return None
        if str(arrays.pop(_DIGEST, "")) != _digest(made):
            self.foreign.add(key)
            return None
        _link(made, place)
        return arrays

    def keep_file(self, key: str, made: Path, arrays: Mapping[str, Any]) -> None:
        """Keep a file beside the arrays of an entry."""
        _link(made, self.path(key, ".nc"))
        self.keep(key, {**arrays, _DIGEST: np.array(_digest(made))})

    def path(self, key: str, suffix: str) -> Path:
        """Where a file entry lies, written or not; it counts as used."""
        name = key + suffix
        self._used.add(name)
        return self.folder / name

    def prune(self) -> None:
        """Remove what this run had no use for; only while no other run works with the cache."""
        for entry in self.folder.iterdir():
            if entry.name not in self._used:
                entry.unlink(missing_ok=True)


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _link(made: Path, place: Path) -> None:
    """Put a file in a second place without copying it where the file system can."""
    place.unlink(missing_ok=True)
    try:
        os.link(made, place)
    except OSError:
        shutil.copyfile(made, place)


def pack(name: str, value: Any) -> dict[str, Any]:
    """Flatten a dataclass of numbers, texts and arrays into arrays, one a field."""
    if not dataclasses.is_dataclass(value):
        return {name: np.asarray(value)}
    packed: dict[str, Any] = {}
    for one in dataclasses.fields(value):
        packed |= pack(f"{name}.{one.name}", getattr(value, one.name))
    return packed


def unpack(name: str, kind: type[Any], arrays: Mapping[str, Any]) -> Any:
    """Build the dataclass `kind` again from what `pack` made."""
    if not dataclasses.is_dataclass(kind):
        value = arrays[name]
        return value.item() if value.ndim == 0 else value
    kinds = get_type_hints(kind)
    parts = {
        one.name: unpack(f"{name}.{one.name}", kinds[one.name], arrays)
        for one in dataclasses.fields(kind)
    }
    made: Any = kind
    return made(**parts)
