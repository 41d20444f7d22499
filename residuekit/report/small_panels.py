"""Small panels of a run: comparisons of arms, recovery, matrix effect."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import ContractError, Fault
from ..figures.difference_panel import difference_rows, differences_figure
from ..figures.interval_panel import DOTS, LIMIT, Interval, interval_key, intervals_figure
from ..figures.style import figure_style
from ..figures.written import save_figure
from ..reprs import sentence_case
from ..schema import DIFFERENCE, LOADING_UNIT
from ..words import differences as difference_words
from ..words import panels as words
from ..words.common import Stratum, stratum_of, stratum_words
from ..words.scale import ratio_interval
from .beside_films import effects
from .facts import strata
from .limit_table import controls_of
from .recovered_loadings import recovered
from .text import Grid, grid

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..results import StudyResult

#: More lines than this are left to the table.
MOST_LINES = 24


def comparisons_figure(result: StudyResult, width_mm: float = 170.0) -> Figure:
    """Draw gel against gel, clearance against clearance, exposure against exposure.

    A line a row of ``comparisons.csv``, the first 24 of the unit of the first: the difference of
    the means with its interval, filled where it is not zero after Holm, and plus and minus the
    acceptance limit.

    Parameters
    ----------
    result : what a run found.
    width_mm : of the figure.

    Returns
    -------
    The figure, at its printed size.

    Raises
    ------
    ContractError : no two arms can be compared.

    >>> import residuekit as rk
    >>> rk.comparisons_figure(rk.open_run("my-study"))  # doctest: +SKIP
    """
    rows = comparison_rows(result)
    if not rows:
        raise ContractError(
            Fault("no two arms that differ by gel, clearance or exposure alone",
                  "two arms of one stratum that the same score decides", "verdicts.csv shows them")
        )  # fmt: skip
    alpha, unit = result.provenance["study"]["alpha"], rows[0]["unit"]
    blocks: dict[str, list[Interval]] = {}
    for row in rows:
        filled = bool(row["p_holm"] < alpha)
        shown = Interval(words.against(row["left"], row["right"]), row["difference"], row["low"],
                         row["high"], words.interval_words(row), filled=filled)  # fmt: skip
        blocks.setdefault(_place(result, row), []).append(shown)
    limits = accepted(result, rows)
    key = interval_key("no difference", *_marks(blocks, "not zero (Holm)", "zero not excluded"))
    key += [("± acceptance limit", LIMIT)] if limits else []
    return intervals_figure(
        result.provenance["study"]["title"], blocks, around=0.0, key=key,
        label=words.difference_label(unit), width_mm=width_mm,
        limits=[sign * limit for limit in limits for sign in (-1, 1)],
    )  # fmt: skip


def recovery_figure(result: StudyResult, width_mm: float = 170.0) -> Figure:
    """Draw found over known of the spiked mock-ups, a line a stratum: their mean with its interval.

    Parameters
    ----------
    result : what a run found.
    width_mm : of the figure.

    Returns
    -------
    The figure, at its printed size.

    Raises
    ------
    ContractError : no stratum has three spiked mock-ups.

    >>> import residuekit as rk
    >>> rk.recovery_figure(rk.open_run("my-study"))  # doctest: +SKIP
    """
    lines = []
    for stratum in strata(result)[:MOST_LINES]:
        held = controls_of(result, stratum)
        found = None if held is None else recovered(held)
        if found is not None:
            said = words.recovery_words(found.mean, found.low, found.high, found.ratios.size)
            lines.append(Interval(_name(stratum), found.mean, found.low, found.high, said,
                                  dots=tuple(map(float, found.ratios))))  # fmt: skip
    if not lines:
        raise ContractError(
            Fault("no stratum with three spiked mock-ups", "spiked mock-ups of known loading",
                  "role spiked and loading_ug_cm2 in measurements.csv")
        )  # fmt: skip
    return intervals_figure(
        result.provenance["study"]["title"], {"recovery": lines}, around=1.0, width_mm=width_mm,
        key=[*interval_key("all was found", "mean, 95% interval"), DOTS],
        label=words.RECOVERY_LABEL,
    )  # fmt: skip


def matrix_figure(result: StudyResult, width_mm: float = 170.0) -> Figure | None:
    """Draw the matrix effect, a line a stratum; None where none has spiked mock-ups and films."""
    shown = list(effects(result).items())[:MOST_LINES]
    if not shown:
        return None
    lines = [
        Interval(sentence_case(place), n["value"], n["low"], n["high"],
                 f"{n['value']:.2f} ({ratio_interval(n)})")
        for place, n in shown
    ]  # fmt: skip
    return intervals_figure(
        result.provenance["study"]["title"], {"matrix effect": lines}, around=1.0,
        key=interval_key("no effect", "ratio, 95% interval"), label=words.MATRIX_LABEL,
        width_mm=width_mm,
    )  # fmt: skip


def comparison_rows(result: StudyResult) -> list[dict[Any, Any]]:
    """The comparisons that one panel shows: one unit, at most `MOST_LINES`."""
    rows = result.comparisons.to_dict("records")
    return [row for row in rows if row["unit"] == rows[0]["unit"]][:MOST_LINES]


def comparisons_caption(result: StudyResult) -> str:
    """What the panel of comparisons shows."""
    rows = comparison_rows(result)
    total = len(result.comparisons)
    alpha, limits = result.provenance["study"]["alpha"], accepted(result, rows)
    within = sum(bool(row["panels"] > 0) for row in rows)
    more = total - len(rows)
    return words.comparisons_caption(alpha, total, limits, rows[0]["unit"], more, within)


def differences_caption(result: StudyResult) -> str:
    """What the panel of difference maps shows."""
    rows = difference_rows(result)
    shown = sum(len(row.maps) for row in rows)
    return difference_words.differences_caption(
        shown, rows[0].unit, len(result.map_entries(DIFFERENCE)) - shown
    )


def comparisons_table(result: StudyResult) -> Grid:
    """All comparisons, a line each."""
    rows = [
        words.comparison_row(_place(result, row), row)
        for row in result.comparisons.to_dict("records")
    ]
    return grid("Comparisons of arms (comparisons.csv)", words.COMPARISON_HEADS, rows, texts=2)


def accepted(result: StudyResult, rows: Sequence[Mapping[Any, Any]]) -> list[float]:
    """The acceptance limits of the residues compared, where the unit is that of loadings."""
    if rows[0]["unit"] != LOADING_UNIT:
        return []
    asked = dict.fromkeys(row["residue"] for row in rows)
    limits = (result.of_residue(name).provenance["study"]["acceptance_limit_ug_cm2"]
              for name in asked)  # fmt: skip
    return sorted({limit for limit in limits if limit is not None})


def svg(figure: Figure) -> bytes:
    """A panel as SVG, the same bytes on every run."""
    stream = BytesIO()
    with figure_style():
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    return stream.getvalue()


#: The panels that ``also`` under [figure] asks for, as PDF, SVG and PNG.
PANELS = {
    "comparisons": comparisons_figure,
    "recovery": recovery_figure,
    "differences": differences_figure,
}


def write_panels(result: StudyResult, folder: str | Path) -> None:
    """Write the panels that the study asks for; one that has nothing to show is left out."""
    for name in result.provenance["study"].get("figure", {}).get("also", ()):
        if name in PANELS:
            try:
                figure = PANELS[name](result)
            except ContractError:
                continue
            save_figure(figure, Path(folder), name)


def _marks(blocks: Mapping[str, Sequence[Interval]], filled: str, hollow: str) -> tuple[str, str]:
    """What the marks that are drawn say."""
    drawn = {one.filled for lines in blocks.values() for one in lines}
    return filled if True in drawn else "", hollow if False in drawn else ""


def _place(result: StudyResult, row: Mapping[Any, Any]) -> str:
    """A stratum, and the residue where there are several."""
    several = len(result.residues) > 1
    return _name(stratum_of(row)) + (f", {row['residue']}" if several else "")


def _name(stratum: Stratum) -> str:
    return sentence_case(stratum_words(stratum))
