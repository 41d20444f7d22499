"""What a run would leave out, and what that leaves of an arm or of one kind of control.

`check` says it with the first of the files, so that nobody runs what cannot give an answer.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import replace

from ..decision.claims import MIN_BLANKS, MIN_EXPOSED
from ..decision.design import arm_columns
from ..errors import Fault
from ..words.common import arm_words, counted, stratum_words
from .measurements import Key, Measurement
from .mockups import mockup_of


def with_consequence(
    faults: Iterable[Fault], rows: Collection[Measurement], lost: Collection[str]
) -> list[Fault]:
    """The faults, the first of each group's `lost` files with what a run without these has left."""
    groups: dict[Key, list[Measurement]] = defaultdict(list)
    for row in rows:
        place = {"exposed": row.arm, "reference": (row.carried,)}.get(row.role, row.stratum)
        groups[row.role, place].append(row)
    said = {}
    for held in groups.values():
        out = [row.file for row in held if row.file in lost]
        if out:
            said[out[0]] = _consequence(held, out)
    told = []
    for fault in faults:
        words = said.pop(fault.file, "")
        told.append(replace(fault, found=f"{fault.found} ({words})") if words else fault)
    return told


def _consequence(rows: Collection[Measurement], out: Collection[str]) -> str:
    """What is left of the rows of an arm, or of one kind of control, without some files.

    >>> rows = [Measurement(k, f"{k}.nc", "blank", f"b{k}", "alkyd") for k in range(4)]
    >>> _consequence(rows, ["2.nc", "3.nc"])
    'left out with 1 other, it leaves 2 of 4 blanks of alkyd: inconclusive at best'
    """
    role, first = next(iter(rows)).role, next(iter(rows))
    every = {mockup_of(row) for row in rows}
    left = len({mockup_of(row) for row in rows if row.file not in out})
    others = f" with {counted(len(out) - 1, 'other')}" if len(out) > 1 else ""
    end = ""
    if role == "exposed":
        kind, of = "mock-ups", arm_words(arm_columns(first))
        if left < MIN_EXPOSED:
            end = "inconclusive unless detected" if left else "no verdict"
    elif role == "reference":
        kind, of = "references", first.carried
        end = "" if left else "its residue is not assessable"
    else:
        kind, of = {"blank": "blanks", "before": "mock-ups before treatment"}.get(
            role, "spiked mock-ups"
        ), stratum_words(first.stratum)  # fmt: skip
        if role == "blank" and left < MIN_BLANKS:
            end = "inconclusive at best" if left else "no verdict"
        elif role == "spiked" and not left:
            end = "loadings rest on reference films, or cannot be told"
    return f"left out{others}, it leaves {left} of {len(every)} {kind} of {of}" + (
        f": {end}" if end else ""
    )
