"""The settings of a study, study.toml: read, and refused with all that is wrong with them."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..errors import Fault, ResiduekitError, did_you_mean
from ..markers import Marker, resolve
from ..schema import FIGURE_WIDTHS, NET_SIGNAL
from ..spectra.procedure import Procedure
from ..spectra.quality import THRESHOLDS
from ..spectra.step_files import pinned, step_files
from .file_faults import place_of

SETTINGS = "study.toml"
SCORES = ("band", NET_SIGNAL)

_TEXT, _NUMBER, _LIST, _TABLE = (str,), (int, float), (list,), (dict,)
_KEYS: dict[str, dict[str, tuple[type, ...]]] = {
    "": {"title": _TEXT},
    "question": {
        "treatment": _TEXT,
        "working_exposure_min": _NUMBER,
        "acceptance_limit_ug_cm2": _NUMBER,
        "acceptance_reason": _TEXT,
    },
    "procedure": {},  # `Procedure.from_toml` checks what stands in these two
    "second_procedure": {},
    "markers": {"use": _LIST, "scores": _LIST},
    "limits": {"alpha": _NUMBER, "beta": _NUMBER},
    "quality": dict.fromkeys(THRESHOLDS, _NUMBER),
    "figure": {"width_mm": _NUMBER, "image": _TEXT, "image_affine": _LIST, "image_mockup": _TEXT},
    "notebooks": {},  # a table a notebook; `notebooks.prepare` checks what stands in it
}
_NEEDED = (("question", "treatment"), ("markers", "use"))


def read_settings(path: Path) -> tuple[dict[str, Any] | None, str, list[Fault]]:
    try:
        text = path.read_text(encoding="utf-8-sig")
        return tomllib.loads(text), text, []
    except FileNotFoundError:
        found, fix = f"no {SETTINGS}", "residuekit new DIR writes one to fill in"
    except (OSError, UnicodeDecodeError) as problem:
        found, fix = f"a file that cannot be read ({problem})", "save it as UTF-8 text"
    except tomllib.TOMLDecodeError as problem:
        place = re.search(r"line (\d+)", str(problem))
        line = int(place.group(1)) if place else None
        return (
            None,
            "",
            [
                Fault(
                    f"text that is not TOML ({problem})",
                    "valid TOML",
                    "quotes round texts, brackets that close",
                    SETTINGS,
                    line,
                )
            ],
        )
    return None, "", [Fault(found, "the settings of the study", fix, file=SETTINGS)]


def line_of(text: str, table: str, key: str = "") -> int | None:
    """The line of a key in a table, or of the table's own head; None where it cannot be told."""
    inside = table == ""
    for number, line in enumerate(text.splitlines(), start=1):
        head = re.match(r"\s*\[+\s*([^\]]+?)\s*\]", line)
        if head:
            inside = head.group(1).strip("\"'") == table
            if inside and not key:
                return number
        elif inside and key and re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=", line):
            return number
    return None


def setting_faults(settings: Mapping[str, Any], text: str) -> Iterator[Fault]:
    tables = [name for name in _KEYS if name]
    for name, value in settings.items():
        if name in tables and not isinstance(value, dict):
            yield Fault(
                f"{name} = {value!r}",
                f"a table [{name}]",
                f"[{name}] on a line of its own",
                SETTINGS,
                line_of(text, "", name),
            )
        elif name not in tables and name not in _KEYS[""]:
            line = line_of(text, "", name) or line_of(text, name)
            yield Fault(
                f"the unknown key {name!r}",
                "a key of the agreed study.toml",
                did_you_mean(name, [*_KEYS[""], *tables]),
                SETTINGS,
                line,
            )
    for table in _KEYS:
        values = settings if table == "" else settings.get(table, {})
        if not isinstance(values, dict):
            continue
        for key, value in values.items():
            kinds = _TABLE if table == "notebooks" else _KEYS[table].get(key)
            if kinds is None and table and not table.endswith("procedure"):
                yield Fault(
                    f"the unknown key {key!r} in [{table}]",
                    f"a key of [{table}]",
                    did_you_mean(key, _KEYS[table]),
                    SETTINGS,
                    line_of(text, table, key),
                )
            elif kinds and (not isinstance(value, kinds) or isinstance(value, bool)):
                words: dict[tuple[type, ...], str] = {
                    _TEXT: "a text in quotes",
                    _NUMBER: "a number",
                    _LIST: "a list in []",
                    _TABLE: f'a table [notebooks."{key}"]',
                }
                yield Fault(
                    f"{key} = {value!r}",
                    words[kinds],
                    f"{key} as {words[kinds]}",
                    SETTINGS,
                    line_of(text, table, key),
                )
    for table, key in _NEEDED:
        values = settings.get(table, {})
        if isinstance(values, dict) and not values.get(key):
            yield Fault(
                f"no {key} in [{table}]",
                f"[{table}] with {key}",
                f"{key} = ... below [{table}]",
                SETTINGS,
                line_of(text, table),
            )


def _table(settings: Mapping[str, Any], name: str) -> dict[str, Any]:
    value = settings.get(name, {})
    return value if isinstance(value, dict) else {}


