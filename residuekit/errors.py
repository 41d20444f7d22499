"""One family of errors and warnings: what was found, what is needed, what to type."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, replace

__all__ = [
    "ContractError",
    "Fault",
    "MarkerError",
    "ProcedureError",
    "ReadError",
    "ResiduekitError",
    "ResiduekitWarning",
    "StudyError",
    "WriteError",
    "did_you_mean",
    "grouped",
]


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong, and its mend.

    `found` says what was given, `needed` what is required, `fix` what to type;
    `file` and `line` (1-based) say where, as far as there is a where.
    """

    found: str
    needed: str
    fix: str
    file: str = ""
    line: int | None = None

    def __str__(self) -> str:
        where = self.file
        if self.line is not None:
            where = f"{where}, line {self.line}" if where else f"line {self.line}"
        head = f"{where}: " if where else ""
        return f"{head}found {self.found}; needed {self.needed}; to mend it: {self.fix}"


#: Faults of one mend in one file are told one by one up to this number.
MOST_ALIKE = 3
#: More choices than this are not listed, only the nearest.
_MOST_CHOICES, _NEAREST = 24, 3


class ResiduekitError(ValueError):
    """The root of the family; carries every fault that was found, not only the first.

    Parameters
    ----------
    faults : one or several.

    >>> error = ResiduekitError(Fault("a file of 0 bytes", "spectra", "export it again", "map.csv"))
    >>> print(error)
    map.csv: found a file of 0 bytes; needed spectra; to mend it: export it again
    >>> error.faults[0].needed
    'spectra'
    """

    def __init__(self, faults: Fault | Iterable[Fault]):
        self.faults: tuple[Fault, ...] = (faults,) if isinstance(faults, Fault) else tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    def __reduce__(self) -> tuple[type, tuple[tuple[Fault, ...]]]:
        return type(self), (self.faults,)


class ContractError(ResiduekitError):
    """An array or an argument that does not keep the contract of `residuekit.schema`."""


class ReadError(ResiduekitError):
    """A file that cannot be read without guessing."""


class WriteError(ResiduekitError):
    """A file that cannot be written, or would lose what it should keep."""


class ProcedureError(ResiduekitError):
    """A step that is unknown, wrongly parametrised, or does not fit the data."""


class MarkerError(ResiduekitError):
    """A marker band that is unknown or cannot be measured on this axis."""


class StudyError(ResiduekitError):
    """A study that is refused before anything is computed."""


class ResiduekitWarning(UserWarning):
    """Something the user should know, though the work goes on.

    >>> import warnings
    >>> with warnings.catch_warnings():
    ...     warnings.simplefilter("ignore", ResiduekitWarning)
    """


def did_you_mean(word: str, choices: Iterable[str], cutoff: float = 0.6) -> str:
    """Return `"did you mean 'x'?"` for the closest choice, else the list of choices.

    Of more than 24 choices only the three nearest are listed.

    >>> did_you_mean("arpsl", ["arpls", "rubber band"])
    "did you mean 'arpls'?"
    >>> did_you_mean("map", [f"data/row-{number}.nc" for number in range(100)])
    "choose from 'data/row-9.nc', 'data/row-8.nc', 'data/row-7.nc' or 97 others"
    """
    known = [str(choice) for choice in choices]
    folded = {choice.casefold(): choice for choice in reversed(known)}
    close = difflib.get_close_matches(str(word).casefold(), folded, n=1, cutoff=cutoff)
    if close:
        return f"did you mean {folded[close[0]]!r}?"
    nearest = known
    if len(known) > _MOST_CHOICES:
        nearest = difflib.get_close_matches(str(word).casefold(), known, n=_NEAREST, cutoff=0.0)
    said = "choose from " + ", ".join(repr(choice) for choice in nearest)
    rest = len(known) - len(nearest)
    return f"{said} or {rest} others" if rest else said


def grouped(faults: Iterable[Fault]) -> list[Fault]:
    """Make one fault of more than three that need the same mend in one file: the first, counted.

    >>> faults = [Fault(f"no file 'map{n}'", "a file", "copy it", "t.csv", n) for n in range(2, 9)]
    >>> print(*grouped(faults))
    t.csv, line 2: found no file 'map2', and 6 more rows (lines 3, 4, 5 ...); needed a file; to mend it: copy it
    """  # noqa: E501
    alike: dict[tuple[str, str, str], list[Fault]] = {}
    for fault in faults:
        alike.setdefault((fault.file, fault.needed, fault.fix), []).append(fault)
    told = []
    for first, *others in alike.values():
        if len(others) < MOST_ALIKE:
            told += [first, *others]
            continue
        lines = ", ".join(str(fault.line) for fault in others[:MOST_ALIKE])
        more = f"{first.found}, and {len(others)} more rows (lines {lines} ...)"
        if others[-1].line == first.line:
            more = f"{first.found}, and {len(others)} more alike"
        told.append(replace(first, found=more))
    return told
