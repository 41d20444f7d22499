"""How arms are paired: with states before treatment, and whose each is, or within panels."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from ..decision.design import Key, sample
from ..decision.pairs import BEFORE, ENOUGH_PAIRS
from ..decision.panel_layout import BLOCK, panels_that_serve, unused_panels
from ..errors import Fault, did_you_mean
from ..words.codes import Note
from .measurements import Measurement


def placed_before(
    table: str, rows: Sequence[Measurement]
) -> tuple[tuple[Measurement, ...], list[Fault]]:
    """Give rows of role before the paint and soiling of their mock-up; what cannot be placed is a
    fault, unless a doubtful row may be that mock-up."""
    samples: dict[str, dict[Key, Measurement]] = {}
    for row in rows:
        if row.role not in ("before", "reference"):
            samples.setdefault(row.mockup, {}).setdefault(sample(row), row)
    placed, faults = [], []
    for row in rows:
        if row.role == BEFORE:
            known = [
                one
                for one in samples.get(row.mockup, {}).values()
                if row.paint in ("", one.paint) and row.soiling in ("none", one.soiling)
            ]
            if len(known) == 1:
                row = replace(row, paint=known[0].paint, soiling=known[0].soiling)
            elif any(one.doubtful and one.may_be(mockup=row.mockup) for one in (row, *rows)):
                row = replace(row, doubtful=row.doubtful | {"paint", "soiling"})
            else:
                faults.append(_unplaced(table, row, known, samples))
                continue
        placed.append(row)
    return tuple(placed), faults


def _unplaced(
    table: str, row: Measurement, known: Sequence[Measurement], names: Iterable[str]
) -> Fault:
    if known:
        lines = " and ".join(str(one.line) for one in known)
        return Fault(
            f"{row.mockup!r} before treatment, a name that mock-ups of lines {lines} have",
            "which of them it is", f"paint {known[0].paint} and soiling {known[0].soiling}",
            table, row.line,
        )  # fmt: skip
    return Fault(
        f"{row.mockup!r} before treatment, which no blank, exposed or spiked row has",
        "the name of a mock-up that was measured after treatment too",
        did_you_mean(row.mockup, names), table, row.line,
    )  # fmt: skip


def pairing(
    exposed: Iterable[Measurement],
    blanks: Iterable[Measurement],
    every: Iterable[Measurement],
    measured: Iterable[Key],
) -> tuple[str, Note | None]:
    """Whether an arm is paired, and what is said where only some of its mock-ups could be.

    With states before treatment, else within panels. `blanks` are those it is compared with, a row
    a mock-up, `every` those of all exposures; `measured` the samples before treatment.
    """
    known = set(measured)
    rows = list(exposed)
    own, controls = {sample(row) for row in rows}, [sample(row) for row in blanks]
    n_exposed, n_blanks = len(own & known), sum(one in known for one in controls)
    if own and own <= known and n_blanks >= ENOUGH_PAIRS:
        return BEFORE, None
    panels, others = ([row.block for row in some] for some in (_one_each(rows), every))
    if panels and set(panels) <= panels_that_serve(others):
        return BLOCK, None
    if not n_exposed:
        return "", unused_panels(others, panels)
    numbers = {"n_exposed": n_exposed, "m": len(own), "n_blanks": n_blanks, "n": len(controls)}
    return "", Note("partly-before", {**numbers, "needed": ENOUGH_PAIRS})


def _one_each(rows: Iterable[Measurement]) -> list[Measurement]:
    """A row a mock-up."""
    return [*{sample(row): row for row in rows}.values()]
