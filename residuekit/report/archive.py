"""An archive of pieces: the same pieces give the same bytes, whenever it is written."""

from __future__ import annotations

import hashlib
import io
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from io import BufferedIOBase
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from ..io.atomic_write import aside
from ..io.opening import opened

SUMS = "SHA256SUMS"
_MODE = 0o644 << 16


@dataclass(frozen=True)
class Piece:
    """A file of an archive: its path there, and where its content is from."""

    path: str
    source: Path | bytes

    def open(self) -> BufferedIOBase:
        return io.BytesIO(self.source) if isinstance(self.source, bytes) else opened(self.source)

    def read(self) -> bytes:
        with self.open() as file:
            return file.read()

    @cached_property
    def sha256(self) -> str:
        with self.open() as file:
            return hashlib.file_digest(file, "sha256").hexdigest()

    @cached_property
    def size(self) -> int:
        if isinstance(self.source, bytes):
            return len(self.source)
        return self.source.stat().st_size


def write_archive(pieces: Iterable[Piece], out: Path) -> None:
    """Write a ZIP archive with the checksum of each piece in SHA256SUMS; whole or not at all."""
    listed = sorted(pieces, key=lambda piece: piece.path)
    sums = "".join(f"{piece.sha256}  {piece.path}\n" for piece in listed)
    with aside(out) as part, ZipFile(part, "w") as archive:
        for piece in (*listed, Piece(SUMS, sums.encode())):
            entry = ZipInfo(piece.path)
            entry.compress_type, entry.external_attr = ZIP_DEFLATED, _MODE
            entry.file_size = piece.size
            with piece.open() as source, archive.open(entry, "w") as target:
                shutil.copyfileobj(source, target)
