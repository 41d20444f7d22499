"""The limits of a stratum side by side: of an arm's mean, of one mock-up, of one pixel."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import h5netcdf
import numpy as np

from .. import calibration as limits
from ..decision.blindness import LOADING_UNIT
from ..errors import ContractError
from ..reprs import sentence_case
from ..words.common import (
    Stratum,
    counted,
    in_words,
    number,
    stratum_of,
    stratum_words,
    true_minus,
    unit_words,
)
from .answer import judged
from .facts import loadings
from .text import Grid, grid

if TYPE_CHECKING:
    from ..results import StudyResult

_HEADS = ("limit of", "method", "decision limit", "detection limit", "90% interval of the latter",
          "values")  # fmt: skip


@dataclass(frozen=True)
class Limits:
    """The table of one stratum, and why a method could not be used, a sentence each."""

    table: Grid
    refused: tuple[str, ...]


@dataclass(frozen=True)
class Controls:
    """The control mock-ups of a stratum by its deciding score."""

    score: str
    unit: str
    blanks: tuple[float, ...]
    loads: tuple[float, ...]
    spiked: tuple[float, ...]
    found: tuple[bool, ...]


def controls_of(result: StudyResult, stratum: Stratum) -> Controls | None:
    """Blanks of the comparator and spiked mock-ups by the deciding score; None if none decided."""
    arms = [r for r in result.verdicts.to_dict("records") if stratum_of(r) == stratum and judged(r)]
    if not arms:
        return None
    score = str(arms[0]["score"])
    rows = [r for r in result.mockups.to_dict("records")
            if stratum_of(r) == stratum and r["score"] == score]  # fmt: skip
    blanks = [row for row in rows if row["role"] == "blank"]
    water = [row for row in blanks if row["treatment"] == "water"]
    known = loadings(result, stratum)
    spiked = [row for row in rows if row["role"] == "spiked" and row["mockup"] in known]
    spiked.sort(key=lambda row: known[row["mockup"]])
    return Controls(
        score=score,
        unit=str(arms[0]["unit"]),
        blanks=tuple(float(row["mean"]) for row in water or blanks),
        loads=tuple(known[row["mockup"]] for row in spiked),
        spiked=tuple(float(row["mean"]) for row in spiked),
        found=tuple(str(row["positive"]).casefold() == "true" for row in spiked),
    )


def limit_table(result: StudyResult, stratum: Stratum) -> Limits | None:
    """Set the limits of a stratum side by side, each with its method and what it is a limit of."""
    held = controls_of(result, stratum)
    if held is None:
        return None
    study = result.provenance["study"]
    rows = [*_of_verdicts(result, stratum), *_pixel(result, stratum, held.score)]
    refused: list[str] = []
    for name, make in _methods(held, study["alpha"], study["beta"]):
        try:
            rows.append(_limit_row(make()))
        except ContractError as problem:
            fault = problem.faults[0]
            refused.append(f"{name}: not possible here ({fault.found}; needed: {fault.needed}).")
    caption = (
        f"{sentence_case(stratum_words(stratum))}: limits by the {held.score} "
        f"({unit_words(held.unit)}); the first two lines decide, the others are set beside them"
    )
    return Limits(grid(caption, _HEADS, rows, texts=2), tuple(map(in_words, refused)))


def _digits(value: float) -> str:
    """Two digits: a limit from a few mock-ups is not known better."""
    if not math.isfinite(value) or abs(value) >= 10:
        return number(value, 2)
    return true_minus(f"{value:#.2g}")


def _of_verdicts(result: StudyResult, stratum: Stratum) -> Iterator[tuple[str, ...]]:
    arms = [r for r in result.verdicts.to_dict("records") if stratum_of(r) == stratum and judged(r)]
    for level, prefix in (("arm's mean", ""), ("one mock-up", "mockup_")):
        spans = [_span([row[f"{prefix}{kind}_limit"] for row in arms])
                 for kind in ("decision", "detection")]  # fmt: skip
        n = max(int(row["n_blank_mockups"]) for row in arms)
        yield (level, "pair of tests, noncentral t (the verdicts)", *spans, "–",
               counted(n, "blank"))  # fmt: skip


def _span(values: Sequence[float]) -> str:
    low, high = _digits(min(values)), _digits(max(values))
    return low if low == high else f"{low} to {high}"


def _pixel(result: StudyResult, stratum: Stratum, score: str) -> Iterator[tuple[str, ...]]:
    """The pixel limit that the score maps of the stratum carry."""
    for entry in result.provenance["maps"]:
        with h5netcdf.File(result.folder / entry["map"]) as opened:
            names = [name.decode() if isinstance(name, bytes) else str(name)
                     for name in opened["marker"][:]]  # fmt: skip
            if stratum_of(opened.attrs) != stratum or score not in names:
                continue
            value = float(opened["pixel_limit"][names.index(score)])
            yield (
                "one pixel", "normal, for all pixels of a map", _digits(value), "–", "–",
                "blank maps",
            )  # fmt: skip
            return


def _methods(
    held: Controls, alpha: float, beta: float
) -> Iterator[tuple[str, Callable[[], limits.Limit]]]:
    rates: Mapping[str, Any] = {"alpha": alpha, "beta": beta, "unit": held.unit}
    yield "Scatter of the blanks", lambda: limits.from_blanks(held.blanks, **rates)
    if held.unit != LOADING_UNIT:
        return
    x = np.array([*np.zeros(len(held.blanks)), *held.loads])
    y = np.array([*held.blanks, *held.spiked])
    for method in ("iso 11843-2", "din 32645", "hubaux-vos"):
        yield method, lambda m=method: limits.from_calibration(x, y, method=m, **rates)  # type: ignore[misc]
    yield (
        "Probability of detection",
        lambda: limits.from_spiking(held.loads, held.found, beta=beta, unit=held.unit),
    )


def _method_words(method: str) -> str:
    """A method's name with its factor of the standard deviation in plain words."""
    return method.replace("exact delta", "factor by the noncentral t").replace(
        "2 t in place of delta", "factor twice Student's t"
    )


def _limit_row(limit: limits.Limit) -> tuple[str, ...]:
    low, high = limit.detection_interval
    between = "–" if math.isnan(low) else f"{_digits(low)} to {_digits(high)}"
    return (
        {"mockup": "one mock-up", "pixel": "one pixel"}.get(limit.level, limit.level),
        _method_words(limit.method),
        _digits(limit.decision_limit),
        _digits(limit.detection_limit),
        between,
        f"{limit.n} mock-ups",
    )
