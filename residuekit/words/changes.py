"""What changed between two runs of a study, in Markdown."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ..reprs import to_error
from .common import Row, arm_words, counted
from .methods import step_words

#: An entry of the record of a run -> what it holds.
SETTINGS = {
    "procedure": "the procedure",
    "second_procedure": "the second procedure",
    "markers": "the markers",
    "bad_channels": "the channels that are bridged as the instrument's",
    "study": "the question, the limits or the figure",
    "residuekit": "the version of residuekit",
    "code": "the code of residuekit",
}
_CAUSES = {"own": "of its maps", "controls": "controls"}
FIRST_RUN = "# What changed\n\nThis is the first run.\n"


#: A setting of the study -> its name in a sentence.
_NAMES = {
    "title": "title", "treatment": "treatment", "working_exposure_min": "working exposure",
    "working_exposures": "working exposures",
    "acceptance_limit_ug_cm2": "acceptance limit", "acceptance_reason": "reason of the limit",
    "density_g_cm3": "density", "scale_margin": "scale margin",
    "loading_checked": "loadings checked",
    "alpha": "alpha", "beta": "beta", "scores": "scores", "figure": "figure", "quality": "quality",
}  # fmt: skip


def setting_differences(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[str, str]:
    """What differs in the settings of two records: where it stands in the record -> in words.

    >>> record = {"study": {"alpha": 0.05}, "markers": [{"name": "a"}, {"name": "b"}]}
    >>> setting_differences(record, {"study": {"alpha": 0.01}, "markers": [{"name": "b"}]})
    {'study.alpha': 'alpha 0.05 -> 0.01', 'markers': 'markers without a'}
    """
    was, now = (dict(record.get("study") or {}) for record in (old, new))
    said = {
        f"study.{key}": f"{_NAMES.get(key, key)} {_value(was.get(key))} -> {_value(now.get(key))}"
        for key in dict.fromkeys([*was, *now])
        if was.get(key) != now.get(key)
    }
    for key, words, name in (
        ("procedure", "procedure", step_words),
        ("second_procedure", "second procedure", step_words),
        ("markers", "markers", lambda marker: marker["name"]),
        ("bad_channels", "bridged channels", lambda one: f"{one['wavenumber']:g} cm-1"),
    ):
        before, after = (record.get(key) or [] for record in (old, new))
        if before != after:
            said[key] = f"{words} {_list_difference(*([*map(name, r)] for r in (before, after)))}"
    return said


def _list_difference(old: Sequence[str], new: Sequence[str]) -> str:
    parts = [f"{word} {', '.join(found)}" for word, found in (
        ("without", [one for one in old if one not in new]),
        ("with", [one for one in new if one not in old]),
    ) if found]  # fmt: skip
    order = "in another order" if set(old) == set(new) and list(old) != list(new) else "changed"
    return " and ".join(parts) or order


def _value(value: Any) -> str:
    return "none" if value in (None, "", [], {}) else same_text(value)


def version_differences(old: Mapping[str, Any], new: Mapping[str, Any]) -> list[str]:
    """What differs in the versions of two records: residuekit, Python, every package of both.

    >>> version_differences({"residuekit": "1"}, {"residuekit": "2", "packages": {"numpy": "2"}})
    ['residuekit 1 -> 2', 'numpy none -> 2']
    """
    packages = "environment" if "environment" in old and "environment" in new else "packages"
    was, now = (
        {"residuekit": record.get("residuekit"), "its code": (record.get("code") or "")[:12],
         "Python": record.get("python"), "system": record.get("system"),
         **record.get(packages, {})}
        for record in (old, new)
    )  # fmt: skip
    return [
        f"{name} {_value(was.get(name))} -> {_value(now.get(name))}"
        for name in dict.fromkeys([*was, *now])
        if was.get(name) != now.get(name)
    ]


def changes_text(
    since: str,
    files: Mapping[str, str],
    settings: Sequence[str],
    *,
    details: Sequence[str] = (),
    all_kept: bool,
    arms: Sequence[Mapping[str, Any]],
) -> str:
    """Say what changed since a run, and why a verdict did.

    `files` maps a file to "new", "gone" or "changed content", `settings` holds keys of `SETTINGS`,
    `details` what differs in them.
    An arm has its rows `was` and `now` (None where there is none) and the counts and names of its
    `causes`.
    """
    lines = ["# What changed", "", f"Since the run of {since}:", ""]
    lines += [f"- {words}: `{file}`" for file, words in files.items()]
    lines += [f"- changed: {SETTINGS[name]}" for name in settings]
    lines += [f"- {one}" for one in details]
    if not files and not settings:
        lines.append("- no input and no setting changed")
    if all_kept:
        lines.append("- no file was measured again: all that was kept of them still holds")
    lines += ["", "## Verdicts", ""]
    lines += list(map(_arm, arms)) or ["No verdict and no arm changed."]
    return "\n".join(lines) + "\n"


def comparison_text(
    runs: tuple[str, str],
    files: Mapping[str, str],
    settings: Mapping[str, str],
    versions: Sequence[str],
    arms: Sequence[Mapping[str, Any]],
    tried: Sequence[str],
    *,
    gone_on: bool = False,
) -> str:
    """Say in Markdown what differs between any two runs, and which difference changed what.

    `settings` and `versions` are as `setting_differences` and `version_differences` give them;
    `tried` says what came of taking back one difference after the other, `gone_on` that the study
    is no longer as it was for the second run.
    """
    lines = ["# What differs", "", f"From {runs[0]} to {runs[1]}.", ""]
    for heading, found in (
        ("Inputs", [f"{words}: `{file}`" for file, words in files.items()]),
        ("Settings", settings.values()),
        ("Versions", versions),
    ):
        lines += [f"## {heading}", "", *(f"- {one}" for one in found or ["the same"]), ""]
    lines += ["## Verdicts", "", *(map(_arm, arms)), *(["All the same."] if not arms else [])]
    if gone_on:
        lines += ["", "Which difference made a verdict change was not tried: the study is no "
                  "longer as it was for the second run. Name the newest run last."]  # fmt: skip
    if tried:
        lines += ["", "## One difference at a time", ""]
        lines += ["The second run, judged again with one difference taken back:", ""]
        lines += [f"- {one}" for one in tried]
    return "\n".join(lines) + "\n"


def taken_back(what: str, restored: Sequence[Row], others: Sequence[Row]) -> str:
    """What came of taking back one difference, for the arms whose verdict differs.

    `restored` are the rows of the arms whose verdict is then that of the first run, `others` those
    of the arms where it is not.
    """
    parts = [f"{arm_words(row)} is {row['verdict']} again" for row in restored]
    parts += [f"{arm_words(row)} stays {row['verdict']}" for row in others]
    return f"{what}: {'; '.join(parts)}"


def not_taken_back(what: str, why: str) -> str:
    """A difference that was not tried."""
    return f"{what}: not tried, {why}"


#: All differences that can be taken back.
ALL_TOGETHER = "all of these together"


def residue_difference(was: Mapping[str, Any], now: Mapping[str, Any]) -> str:
    """What differs in what is asked of one residue, by the records of two runs.

    >>> limits = ({"material": "PVA", "acceptance_limit_ug_cm2": limit} for limit in (2.0, 0.5))
    >>> residue_difference(*limits)
    'residue PVA: acceptance limit 2 -> 0.5'
    """
    said = (f"{_NAMES.get(key, key)} {_value(was.get(key))} -> {_value(now.get(key))}"
            for key in now if was.get(key) != now.get(key))  # fmt: skip
    return f"residue {now['material']}: {', '.join(said)}"


def changed_rows(count: int, table: str) -> str:
    """Rows of the table of measurements that the second run has otherwise, or not."""
    return f"{counted(count, 'changed row')} of {table}"


def new_files(count: int) -> str:
    """Files that only the second run has."""
    return counted(count, "new file")


def _arm(change: Mapping[str, Any]) -> str:
    was, now = change["was"], change["now"]
    if was is None:
        return f"- {arm_words(now)}: a new arm, {now['verdict']}"
    if now is None:
        return f"- {arm_words(was)}: no longer there (was {was['verdict']})"
    moved = was["verdict"] != now["verdict"]
    verdict = f"{was['verdict']} -> {now['verdict']}" if moved else "same verdict"
    numbers = ", ".join(changed_numbers(was, now))
    counts = [f"{n} {_CAUSES[kind]}" for kind, n in change["files"].items() if n]
    causes = [*counts, *(SETTINGS[name] for name in change["settings"])] or change["texts"]
    why = f"because of {', '.join(causes)}" if causes else "cause unknown"
    return f"- {arm_words(now)}: {verdict}{f' ({numbers})' if numbers else ''}; {why}"


def changed_numbers(was: Row, now: Row) -> Iterator[str]:
    """Counts that changed; limits and bounds that did by more than their error's second digit."""
    for name, words in (("n_mockups", "mock-ups"), ("n_blank_mockups", "blanks"),
                        ("n_maps", "maps")):  # fmt: skip
        if same_text(was[name]) != same_text(now[name]):
            yield f"{words} {was[name]:g} -> {now[name]:g}"
    same = was["unit"] == now["unit"]
    error = max(was["standard_error"], now["standard_error"]) if same else math.nan
    for name, words in (("estimate", "mean"), ("detection_limit", "detection limit"),
                        ("upper_bound", "upper bound")):  # fmt: skip
        old, new = (to_error(row[name], error) or "none" for row in (was, now))
        if old != new or not same:
            yield f"{words} {old}{'' if same else ' ' + was['unit']} -> {new} {now['unit']}"


def same_text(cell: Any) -> str:
    """A cell of a table or of the record: the same text for the same number."""
    return f"{cell:.12g}" if isinstance(cell, int | float) else str(cell)
