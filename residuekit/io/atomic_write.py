"""Writing beside a file and moving it in place at the end: nothing half-written stands there."""

from __future__ import annotations

import os
import shutil
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from ..errors import Fault, WriteError
from .opening import is_zarr


def new_folder(parent: Path, prefix: str) -> Path:
    """Make a folder of a name of its own, with the permissions that the user's umask leaves."""
    made = parent / f"{prefix}{uuid.uuid4().hex[:12]}"
    made.mkdir()
    return made


@contextmanager
def aside(path: Path) -> Iterator[Path]:
    """Give a temporary path in the same folder; move it in place at the end, or remove it.

    Raises
    ------
    WriteError : the folder is absent or closed, or what is written does not fit the format.
    """
    part = path.with_name(f".{path.stem}.{uuid.uuid4().hex[:8]}.part{path.suffix}")
    try:
        yield part
        if part.is_dir() and is_zarr(path):
            old = part.with_name(part.name + ".old")
            os.replace(path, old)
            os.replace(part, path)
            shutil.rmtree(old)
        else:
            os.replace(part, path)
    except (OSError, OverflowError, TypeError, ValueError) as error:
        if isinstance(error, WriteError):
            raise
        raise WriteError(
            Fault(f"an array or a place that cannot be written ({error})",
                  "an existing, writable folder and attributes of text or numbers",
                  "check the path and array.attrs", str(path))
        ) from error  # fmt: skip
    finally:
        if part.is_dir():
            shutil.rmtree(part)
        else:
            part.unlink(missing_ok=True)
