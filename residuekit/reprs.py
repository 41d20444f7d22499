"""How a result shows itself: as text in a terminal, as a small table in a notebook, in a sheet."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd


#: What a spreadsheet that opens a CSV file may compute: a cell, or what it takes for one where it
#: parts cells at semicolons or tabs, that begins so and is no number.
_FORMULA = re.compile(
    r"(?:^|[;\t])\s*(?:[=@＝＠]|[+\-＋－](?!\s*(?:\d+(?:[.,]\d+)?)?\s*(?:[;\t]|$)))"
)


def begins_as_formula(text: str) -> bool:
    """Would a spreadsheet that opens a CSV file take a text for a formula, or a part of it?

    >>> [begins_as_formula(text) for text in ("=1+1", "@SUM(A1)", "-2+3", "gel; =1")]
    [True, True, True, True]
    >>> [begins_as_formula(text) for text in ("-2", "-", "C=O 1735", "gel + water", "a-b")]
    [False, False, False, False, False]
    """
    return _FORMULA.search(text) is not None


def short(value: Any) -> str:
    """A value as people read it: numbers with four digits, nothing for what was not computed.

    >>> short(0.0123456), short(float("nan")), short("A cm-1")
    ('0.01235', '', 'A cm-1')
    """
    if isinstance(value, float):
        return "" if value != value else f"{value:.4g}"
    return "" if value is None else str(value)


def as_text(title: str, values: Mapping[str, Any]) -> str:
    """A title and one aligned line a value.

    >>> print(as_text("Limit", {"method": "Currie", "value": 0.25}))
    Limit
      method  Currie
      value   0.25
    """
    width = max((len(name) for name in values), default=0)
    return "\n".join([title, *(f"  {name:<{width}}  {short(v)}" for name, v in values.items())])


def as_html(title: str, values: Mapping[str, Any]) -> str:
    """The same as a table; every text is escaped."""
    rows = "".join(
        f"<tr><th style='text-align:left'>{html.escape(name)}</th>"
        f"<td style='text-align:left'>{html.escape(short(value))}</td></tr>"
        for name, value in values.items()
    )
    return f"<table><caption>{html.escape(title)}</caption>{rows}</table>"


def as_frame(rows: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    """Rows as a table, the columns in the order of the first row."""
    import pandas as pd

    return pd.DataFrame(list(rows))
