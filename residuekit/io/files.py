"""What every format shares: faults with their file, checksums, writing aside, the labelled end."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import os
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import ContractError, Fault, ReadError, WriteError


def refuse(path: Path, found: str, needed: str, fix: str, line: int | None = None) -> ReadError:
    """Make the `ReadError` of one fault in a file."""
    return ReadError(Fault(found, needed, fix, str(path), line))


def sha256(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 checksum (FIPS 180-4) of a file as 64 hexadecimal digits.

    Raises
    ------
    ReadError : the file cannot be opened.
    """
    path = Path(path)
    with readable(path), path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def readable(path: Path) -> Iterator[None]:
    """Turn what the operating system says about a file into a `ReadError`."""
    try:
        yield
    except FileNotFoundError as error:
        raise refuse(path, "no such file", "a file that exists", "check the path") from error
    except IsADirectoryError as error:
        raise refuse(path, "a folder", "a file", "name one file in it") from error
    except (OSError, ValueError) as error:
        if isinstance(error, ReadError):
            raise
        raise refuse(path, f"a file that cannot be opened ({error})", "a readable file",
                     "check the path and its permissions") from error  # fmt: skip


def source_of(path: Path, reader: str, **recognised: Any) -> dict[str, Any]:
    """What the array came from: file name, checksum, reader, and what the reader recognised."""
    return {"file": path.name, "sha256": sha256(path), "reader": reader, **recognised}


def float32(values: Any) -> Any:
    """Return the values as float32; a number beyond its range raises OverflowError."""
    if getattr(values, "dtype", None) == np.float32 or hasattr(values, "dask"):
        return values.astype(np.float32)
    values = np.asarray(values, dtype=float)
    with np.errstate(over="ignore"):
        stored = values.astype(np.float32)
    if np.isinf(stored).any():
        raise OverflowError("a number that is infinite or above 3.4e38")
    return stored


def labelled(
    path: Path, make: Callable[..., xr.DataArray], values: Any, *axes: Any, **options: Any
) -> xr.DataArray:
    """Make the labelled array of a file, or say what in the file breaks the contract."""
    try:
        return make(float32(values), *axes, **options)
    except ContractError as error:
        raise ReadError([dataclasses.replace(f, file=str(path)) for f in error.faults]) from error
    except OverflowError as error:
        raise refuse(path, str(error), "finite numbers (float32)",
                     "leave the cell empty where a value is missing") from error  # fmt: skip


def with_position_unit(array: xr.DataArray, unit: str) -> xr.DataArray:
    """Return a map whose x and y carry this unit."""
    return array.assign_coords(
        {name: (name, array[name].values, {"units": unit}) for name in ("y", "x")}
    )


def with_state(path: Path, array: xr.DataArray, state: Mapping[str, Any]) -> xr.DataArray:
    """Return the array with the flags a file states (`valid` and `flag`, one number a pixel)."""
    shape = array["flag"].shape
    dims = array["flag"].dims
    for name, dtype in (("valid", np.bool_), ("flag", np.uint16)):
        if name not in state:
            continue
        try:
            values = np.asarray(state[name], dtype=dtype).reshape(shape)
        except (ValueError, TypeError, OverflowError) as error:
            raise refuse(path, f"a {name} list that does not fit {shape} pixels",
                         "one number a pixel", "write the file again") from error  # fmt: skip
        array = array.assign_coords({name: (dims, values, array[name].attrs)})
    return array


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
        part.unlink(missing_ok=True)


def json_of(text: str) -> Any:
    """Return the value of JSON text, or None where it is none (`null` never stands in a file)."""
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def decoded(path: Path, data: bytes) -> tuple[str, str]:
    """Return the text of a file and its encoding: UTF-8, UTF-16 by its mark, else Latin-1.

    Raises
    ------
    ReadError : an empty file, NUL bytes, half a UTF-16 character.
    """
    if not data.strip(b" \t\r\n\x1a\x00"):
        raise refuse(path, "an empty file", "a file that holds spectra", "export it again")
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16"
    elif data.startswith(b"\xef\xbb\xbf"):
        encoding = "utf-8-sig"
    else:
        encoding = "utf-8"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        if encoding == "utf-16":
            raise refuse(path, "text cut inside a UTF-16 character", "whole UTF-16 text",
                         "export it again") from error  # fmt: skip
        text, encoding = data.decode("latin-1"), "latin-1"
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise refuse(path, "a NUL byte", "plain text", "export it again as text", line)
    return text, encoding
