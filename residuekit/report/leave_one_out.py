"""What the arms of a stratum would be without each of its blanks and spiked mock-ups."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from ..decision.assessment import Assessment, Rules, assess
from ..decision.blindness import LIMIT_FACTOR, assess_blindness, scatter_of
from ..decision.claims import MIN_BLANKS, SCALE_MARGIN
from ..decision.panel_layout import BLOCK, LEAST_FREEDOM, panels_of
from ..decision.verdict import judge
from ..figures.choice import loadings
from ..kernels.slope import Slope, loading_slope
from ..schema import JUDGED_COLUMNS, LOADING_UNIT, REFERENCE_FILM
from ..words import limits as words
from ..words.common import Row, Stratum
from .facts import of_stratum, where
from .limit_table import compared_blanks, judged_rows, spiked_rows, way_of
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
    """The controls' values in the unit of the run; `fixed` is a slope that is not theirs.

    `blanks` are what each differs by from the mean of its panel, `alone` from that of all; without
    panels all lie on one.
    """

    blanks: Floats
    alone: Floats
    on: npt.NDArray[np.str_]
    loads: Floats
    spiked: Floats
    errors: Floats
    shared: Floats
    spiked_on: npt.NDArray[np.str_]
    noise: float
    fixed: Slope | None


@dataclass(frozen=True)
class _Kept:
    """What is left of the controls: which blanks, which spiked mock-ups; `panel` is left out."""

    name: str
    blanks: npt.NDArray[np.bool_]
    spiked: npt.NDArray[np.bool_]
    panel: str | None = None


@dataclass(frozen=True)
class _Arm:
    """An arm's row, the values of its mock-ups and the panel of each."""

    row: Row
    values: Floats
    on: npt.NDArray[np.str_]


def leave_one_out(result: StudyResult, stratum: Stratum) -> Grid | None:
    """Judge the arms of a stratum without each control in turn, by the values of the run.

    Within panels a blank leaves its panel, whose mock-ups are then compared with those that stay
    there, and each panel leaves with all that lies on it. The weights of the score and the shape
    test stay as they are; so does the slope where it rests on films, or on spiked mock-ups of other
    ageings. Arms that are compared with other blanks than the stratum's are not in the table; None
    where none is left, or nothing can be left out.
    """
    arms = judged_rows(result, stratum)
    if not arms:
        return None
    score, within = str(arms[0]["score"]), way_of(arms) == BLOCK
    blanks, spiked = (rows(result, stratum, score) for rows in (compared_blanks, spiked_rows))
    if len(blanks) < MIN_BLANKS:
        return None
    held = _held(result, stratum, arms[0], blanks, spiked, within)
    varied = list(_varied(held, blanks, spiked))
    exposed = result.mockups[result.mockups["role"] == "exposed"].to_dict("records")
    rules = _rules(result)
    every = [_arm(exposed, arm, within) for arm in arms if within or arm["paired"] != BLOCK]
    asked = [arm for arm in every if arm.values.size
             and math.isclose(_assessed(arm, held, varied[0], rules).decision_limit,
                              arm.row["decision_limit"], rel_tol=_AGREES)]  # fmt: skip
    if not asked or len(varied) == 1:
        return None
    rows = []
    for kept in varied:
        found = [(arm.row, _assessed(arm, held, kept, rules)) for arm in asked
                 if kept.panel is None or (arm.on != kept.panel).any()]  # fmt: skip
        if not found:
            continue
        of_verdict = [(arm, judge([one]).verdict) for arm, one in found]
        seeing = [one for (_, one), (_, verdict) in zip(found, of_verdict, strict=True)
                  if verdict != "not assessable"]  # fmt: skip
        limits = [words.span([getattr(one, kind) for one in seeing])
                  for kind in ("decision_limit", "detection_limit")]  # fmt: skip
        above = [arm for arm, one in found if one.above]
        absent, blind = (
            [arm for arm, verdict in of_verdict if verdict == wanted]
            for wanted in ("not detected", "not assessable")
        )
        counts = (words.arms_of(some, len(found)) for some in (above, absent, blind))
        rows.append((kept.name, *limits, *counts))
    caption = words.left_out_caption(where(result, stratum), within)
    return grid(caption, words.LEFT_OUT_HEADS, rows)


