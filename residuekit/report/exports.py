"""For a paper and for a sheet: tables.tex and tables.xlsx, caption.md and caption.tex."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..figures.written import RECORD
from ..reprs import to_error
from ..results import TABLES
from ..schema import ARM_COLUMNS
from ..words.answer import judged, lower_bound
from ..words.common import (
    arm_words,
    counted,
    number,
    rounded,
    stratum_of,
    stratum_words,
    true_minus,
    unit_words,
)
from . import as_latex, as_markdown
from .text import Grid, grid

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

    from ..results import StudyResult

TEX = "tables.tex"
XLSX = "tables.xlsx"
CAPTION = "caption"
#: More rows than this are left to the CSV file, and the caption says so.
MOST_ROWS = 400
#: What a cell of a sheet can hold.
_MOST_LETTERS = 32_000
_NOT_XML = re.compile(r"[^\t\n\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
#: A sheet takes a text that begins so for a formula once it is edited.
_ACTIVE = ("=", "+", "-", "@")
_WIDEST = 60


def write_tables(result: StudyResult, folder: str | Path) -> None:
    """Write tables.tex (rounded, for a paper) and tables.xlsx (every digit, a sheet a table)."""
    head = "% For the body of your own document: \\input{this file}. It needs no package.\n"
    text = as_latex.tables(grids(result))
    (Path(folder) / TEX).write_text(f"{head}\n{text}\n", encoding="utf-8")
    _write_sheets(result, Path(folder) / XLSX)


def write_caption(folder: str | Path) -> str:
    """Write the captions that figure.json holds, two files a page: caption.md, caption.tex.

    Each begins with the one that fits a journal. Further pages have names as caption-2.md, those of
    one column as caption-85mm.md. Returns the first.
    """
    folder = Path(folder)
    record = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    if "captions" in record:
        said = record["captions"]
    else:
        words = f"The figure could not be drawn: {record['not_drawn']}"
        said = {CAPTION: {"caption": words, "short_caption": words}}
    texts = [_write_caption(folder / stem, one) for stem, one in said.items()]
    return texts[0]


def _write_caption(path: Path, said: Mapping[str, str]) -> str:
    short, full = said["short_caption"], said["caption"]
    text = f"{as_markdown.escape(short)}\n\n## In full\n\n{as_markdown.escape(full)}\n"
    path.with_suffix(".md").write_text(text, encoding="utf-8")
    tex = (
        "% For the body of a figure of your own document; the caption in full stands below.\n"
        f"\\caption{{{as_latex.escape(short)}}}\n% In full:\n% {as_latex.escape(full)}\n"
    )
    path.with_suffix(".tex").write_text(tex, encoding="utf-8")
    return text


def grids(result: StudyResult) -> Iterator[Grid]:
    """The tables as a paper prints them, numbers rounded to their standard error."""
    for name, words in (
        ("verdicts", "Verdicts by the deciding score"),
        ("scores", "What every score says by itself, the blind ones too"),
    ):
        yield _arms(result, name, words)
    yield _markers(result)
    yield _mockups(result)


def _arms(result: StudyResult, name: str, words: str) -> Grid:
    """A row an arm, or an arm and score."""
    rows = getattr(result, name).to_dict("records")
    units = {unit_words(str(row["unit"])) for row in rows if judged(row)}
    one = units.pop() if len(units) == 1 else ""
    caption = (
        f"{words}: mean, standard error, one-sided bounds with their degrees of freedom, "
        "detection limit"
    )
    caption += f", in {one}" if one else ""
    heads = ["arm", *(["score"] if name == "scores" else []), "verdict", *([] if one else ["unit"])]
    numbers = ("n", "blanks", "mean", "s.e.", "lower", "upper", "d.f.", "det.")
    cells = [
        [
            arm_words(row), *([str(row["score"])] if name == "scores" else []), str(row["verdict"]),
            *([] if one else [unit_words(str(row["unit"]))]), *_numbers(row),
        ]
        for row in rows[:MOST_ROWS]
    ]  # fmt: skip
    return grid(_capped(caption, name, len(rows)), [*heads, *numbers], cells, texts=len(heads))


def _numbers(row: dict[Any, Any]) -> list[str]:
    if not judged(row):
        return ["–"] * 8
    low = {**row, "lower_bound": lower_bound(row)}
    return [
        f"{int(row['n_mockups'])}", f"{int(row['n_blank_mockups'])}", rounded(row, "estimate"),
        rounded(row, "standard_error"),
        rounded(low, "lower_bound") if row["verdict"] == "detected" else "–",
        rounded(row, "upper_bound"), number(row["bound_degrees_of_freedom"], 2),
        rounded(row, "detection_limit"),
    ]  # fmt: skip


def _capped(words: str, name: str, n: int) -> str:
    rest = n - MOST_ROWS
    more = f"; {counted(rest, 'further row')} in {name}.csv" if rest > 0 else ""
    return f"{words} ({name}.csv){more}"


def _markers(result: StudyResult) -> Grid:
    heads = ("score", "stratum", "sight", "unit", "selectivity", "slope", "s.e.", "d.f.",
             "one mock-up needs", "noise allows")  # fmt: skip
    rows = [
        [
            str(row["score"]), stratum_words(stratum_of(row)),
            "blind" if row["blind"] else "deciding" if row["deciding"] else "can see",
            unit_words(str(row["unit"])), number(row["selectivity"], 2),
            true_minus(to_error(row["slope"], row["slope_se"])) or "–",
            number(row["slope_se"], 2), number(row["slope_degrees_of_freedom"]),
            number(row["mockup_limit"], 2), number(row["noise_limit"], 2),
        ]
        for row in result.markers.to_dict("records")[:MOST_ROWS]
    ]  # fmt: skip
    return grid(_capped("What each score can see", "markers", len(result.markers)), heads, rows,
                texts=4)  # fmt: skip


def _mockups(result: StudyResult) -> Grid:
    deciding = {(stratum_of(row), row["score"]) for row in result.verdicts.to_dict("records")}
    every = [row for row in result.mockups.to_dict("records")
             if (stratum_of(row), row["score"]) in deciding]  # fmt: skip
    heads = ("mock-up", "role", "unit", "mean", "maps", "pixels")
    rows = [
        [str(row["mockup"]), str(row["role"]), unit_words(str(row["unit"])), number(row["mean"]),
         number(row["n_maps"]), f"{int(row['n_pixels'])}"]
        for row in every[:MOST_ROWS]
    ]  # fmt: skip
    return grid(
        _capped("Mock-ups by the deciding score", "mockups", len(every)), heads, rows, texts=3
    )


def _write_sheets(result: StudyResult, path: Path) -> None:
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for name in TABLES:
        first, rest = _sheet_columns(TABLES[name])
        rows = getattr(result, name)[[*first, *rest]].to_dict("split")["data"]
        _fill(book.create_sheet(name), [[*first, *rest], *rows], frozen=len(first))
    book.save(path)


def _sheet_columns(columns: Sequence[str]) -> tuple[list[str], list[str]]:
    """The columns that name a row and its verdict, which a sheet keeps in view, and the others."""
    first = [name for name in columns if name in ARM_COLUMNS]
    first += [name for name in ("residue", "verdict") if "verdict" in columns]
    return first, [name for name in columns if name not in first]


def _fill(sheet: Worksheet, rows: list[list[Any]], frozen: int) -> None:
    """Write cells; a text stays a text whatever it begins with."""
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    widths = [0] * len(rows[0])
    for r, row in enumerate(rows, start=1):
        for c, value in enumerate(row, start=1):
            cell = sheet.cell(r, c)
            if isinstance(value, bool):
                cell.value = value
            elif isinstance(value, str):
                cell.value = _NOT_XML.sub(" ", value)[:_MOST_LETTERS]
                cell.data_type, cell.quotePrefix = "s", value[:1] in _ACTIVE
            elif value is not None and math.isfinite(value):
                cell.value = value
            elif value is not None and math.isinf(value):
                cell.value = "inf"
            widths[c - 1] = max(widths[c - 1], len(str(cell.value or "")))
            cell.alignment = Alignment(vertical="top", wrap_text=len(str(cell.value)) > _WIDEST)
    for c, width in enumerate(widths, start=1):
        sheet.cell(1, c).font = Font(bold=True)
        sheet.column_dimensions[get_column_letter(c)].width = min(max(width, 8) + 2, _WIDEST)
    sheet.freeze_panes = sheet.cell(2, frozen + 1)
    sheet.auto_filter.ref = sheet.dimensions
