"""What the figure shows: the strata that can be drawn, the mock-ups, the maps; and what it leaves
out, with the reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from ..errors import ContractError, Fault, did_you_mean
from ..schema import ARM_COLUMNS, STRATUM_COLUMNS
from .words import Stratum, counted, number, stratum_of, stratum_words, unit_words

if TYPE_CHECKING:
    import pandas as pd

    from ..results import StudyResult

Floats = npt.NDArray[np.float64]
#: The most arms of one stratum that are drawn.
MOST_ARMS = 14


@dataclass(frozen=True)
class Group:
    """Mock-ups that stand on one line: a control, or an arm with the row of its verdict."""

    words: str
    role: str
    mockups: tuple[str, ...]
    values: Floats
    verdict: Mapping[str, Any] | None = None


@dataclass(frozen=True)
class Map:
    """One map of the deciding score, (y, x), NaN where a pixel is masked."""

    file: str
    role: str
    mockup: str
    words: str
    rule: str
    values: Floats
    x: Floats
    y: Floats
    position_unit: str


@dataclass(frozen=True)
class Curves:
    """Spectra of some mock-ups, (mock-up, wavenumber)."""

    words: str
    spectra: Floats


@dataclass(frozen=True)
class Block:
    """One stratum: what is drawn of it."""

    stratum: Stratum
    score: str
    unit: str
    groups: tuple[Group, ...]
    maps: tuple[Map, ...]
    pixel_limit: float
    quantity: str
    wavenumber: Floats
    blank: Curves
    exposed: Curves | None
    gel: Floats | None
    gel_per_loading: float
    blind: frozenset[str]

    @property
    def words(self) -> str:
        """The stratum as people say it."""
        return stratum_words(self.stratum)


def choose(
    result: StudyResult, strata: Sequence[str | Stratum] | None = None
) -> tuple[list[Block], list[str]]:
    """Choose what is drawn; return the blocks and a sentence for everything left out.

    Left to itself it draws every stratum that has its blanks and shares the unit of the first, so
    that one scale serves all. `strata` names the wanted ones by paint or by (paint, soiling,
    ageing_h).

    Raises
    ------
    ContractError : an unknown stratum; a wanted stratum without blanks; wanted strata whose scores
        have different units; nothing that can be drawn.
    """
    known = list(dict.fromkeys(map(stratum_of, result.verdicts.to_dict("records"))))
    wanted = known if strata is None else [_named(name, known) for name in strata]
    blocks: list[Block] = []
    faults: list[Fault] = []
    for stratum in wanted:
        drawn = _block(result, stratum, blocks[0].unit if blocks else None)
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
            left_out.append(
                f"{block.words}: {counted(missing, 'arm')} not drawn; see verdicts.csv."
            )
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


def _block(result: StudyResult, stratum: Stratum, unit: str | None) -> Block | Fault:
    """The block of a stratum, or why it cannot be drawn."""
    words = stratum_words(stratum)
    table = result.mockups[_in_stratum(result.mockups, stratum)]
    if not (table["role"] == "blank").any():
        return Fault(
            f"{words} without a blank mock-up",
            "a control for everything that is drawn",
            "measure blanks of this paint, soiling and ageing and run the study again",
        )
    judged = [row for row in _arms(result, stratum) if row["score"]]
    if not judged:
        return Fault(
            f"{words} without an arm that could be judged",
            "an exposed mock-up beside the blanks",
            "read in verdicts.csv why, and run the study again",
        )
    score, own_unit = str(judged[0]["score"]), str(judged[0]["unit"])
    own = table[table["score"] == score]
    if unit is not None and own_unit != unit:
        return Fault(
            f"{words} in the unit {unit_words(own_unit)} beside {unit_words(unit)}",
            "one scale for all panels",
            f"residue_figure(result, strata=[{words!r}]) draws it by itself",
        )
    same = ((score, own_unit), ("", ""))
    arms = [row for row in _arms(result, stratum) if (row["score"], row["unit"]) in same]
    if len(arms) > MOST_ARMS:
        kept = sorted(arms, key=lambda row: -np.nan_to_num(row["estimate"], nan=-np.inf))
        arms = [row for row in arms if row in kept[:MOST_ARMS]]
    exposed = own[own["role"] == "exposed"]
    exposed = exposed[_any_arm(exposed, arms)]
    worst = None if exposed.empty else exposed.loc[exposed["mean"].idxmax()].to_dict()
    loadings = _loadings(result, stratum)
    maps, limit = _maps(result, own, stratum, worst, loadings)
    return Block(
        stratum=stratum,
        score=score,
        unit=own_unit,
        groups=tuple(_groups(own, arms, loadings)),
        maps=maps,
        pixel_limit=limit,
        **_curves(result, stratum, worst, len(exposed)),
        gel_per_loading=_slope(result, stratum),
        blind=_blind(result, stratum),
    )


def _in_stratum(table: pd.DataFrame, stratum: Stratum) -> Any:
    found = np.ones(len(table), dtype=bool)
    for name, value in zip(STRATUM_COLUMNS, stratum, strict=True):
        found &= (table[name] == value).to_numpy()
    return found


def _any_arm(table: pd.DataFrame, arms: Sequence[Mapping[Any, Any]]) -> Any:
    keys = {tuple(row[name] for name in ARM_COLUMNS) for row in arms}
    return [key in keys for key in table[list(ARM_COLUMNS)].itertuples(index=False, name=None)]


def blank_words(treatment: str) -> str:
    """The name of a kind of blank."""
    return {"water": "water-only blank", "none": "untreated blank"}.get(
        treatment, f"{treatment} blank"
    )


def _groups(
    own: pd.DataFrame, arms: Sequence[Mapping[Any, Any]], loadings: Mapping[str, float]
) -> list[Group]:
    """Blanks by kind, arms in order of exposure, spiked mock-ups in order of loading."""
    groups = []
    blanks = own[own["role"] == "blank"]
    for treatment in sorted(set(blanks["treatment"]), key=lambda t: (t != "water", t)):
        rows = blanks[blanks["treatment"] == treatment]
        groups.append(_group(blank_words(treatment), "blank", rows))
    varied = [name for name in ("treatment", "clearance_min") if len({a[name] for a in arms}) > 1]
    for arm in sorted(arms, key=lambda row: (row["treatment"], row["exposure_min"])):
        rows = own[(own["role"] == "exposed").to_numpy() & np.array(_any_arm(own, [arm]), bool)]
        words = f"exposed {arm['exposure_min']:g} min"
        if "clearance_min" in varied:
            words += f", cleared {arm['clearance_min']:g}"
        if "treatment" in varied:
            words = f"{arm['treatment']} {words.removeprefix('exposed ')}"
        groups.append(_group(words, "exposed", rows, arm))
    for loading, rows in _by_loading(own, loadings):
        groups.append(_group(f"spiked{_loading_words(loading)}", "spiked", rows))
    return groups


def _by_loading(
    own: pd.DataFrame, loadings: Mapping[str, float]
) -> list[tuple[float, pd.DataFrame]]:
    """The spiked mock-ups, lowest known loading first."""
    spiked = own[own["role"] == "spiked"]
    known = np.array([loadings[mockup] for mockup in spiked["mockup"]], dtype=float)
    return [(float(value), spiked[known == value]) for value in np.unique(known)]


def _loading_words(loading: float) -> str:
    return f" {number(loading)} µg cm⁻²"


def _loadings(result: StudyResult, stratum: Stratum) -> dict[str, float]:
    """Spiked mock-up -> its known loading."""
    spectra = result.spectra
    rows = _spectra_in(spectra, stratum) & (spectra["role"].values == "spiked")
    names, values = spectra["mockup"].values[rows], spectra["loading_ug_cm2"].values[rows]
    return {str(name): float(value) for name, value in zip(names, values, strict=True)}


def _spectra_in(spectra: xr.Dataset, stratum: Stratum) -> Any:
    inside = np.ones(spectra.sizes["row"], dtype=bool)
    for name, value in zip(STRATUM_COLUMNS, stratum, strict=True):
        inside &= spectra[name].values == value
    return inside


def _group(
    words: str, role: str, rows: pd.DataFrame, verdict: Mapping[Any, Any] | None = None
) -> Group:
    values = rows["mean"].to_numpy(dtype=float)
    return Group(words, role, tuple(rows["mockup"]), values, verdict)


def _maps(
    result: StudyResult,
    own: pd.DataFrame,
    stratum: Stratum,
    worst: Mapping[Any, Any] | None,
    loadings: Mapping[str, float],
) -> tuple[tuple[Map, ...], float]:
    """A typical blank, the worst exposed and a spiked mock-up; and the pixel limit."""
    blanks = own[own["role"] == "blank"]
    blanks = blanks[blanks["treatment"] == _comparator(blanks)]
    picks: list[tuple[str, str, str, Mapping[Any, Any]]] = []
    typical = _median_row(blanks)
    rule = f"the median of {counted(len(blanks), blank_words(typical['treatment']))}"
    picks.append(("blank", "blank", rule, typical))
    if worst is not None:
        of = counted(int((own["role"] == "exposed").sum()), "exposed mock-up")
        words = f"exposed {worst['exposure_min']:g} min"
        picks.append(("exposed", words, f"the highest of {of}", worst))
    for loading, spiked in _by_loading(own, loadings)[:1]:
        rule = f"the median of {counted(len(spiked), 'mock-up')} of the lowest loading"
        words = f"spiked{_loading_words(loading)}"
        picks.append(("spiked", words, rule, _median_row(spiked)))
    chosen, limits = [], []
    for role, words, rule, row in picks:
        dataset = _read_map(result, stratum, row, role)
        if dataset is not None:
            chosen.append(_as_map(dataset, role, words, rule))
            limits.append(float(dataset["pixel_limit"]))
    return tuple(chosen), max(limits, default=float("nan"))


def _comparator(blanks: pd.DataFrame) -> str:
    treatments = list(blanks["treatment"])
    return "water" if "water" in treatments else str(treatments[0])


def _median_row(rows: pd.DataFrame) -> dict[Any, Any]:
    """The mock-up in the middle; of two in the middle the lower one."""
    ordered = rows.sort_values(["mean", "mockup"])
    found: dict[Any, Any] = ordered.iloc[(len(ordered) - 1) // 2].to_dict()
    return found


def _read_map(
    result: StudyResult, stratum: Stratum, row: Mapping[Any, Any], role: str
) -> xr.Dataset | None:
    """The map of a mock-up with the highest mean score, or None if it has only points."""
    same = ("treatment", *(() if role == "blank" else ("exposure_min", "clearance_min")))
    best: tuple[float, xr.Dataset] | None = None
    for entry in result.provenance["maps"]:
        if entry["role"] != role or entry["mockup"] != row["mockup"]:
            continue
        with xr.open_dataset(result.folder / entry["map"], engine="h5netcdf") as opened:
            fits = stratum_of(opened.attrs) == stratum and all(
                opened.attrs[name] == row[name] or _both_nan(opened.attrs[name], row[name])
                for name in same
            )
            if not fits or "y" not in opened.dims or row["score"] not in opened["marker"]:
                continue
            dataset = opened.sel(marker=row["score"]).load()
        mean = float(dataset["score"].mean())
        if best is None or mean > best[0]:
            best = mean, dataset
    return None if best is None else best[1]


def _both_nan(a: Any, b: Any) -> bool:
    return bool(a != a and b != b)


def _as_map(dataset: xr.Dataset, role: str, words: str, rule: str) -> Map:
    return Map(
        file=str(dataset.attrs["file"]),
        role=role,
        mockup=str(dataset.attrs["mockup"]),
        words=words,
        rule=rule,
        values=dataset["score"].values.astype(np.float64),
        x=dataset["x"].values,
        y=dataset["y"].values,
        position_unit=str(dataset["x"].attrs.get("units", "pixel")),
    )


def _curves(
    result: StudyResult, stratum: Stratum, worst: Mapping[Any, Any] | None, n_exposed: int
) -> dict[str, Any]:
    """The spectra of the comparator, of the arm of the worst mock-up, and of the pure material."""
    spectra = result.spectra
    role, treatment = spectra["role"].values, spectra["treatment"].values
    inside = _spectra_in(spectra, stratum)
    values = spectra["spectrum"].values
    kinds = set(treatment[inside & (role == "blank")])
    kind = "water" if "water" in kinds else min(kinds)
    blank = values[inside & (role == "blank") & (treatment == kind)]
    exposed, residue = None, result.provenance["study"]["treatment"]
    if worst is not None and n_exposed:
        rows = inside & (role == "exposed") & (treatment == worst["treatment"])
        for name in ("exposure_min", "clearance_min"):
            rows &= spectra[name].values == worst[name]
        exposed = Curves(f"{worst['exposure_min']:g} min", values[rows])
        if ((role == "reference") & (treatment == worst["treatment"])).any():
            residue = worst["treatment"]
    pure = values[(role == "reference") & (treatment == residue)]
    return {
        "blank": Curves(blank_words(kind), blank),
        "exposed": exposed,
        "gel": pure.mean(axis=0) if len(pure) else None,
        "wavenumber": spectra["wavenumber"].values,
        "quantity": str(spectra["spectrum"].attrs.get("quantity", "processed signal")),
    }


def _own_scores(result: StudyResult, stratum: Stratum) -> pd.DataFrame:
    rows: pd.DataFrame = result.markers[_in_stratum(result.markers, stratum)]
    return rows


def _slope(result: StudyResult, stratum: Stratum) -> float:
    """What share of the reference a unit of loading gives by the net signal; NaN if not known."""
    rows = _own_scores(result, stratum)
    slopes = rows.loc[rows["score"] == "net signal", "slope"].to_numpy(dtype=float)
    return float(slopes[0]) if slopes.size and slopes[0] > 0 else float("nan")


def _blind(result: StudyResult, stratum: Stratum) -> frozenset[str]:
    """The markers whose band score is blind on the stratum."""
    rows = _own_scores(result, stratum)
    return frozenset(rows.loc[rows["blind"].astype(bool), "score"].str.removeprefix("band: "))
