"""The manifest of a study: study.toml and the table of measurements, refused whole or accepted."""

from __future__ import annotations

import math
import re
import tomllib
from collections import defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

from ..errors import Fault, ResiduekitError, StudyError, did_you_mean
from ..markers import Marker, resolve
from ..preprocess import pinned, step_files
from ..procedure import Procedure
from ..quality import THRESHOLDS
from ..schema import NET_SIGNAL
from ..trial.table import Trial, examine_trial
from .measurements import Measurement, read_measurements

SETTINGS = "study.toml"
SCORES = ("band", NET_SIGNAL)

_TEXT, _NUMBER, _LIST = (str,), (int, float), (list,)
_KEYS: dict[str, dict[str, tuple[type, ...]]] = {
    "": {"title": _TEXT},
    "question": {
        "treatment": _TEXT,
        "working_exposure_min": _NUMBER,
        "acceptance_limit_ug_cm2": _NUMBER,
        "acceptance_reason": _TEXT,
    },
    "procedure": {},  # `Procedure.from_toml` checks what stands in it
    "markers": {"use": _LIST, "scores": _LIST},
    "limits": {"alpha": _NUMBER, "beta": _NUMBER},
    "quality": dict.fromkeys(THRESHOLDS, _NUMBER),
    "figure": {"width_mm": _NUMBER},
}
_NEEDED = (("question", "treatment"), ("markers", "use"))


@dataclass(frozen=True)
class Manifest:
    """What a study asks, how it is computed, and which files it holds."""

    folder: Path
    title: str
    treatment: str
    working_exposure_min: float | None
    acceptance_limit: float | None
    acceptance_reason: str
    procedure: Procedure
    markers: tuple[Marker, ...]
    scores: tuple[str, ...]
    alpha: float
    beta: float
    quality: Mapping[str, float]
    figure: Mapping[str, Any]
    measurements: tuple[Measurement, ...]
    table: str
    trial: Trial = field(default_factory=Trial)

    @property
    def sources(self) -> tuple[str, ...]:
        """The files that say what the study is: the settings, the table, the trial if any."""
        return tuple(filter(None, (SETTINGS, self.table, self.trial.file)))

    def of_role(self, role: str) -> tuple[Measurement, ...]:
        """The rows of one role, in the order of the table."""
        return tuple(row for row in self.measurements if row.role == role)

    def arms(self) -> dict[tuple[Any, ...], tuple[Measurement, ...]]:
        """The exposed rows, gathered by arm, in the order in which the table names them."""
        gathered: dict[tuple[Any, ...], list[Measurement]] = defaultdict(list)
        for row in self.of_role("exposed"):
            gathered[row.arm].append(row)
        return {arm: tuple(rows) for arm, rows in gathered.items()}

    def __str__(self) -> str:
        roles = ("blank", "exposed", "spiked", "reference")
        counts = ", ".join(f"{len(self.of_role(role))} {role}" for role in roles)
        mockups = len({row.mockup for row in self.measurements if row.mockup})
        return (
            f"{self.title}\n"
            f"  {len(self.measurements)} files ({counts}), {mockups} mock-ups, "
            f"{len(self.arms())} arms\n"
            f"  residue of {self.treatment}, by {' and '.join(self.scores)}; "
            f"alpha {self.alpha:g}, beta {self.beta:g}"
        )


def load_manifest(folder: str | Path) -> Manifest:
    """Read a study folder, or refuse it with everything that is wrong with it in one message.

    Raises
    ------
    StudyError : one fault for each thing wrong, each with file, line, what was found, what is
        needed and what to type. Nothing is computed and nothing written before this has passed.
    """
    manifest, faults = examine(folder)
    if faults:
        raise StudyError(faults)
    return manifest


