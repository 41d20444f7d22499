"""What the figure shows: the strata that can be drawn, their arms; and what it leaves out, with
the reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..decision.pairs import BEFORE
from ..errors import ContractError, Fault, did_you_mean
from ..schema import JUDGED_COLUMNS, LOADING_UNIT
from ..words.caption import arms_not_drawn
from ..words.common import (
    Stratum,
    blank_words,
    counted,
    judged,
    number,
    stratum_of,
    stratum_words,
    working_exposure,
)
from .curve_choice import choose_spectra, choose_spiking
from .map_choice import Pick, choose_maps
from .stratum import Block, Group, in_stratum

if TYPE_CHECKING:
    import pandas as pd

    from ..results import StudyResult

Row = Mapping[Any, Any]
#: What is drawn or written of an arm that was judged.
_NUMBERS = ("estimate", "decision_limit", "detection_limit", "identification_limit",
            "mockup_decision_limit", "mockup_detection_limit", "upper_bound")  # fmt: skip


def choose(
    result: StudyResult, strata: Sequence[str | Stratum] | None = None, most_arms: int = 14
) -> tuple[list[Block], list[str]]:
    """Choose what is drawn; return the blocks and a sentence for everything left out.

    Left to itself it draws every stratum that has its controls and limits. `strata` names the
    wanted ones by paint or by (paint, soiling, ageing_h). Of more than `most_arms` arms of a
    stratum those detected are drawn first, then that of the working exposure, then the highest.

    Raises
    ------
    ContractError : an unknown stratum; a wanted stratum without blanks, limits or a scale bar;
        nothing that can be drawn.
    """
    known = list(dict.fromkeys(map(stratum_of, result.verdicts.to_dict("records"))))
    wanted = known if strata is None else [_named(name, known) for name in strata]
    blocks: list[Block] = []
    faults: list[Fault] = []
    for stratum in wanted:
        drawn = _block(result, stratum, most_arms)
        if isinstance(drawn, Fault):
            faults.append(drawn)
        else:
            blocks.append(drawn)
    if faults and (strata is not None or not blocks):
        raise ContractError(faults)
    if not blocks:
        raise ContractError(
            Fault("a study without arms", "at least one exposed arm", "rows with the role exposed")
        )
    left_out = [f"{fault.found}: not drawn; {fault.fix}." for fault in faults]
    for block in blocks:
        missing = len(_arms(result, block.stratum)) - sum(
            g.verdict is not None for g in block.groups
        )
        if missing:
            left_out.append(arms_not_drawn(block, missing))
    return blocks, left_out


def _named(name: str | Stratum, known: Sequence[Stratum]) -> Stratum:
    found = [s for s in known if name in (s[0], stratum_words(s)) or name == s]
    if len(found) == 1:
        return found[0]
    words = [stratum_words(s) for s in known]
    fix = f"one of {found}" if found else did_you_mean(str(name), words)
    raise ContractError(Fault(f"the stratum {name!r}", "one stratum of the study", fix))


def _arms(result: StudyResult, stratum: Stratum) -> list[dict[Any, Any]]:
    rows = result.verdicts.to_dict("records")
    return [row for row in rows if stratum_of(row) == stratum]


def _refusal(table: pd.DataFrame, arms: Sequence[Row], words: str) -> Fault | None:
    """Why a stratum cannot be drawn, or None."""
    if not (table["role"] == "blank").any():
        return Fault(
            f"{words} without a blank mock-up",
            "a control for everything that is drawn",
            "measure blanks of this paint, soiling and ageing and run the study again",
        )
    if not arms:
        return Fault(
            f"{words} without an arm that could be judged",
            "an exposed mock-up beside the blanks",
            "read in verdicts.csv why, and run the study again",
        )
    if all(row["verdict"] == "not assessable" for row in arms):
        return Fault(
            f"{words} with no arm that is assessable",
            "an arm with numbers to draw",
            "read in verdicts.csv why there is none",
        )
    if not any(np.isfinite(row["mockup_decision_limit"]) for row in arms):
        return Fault(
            f"{words} without a decision limit",
            "a limit beside every mock-up that is drawn",
            "measure two blank mock-ups or more, better six, and run the study again",
        )
    return None


def _block(result: StudyResult, stratum: Stratum, most_arms: int) -> Block | Fault:
    """The block of a stratum, or why it cannot be drawn."""
    table = result.mockups[in_stratum(result.mockups, stratum)]
    scored = [row for row in _arms(result, stratum) if row["score"]]
    refused = _refusal(table, scored, stratum_words(stratum))
    if refused is not None:
        return refused
    score, own_unit = str(scored[0]["score"]), str(scored[0]["unit"])
    own = table[table["score"] == score]
    same = ((score, own_unit), ("", ""))
    arms = [row for row in _arms(result, stratum) if (row["score"], row["unit"]) in same]
    working = _working_arm(result, arms)
    if len(arms) > most_arms:
        kept = sorted(arms, key=lambda row: _rank(row, working))[:most_arms]
        arms = [row for row in arms if row in kept]
    exposed = own[own["role"] == "exposed"]
    exposed = exposed[_any_arm(exposed, arms)]
    picks = _picks(exposed, working)
    known = loadings(result, stratum)
    maps = choose_maps(result, own, stratum, own_unit, picks, _by_loading(own, known))
    if isinstance(maps, Fault):
        return maps
    limits = next(row for row in (working, *scored) if row is not None)
    study = result.provenance["study"]
    spiking = choose_spiking(result, own, stratum, own_unit, known, limits)
    paired = next((row["paired"] for row in arms if row["paired"]), "")
    return Block(
        stratum=stratum,
        score=score,
        unit=own_unit,
        groups=tuple(_groups(own, arms, working, known, all_loads=spiking is None)),
        maps=maps[0],
        pixel_limit=maps[1],
        **choose_spectra(result, stratum, picks, paired=paired == BEFORE),
        spiking=spiking,
        residue=study["residue"],
        acceptance=study["acceptance_limit_ug_cm2"] if own_unit == LOADING_UNIT else None,
        paired=paired,
    )


def _rank(row: Row, working: Row | None) -> tuple[bool, bool, float]:
    """What is drawn before what: the detected arms, the working one, the highest."""
    return row["verdict"] != "detected", row is not working, -_height(row)


def _height(row: Row) -> float:
    return float(np.nan_to_num(row["estimate"], nan=-np.inf))


def _working_arm(result: StudyResult, arms: Sequence[Row]) -> Row | None:
    """The arm of the working exposure of what leaves the residue; of several the highest one."""
    study = result.provenance["study"]
    there = [row for row in arms if row["treatment"] in study["left_by"]
             and row["exposure_min"] == working_exposure(study, row["treatment"])]  # fmt: skip
    return max(there, key=_height, default=None)


def _any_arm(table: pd.DataFrame, arms: Sequence[Row]) -> Any:
    keys = {tuple(row[name] for name in JUDGED_COLUMNS) for row in arms}
    return [key in keys for key in table[list(JUDGED_COLUMNS)].itertuples(index=False, name=None)]


def _picks(exposed: pd.DataFrame, working: Row | None) -> list[Pick]:
    """The highest mock-up of the working exposure, and the highest of all where it is another
    arm's."""
    picks: list[Pick] = []
    for at_work in (True, False):
        rows = exposed
        if at_work:
            rows = exposed[_any_arm(exposed, [] if working is None else [working])]
        if rows.empty:
            continue
        highest = rows.iloc[int(rows["mean"].to_numpy().argmax())].to_dict()
        if picks and all(picks[0].row[name] == highest[name] for name in JUDGED_COLUMNS):
            continue
        of = "at the working exposure" if at_work else "of all"
        rule = f"the highest {of}, {counted(len(rows), 'mock-up')}"
        words = f"exposed {highest['exposure_min']:g} min"
        picks.append(Pick("exposed", words, rule, highest, at_work))
    return sorted(picks, key=lambda pick: float(pick.row["exposure_min"]))


