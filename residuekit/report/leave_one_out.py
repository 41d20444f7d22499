"""What the arms of a stratum would be without each of its blanks and spiked mock-ups."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ..decision.assessment import Assessment, Rules, assess
from ..decision.blindness import LIMIT_FACTOR, assess_blindness, scatter_of
from ..decision.claims import MIN_BLANKS, SCALE_MARGIN
from ..decision.panel_layout import BLOCK
from ..decision.verdict import judge
from ..figures.choice import loadings
from ..kernels.slope import Slope, loading_slope
from ..schema import JUDGED_COLUMNS, LOADING_UNIT, REFERENCE_FILM
from ..words import limits as words
from ..words.common import Row, Stratum
from .facts import of_stratum, where
from .limit_table import compared_blanks, judged_rows, spiked_rows
from .text import Grid, grid

if TYPE_CHECKING:
    from ..results import StudyResult

Floats = npt.NDArray[np.float64]
#: Fewer spiked mock-ups would leave no line.
_LEAST_SPIKED = 3
#: The decision limit of the run comes out again within this, or an arm has other blanks.
_AGREES = 1e-3


@dataclass(frozen=True)
class _Controls:
    """The controls' values in the unit of the run; `fixed` is a slope that is not theirs."""

    blanks: Floats
    loads: Floats
    spiked: Floats
    errors: Floats
    shared: Floats
    noise: float
    fixed: Slope | None

    def without(self, place: int, *names: str) -> _Controls:
        kept: dict[str, Any] = {name: np.delete(getattr(self, name), place) for name in names}
        return replace(self, **kept)


def leave_one_out(result: StudyResult, stratum: Stratum) -> Grid | None:
    """Judge the arms of a stratum without each control in turn, by the values of the run.

    The weights of the score and the shape test stay as they are; so does the slope where it rests
    on films, or on spiked mock-ups of other ageings. Arms that are compared with other blanks than
    the stratum's are not in the table; None where none is left,
    nothing can be left out, or arms are judged within panels.
    """
    arms = judged_rows(result, stratum)
    if not arms or any(row["paired"] == BLOCK for row in arms):
        return None
    score = str(arms[0]["score"])
    blanks, spiked = (rows(result, stratum, score) for rows in (compared_blanks, spiked_rows))
    if len(blanks) < MIN_BLANKS:
        return None
    held = _held(result, stratum, arms[0], blanks, spiked)
    varied = [(words.NONE_LEFT_OUT, held)]
    if len(blanks) > MIN_BLANKS:
        varied += [(f"blank {row['mockup']}", held.without(place, "blanks"))
                   for place, row in enumerate(blanks)]  # fmt: skip
    if held.loads.size >= _LEAST_SPIKED:
        varied += [
            (f"spiked {row['mockup']}", held.without(place, "loads", "spiked", "errors", "shared"))
            for place, row in enumerate(spiked)
        ]
    exposed = result.mockups[result.mockups["role"] == "exposed"].to_dict("records")
    rules = _rules(result)
    asked = [(arm, own) for arm in arms if (own := _exposed(exposed, arm)).size
             and math.isclose(_assessed(arm, own, held, rules).decision_limit,
                              arm["decision_limit"], rel_tol=_AGREES)]  # fmt: skip
    if not asked or len(varied) == 1:
        return None
    rows = []
    for name, kept in varied:
        found = [(arm, _assessed(arm, own, kept, rules)) for arm, own in asked]
        limits = [words.span([getattr(one, kind) for _, one in found])
                  for kind in ("decision_limit", "detection_limit")]  # fmt: skip
        above = [arm for arm, one in found if one.above]
        absent = [arm for arm, one in found if judge([one]).verdict == "not detected"]
        rows.append((name, *limits, *(words.arms_of(some, len(asked)) for some in (above, absent))))
    return grid(words.left_out_caption(where(result, stratum)), words.LEFT_OUT_HEADS, rows)


