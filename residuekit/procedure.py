"""The procedure: the ordered, recorded list of preprocessing steps, from and to TOML."""

from __future__ import annotations

import html
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pandas as pd
import xarray as xr

from .errors import Fault, ProcedureError, ResiduekitError, did_you_mean
from .preprocess import STEPS, complete_parameters, parameter_faults
from .schema import check

__all__ = ["Procedure"]

Step = tuple[str, dict[str, Any]]
_EXAMPLE = 'steps = [{step = "crop", low = 800, high = 3800}]'


@dataclass(frozen=True, repr=False)
class Procedure:
    """An ordered list of preprocessing steps, each with all its parameters.

    `steps` holds (name, parameters); names and parameters are those of the functions in
    `residuekit.preprocess`. They are checked, and defaults filled in, when the procedure is made.
    `file` and `lines` say where each step was written, for the errors.

    >>> Procedure.from_steps([{"step": "crop", "low": 800, "high": 3800}, {"step": "smooth"}])
    Procedure of 2 steps
      1. crop: low = 800, high = 3800
      2. smooth: window = 9, order = 2, derivative = 0
    """

    steps: tuple[Step, ...] = ()
    file: str = field(default="", compare=False)
    lines: tuple[int | None, ...] = field(default=(), compare=False)

    def __post_init__(self) -> None:
        self.check()
        complete = tuple((name, complete_parameters(name, given)) for name, given in self.steps)
        object.__setattr__(self, "steps", complete)

    @classmethod
    def from_steps(
        cls,
        steps: Iterable[Mapping[str, Any]],
        *,
        file: str = "",
        lines: tuple[int | None, ...] = (),
    ) -> Procedure:
        """Make a procedure from mappings such as ``{"step": "crop", "low": 800, "high": 3800}``.

        `residuekit.schema.history` of a preprocessed array has this form. Raises `ProcedureError`
        with the faults of all steps at once.
        """
        entries = list(steps)
        wrong = [
            Fault(f"{entry!r} as a step", "a table with the key step", _EXAMPLE, file)
            for entry in entries
            if not isinstance(entry, Mapping) or not isinstance(entry.get("step"), str)
        ]
        if wrong:
            raise ProcedureError(wrong)
        pairs = tuple(
            (entry["step"], {name: value for name, value in entry.items() if name != "step"})
            for entry in entries
        )
        return cls(pairs, file, lines)

    @classmethod
    def from_toml(cls, source: str | Path) -> Procedure:
        """Read the table ``[procedure]`` of a TOML file (a study.toml, say) or of a TOML text.

        A text is told from a path by a line break or an equals sign in it. Raises `ProcedureError`
        with all faults at once, each with file and line.

        >>> Procedure.from_toml('procedure.steps = [{step = "smooth", window = 11}]').steps
        (('smooth', {'window': 11, 'order': 2, 'derivative': 0}),)
        """
        text, file = _read(source)
        try:
            document = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            line = re.search(r"at line (\d+)", str(error))
            raise ProcedureError(
                Fault(f"text that is not TOML ({error})", "valid TOML", _EXAMPLE, file,
                      int(line.group(1)) if line else None)
            ) from error  # fmt: skip
        table = document.get("procedure")
        if not isinstance(table, dict) or not isinstance(table.get("steps"), list):
            fix = f"[procedure]\n{_EXAMPLE}"
            raise ProcedureError(Fault("no list of steps", "[procedure] with steps", fix, file))
        unknown = [
            Fault(f"the key {key!r} in [procedure]", "steps alone", did_you_mean(key, ["steps"]),
                  file, _line_of(text, key))
            for key in table
            if key != "steps"
        ]  # fmt: skip
        if unknown:
            raise ProcedureError(unknown)
        return cls.from_steps(
            table["steps"], file=file, lines=_step_lines(text, len(table["steps"]))
        )

    def check(self) -> None:
        """Raise `ProcedureError` with all that is wrong with names and parameters.

        It needs no data, and has run already when a procedure exists.
        """
        faults = [
            self._placed(fault, number)
            for number, (name, given) in enumerate(self.steps)
            for fault in parameter_faults(name, given)
        ]
        if faults:
            raise ProcedureError(faults)

    def _placed(self, fault: Fault, number: int) -> Fault:
        line = self.lines[number] if number < len(self.lines) else None
        return replace(
            fault, found=f"in step {number + 1}, {fault.found}", file=self.file, line=line
        )

    def apply(self, array: xr.DataArray) -> xr.DataArray:
        """Run all steps on a labelled array, each written into its history.

        Raises `ProcedureError` or `ContractError` where a step does not fit the data, with the
        number of the step, its file and line.
        """
        array = check(array)
        for number, (name, parameters) in enumerate(self.steps):
            try:
                array = STEPS[name](array, **parameters)
            except ResiduekitError as error:
                raise type(error)(self._placed(fault, number) for fault in error.faults) from error
        return array

    def to_toml(self) -> str:
        """Write the table ``[procedure]`` as TOML; `from_toml` reads the same procedure back."""
        lines = "".join(
            f"    {{{', '.join([f'step = {_toml(name)}', *_assignments(given)])}}},\n"
            for name, given in self.steps
        )
        return f"[procedure]\nsteps = [\n{lines}]\n"

    def to_frame(self) -> pd.DataFrame:
        """Return a table, one row a parameter: number, step, parameter, value."""
        rows = [
            (number, name, parameter, value)
            for number, (name, given) in enumerate(self.steps, start=1)
            for parameter, value in given.items()
        ]
        return pd.DataFrame(rows, columns=["number", "step", "parameter", "value"], dtype=object)

    def __repr__(self) -> str:
        lines = [
            f"\n  {number}. {name}: {', '.join(_assignments(given))}"
            for number, (name, given) in enumerate(self.steps, start=1)
        ]
        return f"Procedure of {len(self.steps)} step{'s' * (len(self.steps) != 1)}{''.join(lines)}"

    def _repr_html_(self) -> str:
        items = "".join(
            f"<li><b>{name}</b> {html.escape(', '.join(_assignments(given)))}</li>"
            for name, given in self.steps
        )
        return f"<ol>{items}</ol>"


