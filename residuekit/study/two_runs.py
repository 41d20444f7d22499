"""Any two runs compared: what differs between them, and which difference made which verdict change.

A difference is taken back where no file has to be measured again for it.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import fields, replace
from functools import partial, reduce
from pathlib import Path
from typing import Any

from .. import io
from ..errors import ResiduekitError
from ..markers import Marker
from ..results import StudyResult, open_run
from ..words.changes import (
    ALL_TOGETHER,
    changed_rows,
    comparison_text,
    new_files,
    not_taken_back,
    residue_difference,
    setting_differences,
    taken_back,
    version_differences,
)
from .cache import Cache
from .changes import arm_key, changed_arms, changed_files, changed_settings
from .manifest import Manifest, load_manifest
from .measurements import Measurement, as_rows
from .provenance import as_json, no_longer_as
from .reading import Reading
from .residues import Residue
from .run_folder import CACHE, new_run
from .tables import Found, judge_arms

#: What the settings are in a manifest, where a verdict can be made again without measuring.
_JUDGING = {
    "study.acceptance_limit_ug_cm2": "acceptance_limit",
    "study.alpha": "alpha",
    "study.beta": "beta",
    "study.scores": "scores",
    "study.scale_margin": "scale_margin",
}
_MEASURED = ("procedure", "study.quality", "bad_channels")
Rows = list[dict[Any, Any]]
Change = Callable[[Manifest], Manifest]


def compare_runs(first: str | Path, second: str | Path) -> str:
    """Say in Markdown what differs between two runs, and why a verdict does.

    Parameters
    ----------
    first, second : folders of runs, or studies (their newest run). Where the study of the second
        still is as it was, it is judged again with one difference after the other taken back, and
        with all of them where none alone gives the first verdict.

    Raises
    ------
    ReadError : one of them is no complete run.
    """
    before, after = open_run(first), open_run(second)
    old, new = before.provenance, after.provenance
    files = changed_files(old["inputs"], new["inputs"])
    settings = setting_differences(old, new)
    versions = version_differences(old, new)
    arms = list(changed_arms(before, after, files, changed_settings(old, new)))
    wanted = {arm_key(arm["was"]): arm["was"]["verdict"] for arm in arms if arm["was"]
              and arm["now"] and arm["was"]["verdict"] != arm["now"]["verdict"]}  # fmt: skip
    tried: list[str] = []
    manifest = _as_it_was(after) if wanted else None
    if manifest is not None:
        with io.inside(manifest.folder):
            tried = list(_tried(manifest, old, files, settings, wanted))
        if versions:
            tried.append(not_taken_back("versions", "the others would have to be installed"))
    return comparison_text(
        (_name(before), _name(after)), files, settings, versions, arms, tried,
        gone_on=bool(wanted) and manifest is None,
    )  # fmt: skip


def _name(run: StudyResult) -> str:
    record = run.provenance
    return f"`{run.folder.as_posix()}` ({record['study']['title']}, begun {record['started']})"


def _as_it_was(run: StudyResult) -> Manifest | None:
    """The study of a run, as long as it is as it was when the run was made."""
    study = run.folder.resolve().parent.parent
    with io.inside(study):
        try:
            manifest = load_manifest(study)
        except ResiduekitError:
            return None
        moved_on = next(no_longer_as(run.provenance, manifest), None) is not None
    return None if moved_on else manifest


def _tried(
    manifest: Manifest,
    record: Mapping[str, Any],
    files: Mapping[str, str],
    settings: Mapping[str, str],
    wanted: Mapping[Any, str],
) -> Iterator[str]:
    changes = list(_one_by_one(manifest, record, files, settings))
    open_still = set(wanted)
    for what, change in changes:
        try:
            rows = _judged(change(manifest), wanted)
        except ResiduekitError as problem:
            yield not_taken_back(what, str(problem.faults[0]))
            continue
        same = [row for row in rows if row["verdict"] == wanted[arm_key(row)]]
        open_still -= set(map(arm_key, same))
        yield taken_back(what, same, [row for row in rows if row not in same])
    if open_still and len(changes) > 1:
        together = reduce(lambda made, one: one[1](made), changes, manifest)
        rows = [row for row in _judged(together, wanted) if arm_key(row) in open_still]
        same = [row for row in rows if row["verdict"] == wanted[arm_key(row)]]
        yield taken_back(ALL_TOGETHER, same, [row for row in rows if row not in same])
    for key, words in settings.items():
        if key in _MEASURED:
            yield not_taken_back(words, "every file would be measured again")
    gone = [file for file, how in files.items() if how == "changed content"
            and file not in manifest.sources]  # fmt: skip
    if gone:
        yield not_taken_back(", ".join(gone), "what it held before is no longer there")


def _judged(manifest: Manifest, wanted: Mapping[Any, str]) -> Rows:
    return [row for row in judged_again(manifest) if arm_key(row) in wanted]


def _one_by_one(
    manifest: Manifest,
    record: Mapping[str, Any],
    files: Mapping[str, str],
    settings: Mapping[str, str],
) -> Iterator[tuple[str, Change]]:
    """Each difference that can be taken back, and the change of the study that does it."""
    study = record["study"]
    for key, name in _JUDGING.items():
        if key in settings and not (manifest.residues and name == "acceptance_limit"):
            value = study[key.partition(".")[2]]
            one: dict[str, Any] = {name: tuple(value) if isinstance(value, list) else value}
            yield settings[key], lambda made, one=one: replace(made, **one)  # type: ignore[misc]
    markers = {marker["name"]: _built(Marker, marker) for marker in record["markers"]}
    if "markers" in settings:
        yield settings["markers"], lambda made: replace(made, markers=tuple(markers.values()))
    asked = {one["material"]: one for one in study.get("residues", ())}
    for residue in manifest.residues:
        was, now = asked.get(residue.material), residue.record()
        if was is not None and was != now:
            yield residue_difference(was, now), partial(_with_residue, was=was, markers=markers)
    rows = _rows_before(manifest, record, files)
    if rows:
        yield changed_rows(len(rows), manifest.table), partial(_with_rows, rows=rows)
    new = {row.file for row in manifest.measurements if files.get(row.file) == "new"}
    if new:
        yield new_files(len(new)), partial(_without, files=new)


def _with_residue(
    manifest: Manifest, was: Mapping[str, Any], markers: Mapping[str, Marker]
) -> Manifest:
    """The study with one residue as an earlier record asks for it."""
    changed = Residue(
        was["material"], tuple(was["left_by"]), was["acceptance_limit_ug_cm2"],
        was["acceptance_reason"], tuple(markers[name] for name in was["markers"]),
        density=was["density_g_cm3"],
    )  # fmt: skip
    residues = (changed if one.material == changed.material else one for one in manifest.residues)
    return replace(manifest, residues=tuple(residues))


def _rows_before(
    manifest: Manifest, record: Mapping[str, Any], files: Mapping[str, str]
) -> dict[str, Measurement]:
    """The rows of an earlier record that the table has otherwise or no longer, by their files; only
    those whose file is still there."""
    now = {row.file: _cells(row) for row in manifest.measurements}
    rows = [_built(Measurement, entry, "further") for entry in record["measurements"]]
    return {
        row.file: row
        for row in rows
        if now.get(row.file) != _cells(row)
        and files.get(row.file) != "changed content"
        and (manifest.folder / row.path).exists()
    }


def _cells(row: Measurement) -> dict[str, Any]:
    plain = as_json({**as_rows([row])[0], "line": 0})
    return dict(json.loads(json.dumps(plain, default=str)))


def _with_rows(manifest: Manifest, rows: Mapping[str, Measurement]) -> Manifest:
    """The study with these rows instead of those of the same files, or beside the others."""
    kept = [row for row in manifest.measurements if row.file not in rows]
    return replace(manifest, measurements=(*kept, *rows.values()))


def _without(manifest: Manifest, files: Collection[str]) -> Manifest:
    kept = (row for row in manifest.measurements if row.file not in files)
    return replace(manifest, measurements=tuple(kept))


def _built(kind: type[Any], entry: Mapping[str, Any], others: str = "") -> Any:
    """A dataclass from its record, an empty number as NaN; what it does not know, in `others`."""
    known = {one.name: one.type for one in fields(kind)}
    given = {name: math.nan if value is None and known[name] == "float" else value
             for name, value in entry.items() if name in known}  # fmt: skip
    if others:
        given[others] = {name: value for name, value in entry.items() if name not in known}
    return kind(**given)


def judged_again(manifest: Manifest) -> Rows:
    """The rows of the verdicts of a study, from what its runs have kept; no run is written."""
    with new_run(manifest.folder) as part:
        work = Reading(manifest, part, Cache(manifest.folder / "runs" / CACHE))
        work.find_bad_channels()
        work.read_controls()
        controls = work.study_controls()
        work.reduce_exposed()
        found = Found(work.exposed, work.failures, work.unfit, {})
        return [judged.row for judged in judge_arms(controls, found)]
