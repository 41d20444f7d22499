"""How a result shows itself: as text in a terminal, as a small table in a notebook, in a sheet."""

from __future__ import annotations

import html
import math
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


def to_error(value: float, error: float) -> str:
    """A number to the second significant digit of its standard error; short where there is none.

    >>> to_error(2.5478, 0.1453), to_error(-0.004, 0.115), to_error(1234.5, 96.0)
    ('2.55', '0.00', '1234')
    """
    if not math.isfinite(value):
        return "" if math.isnan(value) else short(value)
    if not 0 < error < math.inf:
        return f"{value:.3g}"
    places = decimals(error)
    text = f"{round(value, places):.{max(places, 0)}f}"
    return text.lstrip("-") if float(text) == 0 else text


def decimals(error: float) -> int:
    """How many decimals the second significant digit of a standard error has.

    >>> decimals(0.1453), decimals(96.0), decimals(0.0996)
    (2, 0, 2)
    """
    return 1 - math.floor(math.log10(float(f"{error:.1e}")))


def sentence_case(text: str) -> str:
    """A text whose first letter is a capital; names further on stay as they are.

    >>> sentence_case("net signal: mean of pH 7")
    'Net signal: mean of pH 7'
    """
    return text[:1].upper() + text[1:]


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
        f"<tr><th scope='row' style='text-align:left'>{html.escape(name)}</th>"
        f"<td style='text-align:left'>{html.escape(short(value))}</td></tr>"
        for name, value in values.items()
    )
    return f"<table><caption>{html.escape(title)}</caption>{rows}</table>"


def rows_html(title: str, rows: Iterable[Mapping[str, Any]]) -> str:
    """Many rows as one table: numbers short, nothing for what was not computed, texts escaped."""
    listed = list(rows)
    left = "style='text-align:left'"
    heads = "".join(
        f"<th scope='col' {left}>{html.escape(str(name).replace('_', ' '))}</th>"
        for name in (listed[0] if listed else ())
    )
    body = "".join(
        "<tr>" + "".join(f"<td {left}>{html.escape(short(v))}</td>" for v in row.values()) + "</tr>"
        for row in listed
    )
    return (
        f"<table><caption {left}>{html.escape(title)}</caption><thead><tr>{heads}</tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )


def as_frame(rows: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    """Rows as a table, the columns in the order of the first row."""
    import pandas as pd

    return pd.DataFrame(list(rows))
