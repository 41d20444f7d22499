"""The tables of one JCAMP-DX block, decoded and held against what its labels declare."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from .jcamp_digits import BadNumberError, Decoded, decode, decode_pairs
from .jcamp_text import Block, DataTable
from .labelled import undoubled
from .opening import refuse
from .unit_words import tell

EVEN, PAIRS = "X++(Y..Y)", "XY..XY"


def form(table: DataTable) -> str:
    """Return the form of a table without blanks and outer brackets: `X++(Y..Y)`, `XY..XY`, ..."""
    words = re.sub(r"\s", "", table.form).upper()
    return words[1:-1] if words.startswith("(") and words.endswith(")") else words


def decode_block(path: Path, block: Block) -> tuple[Any, Any, str]:
    """Decode the only table of a block: axis (n,), ordinates (n,), the number forms used.

    Raises
    ------
    ReadError : another form, no or several tables, a cut block, numbers that contradict the labels.

    Warns
    -----
    ResiduekitWarning : a label that contradicts the numbers where these leave no doubt.
    """
    if len(block.tables) > 1:
        raise refuse(path, f"{len(block.tables)} tables in one block", "one table",
                     "save each as a file of its own", block.line)  # fmt: skip
    if not block.tables or not block.tables[0].text.strip():
        raise refuse(path, "no table of numbers", "##XYDATA= (X++(Y..Y)) and its lines",
                     "export it again: it may be cut", block.line)  # fmt: skip
    table = block.tables[0]
    if not block.ended:
        raise block.cut_off(path, table.rows[-1][0])
    decoders: dict[str, Callable[..., tuple[Any, Any, str]]] = {EVEN: _even, PAIRS: _pairs}
    if form(table) not in decoders:
        raise refuse(path, f"##{table.label}={table.form}", f"({EVEN}) or ({PAIRS})",
                     "export plain XYDATA", table.line)  # fmt: skip
    axis, values, forms = decoders[form(table)](path, block, table)
    _check_extremes(path, block, axis, values)
    return axis, values, forms


def _even(path: Path, block: Block, table: DataTable) -> tuple[Any, Any, str]:
    """Decode ``(X++(Y..Y))``."""
    first, last = block.number(path, "FIRSTX"), block.number(path, "LASTX")
    decoded = _told(path, table.line, decode, table.text)
    values = decoded.y * _factor(path, block, "YFACTOR")
    if values.size < 2 or first == last:
        raise refuse(path, f"{values.size} points from {first:g} to {last:g}",
                     "two points or more along an axis", "export it again", table.line)  # fmt: skip
    axis = np.linspace(first, last, values.size)
    _check_axis(path, block, axis, decoded, table)
    return axis, values, " + ".join(decoded.forms)


def _told(path: Path, line: int, decoder: Callable[[str], Any], text: str) -> Any:
    """What a decoder finds in a text that begins at this line, or what is wrong, with its line."""
    try:
        return decoder(text)
    except BadNumberError as error:
        found, needed, fix, below = error.args
        raise refuse(path, found, needed, fix, line + below) from error


def _check_axis(path: Path, block: Block, axis: Any, decoded: Decoded, table: DataTable) -> None:
    """Hold the axis against the abscissa of each line, NPOINTS and DELTAX."""
    step = abs(axis[-1] - axis[0]) / (axis.size - 1)
    counted = _count_fault(path, block, axis.size)
    factor = _factor(path, block, "XFACTOR")
    off = np.abs(decoded.x * factor - axis[np.minimum(decoded.index, axis.size - 1)])
    unit = decoded.resolution * abs(factor)
    coarse = np.maximum(step / 2, np.where(unit > step, unit, 0))
    wrong = off > (step / 4 if counted else coarse)
    if wrong.any():
        at = int(np.argmax(wrong))
        found = (f"the abscissa {decoded.x[at] * factor:g}, {off[at]:.3g} off the axis of FIRSTX, "
                 f"LASTX and {axis.size} points")  # fmt: skip
        raise refuse(path, f"{found}; {counted}" if counted else found,
                     "lines that stand where the labels say", "export it again: points are "
                     "missing, doubled, or the file is cut",
                     table.line + int(decoded.line[at]))  # fmt: skip
    if counted and decoded.x.size < 3:
        raise refuse(path, counted, "as many points as NPOINTS says", "export it again: it may be "
                     "cut", block.line_of("NPOINTS"))  # fmt: skip
    if counted:
        tell(path, f"{counted}; the abscissae of all lines agree with the points",
             block.line_of("NPOINTS"))  # fmt: skip
    worst = int(np.argmax(np.where(off > 1.01 * unit, off, 0)))
    if off[worst] > 1.01 * unit[worst]:
        tell(path, f"the abscissa is up to {off[worst]:.3g} off the axis of FIRSTX and LASTX",
             table.line + int(decoded.line[worst]))  # fmt: skip
    delta = block.aside(path, "DELTAX")
    if delta is not None and abs(abs(delta) - step) * (axis.size - 1) > step / 2:
        signed = (axis[-1] - axis[0]) / (axis.size - 1)
        tell(path, f"DELTAX {delta:g}, but {signed:g} by FIRSTX, LASTX and the points",
             block.line_of("DELTAX"))  # fmt: skip


def _count_fault(path: Path, block: Block, found: int) -> str:
    declared = block.number(path, "NPOINTS", float(found))
    return "" if declared == found else f"NPOINTS {declared:g}, but {found} points"


def _pairs(path: Path, block: Block, table: DataTable) -> tuple[Any, Any, str]:
    """Decode ``(XY..XY)``."""
    axis, values = groups(path, table, 2).T
    axis = axis * _factor(path, block, "XFACTOR")
    values = values * _factor(path, block, "YFACTOR")
    counted = _count_fault(path, block, axis.size)
    spacing = np.abs(np.diff(axis)).min() if axis.size > 1 else 1.0
    ends_agree = True
    for label, end in (("FIRSTX", axis[0]), ("LASTX", axis[-1])):
        declared = block.aside(path, label)
        if declared is not None and not abs(declared - end) <= spacing / 2:
            ends_agree = False
            tell(path, f"{label} {declared:g}, but {end:g} in the table", block.line_of(label))
    if counted and not (ends_agree and "LASTX" in block.labels):
        raise refuse(path, counted, "as many points as NPOINTS says", "export it again: it may be "
                     "cut", block.line_of("NPOINTS"))  # fmt: skip
    if counted:
        tell(path, counted, block.line_of("NPOINTS"))
    axis, values, _ = undoubled(path, axis, values)
    return axis, values, "AFFN"


def _factor(path: Path, block: Block, label: str) -> float:
    """The number by which a table is multiplied."""
    factor = block.number(path, label, 1.0)
    if factor == 0:
        raise refuse(path, f"##{label}= 0", "a factor other than 0: every number would be lost",
                     f"the factor of the export in ##{label}=", block.line_of(label))  # fmt: skip
    return factor


def groups(path: Path, table: DataTable, size: int) -> Any:
    """Decode plain numbers in groups of `size` on each line: (n_groups, size)."""
    numbers: list[float] = []
    for line, text in table.rows:
        found = _told(path, line, decode_pairs, text)
        if len(found) % size:
            wanted = "pairs of X and Y" if size == 2 else f"groups of {size}"
            raise refuse(path, f"{len(found)} numbers", wanted, "mend the line", line)
        numbers += found
    return np.array(numbers, dtype=float).reshape(-1, size)


def _check_extremes(path: Path, block: Block, axis: Any, values: Any) -> None:
    """Hold FIRSTY, MAXY, MINY, MAXX, MINX against the table; a mismatch is told, not refused."""
    finite = values[np.isfinite(values)]
    if not finite.size:
        return
    span, grain = float(np.ptp(finite)), abs(block.number(path, "YFACTOR", 1.0))
    reach, step = float(np.ptp(axis)), float(np.ptp(axis)) / max(axis.size - 1, 1) / 2
    for label, value, scale, least in (
        ("FIRSTY", values[0], span, grain), ("MAXY", finite.max(), span, grain),
        ("MINY", finite.min(), span, grain), ("MAXX", axis.max(), reach, step),
        ("MINX", axis.min(), reach, step),
    ):  # fmt: skip
        declared = block.aside(path, label) if np.isfinite(value) else None
        if declared is None:
            continue
        size = max(abs(declared), abs(value), scale)
        if abs(declared - value) > max(1e-3 * size, least):
            tell(path, f"{label} {declared:g}, but {value:g} in the table", block.line_of(label))
