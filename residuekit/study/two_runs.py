"""Any two runs compared: what differs between them, and which difference made which verdict change.

A difference is taken back where no file has to be measured again for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from .. import io
from ..errors import ResiduekitError
from ..markers import Marker
from ..results import StudyResult, open_run
from ..words.changes import (
    comparison_text,
    new_files,
    not_taken_back,
    setting_differences,
    taken_back,
    version_differences,
)
from .cache import Cache
from .changes import arm_key, changed_arms, changed_files, changed_settings
from .manifest import Manifest, load_manifest
from .provenance import no_longer_as
from .reading import Reading
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


def compare_runs(first: str | Path, second: str | Path) -> str:
    """Say in Markdown what differs between two runs, and why a verdict does.

    Parameters
    ----------
    first, second : folders of runs, or studies (their newest run). Where the study of the second
        still is as it was, it is judged again with one difference after the other taken back.

    Raises
    ------
    ReadError : one of them is no complete run.
    """
    before, after = open_run(first), open_run(second)
    old, new = before.provenance, after.provenance
    files = changed_files(old["inputs"], new["inputs"])
    settings = setting_differences(old, new)
    arms = list(changed_arms(before, after, files, changed_settings(old, new)))
    moved = [arm for arm in arms if arm["was"] and arm["now"]
             and arm["was"]["verdict"] != arm["now"]["verdict"]]  # fmt: skip
    tried = list(_tried(before, after, files, settings, moved)) if moved else []
    return comparison_text(
        (_name(before), _name(after)), files, settings, version_differences(old, new), arms, tried
    )


def _name(run: StudyResult) -> str:
    return f"the run of {run.provenance['started']} ({run.provenance['study']['title']})"


def _tried(
    before: StudyResult,
    after: StudyResult,
    files: Mapping[str, str],
    settings: Mapping[str, str],
    moved: list[dict[str, Any]],
) -> Iterator[str]:
    study = after.folder.resolve().parent.parent
    with io.inside(study):
        try:
            manifest = load_manifest(study)
        except ResiduekitError:
            return
        if next(no_longer_as(after.provenance, manifest), None) is not None:
            return
        wanted = {arm_key(arm["was"]): arm["was"]["verdict"] for arm in moved}
        for what, changed in _one_by_one(manifest, before.provenance, files, settings):
            try:
                rows = [row for row in judged_again(changed) if arm_key(row) in wanted]
            except ResiduekitError as problem:
                yield not_taken_back(what, str(problem.faults[0]))
                continue
            same = [row for row in rows if row["verdict"] == wanted[arm_key(row)]]
            yield taken_back(what, same, [row for row in rows if row not in same])
    for key, words in settings.items():
        if key in _MEASURED:
            yield not_taken_back(words, "every file would be measured again")
    gone = [file for file, how in files.items() if how != "new" and file not in manifest.sources]
    if gone:
        yield not_taken_back(", ".join(gone), "what it held before is no longer there")


def _one_by_one(
    manifest: Manifest,
    record: Mapping[str, Any],
    files: Mapping[str, str],
    settings: Mapping[str, str],
) -> Iterator[tuple[str, Manifest]]:
    """The study with one difference after the other as it was in an earlier record."""
    for key, name in _JUDGING.items():
        if key in settings:
            value = record["study"][key.partition(".")[2]]
            one: dict[str, Any] = {name: tuple(value) if isinstance(value, list) else value}
            yield settings[key], replace(manifest, **one)
    if "markers" in settings:
        known = {one.name for one in fields(Marker)}
        markers = (
            Marker(**{name: value for name, value in marker.items() if name in known})
            for marker in record["markers"]
        )
        yield settings["markers"], replace(manifest, markers=tuple(markers))
    kept = tuple(row for row in manifest.measurements if files.get(row.file) != "new")
    count = len(manifest.measurements) - len(kept)
    if count:
        yield new_files(count), replace(manifest, measurements=kept)


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
