"""What a series of arms, or of sessions, says: a heading, sentences, a table."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..results import arm_words

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True)
class Finding:
    """One thing that a run says beside its verdicts, in plain text; a report renders it."""

    heading: str
    sentences: tuple[str, ...]
    table: pd.DataFrame | None = None

    def to_frame(self) -> pd.DataFrame:
        """The table; one column of sentences where there is none."""
        import pandas as pd

        return pd.DataFrame({"said": self.sentences}) if self.table is None else self.table

    def __str__(self) -> str:
        return "\n".join([self.heading, *(f"  {sentence}" for sentence in self.sentences)])

    def _repr_html_(self) -> str:
        from html import escape

        said = "".join(f"<p>{escape(sentence)}</p>" for sentence in self.sentences)
        shown = "" if self.table is None else self.table.to_html(index=False, na_rep="")
        return f"<h3>{escape(self.heading)}</h3>{said}{shown}"


def conditions_words(conditions: Mapping[str, Any]) -> str:
    """The conditions of an arm or a series in words; those that vary are left out.

    >>> conditions_words({"paint": "alkyd", "soiling": "none", "treatment": "gel",
    ...                   "clearance_min": 2.0})
    'alkyd, gel, cleared 2 min'
    """
    if "exposure_min" in conditions and "clearance_min" in conditions:
        return arm_words({"soiling": "none", "ageing_h": 0.0, **conditions})
    words = [str(conditions["paint"])]
    if conditions.get("soiling", "none") != "none":
        words.append(f"soiling {conditions['soiling']}")
    if conditions.get("ageing_h"):
        words.append(f"aged {conditions['ageing_h']:g} h")
    words.append(str(conditions["treatment"]))
    if "clearance_min" in conditions:
        words.append(f"cleared {conditions['clearance_min']:g} min")
    return ", ".join(words)
