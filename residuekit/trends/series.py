"""Series of mock-ups over exposure or ageing: does residue rise?"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import ContractError, Fault
from ..kernels.ordered import Trend, cochran_armitage, jonckheere, page
from ..words import findings as words
from .finding import Shown

if TYPE_CHECKING:
    import pandas as pd

SERIES = ("paint", "soiling", "ageing_h", "treatment", "clearance_min", "clearance", "residue")
AGES = (
    "paint", "soiling", "treatment", "exposure_min", "clearance_min", "clearance", "residue",
)  # fmt: skip


@dataclass(frozen=True)
class Series(Shown):
    """One series of mock-ups over exposure (min) or ageing (h).

    `rise` tests the mock-up means, by Page's test where the same mock-ups stand at every rung, else
    by Jonckheere's, which takes them for different ones (`test` says which); `positives` is Cochran
    and Armitage's on their decisions with the logarithm of 1 + the rung as score. Both one-sided
    for a rise, and exact for few mock-ups; NaN where nothing varies. Mock-ups that stand at several
    rungs make the second test cautious.
    """

    title = "Series"
    say = words.series

    over: str
    conditions: dict[str, Any]
    rungs: tuple[float, ...]
    n_mockups: tuple[int, ...]
    means: tuple[float, ...]
    standard_errors: tuple[float, ...]
    positive: tuple[int, ...]
    unit: str
    test: str
    rise: Trend
    positives: Trend

    def rows(self) -> list[dict[str, Any]]:
        """A row a rung."""
        return [
            {**self.conditions, self.over: rung, "n_mockups": n, "mean": mean,
             "standard_error": error, "positive": k, "unit": self.unit, "test": self.test,
             "p_rise": self.rise.p_value, "p_share_rises": self.positives.p_value}
            for rung, n, mean, error, k in zip(
                self.rungs, self.n_mockups, self.means, self.standard_errors, self.positive,
                strict=True)
        ]  # fmt: skip


def series(mockups: pd.DataFrame, *, over: str = "exposure_min", score: str) -> list[Series]:
    """Test every series of a study for a rise over exposure or ageing.

    Parameters
    ----------
    mockups : the table ``mockups.csv``. over : ``exposure_min`` or ``ageing_h``.
    score : the deciding score, as the table names it.

    Returns
    -------
    A `Series` for each set of conditions with two rungs or more.

    Raises
    ------
    ContractError : `over` is neither, or no row has this score.
    """
    if over not in ("exposure_min", "ageing_h"):
        raise ContractError(
            Fault(f"over={over!r}", "exposure_min or ageing_h", "over='exposure_min'")
        )
    conditions = held(mockups, SERIES if over == "exposure_min" else AGES)
    rows = mockups[(mockups["role"] == "exposed") & (mockups["score"] == score)]
    if rows.empty:
        known = ", ".join(sorted(set(mockups["score"])))
        raise ContractError(Fault(f"no exposed row with the score {score!r}", known, "one of them"))
    found = []
    for key, group in rows.groupby(conditions, sort=False, dropna=False):
        rungs = sorted(set(group[over]))
        if len(rungs) < 2:
            continue
        parts = [group[group[over] == rung] for rung in rungs]
        values = [part["mean"].to_numpy(float) for part in parts]
        hits = [int(is_positive(part).sum()) for part in parts]
        sizes = [len(part) for part in parts]
        test, rise = _rise(group, over, values)
        found.append(
            Series(
                over=over,
                conditions=dict(zip(conditions, key, strict=True)),
                rungs=tuple(float(rung) for rung in rungs),
                n_mockups=tuple(sizes),
                means=tuple(float(part.mean()) for part in values),
                standard_errors=tuple(map(_standard_error, values)),
                positive=tuple(hits),
                unit=str(group["unit"].iloc[0]),
                test=test,
                rise=rise,
                positives=cochran_armitage(hits, sizes, np.log1p(rungs)),
            )
        )
    return found


def _standard_error(values: Any) -> float:
    """That of the mean of mock-ups by their own scatter; NaN of a single one."""
    return float(values.std(ddof=1) / np.sqrt(values.size)) if values.size > 1 else np.nan


def _rise(group: pd.DataFrame, over: str, values: list[Any]) -> tuple[str, Trend]:
    """Page's test where the same mock-ups stand at every rung, else Jonckheere's."""
    table = group.pivot_table("mean", "mockup", over, sort=True)
    if len(table) > 1 and table.notna().all(axis=None):
        return "Page", page(table)
    return "Jonckheere", jonckheere(values)


def is_positive(rows: pd.DataFrame) -> pd.Series[bool]:
    """Which rows of ``mockups.csv`` stand above the limit of one mock-up."""
    return rows["positive"].astype(str).str.casefold() == "true"


def held(table: pd.DataFrame, columns: Iterable[str]) -> list[str]:
    """Those of the columns that a table has: one made by hand may lack the later ones."""
    return [name for name in columns if name in table]


def same(table: pd.DataFrame, row: Mapping[Any, Any], columns: Iterable[str]) -> pd.Series[bool]:
    """Which rows of a table hold what `row` holds in these columns."""
    import pandas as pd

    chosen = pd.Series(True, index=table.index)
    for name in columns:
        chosen &= table[name] == row[name]
    return chosen
