"""Tables of peaks in JCAMP-DX: PEAK TABLE and PEAK ASSIGNMENTS."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from .jcamp import blocks_of
from .jcamp_tables import form, groups
from .jcamp_text import Block, DataTable, number
from .opening import refuse
from .unit_words import axis_unit_of, to_wavenumber

if TYPE_CHECKING:
    import pandas as pd

_LABELS = ("PEAKTABLE", "PEAKASSIGNMENTS")
_COLUMNS = {"XY..XY": ("x", "y"), "XYW..XYW": ("x", "y", "width"),
            "XYM..XYM": ("x", "y", "multiplicity")}  # fmt: skip
_ASSIGNED = {"XYA": ("x", "y"), "XYWA": ("x", "y", "width")}
_GROUP = re.compile(r"\(([^,()]*(?:,[^,<>()]*){1,2}),\s*<?([^<>()]*)>?\s*\)")


def read_peaks(path: str | os.PathLike[str]) -> pd.DataFrame:
    """Read the tables of peaks of a JCAMP-DX file.

    Parameters
    ----------
    path : the file.

    Returns
    -------
    DataFrame with a row a peak: `block` (from 1) and its `title`; `x` and `y` as the file gives
    them, in `x_unit` and `y_unit`; `wavenumber` in cm-1 where the axis has a spectral unit (else
    NaN); `width` and `assignment` where the file has them.

    Raises
    ------
    ReadError : no table of peaks, or one that cannot be decoded.

    >>> import tempfile
    >>> lines = ["##TITLE= bands", "##XUNITS= 1/CM", "##YUNITS= ABSORBANCE",
    ...          "##PEAK TABLE= (XY..XY)", "1735,0.8 1240,0.6", "##END="]
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "peaks.jdx"
    ...     _ = path.write_text("".join(f"{line}" + chr(10) for line in lines))
    ...     peaks = read_peaks(path)
    >>> peaks["wavenumber"].tolist(), peaks["y"].tolist()
    ([1735.0, 1240.0], [0.8, 0.6])
    """
    import pandas as pd

    path = Path(path)
    blocks, _ = blocks_of(path)
    rows: list[dict[str, Any]] = []
    for place, block in enumerate((b for b in blocks if "BLOCKS" not in b.labels), start=1):
        for table in block.tables:
            if table.label in _LABELS:
                rows += _table(path, block, table, place)
    if not rows:
        raise refuse(path, "no table of peaks", "##PEAK TABLE= (XY..XY) and its lines",
                     "residuekit.read(path) if it holds spectra")  # fmt: skip
    return pd.DataFrame(rows)


def _table(path: Path, block: Block, table: DataTable, place: int) -> list[dict[str, Any]]:
    if not block.ended:
        raise block.cut_off(path, table.line)
    kind = form(table)
    if kind in _COLUMNS:
        names = _COLUMNS[kind]
        numbers, words = groups(path, table, len(names)), None
    elif kind in _ASSIGNED:
        names = _ASSIGNED[kind]
        numbers, words = _assigned(path, table, len(names))
    else:
        raise refuse(path, f"##{table.label}= {table.form}", f"one of "
                     f"{', '.join(f'({k})' for k in (*_COLUMNS, *_ASSIGNED))}",
                     "export a plain table of peaks", table.line)  # fmt: skip
    counted = block.number(path, "NPOINTS", float(len(numbers)))
    if counted != len(numbers):
        raise refuse(
            path,
            f"NPOINTS {counted:g}, but {len(numbers)} peaks",
            "as many as NPOINTS says",
            "export it again: it may be cut",
            block.line_of("NPOINTS"),
        )
    columns = dict(zip(names, numbers.T, strict=True))
    columns["x"] = columns["x"] * block.number(path, "XFACTOR", 1.0)
    columns["y"] = columns["y"] * block.number(path, "YFACTOR", 1.0)
    unit = axis_unit_of(block.text("XUNITS"))
    wavenumber = np.full(len(numbers), np.nan)
    if unit is not None and len(numbers):
        wavenumber = to_wavenumber(path, columns["x"], unit)
    said = {"block": place, "title": block.text("TITLE"), "x_unit": block.text("XUNITS"),
            "y_unit": block.text("YUNITS")}  # fmt: skip
    rows = []
    for i in range(len(numbers)):
        row = {**said, "wavenumber": wavenumber[i], **{k: v[i] for k, v in columns.items()}}
        rows.append(row if words is None else {**row, "assignment": words[i]})
    return rows


def _assigned(path: Path, table: DataTable, size: int) -> tuple[Any, list[str]]:
    """Decode groups such as ``(1730, 0.8, <C=O stretch>)``, one or more on a line."""
    numbers: list[list[float]] = []
    words: list[str] = []
    for line, text in table.rows:
        if _GROUP.sub("", text).strip(" ,;\t"):
            raise refuse(path, f"{text[:40]!r}", "groups such as (1730, 0.8, <C=O>)",
                         "mend the line", line)  # fmt: skip
        for cells, word in _GROUP.findall(text):
            values = [number(path, "the peak", cell.strip(), line) for cell in cells.split(",")]
            if len(values) != size:
                raise refuse(path, f"{len(values)} numbers", f"{size} in each group",
                             "mend the line", line)  # fmt: skip
            numbers.append(values)
            words.append(word.strip())
    return np.array(numbers, dtype=float).reshape(-1, size), words