def _read(source: str | Path) -> tuple[str, str]:
    if isinstance(source, str) and ("\n" in source or "=" in source):
        return source, ""
    path = Path(source)
    try:
        return path.read_text(encoding="utf-8"), str(path)
    except (OSError, UnicodeDecodeError) as error:
        raise ProcedureError(
            Fault(f"a file that cannot be read ({error})", "a TOML file in UTF-8",
                  "the path of study.toml", str(path))
        ) from error  # fmt: skip


def _line_of(text: str, key: str) -> int | None:
    found = re.search(rf"^\s*[\"']?{re.escape(key)}[\"']?\s*=", text, flags=re.MULTILINE)
    return text.count("\n", 0, found.end()) + 1 if found else None


def _step_lines(text: str, count: int) -> tuple[int, ...]:
    """Find the line of each key ``step``; none at all where they are not `count`."""
    lines = tuple(
        number
        for number, line in enumerate(text.splitlines(), start=1)
        for _ in re.findall(r"(?:^|[{,\s])[\"']?step[\"']?\s*=", line.partition("#")[0])
    )
    return lines if len(lines) == count else ()


def _assignments(given: Mapping[str, Any]) -> list[str]:
    return [f"{name} = {_toml(value)}" for name, value in given.items() if value is not None]


def _toml(value: Any) -> str:
    """Write a checked parameter as TOML: a number, a word of a closed list, or a list."""
    if isinstance(value, list):
        return f"[{', '.join(map(_toml, value))}]"
    return f'"{value}"' if isinstance(value, str) else repr(value)
