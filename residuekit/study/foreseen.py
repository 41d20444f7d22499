"""What a run would compute and why, and in about how long; nothing is written."""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence

from ..errors import ResiduekitError
from ..results import StudyResult
from ..words.common import counted
from .cache import code_version
from .kept import kept_reading
from .manifest import Manifest
from .measurements import Measurement
from .provenance import steps_of
from .reading import Reading
from .run_folder import last_run
from .standing import standing, unchanged
from .work import perform

_MOST_NAMED = 5


def foreseen(manifest: Manifest, workers: int = 1, *, again: bool = False) -> str:
    """Say what a run would compute and why, with an estimate of the time; nothing is written."""
    before = None if again else standing(manifest)
    if before is not None:
        return f"{unchanged(before)}\nA run would compute nothing."
    before = last_run(manifest.folder)
    with kept_reading(manifest) as work:
        why = _reasons(manifest, work, before)
        seconds = _seconds(work, [row for rows in why.values() for row in rows])
    return "\n".join(_words(manifest, why, seconds / workers, before))


def _reasons(
    manifest: Manifest, work: Reading, before: StudyResult | None
) -> dict[str, list[Measurement]]:
    """Why -> the rows whose files would be read and scored."""
    record = {} if before is None else before.provenance
    inputs = record.get("inputs", {})
    steps = steps_of(manifest.procedure, manifest.folder)
    why: dict[str, list[Measurement]] = defaultdict(list)
    for row in manifest.measurements:
        if work.known(row):
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
