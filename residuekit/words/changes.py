"""What changed between two runs of a study, in Markdown."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ..reprs import to_error
from .common import Row, arm_words

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


def changes_text(
    since: str,
    files: Mapping[str, str],
    settings: Sequence[str],
    *,
    all_kept: bool,
    arms: Sequence[Mapping[str, Any]],
) -> str:
    """Say what changed since a run, and why a verdict did.

    `files` maps a file to "new", "gone" or "changed content", `settings` holds keys of `SETTINGS`.
    An arm has its rows `was` and `now` (None where there is none) and the counts and names of its
    `causes`.
    """
    lines = ["# What changed", "", f"Since the run of {since}:", ""]
    lines += [f"- {words}: `{file}`" for file, words in files.items()]
    lines += [f"- changed: {SETTINGS[name]}" for name in settings]
    if not files and not settings:
        lines.append("- no input and no setting changed")
    if all_kept:
        lines.append("- no file was measured again: all that was kept of them still holds")
    lines += ["", "## Verdicts", ""]
    lines += list(map(_arm, arms)) or ["No verdict and no arm changed."]
    return "\n".join(lines) + "\n"


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
