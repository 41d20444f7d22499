"""What changed since the last run: inputs, settings, verdicts, and which caused which."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ..results import StudyResult
from ..schema import ARM_COLUMNS, JUDGED_COLUMNS, STRATUM_COLUMNS
from ..words.changes import (
    FIRST_RUN,
    SETTINGS,
    changed_numbers,
    changes_text,
    same_text,
    setting_differences,
)

Row = Mapping[Any, Any]


def what_changed(before: StudyResult | None, after: StudyResult) -> str:
    """Say in Markdown what changed between two runs of a study, and why a verdict did."""
    if before is None:
        return FIRST_RUN
    old, new = before.provenance, after.provenance
    files, settings = changed_files(old["inputs"], new["inputs"]), changed_settings(old, new)
    return changes_text(
        old["started"],
        files,
        settings,
        details=list(setting_differences(old, new).values()),
        all_kept=new.get("computed") == [],
        arms=list(changed_arms(before, after, files, settings)),
    )


def changed_settings(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """The entries of `SETTINGS` in which two records differ."""
    return [name for name in SETTINGS if old.get(name) != new.get(name)]


def changed_files(old: Mapping[str, str], new: Mapping[str, str]) -> dict[str, str]:
    """File -> how it changed."""
    return {
        file: "new" if file not in old else "gone" if file not in new else "changed content"
        for file in sorted({*old, *new})
        if old.get(file) != new.get(file)
    }


def changed_arms(
    before: StudyResult, after: StudyResult, files: Mapping[str, str], settings: list[str]
) -> Iterator[dict[str, Any]]:
    """The arms whose verdict or numbers changed, with what caused it."""
    old, new = ({arm_key(row): row for row in run.verdicts.to_dict("records")}
                for run in (before, after))  # fmt: skip
    causes = [name for name in settings if name != "second_procedure"]
    for key in dict.fromkeys([*old, *new]):
        was, now = old.get(key), new.get(key)
        change: dict[str, Any] = {"was": was, "now": now}
        if was is not None and now is not None:
            if was["verdict"] == now["verdict"] and not any(changed_numbers(was, now)):
                continue
            change |= {**_changed_inputs(now, after, files), "settings": causes}
        yield change


def arm_key(row: Row, names: Sequence[str] = JUDGED_COLUMNS) -> tuple[str, ...]:
    return tuple(same_text(row[name]) for name in names)


def _changed_inputs(row: Row, after: StudyResult, files: Mapping[str, str]) -> dict[str, Any]:
    """How many changed files are of the arm and of its controls; the changed tables by name."""
    listed = {entry["file"]: entry for entry in after.provenance["measurements"]}
    counts, texts = {"own": 0, "controls": 0}, []
    for file in files:
        entry = listed.get(file)
        if entry is None and file in after.provenance["inputs"]:
            texts.append(file)
        elif entry is None or entry["role"] == "reference":
            counts["controls"] += 1
        elif entry["role"] == "exposed":
            counts["own"] += arm_key(entry, ARM_COLUMNS) == arm_key(row, ARM_COLUMNS)
        elif all(str(entry[name]) == str(row[name]) for name in STRATUM_COLUMNS[:2]):
            counts["controls"] += 1
    return {"files": counts, "texts": texts}
