"""JCAMP-DX 4.24 and 5.01: one block of a spectrum, in any of the number forms.

R. S. McDonald, P. A. Wilks, Appl. Spectrosc. 42 (1988) 151-162 (4.24); P. Lampen, H. Hillig, A. N.
Davies, M. Linscheid, Appl. Spectrosc. 48 (1994) 1545-1552 (5.01).
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..schema import make_points
from .asdf import MOST_VALUES, BadNumberError, Line, decode_line, decode_pairs
from .files import decoded, labelled, readable, refuse, source_of
from .words import as_fraction, axis_unit_of, quantity_of, stated, tell, to_wavenumber

NAME = "JCAMP-DX"
_TABLES = ("XYDATA", "XYPOINTS", "PEAKTABLE", "PEAKASSIGNMENTS", "DATATABLE")
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[EeDd][+-]?\d+)?")


@dataclass
class Block:
    """One block: its labels with their lines, and the tables under data labels, undecoded."""

    labels: dict[str, tuple[str, int]] = field(default_factory=dict)
    tables: list[tuple[str, list[tuple[int, str]]]] = field(default_factory=list)
    ended: bool = False

    @property
    def data(self) -> str:
        """The label of the first table."""
        return self.tables[0][0] if self.tables else ""

    @property
    def rows(self) -> list[tuple[int, str]]:
        """The lines of the first table, each with its number."""
        return self.tables[0][1] if self.tables else []


def recognises(head: bytes) -> bool:
    """Say whether the first bytes are those of a JCAMP-DX file: a label `##...=`."""
    return re.match(rb"(\xef\xbb\xbf)?\s*(\$\$[^\n]*\s+)*##[^=\n]{1,60}=", head) is not None


def read(
    path: Path,
    *,
    quantity: str | None = None,
    technique: str | None = None,
    percent: bool | None = None,
) -> xr.DataArray:
    """Read one spectrum from JCAMP-DX.

    Parameters
    ----------
    path : the file: one block with XYDATA ``(X++(Y..Y))`` or XYPOINTS ``(XY..XY)``.
    quantity, technique, percent : what the file does not say itself.

    Raises
    ------
    ReadError : several blocks, a table of peaks, NTUPLES; numbers that contradict the labels.

    Warns
    -----
    ResiduekitWarning : a label that contradicts the numbers where these leave no doubt.
    """
    stated(path, quantity, technique, percent)
    with readable(path):
        data = path.read_bytes()
    text, encoding = decoded(path, data)
    block = _only_block(path, parse(path, text))
    decode = {"X++(Y..Y)": _evenly_spaced, "XY..XY": _pairs}.get(_form(block))
    if decode is None:
        form, line = block.labels[block.data]
        raise refuse(path, f"##{block.data}={form}", "(X++(Y..Y)) or (XY..XY)",
                     "export plain XYDATA", line)  # fmt: skip
    axis, values, forms = decode(path, block)
    _check_ordinates(path, block, values)
    unit = axis_unit_of(_text(path, block, "XUNITS"))
    if unit is None:
        raise refuse(path, f"XUNITS {block.labels['XUNITS'][0]!r}",
                     "1/CM, MICROMETERS or NANOMETERS", "export the spectrum in wavenumbers",
                     block.labels["XUNITS"][1])  # fmt: skip
    axis = to_wavenumber(path, axis, unit)
    found, percent = _quantity(path, block, quantity, percent)
    values, scale = as_fraction(path, values, found, percent)
    title = block.labels.get("TITLE", ("", 0))[0]
    source = source_of(path, NAME, layout=f"{block.data} ({_form(block)})", form=forms, title=title,
                       encoding=encoding, units=f"{unit}, {_yunits(block)}", **scale)  # fmt: skip
    return labelled(path, make_points, values, axis, quantity=found,
                    technique=technique or "unknown", source=source)  # fmt: skip


def parse(path: Path, text: str) -> list[Block]:
    """Split text into blocks of labels; labels count without case, blanks and ``-_/``.

    Raises
    ------
    ReadError : text outside any label, a label without `=`, nothing at all.
    """
    blocks: list[Block] = []
    block: Block | None = None
    label = ""
    for number, raw in enumerate(re.split(r"\r\n|\n|\r", text), start=1):
        line = raw.partition("$$")[0].strip(" \t\x1a")
        if not line:
            continue
        if not line.startswith("##"):
            if block is None:
                raise refuse(path, f"{line[:40]!r} outside a block", "a label ##TITLE= first",
                             "remove the line", number)  # fmt: skip
            if label in _TABLES:
                block.tables[-1][1].append((number, line))
            continue
        name, equals, value = line[2:].partition("=")
        if not equals:
            raise refuse(path, f"{line[:40]!r}", "a label ##NAME= value", "add the =", number)
        label = re.sub(r"[\s\-_/]", "", name).upper()
        if label == "END":
            if block is not None:
                block.ended, block = True, None
            continue
        if block is None or label == "TITLE":
            block = Block()
            blocks.append(block)
        if label in _TABLES:
            block.tables.append((label, []))
        block.labels.setdefault(label, (value.strip(), number))
    if not blocks:
        raise refuse(path, "no block", "a block from ##TITLE= to ##END=", "export it again")
    return blocks


def _only_block(path: Path, blocks: list[Block]) -> Block:
    block = blocks[0]
    if len(blocks) > 1 or "BLOCKS" in block.labels:
        raise refuse(path, f"a compound file (LINK), {len(blocks)} blocks in all", "one block",
                     "save each spectrum as a file of its own")  # fmt: skip
    if "NTUPLES" in block.labels or block.data == "DATATABLE":
        raise refuse(path, "NTUPLES", "XYDATA or XYPOINTS", "export plain XYDATA",
                     block.labels.get("NTUPLES", ("", None))[1])  # fmt: skip
    if block.data in ("PEAKTABLE", "PEAKASSIGNMENTS"):
        raise refuse(path, "a table of peaks, no spectrum", "XYDATA or XYPOINTS",
                     "export the whole spectrum", block.labels[block.data][1])  # fmt: skip
    if len(block.tables) > 1:
        raise refuse(path, f"{len(block.tables)} tables in one block", "one table",
                     "save each as a file of its own")  # fmt: skip
    if not block.rows:
        raise refuse(path, "no table of numbers", "##XYDATA= (X++(Y..Y)) and its lines",
                     "export it again: it may be cut")  # fmt: skip
    if not block.ended:
        raise refuse(path, "no ##END=", "a whole file: this one may be cut", "export it again; if "
                     "it is whole, add a last line ##END=", block.rows[-1][0])  # fmt: skip
    return block


def _form(block: Block) -> str:
    words = re.sub(r"\s", "", block.labels[block.data][0]).upper()
    return words[1:-1] if words.startswith("(") and words.endswith(")") else words


def _evenly_spaced(path: Path, block: Block) -> tuple[Any, Any, str]:
    """Decode ``(X++(Y..Y))``: axis (n,), ordinates (n,) and the number forms used."""
    first, last = _number(path, block, "FIRSTX"), _number(path, block, "LASTX")
    printed: list[tuple[int, int, Line]] = []
    ordinates: list[float] = []
    forms: set[str] = set()
    repeats = False
    for number, text in block.rows:
        line = _decode(path, number, decode_line, text, MOST_VALUES - len(ordinates))
        y = line.y
        if repeats and y:
            if y[0] != ordinates[-1]:
                raise refuse(path, f"the ordinate {y[0]:g} where the line above ends at "
                             f"{ordinates[-1]:g} (the check of the DIF form)", "the same number",
                             "export it again: the lines between are damaged", number)  # fmt: skip
            printed.append((number, len(ordinates) - 1, line))
            y = y[1:]
        else:
            printed.append((number, len(ordinates), line))
        ordinates.extend(y)
        forms |= line.forms
        repeats = line.ends_in_difference
    values = np.array(ordinates) * _number(path, block, "YFACTOR", 1.0)
    if values.size < 2 or first == last:
        raise refuse(path, f"{values.size} points from {first:g} to {last:g}",
                     "two points or more along an axis", "export it again")  # fmt: skip
    axis = np.linspace(first, last, values.size)
    _check_axis(path, block, axis, printed)
    return axis, values, " + ".join(sorted(forms))


def _decode(path: Path, number: int, decode: Any, text: str, *room: int) -> Any:
    try:
        return decode(text, *room)
    except BadNumberError as error:
        raise refuse(path, error.args[0], error.args[1], "export it again, or mend the line",
                     number) from error  # fmt: skip


def _check_axis(path: Path, block: Block, axis: Any, printed: list[tuple[int, int, Line]]) -> None:
    """Hold the axis against the abscissa of each line, NPOINTS and DELTAX."""
    step = (axis[-1] - axis[0]) / (axis.size - 1)
    counted = _count_fault(path, block, axis.size)
    factor = _number(path, block, "XFACTOR", 1.0)
    worst: tuple[float, int] = (0.0, 0)
    for number, index, line in printed:
        off = abs(line.x * factor - axis[min(index, axis.size - 1)])
        unit = line.resolution * abs(factor)
        clear = abs(step) / 4 if counted else max(abs(step) / 2, unit if unit > abs(step) else 0)
        if off > clear:
            found = (f"the abscissa {line.x * factor:g}, {off:.3g} off the axis of FIRSTX, LASTX "
                     f"and {axis.size} points")  # fmt: skip
            raise refuse(path, f"{found}; {counted}" if counted else found,
                         "lines that stand where the labels say", "export it again: points are "
                         "missing, doubled, or the file is cut", number)  # fmt: skip
        if off > max(1.01 * unit, worst[0]):
            worst = off, number
    if counted and len(printed) < 3:
        raise refuse(path, counted, "as many points as NPOINTS says", "export it again: it may be "
                     "cut", block.labels["NPOINTS"][1])  # fmt: skip
    if counted:
        tell(path, f"{counted}; the abscissae of all lines agree with the points",
             block.labels["NPOINTS"][1])  # fmt: skip
    if worst[1]:
        tell(
            path, f"the abscissa is up to {worst[0]:.3g} off the axis of FIRSTX and LASTX", worst[1]
        )
    delta = _number(path, block, "DELTAX", step)
    if abs(abs(delta) - abs(step)) * (axis.size - 1) > abs(step) / 2:
        tell(path, f"DELTAX {delta:g}, but {step:g} by FIRSTX, LASTX and the points",
             block.labels["DELTAX"][1])  # fmt: skip


def _count_fault(path: Path, block: Block, found: int) -> str:
    declared = _number(path, block, "NPOINTS", float(found))
    return "" if declared == found else f"NPOINTS {declared:g}, but {found} points"


def _pairs(path: Path, block: Block) -> tuple[Any, Any, str]:
    """Decode ``(XY..XY)``: axis (n,), ordinates (n,) and the number form."""
    numbers: list[float] = []
    for number, text in block.rows:
        found = _decode(path, number, decode_pairs, text)
        if len(found) % 2:
            raise refuse(path, f"{len(found)} numbers", "pairs of X and Y", "mend the line", number)
        numbers += found
    axis, values = np.array(numbers).reshape(-1, 2).T
    axis = axis * _number(path, block, "XFACTOR", 1.0)
    values = values * _number(path, block, "YFACTOR", 1.0)
    counted = _count_fault(path, block, axis.size)
    spacing = np.abs(np.diff(axis)).min() if axis.size > 1 else 1.0
    ends_agree = True
    for label, end in (("FIRSTX", axis[0]), ("LASTX", axis[-1])):
        stated_end = _number(path, block, label, end)
        if abs(stated_end - end) > spacing / 2:
            ends_agree = False
            tell(path, f"{label} {stated_end:g}, but {end:g} in the table", block.labels[label][1])
    if counted and not (ends_agree and "LASTX" in block.labels):
        raise refuse(path, counted, "as many points as NPOINTS says", "export it again: it may be "
                     "cut", block.labels["NPOINTS"][1])  # fmt: skip
    if counted:
        tell(path, counted, block.labels["NPOINTS"][1])
    return axis, values, "AFFN"


def _check_ordinates(path: Path, block: Block, values: Any) -> None:
    """Hold FIRSTY, MAXY and MINY against the ordinates; a mismatch is told, not refused."""
    finite = values[np.isfinite(values)]
    if not finite.size:
        raise refuse(path, "no ordinate that is a number", "ordinates", "export it again")
    for label, value in (("FIRSTY", values[0]), ("MAXY", finite.max()), ("MINY", finite.min())):
        if label not in block.labels or not np.isfinite(value):
            continue
        declared = _number(path, block, label)
        size = max(abs(declared), abs(value), float(np.ptp(finite)))
        if abs(declared - value) > max(1e-3 * size, abs(_number(path, block, "YFACTOR", 1.0))):
            tell(path, f"{label} {declared:g}, but {value:g} in the table", block.labels[label][1])


def _text(path: Path, block: Block, label: str) -> str:
    value = block.labels.get(label, ("", 0))[0]
    if not value:
        raise refuse(path, f"no ##{label}=", "that label with its value", f"add a line ##{label}=")
    return value


def _number(path: Path, block: Block, label: str, default: float | None = None) -> float:
    if default is not None and label not in block.labels:
        return default
    word = _text(path, block, label)
    value = float(word.upper().replace("D", "E")) if _NUMBER.fullmatch(word) else np.nan
    if not np.isfinite(value):
        raise refuse(path, f"##{label}= {word[:40]}", "a finite number", "mend the label",
                     block.labels[label][1])  # fmt: skip
    return value


def _yunits(block: Block) -> str:
    return block.labels.get("YUNITS", ("", 0))[0]


def _quantity(
    path: Path, block: Block, quantity: str | None, percent: bool | None
) -> tuple[str, bool | None]:
    known = quantity_of(_yunits(block), short=True)
    if quantity is None and known is None:
        raise refuse(path, f"YUNITS {_yunits(block)!r}", "ABSORBANCE, TRANSMITTANCE, %T, "
                     "REFLECTANCE or KUBELKA-MUNK", "quantity='absorbance' (or another)",
                     block.labels.get("YUNITS", ("", None))[1])  # fmt: skip
    if percent is None and known is not None:
        percent = known[1]
    return quantity or (known[0] if known else ""), percent
