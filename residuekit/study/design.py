"""The design of a study: is every mock-up compared with what it must be, and named as one?"""

from __future__ import annotations

from collections.abc import Iterator
from functools import partial

from ..errors import Fault, did_you_mean
from ..schema import NET_SIGNAL
from .measurements import Measurement
from .settings import SCORES, SETTINGS


def design_faults(
    table: str, rows: tuple[Measurement, ...], treatment: str, scores: tuple[str, ...]
) -> Iterator[Fault]:
    blank = {row.stratum for row in rows if row.role == "blank"}
    for row in rows:
        fault = partial(Fault, file=table, line=row.line)
        if row.role in ("exposed", "spiked") and row.stratum not in blank:
            paint, soiling, ageing = row.stratum
            without_age = {stratum[:2] for stratum in blank}
            fix = "a row of role blank with the same paint, soiling and ageing_h"
            if (paint, soiling) in without_age:
                fix = f"a blank aged as long: ageing_h {ageing:g} (an unaged blank will not do)"
            yield fault(
                f"{row.role} mock-up {row.mockup!r} on paint {paint!r}, soiling "
                f"{soiling!r}, ageing {ageing:g} h without a blank of its own",
                "at least one blank of the same stratum",
                fix,
            )
    exposed = {row.treatment for row in rows if row.role == "exposed"}
    if rows and not exposed:
        yield Fault(
            "no row of role exposed",
            "at least one exposed mock-up",
            "add the mock-ups that met the gel",
            file=table,
        )
    elif treatment and exposed and treatment not in exposed:
        yield Fault(
            f"treatment = {treatment!r}, which no exposed row has",
            "the treatment whose residue is asked for",
            did_you_mean(treatment, exposed),
            file=SETTINGS,
        )
    pure = {row.treatment for row in rows if row.role == "reference"}
    if rows and scores == (NET_SIGNAL,) and treatment not in pure:
        yield Fault(
            f"the score {NET_SIGNAL!r} alone, and no reference of {treatment!r}",
            "a reference: the net signal is measured by the pure material's spectrum",
            f"a row of role reference with treatment {treatment}, or scores = {list(SCORES)}",
            file=table,
        )
