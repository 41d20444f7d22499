"""The table of the trial: one row a mock-up, or a measurement of it, with every fault it has."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import Fault, StudyError
from ..io.hand_table import read_cells
from ..kernels.colour import INSTALL, can_compare
from ..reprs import as_frame, as_html, as_text
from ..validator import CELLS, Field, Fields, Place, as_number, check, number, text, whole

if TYPE_CHECKING:
    import pandas as pd

TRIAL_NAMES = ("trial.csv", "trial.xlsx")
STATES = ("unsoiled", "soiled", "cleaned")
ANGLES = (20, 60, 85)
SCALE = (1, 5)

_NEEDED = ("treatment", "mockup", "paint")
_GLOSS = number("gloss", "GU", least=0, example="62.5")
#: What may stand in a cell of each column; all but the first three may stay empty.
FIELDS: Fields = {
    **{name: text(f"the {name} of this row", "...", needed=True,
                 fill="as in the table of measurements")
      for name in _NEEDED},
    "soiling": text(),
    **{
        f"{axis}_{state}": number("L*", least=0, most=110, example="50")
        if axis == "L"
        else number(f"{axis}*", least=-200, most=200, example="0")
        for state in STATES
        for axis in "Lab"
    },
    "gloss_angle": Field("20, 60 or 85 degrees", "60", lambda v: v in ANGLES, as_number),
    "gloss_before": _GLOSS,
    "gloss_after": _GLOSS,
    "pickup_positive": whole("how many of the swabs took up pigment,", example="0"),
    "pickup_swabs": whole("how many swabs were rolled,", least=1, example="3"),
    "pickup_de": number("the swab's CIEDE2000 to a clean one, wetted the same,", least=0,
                        example="0.8"),
    "pickup_de_limit": number("the difference that counts as pigment, from swabs of blanks,",
                              above=0, example="1.2"),
    "ease": whole("from hard to easy, a whole number", least=SCALE[0], most=SCALE[1], example="4"),
    "health_safety": whole("from most hazard to least, a whole number", least=SCALE[0],
                           most=SCALE[1], example="4"),
}  # fmt: skip
TRIAL_COLUMNS = tuple(FIELDS)
_COLOURS = tuple(f"{axis}_{state}" for state in STATES for axis in "Lab")

Colour = tuple[float, float, float]


@dataclass(frozen=True)
class TrialRow:
    """One row of the table; what was left empty is NaN, or a colour that is absent.

    `colours` holds L*a*b* by state (`STATES`), gloss is in GU, `pickup_positive` of `pickup_swabs`
    swabs took up pigment; `ease` and `health_safety` go from 1 (worst) to 5 (best).
    """

    line: int
    treatment: str
    mockup: str
    paint: str
    soiling: str = "none"
    colours: Mapping[str, Colour] = field(default_factory=dict)
    gloss_angle: float = math.nan
    gloss_before: float = math.nan
    gloss_after: float = math.nan
    pickup_positive: int = 0
    pickup_swabs: int = 0
    ease: float = math.nan
    health_safety: float = math.nan
    further: Mapping[str, str] = field(default_factory=dict)

    @property
    def candidate(self) -> tuple[str, str, str]:
        """Treatment, paint, soiling: what is compared."""
        return self.treatment, self.paint, self.soiling


@dataclass(frozen=True)
class Trial:
    """The rows of a trial, in the order of its table."""

    file: str = ""
    rows: tuple[TrialRow, ...] = ()

    def to_frame(self) -> pd.DataFrame:
        """A row a row of the table; each colour in three columns."""
        names = ("line", *_NEEDED, "soiling")
        more = TRIAL_COLUMNS[TRIAL_COLUMNS.index("gloss_angle") :]
        return as_frame(
            {
                **{name: getattr(row, name) for name in names},
                **dict(zip(_COLOURS, _flat(row.colours), strict=True)),
                **{name: getattr(row, name) for name in more if hasattr(row, name)},
                **row.further,
            }
            for row in self.rows
        )

    def _summary(self) -> dict[str, Any]:
        return {
            "rows": len(self.rows),
            "mock-ups": len({row.mockup for row in self.rows}),
            "candidates": "; ".join(
                dict.fromkeys(f"{row.treatment} on {row.paint}" for row in self.rows)
            ),
        }

    def __str__(self) -> str:
        return as_text(f"Trial {self.file}".strip(), self._summary())

    def _repr_html_(self) -> str:
        return as_html(f"Trial {self.file}".strip(), self._summary())


def read_trial(path: str | Path) -> Trial:
    """Read the table of a trial (CSV or XLSX), or refuse it with everything that is wrong.

    Parameters
    ----------
    path : the file, or the study folder that holds ``trial.csv`` or ``trial.xlsx``. The columns
        are `TRIAL_COLUMNS`; treatment, mockup and paint must be filled in, every other cell may
        stay empty, and further columns are kept. Comma, semicolon or tab; decimal comma understood.

    Returns
    -------
    A `Trial`.

    Raises
    ------
    StudyError : one fault for each thing wrong, with file and line; there is no such table.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "trial.csv"
    ...     lines = ["treatment,mockup,paint,ease", "gel A,A1,green,4"]
    ...     _ = path.write_text(chr(10).join(lines))
    ...     trial = read_trial(path)
    >>> trial.rows[0].ease
    4.0
    """
    path = Path(path)
    if not path.is_dir() and not path.is_file():
        raise StudyError(
            Fault(f"no file {path.name!r}", "the table of a trial", "its path", file=str(path))
        )
    trial, faults = examine_trial(path)
    if path.is_dir() and not trial.file:
        raise StudyError(
            Fault(f"no {TRIAL_NAMES[0]}", "the table of a trial",
                  f"a table with the columns {','.join(TRIAL_COLUMNS)}", file=str(path))
        )  # fmt: skip
    if faults:
        raise StudyError(faults)
    return trial


def examine_trial(path: Path) -> tuple[Trial, list[Fault]]:
    """Read the table of a trial as far as it can be read, with everything that is wrong with it.

    A folder without a table has an empty trial and no fault.
    """
    if path.is_dir():
        found = [path / name for name in TRIAL_NAMES if (path / name).is_file()]
        if len(found) > 1:
            both = " and ".join(TRIAL_NAMES)
            return Trial(), [Fault(f"both {both}", "one table of the trial", "keep one of them")]
        if not found:
            return Trial(), []
        path = found[0]
    cells, faults = read_cells(path, TRIAL_COLUMNS, _NEEDED, "a mock-up")
    rows = []
    for line, row in cells:
        one, wrong = _read_row(row, replace(CELLS, file=path.name, lines={(): line}), line)
        faults += wrong
        if one is not None:
            rows.append(one)
    faults += _mockup_faults(rows, path.name)
    if any(row.colours for row in rows) and not can_compare():
        faults.append(
            Fault("colours, but no colour-science", "colour-science, for CIEDE2000", INSTALL,
                  file=path.name)
        )  # fmt: skip
    return Trial(path.name, tuple(rows)), sorted(faults, key=lambda fault: fault.line or 0)


def _flat(colours: Mapping[str, Colour]) -> Iterator[float]:
    for state in STATES:
        yield from colours.get(state, (math.nan,) * 3)


def _read_row(
    row: Mapping[str, str], place: Place, line: int
) -> tuple[TrialRow | None, list[Fault]]:
    given = {name: cell for name, cell in row.items() if name and cell}
    values, faults = check(given, FIELDS, place)
    faults = faults or list(_pair_faults(values, place))
    if faults:
        return None, faults
    values["colours"] = {
        state: tuple(values[f"{axis}_{state}"] for axis in "Lab")
        for state in STATES
        if f"L_{state}" in values
    }
    values["further"] = {name: cell for name, cell in given.items() if name not in FIELDS}
    if "pickup_de" in values:
        values["pickup_positive"] = int(values["pickup_de"] > values["pickup_de_limit"])
        values["pickup_swabs"] = 1
    values |= {name: float(values[name]) for name in ("ease", "health_safety") if name in values}
    own = {item.name for item in fields(TrialRow)}
    return TrialRow(line, **{name: v for name, v in values.items() if name in own}), []


def _pair_faults(values: Mapping[str, Any], place: Place) -> Iterator[Fault]:
    """What does not go together in a row."""
    for state in STATES:
        given = [axis for axis in "Lab" if f"{axis}_{state}" in values]
        if given and len(given) < 3:
            yield place.fault(f"{' and '.join(given)} of the {state} colour alone", "L*, a* and b*",
                              f"L_{state}, a_{state} and b_{state}, or none of them")  # fmt: skip
    glossy = [name for name in ("gloss_before", "gloss_after") if name in values]
    if glossy and "gloss_angle" not in values:
        yield place.fault(f"{glossy[0]} without an angle", "the angle of every gloss reading",
                          "gloss_angle 20, 60 or 85")  # fmt: skip
    for one, other in (("pickup_positive", "pickup_swabs"), ("pickup_de", "pickup_de_limit")):
        if (one in values) != (other in values):
            have, lack = (one, other) if one in values else (other, one)
            both = f"{one} and {other} together"
            yield place.fault(f"{have} without {lack}", both, FIELDS[lack].words)
    if values.get("pickup_positive", 0) > values.get("pickup_swabs", math.inf):
        yield place.fault("more positive swabs than swabs", "pickup_positive of pickup_swabs",
                          "the two counts")  # fmt: skip
    if "pickup_de" in values and "pickup_swabs" in values:
        yield place.fault("a swab's colour difference and counts of swabs in one row",
                          "one of the two", "a row of its own for each")  # fmt: skip


def _mockup_faults(rows: Iterable[TrialRow], file: str) -> Iterator[Fault]:
    """A mock-up is of one paint, was soiled once, and saw one treatment."""
    first: dict[str, TrialRow] = {}
    for row in rows:
        before = first.setdefault(row.mockup, row)
        if before.candidate != row.candidate:
            yield Fault(
                f"the mock-up {row.mockup!r} with {', '.join(row.candidate)}, in line "
                f"{before.line} with {', '.join(before.candidate)}",
                "one treatment, paint and soiling for each mock-up",
                "a name of its own for each mock-up, or the same cells",
                file=file,
                line=row.line,
            )  # fmt: skip
