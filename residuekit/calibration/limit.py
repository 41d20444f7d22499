"""What a limit is: a value with its method, its error rates, its n and its own interval."""

from __future__ import annotations

import html
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar, Self

from ..errors import ContractError, Fault
from ..kernels.calibration_lines import film_thickness
from ..schema import LIST_SEPARATOR
from ..words.limits import limits_disagree

if TYPE_CHECKING:
    import pandas as pd

Interval = tuple[float, float]

#: The interval of a limit a method gives none for.
NONE: Interval = (math.nan, math.nan)


@dataclass(frozen=True)
class Density:
    """The density of a film in g cm-3, and where the number comes from."""

    value: float
    source: str


#: Dry poly(vinyl alcohol).
PVA = Density(1.3, "poly(vinyl alcohol), from memory")


@dataclass(frozen=True)
class Limit:
    """A decision and a detection limit above the blank, named by the method that made them.

    Attributes
    ----------
    method : the standard or paper, and which of its forms.
    decision_limit, detection_limit : in `unit`, above zero load; NaN where the method has none.
    unit : one of `residuekit.schema.UNITS`.
    alpha, beta : the error rates the method holds; NaN where it holds none.
    n, degrees_of_freedom : values behind the limit; infinite where a scatter is taken as known or
        the method is asymptotic.
    decision_interval, detection_interval : two-sided interval of the limit itself, at
        `confidence`; NaN where the method gives none.
    critical_response : the reading above which `detected` is decided, blank included.
    quantification_limit : where the method defines one, else NaN.
    notes : what the reader of the number has to know.

    Limits of different types (pixel, map, mock-up, arm) are different quantities: ordering them
    raises `ContractError`, and so does ordering two units.
    """

    method: str
    decision_limit: float
    detection_limit: float
    unit: str
    alpha: float
    beta: float
    n: int
    degrees_of_freedom: float
    decision_interval: Interval
    detection_interval: Interval
    confidence: float
    critical_response: float
    quantification_limit: float = math.nan
    notes: tuple[str, ...] = ()
    level: ClassVar[str] = ""

    def __lt__(self, other: Limit) -> bool:
        return self._order(other) < 0

    def __le__(self, other: Limit) -> bool:
        return self._order(other) <= 0

    def __gt__(self, other: Limit) -> bool:
        return self._order(other) > 0

    def __ge__(self, other: Limit) -> bool:
        return self._order(other) >= 0

    def _order(self, other: Limit) -> float:
        refuse_mixture((self, other))
        difference = self.detection_limit - other.detection_limit
        if math.isnan(difference):
            raise ContractError(
                Fault("a limit without a detection limit", "two detection limits to compare",
                      "a method that controls beta, for example method='iso 11843-2'")
            )  # fmt: skip
        return difference

    def as_film(self, density: Density = PVA) -> Self:
        """Give the limit as nm of an even film of the stated density, from ug cm-2."""
        if self.unit != "ug cm-2":
            raise ContractError(
                Fault(f"a limit in {self.unit!r}", "a limit in 'ug cm-2'",
                      "residuekit.calibration.from_calibration with loadings in ug cm-2")
            )  # fmt: skip
        note = f"film of density {density.value:g} g cm-3 ({density.source})"

        def nm(value: float) -> float:
            return float(film_thickness(value, density.value))

        return replace(
            self,
            unit="nm",
            decision_limit=nm(self.decision_limit),
            detection_limit=nm(self.detection_limit),
            quantification_limit=nm(self.quantification_limit),
            decision_interval=(nm(self.decision_interval[0]), nm(self.decision_interval[1])),
            detection_interval=(nm(self.detection_interval[0]), nm(self.detection_interval[1])),
            notes=(*self.notes, note),
        )

    def to_frame(self) -> pd.DataFrame:
        """Give the limit as a table of one row."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "level": self.level,
                    "method": self.method,
                    "decision_limit": self.decision_limit,
                    "decision_low": self.decision_interval[0],
                    "decision_high": self.decision_interval[1],
                    "detection_limit": self.detection_limit,
                    "detection_low": self.detection_interval[0],
                    "detection_high": self.detection_interval[1],
                    "quantification_limit": self.quantification_limit,
                    "unit": self.unit,
                    "alpha": self.alpha,
                    "beta": self.beta,
                    "n": self.n,
                    "degrees_of_freedom": self.degrees_of_freedom,
                    "confidence": self.confidence,
                    "critical_response": self.critical_response,
                    "notes": LIST_SEPARATOR.join(self.notes),
                }
            ]
        )

    def _lines(self) -> list[tuple[str, str]]:
        unit = "" if self.unit == "1" else f" {self.unit}"
        lines = [
            ("method", self.method),
            ("decision limit", _with_interval(self.decision_limit, self.decision_interval, unit)),
            (
                "detection limit",
                _with_interval(self.detection_limit, self.detection_interval, unit),
            ),
            ("interval", f"{self.confidence:.0%}, two-sided, of the limit itself"),
            ("alpha, beta", f"{number(self.alpha)}, {number(self.beta)}"),
            ("n, degrees of freedom", f"{self.n}, {number(self.degrees_of_freedom)}"),
            ("critical response", number(self.critical_response)),
        ]
        if not math.isnan(self.quantification_limit):
            lines.append(("quantification limit", f"{number(self.quantification_limit)}{unit}"))
        return lines + [("note", note) for note in self.notes]

    def __repr__(self) -> str:
        lines = self._lines()
        return "\n".join(
            [type(self).__name__, *(f"  {name + ':':<23}{text}" for name, text in lines)]
        )

    def _repr_html_(self) -> str:
        return html_table(type(self).__name__, self._lines())


class PixelLimit(Limit):
    """A limit of one pixel."""

    level = "pixel"


class MapLimit(Limit):
    """A limit of the mean of one map."""

    level = "map"


class MockupLimit(Limit):
    """A limit of one mock-up, the unit of replication."""

    level = "mockup"


class ArmLimit(Limit):
    """A limit of the mean of an arm's mock-ups."""

    level = "arm"


