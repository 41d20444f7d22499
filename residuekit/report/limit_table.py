"""The limits of a stratum side by side: of an arm's mean, of one mock-up, of one pixel."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from .. import calibration
from ..calibration.calibrate import MISFIT
from ..decision.comparator import comparator_kind
from ..decision.pairs import common_way
from ..decision.panel_layout import BLOCK, panels_that_serve
from ..errors import ContractError, ResiduekitWarning
from ..figures.choice import loadings
from ..schema import LOADING_UNIT
from ..words import limits as words
from ..words.common import Stratum, counted, judged, stratum_of
from .facts import Rows, of_stratum, where
from .text import Grid, grid

if TYPE_CHECKING:
    from ..results import StudyResult

Floats = npt.NDArray[np.float64]
_HEADS = ("limit of", "method", "decision limit", "detection limit", "90% interval of the latter",
          "values")  # fmt: skip


@dataclass(frozen=True)
class Limits:
    """The table of one stratum, and a sentence each: that limits disagree, that a line does not
    fit, why a method could not be used."""

    table: Grid
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class Controls:
    """The control mock-ups of a stratum by its deciding score; `paired` as all of its arms are."""

    score: str
    paired: str
    unit: str
    blanks: tuple[float, ...]
    loads: tuple[float, ...]
    spiked: tuple[float, ...]
    found: tuple[bool, ...]


def controls_of(result: StudyResult, stratum: Stratum) -> Controls | None:
    """Blanks of the comparator and spiked mock-ups by the deciding score; None if none decided."""
    arms = judged_rows(result, stratum)
    if not arms:
        return None
    score = str(arms[0]["score"])
    compared = compared_blanks(result, stratum, score)
    known, spiked = loadings(result, stratum), spiked_rows(result, stratum, score)
    return Controls(
        score=score,
        paired=way_of(arms),
        unit=str(arms[0]["unit"]),
        blanks=tuple(float(row["mean"]) for row in compared),
        loads=tuple(known[row["mockup"]] for row in spiked),
        spiked=tuple(float(row["mean"]) for row in spiked),
        found=tuple(str(row["positive"]).casefold() == "true" for row in spiked),
    )


def compared_blanks(result: StudyResult, stratum: Stratum, score: str) -> Rows:
    """The rows of the blanks that a stratum's arms are compared with, by one score; where arms are
    judged within panels, of those on panels that serve."""
    rows = of_stratum(result.mockups, stratum)
    blanks = [row for row in rows if row["role"] == "blank" and row["score"] == score]
    kinds = [row["treatment"] for row in blanks]
    own = [row for row in blanks if row["treatment"] == comparator_kind(kinds)]
    if way_of(judged_rows(result, stratum)) != BLOCK:
        return own
    serve = panels_that_serve(row["block"] for row in own)
    return [row for row in own if row["block"] in serve]


def way_of(arms: Rows) -> str:
    """How the controls of a stratum are given, by its arms."""
    return common_way(str(row["paired"]) for row in arms)


def spiked_rows(result: StudyResult, stratum: Stratum, score: str) -> Rows:
    """The rows of the spiked mock-ups of a stratum by one score, by their loading."""
    known = loadings(result, stratum)
    rows = [
        row
        for row in of_stratum(result.mockups, stratum)
        if row["role"] == "spiked" and row["score"] == score and row["mockup"] in known
    ]
    return sorted(rows, key=lambda row: known[row["mockup"]])


def limit_table(result: StudyResult, stratum: Stratum) -> Limits | None:
    """Set the limits of a stratum side by side, each with its method and what it is a limit of."""
    held = controls_of(result, stratum)
    if held is None:
        return None
    study = result.provenance["study"]
    made: list[calibration.Limit] = []
    refused: list[str] = []
    for name, make in _methods(held, study["alpha"], study["beta"]):
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", ResiduekitWarning)
                made.append(make())
        except ContractError as problem:
            fault = problem.faults[0]
            refused.append(words.not_possible(name, fault.found, fault.needed))
    disagree = calibration.side_by_side(*made).disagreement if made else ()
    rows = [
        *_of_verdicts(result, stratum), *_pixel(result, stratum, held.score),
        *map(_limit_row, made),
    ]  # fmt: skip
    caption = words.table_caption(where(result, stratum), held.score, held.unit)
    return Limits(grid(caption, _HEADS, rows, texts=2), (*disagree, *_misfit(held), *refused))


def judged_rows(result: StudyResult, stratum: Stratum) -> Rows:
    """The arms of a stratum that were judged."""
    return [row for row in of_stratum(result.verdicts, stratum) if judged(row)]


def _of_verdicts(result: StudyResult, stratum: Stratum) -> Iterator[tuple[str, ...]]:
    arms = judged_rows(result, stratum)
    n = counted(max(int(row["n_blank_mockups"]) for row in arms), "blank")
    for level, prefix in (("mean", ""), ("mockup", "mockup_")):
        spans = [words.span([row[f"{prefix}{kind}_limit"] for row in arms])
                 for kind in ("decision", "detection")]  # fmt: skip
        yield words.LEVELS[level], words.OF_VERDICTS, *spans, "–", n


def _pixel(result: StudyResult, stratum: Stratum, score: str) -> Iterator[tuple[str, ...]]:
    """The pixel limit that the score maps of the stratum carry."""
    for entry in result.map_entries():
        opened = result.score_map(result.folder / entry["map"])
        names = opened["marker"].values.tolist()
        if stratum_of(opened.attrs) != stratum or score not in names:
            continue
        value = words.digits(float(opened["pixel_limit"].values[names.index(score)]))
        yield words.LEVELS["pixel"], words.OF_PIXELS, value, "–", "–", "blank maps"
        return


def _methods(
    held: Controls, alpha: float, beta: float
) -> Iterator[tuple[str, Callable[[], calibration.Limit]]]:
    rates: dict[str, Any] = {"alpha": alpha, "beta": beta, "unit": held.unit}
    if held.paired != BLOCK:
        yield "Scatter of the blanks", lambda: calibration.from_blanks(held.blanks, **rates)
    if held.unit != LOADING_UNIT:
        return
    x, y = _pairs(held)
    for method in ("iso 11843-2", "din 32645", "hubaux-vos"):
        yield method, lambda m=method: calibration.from_calibration(x, y, method=m, **rates)  # type: ignore[misc]
    yield (
        "Probability of detection",
        lambda: calibration.from_spiking(held.loads, held.found, beta=beta, unit=held.unit),
    )


def _pairs(held: Controls) -> tuple[Floats, Floats]:
    """Loadings and what was found, blanks first."""
    return (
        np.array([*np.zeros(len(held.blanks)), *held.loads]),
        np.array([*held.blanks, *held.spiked]),
    )


def _misfit(held: Controls) -> tuple[str, ...]:
    """That a straight line does not fit; nothing where it does, or where it was not tested."""
    if held.unit != LOADING_UNIT:
        return ()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", ResiduekitWarning)
            lack = calibration.calibrate(*_pairs(held), model="straight").lack_of_fit
    except ContractError:
        return ()
    return () if lack is None or lack.p_value >= MISFIT else (words.misfit(lack.p_value),)


def _limit_row(limit: calibration.Limit) -> tuple[str, ...]:
    low, high = limit.detection_interval
    return (
        words.LEVELS.get(limit.level, limit.level),
        words.method_words(limit.method),
        words.digits(limit.decision_limit),
        words.digits(limit.detection_limit),
        "–" if math.isnan(low) else f"{words.digits(low)} to {words.digits(high)}",
        f"{limit.n} mock-ups",
    )