def _varied(held: _Controls, blanks: Sequence[Row], spiked: Sequence[Row]) -> Iterator[_Kept]:
    """All controls, and what is left of them without each blank, spiked mock-up and panel that may
    go: enough freedom and a blank on its panel must stay, and a line."""
    every, loaded = np.full(len(blanks), True), np.full(held.loads.size, True)
    yield _Kept(words.NONE_LEFT_OUT, every, loaded)
    names, counts = np.unique(held.on, return_counts=True)
    on_panel = dict(zip(names.tolist(), counts.tolist(), strict=True))
    freedom = len(blanks) - len(names)
    for place, row in enumerate(blanks):
        panel = str(held.on[place])
        if freedom > LEAST_FREEDOM and on_panel[panel] > 1:
            name = f"blank {row['mockup']}" + (f" (panel {panel})" if panel else "")
            yield _Kept(name, np.arange(len(blanks)) != place, loaded)
    if held.loads.size >= _LEAST_SPIKED:
        for place, row in enumerate(spiked):
            yield _Kept(f"spiked {row['mockup']}", every, np.arange(held.loads.size) != place)
    for panel, count in on_panel.items():
        left = held.spiked_on != panel
        lined = not held.loads.size or left.sum() > 1
        if len(names) > 1 and freedom - (count - 1) >= LEAST_FREEDOM and lined:
            yield _Kept(f"panel {panel}", held.on != panel, left, panel)


def _held(
    result: StudyResult,
    stratum: Stratum,
    arm: Row,
    blanks: Sequence[Row],
    spiked: Sequence[Row],
    within: bool,
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
    on = _panels(blanks, within)
    values = np.array([float(row["mean"]) for row in blanks])
    return _Controls(
        blanks=values / panels_of(on.tolist(), ()).widening,
        alone=np.array([float(row["unpaired"]) for row in blanks]) if within else values,
        on=on,
        loads=np.array([known[row["mockup"]] for row in spiked]),
        spiked=np.array([float(row["mean"]) for row in spiked]),
        errors=np.array([errors[row["mockup"]] / 100 for row in spiked]),
        shared=np.array([float(within or not arm["paired"] or row["mockup"] in before)
                         for row in spiked]),
        spiked_on=_panels(spiked, within),
        noise=float(line["noise_limit"]) / LIMIT_FACTOR,
        fixed=fixed,
    )  # fmt: skip


def _panels(rows: Sequence[Row], within: bool) -> npt.NDArray[np.str_]:
    return np.array([str(row["block"]) if within else "" for row in rows], dtype=str)


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


def _arm(mockups: Sequence[Row], arm: Row, within: bool) -> _Arm:
    """An arm with what its exposed mock-ups differ by from the mean of their blanks."""
    rows = [
        row
        for row in mockups
        if row["score"] == arm["score"]
        and all(row[name] == arm[name] or row[name] != row[name] for name in JUDGED_COLUMNS)
    ]  # fmt: skip
    return _Arm(arm, np.array([float(row["mean"]) for row in rows]), _panels(rows, within))


def _assessed(arm: _Arm, held: _Controls, kept: _Kept, rules: Rules) -> Assessment:
    """An arm by these controls; what the run could not explain of it stays unexplained."""
    on, spiked_on = held.on[kept.blanks], held.spiked_on[kept.spiked]
    moved = {name: held.blanks[kept.blanks & (held.on == name)].mean()
             - held.blanks[held.on == name].mean() for name in set(on.tolist())}  # fmt: skip
    moved_all = held.alone[kept.blanks].mean() - held.alone.mean()
    stays = np.full(arm.on.size, True) if kept.panel is None else arm.on != kept.panel
    exposed_on = arm.on[stays]
    lie = panels_of(on.tolist(), exposed_on.tolist())
    blanks = (held.blanks[kept.blanks] - [moved[name] for name in on]) * lie.widening
    found = held.spiked[kept.spiked] - [moved.get(name, moved_all) for name in spiked_on]
    beside = np.isin(on, exposed_on)
    own = [float(name in exposed_on) if name in moved else beside.mean() for name in spiked_on]
    shared, errors = held.shared[kept.spiked] * own, held.errors[kept.spiked]
    loads, blanks = held.loads[kept.spiked], blanks - blanks.mean()
    slope = loading_slope(loads, found, scatter_of(blanks), shared=shared, errors=errors,
                          film=held.fixed)  # fmt: skip
    return assess(
        blanks,
        arm.values[stays] - [moved[name] for name in exposed_on],
        assess_blindness(blanks, slope, noise=held.noise,
                         acceptance_limit=rules.acceptance_limit),
        rules,
        loadings=loads,
        spiked=found,
        shared=shared,
        errors=errors,
        film=held.fixed,
        unexplained=math.inf if "unexplained-difference" in str(arm.row["codes"]) else 0.0,
        panels=lie,
    )  # fmt: skip
