"""What a run says beside its verdicts: a code, numbers and a table; `words` makes the sentences."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from html import escape
from typing import TYPE_CHECKING, Any, ClassVar

from ..reprs import as_frame, as_html
from ..words.findings import HEADINGS, finding_sentences

if TYPE_CHECKING:
    import pandas as pd


class Shown:
    """A frozen dataclass of numbers that shows itself by one sentence of `words`.

    `title` stands above it; `say` makes the sentence of `values()`. A field `conditions` is spread
    into its own columns.
    """

    title: ClassVar[str]
    say: ClassVar[Callable[[Mapping[str, Any]], str]]

    def values(self) -> dict[str, Any]:
        """Every field by its name, the conditions first."""
        own = dict(vars(self))
        return {**own.pop("conditions", {}), **own}

    def row(self) -> dict[str, Any]:
        """The result as a row of a table."""
        return self.values()

    def rows(self) -> list[dict[str, Any]]:
        """The result as rows of a table: one, where it has no more."""
        return [self.row()]

    def to_frame(self) -> pd.DataFrame:
        """The result as a table."""
        return as_frame(self.rows())

    def __str__(self) -> str:
        return type(self).say(self.values())

    def _repr_html_(self) -> str:
        return as_html(self.title, {**vars(self).get("conditions", {}), "in words": str(self)})


@dataclass(frozen=True)
class Finding:
    """One thing that a run says beside its verdicts.

    `numbers` holds a mapping for each of its sentences, `table` the same as rows.
    """

    code: str
    numbers: tuple[Mapping[str, Any], ...]
    table: pd.DataFrame
    study: Mapping[str, Any]

    @property
    def heading(self) -> str:
        """What the finding answers."""
        return HEADINGS[self.code]

    @cached_property
    def sentences(self) -> tuple[str, ...]:
        """The finding in plain text."""
        return finding_sentences(self.code, self.numbers, self.study)

    def to_frame(self) -> pd.DataFrame:
        """The table."""
        return self.table

    def __str__(self) -> str:
        return "\n".join([self.heading, *(f"  {sentence}" for sentence in self.sentences)])

    def _repr_html_(self) -> str:
        said = "".join(f"<p>{escape(sentence)}</p>" for sentence in self.sentences)
        shown = self.table.to_html(index=False, na_rep="")
        return f"<h3>{escape(self.heading)}</h3>{said}{shown}"