def parts_of(
    folder: Path, settings: Mapping[str, Any], text: str
) -> tuple[dict[str, Any], list[Fault]]:
    faults: list[Fault] = []
    question, limits = _table(settings, "question"), _table(settings, "limits")
    chosen = _table(settings, "markers")

    def number(table: str, key: str, low: float, high: float, default: Any = None) -> Any:
        value = _table(settings, table).get(key, default)
        if value is None or isinstance(value, bool) or not isinstance(value, (int, float)):
            return default
        if not low < value < high:
            span = f"above {low:g}" if math.isinf(high) else f"between {low:g} and {high:g}"
            faults.append(
                Fault(
                    f"{key} = {value}",
                    f"a number {span}",
                    f"{key} = {default or 1}",
                    SETTINGS,
                    line_of(text, table, key),
                )
            )
        return float(value)

    def procedure(table: str) -> Procedure:
        try:
            made = replace(Procedure.from_toml(text + "\n", table), file=SETTINGS)
            made, wrong = _with_files(folder, made)
            faults.extend(wrong)
            return made
        except ResiduekitError as problem:
            faults.extend(replace(fault, file=SETTINGS) for fault in problem.faults)
            return Procedure()

    first = procedure("procedure")
    second = procedure("second_procedure") if "second_procedure" in settings else None
    if second is not None and second.steps == first.steps and first.steps:
        faults.append(
            Fault(
                "a second procedure with the steps of the first",
                "other steps: what a verdict should not hang on",
                "another normalisation or baseline, or no [second_procedure]",
                SETTINGS,
                line_of(text, "second_procedure"),
            )
        )
    markers: tuple[Marker, ...] = ()
    try:
        use = chosen.get("use", [])
        markers = resolve(use) if isinstance(use, list) else ()
    except ResiduekitError as problem:
        line = line_of(text, "markers", "use")
        faults += [Fault(f.found, f.needed, f.fix, SETTINGS, line) for f in problem.faults]
    scores = chosen.get("scores", list(SCORES))
    if scores == []:
        faults.append(
            Fault(
                "scores = []",
                "at least one score",
                f"scores = {list(SCORES)}",
                SETTINGS,
                line_of(text, "markers", "scores"),
            )
        )
    for score in scores if isinstance(scores, list) else ():
        if score not in SCORES:
            faults.append(
                Fault(
                    f"the score {score!r}",
                    " or ".join(map(repr, SCORES)),
                    did_you_mean(str(score), SCORES),
                    SETTINGS,
                    line_of(text, "markers", "scores"),
                )
            )
    width = number("figure", "width_mm", 0, math.inf, FIGURE_WIDTHS[0])
    if not FIGURE_WIDTHS[0] <= width <= FIGURE_WIDTHS[1]:
        faults.append(
            Fault(
                f"width_mm = {width:g}",
                f"{FIGURE_WIDTHS[0]:g} to {FIGURE_WIDTHS[1]:g} mm",
                "width_mm = 85 for one column, 180 for the full width",
                SETTINGS,
                line_of(text, "figure", "width_mm"),
            )
        )
    parts = {
        "title": str(settings.get("title", folder.name)),
        "treatment": str(question.get("treatment", "")),
        "working_exposure_min": number("question", "working_exposure_min", 0, math.inf),
        "acceptance_limit": number("question", "acceptance_limit_ug_cm2", 0, math.inf),
        "acceptance_reason": str(question.get("acceptance_reason", "")),
        "procedure": first,
        "second_procedure": second,
        "markers": markers,
        "scores": tuple(scores) if isinstance(scores, list) else SCORES,
        "alpha": number("limits", "alpha", 0, 0.5, 0.05) if limits else 0.05,
        "beta": number("limits", "beta", 0, 0.5, 0.05) if limits else 0.05,
        "quality": {
            name: number("quality", name, 0, math.inf, THRESHOLDS[name])
            for name in THRESHOLDS
            if name in _table(settings, "quality")
        },
        "figure": _table(settings, "figure"),
        "notebooks": _table(settings, "notebooks"),
    }
    return parts, faults


def _with_files(folder: Path, procedure: Procedure) -> tuple[Procedure, list[Fault]]:
    """Find the files that steps ask for below the study folder, and pin what they hold."""
    steps, faults = [], []
    for number, (name, parameters) in enumerate(procedure.steps, start=1):
        line = procedure.lines[number - 1] if procedure.lines else None
        lost = [
            Fault(f"in step {number}, {name} with {key} = {file!r}, which is not there",
                  "a file below the study folder", f"data/... in {key}", SETTINGS, line)
            for key, file in step_files(parameters)
            if not _lies_below(folder, file)
        ]  # fmt: skip
        faults += lost
        steps.append((name, parameters if lost else pinned(parameters, folder)))
    return replace(procedure, steps=tuple(steps)), faults


def _lies_below(folder: Path, file: str) -> bool:
    path = place_of(folder, file)
    return path is not None and path.is_file() and path.is_relative_to(folder.resolve())
