"""What changed since the last run: inputs, settings, verdicts, and which caused which."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from ..reprs import to_error
from ..results import StudyResult, arm_words
from ..schema import ARM_COLUMNS, STRATUM_COLUMNS

_SETTINGS = {
    "procedure": "the procedure",
    "second_procedure": "the second procedure",
    "markers": "the markers",
    "study": "the question, the limits or the figure",
    "residuekit": "the version of residuekit",
    "code": "the code of residuekit",
}


def what_changed(before: StudyResult | None, after: StudyResult) -> str:
    """Say in Markdown what changed between two runs of a study, and why a verdict did."""
    if before is None:
        return "# What changed\n\nThis is the first run.\n"
    lines = [
        "# What changed",
        "",
        f"Since the run of {before.provenance['started']}:",
        "",
    ]
    inputs = list(_inputs(before.provenance, after.provenance))
    settings = [
        words
        for key, words in _SETTINGS.items()
        if before.provenance.get(key) != after.provenance.get(key)
    ]
    lines += [f"- {words}: `{file}`" for words, file in inputs]
    lines += [f"- changed: {words}" for words in settings]
    if not inputs and not settings:
        lines.append("- nothing went in that was not there before")
    if after.provenance.get("computed") == []:
        lines.append("- no file was measured again: all that was kept of them still holds")
    lines += ["", "## Verdicts", ""]
    causes = [words for words in settings if words != _SETTINGS["second_procedure"]]
    changed = list(_verdicts(before, after, {f: w for w, f in inputs}, causes))
    return "\n".join([*lines, *(changed or ["No verdict and no arm changed."])]) + "\n"


def _inputs(before: Mapping[str, Any], after: Mapping[str, Any]) -> Iterator[tuple[str, str]]:
    old, new = before["inputs"], after["inputs"]
    for file in sorted({*old, *new}):
        if file not in old:
            yield "new", file
        elif file not in new:
            yield "gone", file
        elif old[file] != new[file]:
            yield "changed content", file


def _verdicts(
    before: StudyResult, after: StudyResult, files: Mapping[str, str], settings: list[str]
) -> Iterator[str]:
    old, new = ({_key(row): row for row in run.verdicts.to_dict("records")}
                for run in (before, after))  # fmt: skip
    for key in dict.fromkeys([*old, *new]):
        was, now = old.get(key), new.get(key)
        if was is None and now is not None:
            yield f"- {arm_words(now)}: a new arm, {now['verdict']}"
        elif now is None and was is not None:
            yield f"- {arm_words(was)}: no longer there (was {was['verdict']})"
        elif was is not None and now is not None:
            moved, numbers = was["verdict"] != now["verdict"], ", ".join(_numbers(was, now))
            if moved or numbers:
                verdict = f"{was['verdict']} -> {now['verdict']}" if moved else "same verdict"
                yield (
                    f"- {arm_words(now)}: {verdict}{f' ({numbers})' if numbers else ''}; "
                    f"{_cause(now, after, files, settings)}"
                )


def _numbers(was: Mapping[Any, Any], now: Mapping[Any, Any]) -> Iterator[str]:
    """Counts that changed; limits and bounds that did by more than their error's second digit."""
    for name, words in (("n_mockups", "mock-ups"), ("n_blank_mockups", "blanks"),
                        ("n_maps", "maps")):  # fmt: skip
        if _text(was[name]) != _text(now[name]):
            yield f"{words} {was[name]:g} -> {now[name]:g}"
    same = was["unit"] == now["unit"]
    error = max(was["standard_error"], now["standard_error"]) if same else math.nan
    for name, words in (("estimate", "mean"), ("detection_limit", "detection limit"),
                        ("upper_bound", "upper bound")):  # fmt: skip
        old, new = (to_error(row[name], error) or "none" for row in (was, now))
        if old != new or not same:
            yield f"{words} {old}{'' if same else ' ' + was['unit']} -> {new} {now['unit']}"


def _key(row: Mapping[Any, Any]) -> tuple[str, ...]:
    return tuple(_text(row[name]) for name in ARM_COLUMNS)


def _text(cell: Any) -> str:
    """A cell of a table or of the record: the same text for the same number."""
    return f"{cell:.12g}" if isinstance(cell, int | float) else str(cell)


def _cause(
    row: Mapping[Any, Any], after: StudyResult, files: Mapping[str, str], settings: list[str]
) -> str:
    """The changed inputs of the arm and of its controls, and the changed settings."""
    listed = {entry["file"]: entry for entry in after.provenance["measurements"]}
    own, controls, texts = [], [], []
    for file in files:
        entry = listed.get(file)
        if entry is None and file in after.provenance["inputs"]:
            texts.append(file)
        elif entry is None or entry["role"] == "reference":
            controls.append(file)
        elif entry["role"] == "exposed":
            if _key(entry) == _key(row):
                own.append(file)
        elif all(str(entry[name]) == str(row[name]) for name in STRATUM_COLUMNS[:2]):
            controls.append(file)
    causes = [
        f"{len(found)} {words}"
        for found, words in ((own, "of its maps"), (controls, "controls"))
        if found
    ]
    causes = [*causes, *settings] or texts
    return "because of " + ", ".join(causes) if causes else "cause unknown"