def examine(folder: str | Path) -> tuple[Manifest, list[Fault]]:
    """Read a study folder as far as it can be read, with everything that is wrong with it.

    Raises
    ------
    StudyError : there is no such folder.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise StudyError(
            Fault(
                f"no folder {str(folder)!r}",
                "a study folder",
                f"residuekit new {folder} makes one to fill in",
            )
        )
    table, rows, faults = read_measurements(folder)
    settings, text, wrong = _read_settings(folder / SETTINGS)
    faults = [*wrong, *faults]
    readable = settings is not None
    settings = settings or {}
    parts, wrong = _parts(folder, settings, text)
    if readable:
        faults += [*_setting_faults(settings, text), *wrong]
    faults += list(file_faults(folder, table, rows))
    faults += list(_design_faults(table, rows, parts["treatment"], parts["scores"]))
    trial, wrong = examine_trial(folder)
    faults += wrong
    return Manifest(folder=folder, measurements=rows, table=table, trial=trial, **parts), faults


def _read_settings(path: Path) -> tuple[dict[str, Any] | None, str, list[Fault]]:
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


def _line_of(text: str, table: str, key: str = "") -> int | None:
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


def _setting_faults(settings: Mapping[str, Any], text: str) -> Iterator[Fault]:
    tables = [name for name in _KEYS if name]
    for name, value in settings.items():
        if name in tables and not isinstance(value, dict):
            yield Fault(
                f"{name} = {value!r}",
                f"a table [{name}]",
                f"[{name}] on a line of its own",
                SETTINGS,
                _line_of(text, "", name),
            )
        elif name not in tables and name not in _KEYS[""]:
            line = _line_of(text, "", name) or _line_of(text, name)
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
            kinds = _KEYS[table].get(key)
            if kinds is None and table and table != "procedure":
                yield Fault(
                    f"the unknown key {key!r} in [{table}]",
                    f"a key of [{table}]",
                    did_you_mean(key, _KEYS[table]),
                    SETTINGS,
                    _line_of(text, table, key),
                )
            elif kinds and (not isinstance(value, kinds) or isinstance(value, bool)):
                words: dict[tuple[type, ...], str] = {
                    _TEXT: "a text in quotes",
                    _NUMBER: "a number",
                    _LIST: "a list in []",
                }
                yield Fault(
                    f"{key} = {value!r}",
                    words[kinds],
                    f"{key} as {words[kinds]}",
                    SETTINGS,
                    _line_of(text, table, key),
                )
    for table, key in _NEEDED:
        values = settings.get(table, {})
        if isinstance(values, dict) and not values.get(key):
            yield Fault(
                f"no {key} in [{table}]",
                f"[{table}] with {key}",
                f"{key} = ... below [{table}]",
                SETTINGS,
                _line_of(text, table),
            )


def _table(settings: Mapping[str, Any], name: str) -> dict[str, Any]:
    value = settings.get(name, {})
    return value if isinstance(value, dict) else {}


def _parts(
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
                    _line_of(text, table, key),
                )
            )
        return float(value)

    procedure = Procedure()
    markers: tuple[Marker, ...] = ()
    try:
        procedure = replace(Procedure.from_toml(text + "\n"), file=SETTINGS)
        procedure, wrong = _with_files(folder, procedure)
        faults += wrong
    except ResiduekitError as problem:
        faults += [replace(fault, file=SETTINGS) for fault in problem.faults]
    try:
        use = chosen.get("use", [])
        markers = resolve(use) if isinstance(use, list) else ()
    except ResiduekitError as problem:
        line = _line_of(text, "markers", "use")
        faults += [Fault(f.found, f.needed, f.fix, SETTINGS, line) for f in problem.faults]
    scores = chosen.get("scores", list(SCORES))
    if scores == []:
        faults.append(
            Fault(
                "scores = []",
                "at least one score",
                f"scores = {list(SCORES)}",
                SETTINGS,
                _line_of(text, "markers", "scores"),
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
                    _line_of(text, "markers", "scores"),
                )
            )
    parts = {
        "title": str(settings.get("title", folder.name)),
        "treatment": str(question.get("treatment", "")),
        "working_exposure_min": number("question", "working_exposure_min", 0, math.inf),
        "acceptance_limit": number("question", "acceptance_limit_ug_cm2", 0, math.inf),
        "acceptance_reason": str(question.get("acceptance_reason", "")),
        "procedure": procedure,
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
    path = _place(folder, file)
    return path is not None and path.is_file() and path.is_relative_to(folder.resolve())


def file_faults(folder: Path, table: str, rows: tuple[Measurement, ...]) -> Iterator[Fault]:
    """Say of each row whose file cannot be read, and why, under the name of the table."""
    root = folder.resolve()
    first: dict[Path, Measurement] = {}
    named = {Path(row.file).name for row in rows}
    for row in rows:
        fault = partial(Fault, file=table, line=row.line)
        path = _place(folder, row.file)
        if path is None:
            yield fault(
                f"the file {row.file!r}, which no disk can hold",
                "the path of a file",
                "a shorter name, without links that go round",
            )
        elif not path.is_relative_to(root):
            yield fault(
                f"the file {row.file!r}, which leaves the study folder",
                "a path below the study folder",
                "copy the file into data/ and name it data/...",
            )
        elif not path.is_file():
            near = did_you_mean(Path(row.file).name, _names_near(path, named))
            yield fault(f"no file {row.file!r}", "a file that is there", near)
        elif path.stat().st_size == 0:
            yield fault(
                f"the empty file {row.file!r}",
                "a file that holds spectra",
                "copy it again from the instrument",
            )
        elif path in first:
            yield fault(
                f"{row.file!r} a second time (first in line {first[path].line})",
                "one row for one file",
                "remove one of the rows",
            )
        if path is not None:
            first.setdefault(path, row)


def _place(folder: Path, file: str) -> Path | None:
    """Where a file lies once its links are followed; None for a name that cannot be followed."""
    try:
        path = (folder / file).resolve()
        path.is_file()
    except (OSError, RuntimeError, ValueError):
        return None
    return path


def _names_near(path: Path, named: set[str]) -> list[str]:
    folder = path.parent
    if not folder.is_dir():
        return [f"{folder.name}/ (there is no such folder)"]
    free = sorted(entry.name for entry in folder.iterdir() if entry.name not in named)
    return free[:200] or ["(no file there that the table does not name already)"]


def _design_faults(
    table: str, rows: tuple[Measurement, ...], treatment: str, scores: tuple[str, ...]
) -> Iterator[Fault]:
    blank = {row.stratum for row in rows if row.role == "blank"}
    for row in rows:
        fault = partial(Fault, file=table, line=row.line)
        if row.role in ("exposed", "spiked") and row.stratum not in blank:
            paint, soiling, ageing = row.stratum
            without_age = {stratum[:2] for stratum in blank}
            fix = "a row of role blank with the same paint, soiling and ageing_h"
            if (paint, soiling) in without_age:
                fix = f"a blank aged as long: ageing_h {ageing:g} (an unaged blank will not do)"
            yield fault(
                f"{row.role} mock-up {row.mockup!r} on paint {paint!r}, soiling "
                f"{soiling!r}, ageing {ageing:g} h without a blank of its own",
                "at least one blank of the same stratum",
                fix,
            )
    exposed = {row.treatment for row in rows if row.role == "exposed"}
    if rows and not exposed:
        yield Fault(
            "no row of role exposed",
            "at least one exposed mock-up",
            "add the mock-ups that met the gel",
            file=table,
        )
    elif treatment and exposed and treatment not in exposed:
        yield Fault(
            f"treatment = {treatment!r}, which no exposed row has",
            "the treatment whose residue is asked for",
            did_you_mean(treatment, exposed),
            file=SETTINGS,
        )
    pure = {row.treatment for row in rows if row.role == "reference"}
    if rows and scores == (NET_SIGNAL,) and treatment not in pure:
        yield Fault(
            f"the score {NET_SIGNAL!r} alone, and no reference of {treatment!r}",
            "a reference: the net signal is measured by the pure material's spectrum",
            f"a row of role reference with treatment {treatment}, or scores = {list(SCORES)}",
            file=table,
        )