def _held(
    result: StudyResult,
    stratum: Stratum,
    arm: Row,
    blanks: Sequence[Row],
    spiked: Sequence[Row],
) -> _Controls:
    line = next(row for row in of_stratum(result.markers, stratum) if row["score"] == arm["score"])
    fixed = _fixed(result, stratum, arm, line, len(spiked))
    if fixed is not None or arm["unit"] != LOADING_UNIT:
        spiked = ()
    known = loadings(result, stratum)
    listed = result.provenance["measurements"]
    errors = {row["mockup"]: row.get("loading_error_percent") or 0.0
              for row in listed if row["role"] == "spiked"}  # fmt: skip
    before = {row["mockup"] for row in listed if row["role"] == "before"}
    return _Controls(
        blanks=np.array([float(row["mean"]) for row in blanks]),
        loads=np.array([known[row["mockup"]] for row in spiked]),
        spiked=np.array([float(row["mean"]) for row in spiked]),
        errors=np.array([errors[row["mockup"]] / 100 for row in spiked]),
        shared=np.array([float(not arm["paired"] or row["mockup"] in before) for row in spiked]),
        noise=float(line["noise_limit"]) / LIMIT_FACTOR,
        fixed=fixed,
    )


def _fixed(
    result: StudyResult, stratum: Stratum, arm: Row, line: Row, n_spiked: int
) -> Slope | None:
    """The slope of the run where leaving out one of the stratum's spiked mock-ups says nothing of
    it; in the unit of the run it is 1."""
    if arm["unit"] != LOADING_UNIT:
        return None
    film = arm["scale"] == REFERENCE_FILM
    behind = _behind_slope(result, stratum, str(arm["residue"]))
    if film:
        loads = np.asarray(result.spectra["loading_ug_cm2"].values[result.is_pure()], dtype=float)
        behind = loads[loads > 0]
    elif n_spiked == behind.size:
        return None
    error = float(line["slope_se"] / line["slope"])
    return Slope(1.0, error, behind.size, highest=float(behind.max()), film=film)


def _behind_slope(result: StudyResult, stratum: Stratum, residue: str) -> Floats:
    """The loadings of the spiked mock-ups, of any ageing, that the slope of a stratum rests on."""
    spectra = result.spectra
    loads = np.asarray(spectra["loading_ug_cm2"].values, dtype=float)
    behind: Floats = loads[
        (spectra["role"].values == "spiked")
        & (spectra["paint"].values == stratum[0])
        & (spectra["soiling"].values == stratum[1])
        & ((spectra["material"].values == residue) | (spectra["treatment"].values == residue))
        & (loads > 0)
    ]
    return behind


def _rules(result: StudyResult) -> Rules:
    study = result.provenance["study"]
    limits = study["acceptance_limit_ug_cm2"], study.get("scale_margin", SCALE_MARGIN)
    return Rules(study["alpha"], study["beta"], *limits)


def _exposed(mockups: Sequence[Row], arm: Row) -> Floats:
    """What the exposed mock-ups of an arm differ by from the mean of all blanks."""
    rows = [
        row
        for row in mockups
        if row["score"] == arm["score"]
        and all(row[name] == arm[name] or row[name] != row[name] for name in JUDGED_COLUMNS)
    ]  # fmt: skip
    return np.array([float(row["mean"]) for row in rows])


def _assessed(arm: Row, exposed: Floats, kept: _Controls, rules: Rules) -> Assessment:
    """An arm by these controls; what the run could not explain of it stays unexplained."""
    found = kept.spiked - kept.blanks.mean()
    slope = loading_slope(kept.loads, found, scatter_of(kept.blanks), shared=kept.shared,
                          errors=kept.errors, film=kept.fixed)  # fmt: skip
    return assess(
        kept.blanks,
        exposed,
        assess_blindness(kept.blanks, slope, noise=kept.noise,
                         acceptance_limit=rules.acceptance_limit),
        rules,
        loadings=kept.loads,
        spiked=found,
        shared=kept.shared,
        errors=kept.errors,
        film=kept.fixed,
        unexplained=math.inf if "unexplained-difference" in str(arm["codes"]) else 0.0,
    )  # fmt: skip