LEVELS: dict[str, type[Limit]] = {
    kind.level: kind for kind in (PixelLimit, MapLimit, MockupLimit, ArmLimit)
}


@dataclass(frozen=True, repr=False)
class Comparison:
    """Limits of one type and unit side by side, in the order given."""

    limits: tuple[Limit, ...]

    def __post_init__(self) -> None:
        refuse_mixture(self.limits)

    def to_frame(self) -> pd.DataFrame:
        """Give the limits as a table, one row each."""
        import pandas as pd

        return pd.concat([limit.to_frame() for limit in self.limits], ignore_index=True)

    def _rows(self) -> list[list[str]]:
        head = ["method", "decision", "detection", "alpha", "beta", "n", "nu"]
        return [head] + [
            [
                limit.method,
                _with_interval(limit.decision_limit, limit.decision_interval),
                _with_interval(limit.detection_limit, limit.detection_interval),
                *map(number, (limit.alpha, limit.beta, limit.n, limit.degrees_of_freedom)),
            ]
            for limit in self.limits
        ]

    def _title(self) -> str:
        first = self.limits[0]
        return f"{first.level} limits, unit {first.unit}, {first.confidence:.0%} intervals"

    def __repr__(self) -> str:
        rows = self._rows()
        widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
        lines = ("  ".join(map(str.ljust, row, widths)).rstrip() for row in rows)
        return "\n".join([self._title(), *lines, *self.disagreement])

    def _repr_html_(self) -> str:
        head, *rows = self._rows()
        cells = ["".join(f"<td>{html.escape(text)}</td>" for text in row) for row in rows]
        top = "".join(f"<th>{text}</th>" for text in head)
        body = "".join(f"<tr>{row}</tr>" for row in (top, *cells))
        said = "".join(f"<p>{html.escape(line)}</p>" for line in self.disagreement)
        return f"<table><caption>{html.escape(self._title())}</caption>{body}</table>{said}"

    @property
    def disagreement(self) -> tuple[str, ...]:
        """That the lowest and the highest detection limit differ by more than their intervals
        allow, and which to trust; empty where they do not."""
        seen = [one for one in self.limits if math.isfinite(sum(one.detection_interval))]
        if not seen:
            return ()
        low = min(seen, key=lambda one: one.detection_limit)
        high = max(seen, key=lambda one: one.detection_limit)
        if low.detection_interval[1] >= high.detection_interval[0]:
            return ()
        shown = [(one.method, one.detection_limit, one.detection_interval) for one in (low, high)]
        return (limits_disagree(*shown),)


def side_by_side(*limits: Limit) -> Comparison:
    """Set limits of one type and unit beside one another.

    Parameters
    ----------
    limits : `Limit`s.

    Returns
    -------
    A `Comparison`, in the order given.

    Raises
    ------
    ContractError : no limit at all, or limits of different types, units or interval confidence.

    >>> import residuekit as rk
    >>> one = rk.calibration.from_blanks([0.9, 1.1, 1.0])
    >>> two = rk.calibration.from_blanks([0.9, 1.1, 1.0], method="tolerance")
    >>> len(side_by_side(one, two).to_frame())
    2
    """
    return Comparison(limits)


def refuse_mixture(limits: tuple[Limit, ...]) -> None:
    """Raise unless all limits are of one type, one unit and one confidence of the interval."""
    strangers = [limit for limit in limits if not isinstance(limit, Limit)]
    if strangers or not limits:
        raise ContractError(
            Fault(f"a {type(strangers[0]).__name__}" if strangers else "no limit",
                  "limits made by residuekit.calibration",
                  "residuekit.calibration.from_blanks(blanks)")
        )  # fmt: skip
    faults = []
    levels = sorted({limit.level for limit in limits})
    if len(levels) > 1:
        faults.append(
            Fault(f"limits of different types ({', '.join(levels)})",
                  "limits of one type: the scatter of pixels, maps, mock-ups and arms differs, so "
                  "their limits are different quantities and never stand for one another",
                  f"make both with level={levels[0]!r}, from values of that level")
        )  # fmt: skip
    units = sorted({limit.unit for limit in limits})
    if len(units) > 1:
        faults.append(
            Fault(f"limits in {' and '.join(units)}", "limits in one unit",
                  f"make all with unit={units[0]!r}, or limit.as_film() for nm")
        )  # fmt: skip
    confidences = sorted({limit.confidence for limit in limits})
    if len(confidences) > 1:
        faults.append(
            Fault(f"intervals at {' and '.join(map(str, confidences))}", "one confidence",
                  f"make all with confidence={confidences[0]}")
        )  # fmt: skip
    if faults:
        raise ContractError(faults)


def number(value: float) -> str:
    """Write a number to four digits; a dash where the method has none."""
    return "-" if math.isnan(value) else f"{value:.4g}"


def _with_interval(value: float, interval: Interval, unit: str = "") -> str:
    if math.isnan(value):
        return "-"
    low, high = interval
    span = "" if math.isnan(low) else f" [{number(low)}, {number(high)}]"
    return f"{number(value)}{span}{unit}"


def html_table(caption: str, lines: list[tuple[str, str]]) -> str:
    """Write named lines as an HTML table."""
    rows = "".join(
        f"<tr><th>{html.escape(name)}</th><td>{html.escape(text)}</td></tr>" for name, text in lines
    )
    return f"<table><caption>{html.escape(caption)}</caption>{rows}</table>"
