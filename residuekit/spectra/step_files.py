"""The files that steps read: which they are, and whether they still are what they were."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from .. import io
from ..errors import Fault, ProcedureError
from ..io.checksum import Mark, mark_of

__all__ = ["Stamp", "pinned", "stamps", "step_files", "unpinned"]

#: A file, and what changes when it does.
Stamp = tuple[str, Mark]


def step_files(parameters: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return the files that a step with these parameters reads, each after its parameter.

    >>> step_files({"blanks": ["a.nc", "b.nc"], "kept": ["gel.nc"], "order": 2})
    [('blanks', 'a.nc'), ('blanks', 'b.nc'), ('kept', 'gel.nc')]
    """
    single = [("file", parameters["file"])] if "file" in parameters else []
    return single + [(key, one) for key in ("blanks", "kept") for one in parameters.get(key, [])]


def pinned(parameters: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Return the parameters with the files' places below a folder and the sha256 they have now.

    A sha256 that is given stays, so that another file is refused.
    """
    new = dict(parameters)
    files = [str(folder / file) for _, file in step_files(parameters)]
    if "file" in parameters:
        new["file"] = files[0]
        new["sha256"] = parameters["sha256"] or io.sha256(files[0])
    if "blanks" in parameters:
        new["blanks"] = files[: len(parameters["blanks"])]
        new["kept"] = files[len(parameters["blanks"]) :]
        new["digests"] = parameters["digests"] or [io.sha256(file) for file in files]
    return new


def unpinned(parameters: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Return the parameters with the files' places as seen from a folder; `pinned` undoes it.

    >>> unpinned({"file": "/s/data/vapour.nc"}, Path("/s"))
    {'file': 'data/vapour.nc'}
    """

    def seen(file: str) -> str:
        inside = Path(file).is_relative_to(folder)
        return Path(file).relative_to(folder).as_posix() if inside else file

    new = dict(parameters)
    if "file" in parameters:
        new["file"] = seen(parameters["file"])
    return new | {
        key: list(map(seen, parameters[key])) for key in ("blanks", "kept") if key in parameters
    }


def stamps(files: Sequence[str], digests: Sequence[str]) -> tuple[list[str], tuple[Stamp, ...]]:
    """Return the sha256 of the files, and their stamps, by which what is read may be kept.

    Raises `ProcedureError` for files that are not there, or have another sha256 than `digests`,
    one a file, says; no digests, no check.
    """
    faults = [
        Fault(f"no file {file!r}", "a file of spectra", "its path, from here or from /", file)
        for file in files
        if not Path(file).is_file()
    ]  # fmt: skip
    if digests and len(digests) != len(files):
        faults.append(
            Fault(f"{len(digests)} digests of {len(files)} files", "one a file, or none",
                  "digests = []")
        )  # fmt: skip
    if faults:
        raise ProcedureError(faults)
    marks = tuple((file, mark_of(Path(file))) for file in files)
    found = [io.sha256(file) for file in files]
    others = [
        Fault(f"the file {file!r} with another sha256 than {wanted[:12]}...",
              "the file the procedure was written for", f'"{now}" as its sha256', file)
        for file, wanted, now in zip(files, digests, found, strict=False)
        if wanted != now
    ]  # fmt: skip
    if others:
        raise ProcedureError(others)
    return found, marks