def _groups(
    own: pd.DataFrame,
    arms: Sequence[Row],
    working: Row | None,
    loadings: Mapping[str, float],
    *,
    all_loads: bool,
) -> list[Group]:
    """The working exposure, the other arms in order of exposure, blanks by kind, spiked mock-ups:
    those of the lowest loading where the detection curve shows the others."""
    groups = []
    varied = [
        name
        for name in ("treatment", "clearance_min", "clearance")
        if len({a[name] for a in arms}) > 1
    ]
    for arm in sorted(arms, key=lambda r: (r is not working, r["treatment"], r["exposure_min"])):
        rows = own[(own["role"] == "exposed").to_numpy() & np.array(_any_arm(own, [arm]), bool)]
        words = f"exposed {arm['exposure_min']:g} min"
        if "clearance_min" in varied:
            words += f", cleared {arm['clearance_min']:g}"
        if "clearance" in varied:
            words += f" by {arm['clearance'] or 'what is not said'}"
        if "treatment" in varied:
            words = f"{arm['treatment']} {words.removeprefix('exposed ')}"
        groups.append(_group(words, "exposed", rows, arm, working=arm is working))
    blanks = own[own["role"] == "blank"]
    for treatment in sorted(set(blanks["treatment"]), key=lambda t: (t != "water", t)):
        rows = blanks[blanks["treatment"] == treatment]
        groups.append(_group(blank_words(treatment), "blank", rows))
    loads = _by_loading(own, loadings)
    for loading, rows in loads if all_loads else loads[:1]:
        groups.append(_group(f"spiked {number(loading)} µg cm⁻²", "spiked", rows))
    return groups


def _group(
    words: str, role: str, rows: pd.DataFrame, verdict: Row | None = None, *, working: bool = False
) -> Group:
    values = rows["mean"].to_numpy(dtype=float)
    pairs = rows.reindex(columns=["before", "unpaired"]).to_numpy(dtype=float)
    known = pairs if np.isfinite(pairs[:, 0]).any() else None
    if verdict is not None and not judged(verdict):
        verdict = {**verdict, **dict.fromkeys(_NUMBERS, np.nan)}
    return Group(words, role, tuple(rows["mockup"]), values, verdict, working, known)


def _by_loading(
    own: pd.DataFrame, loadings: Mapping[str, float]
) -> list[tuple[float, pd.DataFrame]]:
    """The spiked mock-ups, lowest known loading first."""
    spiked = own[own["role"] == "spiked"]
    known = np.array([loadings[mockup] for mockup in spiked["mockup"]], dtype=float)
    return [(float(value), spiked[known == value]) for value in np.unique(known)]


def loadings(result: StudyResult, stratum: Stratum) -> dict[str, float]:
    """Spiked mock-up -> its known loading."""
    spectra = result.spectra
    rows = in_stratum(spectra, stratum) & (spectra["role"].values == "spiked")
    names, values = spectra["mockup"].values[rows], spectra["loading_ug_cm2"].values[rows]
    return {str(name): float(value) for name, value in zip(names, values, strict=True)}
