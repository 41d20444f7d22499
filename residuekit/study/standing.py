"""Does the newest run of a study still hold?"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from .. import io
from ..errors import ResiduekitError
from ..results import StudyResult, open_tables
from .cache import Cache, key_of, whole_version
from .manifest import Manifest
from .provenance import steps_of, versions
from .run_folder import CACHE, newest

#: Where notebooks are executed into: what stands there is the user's.
_FOLDER_OF_NOTEBOOKS = "notebooks"


def state_of(manifest: Manifest, hashes: Mapping[str, str]) -> str:
    """The name of all that a run is made from: inputs, steps with their files, code, versions."""
    steps = [steps_of(one, manifest.folder) for one in manifest.procedures]
    return key_of("run", whole_version(), versions(), sorted(hashes.items()), steps)


def keep_state(
    manifest: Manifest, hashes: Mapping[str, str], cache: Cache, result: StudyResult
) -> None:
    """Keep by what a finished run holds, and what it wrote."""
    names = {name: name for name in _files_in(result.folder)}
    written = json.dumps(_hashes(result.folder, names))
    cache.keep(
        state_of(manifest, hashes),
        {"run": np.array(result.folder.name), "written": np.array(written)},
    )


def standing(manifest: Manifest) -> StudyResult | None:
    """The newest run of a study if all that it was made from is as it was, and the run is too."""
    runs = manifest.folder / "runs"
    name = newest(manifest.folder)
    if not name or (runs / CACHE).is_symlink() or not (runs / CACHE).is_dir():
        return None
    files = {name: name for name in manifest.sources}
    files |= {row.file: row.path for row in manifest.measurements}
    kept = Cache(runs / CACHE).arrays(state_of(manifest, _hashes(manifest.folder, files)))
    if kept is None or str(kept["run"]) != name:
        return None
    written = json.loads(str(kept["written"]))
    if _hashes(runs / name, {file: file for file in written}) != written:
        return None
    return open_tables(runs / name)


def unchanged(result: StudyResult) -> str:
    """That a run holds, in words."""
    began = str(result.provenance["started"]).replace("T", " ").removesuffix("+00:00")
    return f"Nothing changed since {began} UTC; --again makes it anew."


def _hashes(folder: Path, files: Mapping[str, str]) -> dict[str, str]:
    """Name -> SHA-256 of the file it stands for, without those that cannot be read."""
    found = {}
    for name, path in files.items():
        try:
            found[name] = io.sha256(folder / path)
        except (OSError, ResiduekitError):
            continue
    return found


def _files_in(folder: Path) -> list[str]:
    paths = (path.relative_to(folder) for path in sorted(folder.rglob("*")) if path.is_file())
    return [path.as_posix() for path in paths if path.parts[0] != _FOLDER_OF_NOTEBOOKS]
