"""Does the newest run still hold? And if not: what would be computed, why, in about how long."""

from __future__ import annotations

import json
import time
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from .. import io
from ..errors import ResiduekitError
from ..results import StudyResult
from ..words.common import counted
from .bad_channels import BadChannel
from .cache import Cache, code_version, key_of, whole_version
from .manifest import Manifest
from .measurements import Measurement
from .provenance import steps_of, versions
from .reading import Reading
from .run_folder import CACHE, last_run
from .work import perform

_MOST_NAMED = 5
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
    before = last_run(manifest.folder)
    if before is None or (runs / CACHE).is_symlink() or not (runs / CACHE).is_dir():
        return None
    files = {name: name for name in manifest.sources}
    files |= {row.file: row.path for row in manifest.measurements}
    kept = Cache(runs / CACHE).arrays(state_of(manifest, _hashes(manifest.folder, files)))
    if kept is None or str(kept["run"]) != before.folder.name:
        return None
    written = json.loads(str(kept["written"]))
    names = {name: name for name in written}
    return before if _hashes(before.folder, names) == written else None


def foreseen(manifest: Manifest, workers: int = 1, *, again: bool = False) -> str:
    """Say what a run would compute and why, with an estimate of the time; nothing is written.

    Channels that are the instrument's are taken as the last run found them.
    """
    before = None if again else standing(manifest)
    if before is not None:
        return f"{unchanged(before)}\nA run would compute nothing."
    before = last_run(manifest.folder)
    kept = manifest.folder / "runs" / CACHE
    with TemporaryDirectory() as aside:
        part = Path(aside)
        work = Reading(manifest, part, Cache(kept if kept.is_dir() else part / CACHE))
        if before is not None:
            listed = before.provenance.get("bad_channels", ())
            work.channels = tuple(BadChannel(**one) for one in listed)
        why = _reasons(manifest, work, before)
        seconds = _seconds(work, [row for rows in why.values() for row in rows])
    return "\n".join(_words(manifest, why, seconds / workers, before))


def unchanged(result: StudyResult) -> str:
    """That a run holds, in words."""
    began = str(result.provenance["started"]).replace("T", " ").removesuffix("+00:00")
    return f"Nothing changed since {began} UTC; --again makes it anew."


def _reasons(
    manifest: Manifest, work: Reading, before: StudyResult | None
) -> dict[str, list[Measurement]]:
    """Why -> the rows whose files would be read and scored."""
    record = {} if before is None else before.provenance
    inputs = record.get("inputs", {})
    steps = steps_of(manifest.procedure, manifest.folder)
    why: dict[str, list[Measurement]] = defaultdict(list)
    for row in manifest.measurements:
        if work.holds(row):
            continue
        if row.file not in inputs:
            why["new"].append(row)
        elif work.hashes.get(row.file) != inputs[row.file]:
            why["changed"].append(row)
        elif record["code"] != code_version():
            why["computed by another version of residuekit"].append(row)
        elif record["procedure"] != steps:
            why["under another procedure than before"].append(row)
        else:
            why["under other settings than before, or not kept"].append(row)
    found = [row for rows in why.values() for row in rows]
    asked = [row for row in found if row.role != "exposed"]
    everywhere = any(row.role == "reference" for row in asked)
    strata = {row.stratum[:2] for row in asked}
    beside = [
        row for row in manifest.measurements
        if row not in found and row.role != "reference"
        and (everywhere or row.stratum[:2] in strata)
    ]  # fmt: skip
    if beside:
        why["scored again, since controls of the same paint are"] = beside
    return dict(why)


def _seconds(work: Reading, rows: Sequence[Measurement]) -> float:
    """How long the files take, by one of them that is tried."""
    for row in rows:
        try:
            task = work.task(row)
        except (OSError, ResiduekitError):
            continue
        perform(task)  # what is loaded and compiled at the first file is no part of it
        started = time.perf_counter()
        perform(task)
        return (time.perf_counter() - started) * len(rows)
    return 0.0


def _words(
    manifest: Manifest,
    why: Mapping[str, Sequence[Measurement]],
    seconds: float,
    before: StudyResult | None,
) -> Iterable[str]:
    n = sum(map(len, why.values()))
    yield f"Nothing was computed. A run would read {n} of {len(manifest.measurements)} files:"
    if not why:
        yield "  none: what they gave is kept; settings, code or the last run may have changed"
    for reason, rows in why.items():
        names = [row.file for row in rows[:_MOST_NAMED]]
        more = f", and {len(rows) - len(names)} more" if len(rows) > len(names) else ""
        yield f"  {counted(len(rows), 'file')} {reason}: {', '.join(names)}{more}"
    yield "then make limits, verdicts, figure and report."
    rest = None if before is None else before.provenance.get("seconds", {}).get("rest")
    if rest is None:
        yield f"About {seconds:.0f} s for the files, by one that was tried; the rest is not known."
    else:
        yield (f"About {seconds + rest:.0f} s: {seconds:.0f} for the files, by one that was tried, "
               f"and {rest:.0f} for the rest, as in the last run.")  # fmt: skip


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
