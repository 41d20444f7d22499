"""For a paper and for a sheet: tables.tex and tables.xlsx, caption.md and caption.tex."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from statistics import stdev
from typing import TYPE_CHECKING, Any

from ..figures.written import RECORD
from ..reprs import decimals, to_error
from ..results import TABLES
from ..schema import ARM_COLUMNS
from ..words.answer import lower_bound
from ..words.common import (
    arm_words,
    counted,
    judged,
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
    heads = ("score", "stratum", "sight", "unit", "selectivity", "slope per µg cm⁻²", "s.e.",
             "d.f.", "one mock-up needs", "noise allows")  # fmt: skip
    several = len(result.residues) > 1
    rows = [
        [
            str(row["score"]),
            stratum_words(stratum_of(row)) + (f", residue of {row['residue']}" if several else ""),
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
    deciding = set(map(_scale_of, result.verdicts.to_dict("records")))
    every = [row for row in result.mockups.to_dict("records") if _scale_of(row) in deciding]
    blanks: dict[Any, list[float]] = {}
    for row in every:
        if row["role"] == "blank":
            blanks.setdefault(_scale_of(row), []).append(row["mean"])
    scatter = {key: stdev(means) for key, means in blanks.items() if len(means) > 1}
    several = len(result.residues) > 1
    heads = ("mock-up", *(["residue"] if several else []), "role", "unit", "mean", "maps", "pixels")
    rows = [
        [str(row["mockup"]), *([str(row["residue"])] if several else []), str(row["role"]),
         unit_words(str(row["unit"])),
         true_minus(to_error(row["mean"], scatter.get(_scale_of(row), math.nan))) or "–",
         number(row["n_maps"]), f"{int(row['n_pixels'])}"]
        for row in every[:MOST_ROWS]
    ]  # fmt: skip
    return grid(
        _capped("Mock-ups by the deciding score", "mockups", len(every)),
        heads,
        rows,
        texts=3 + several,
    )


def _scale_of(row: Mapping[Any, Any]) -> tuple[Any, ...]:
    """Whose blanks show how far the score of one mock-up scatters."""
    return (*stratum_of(row), row["score"], row["residue"])


def _write_sheets(result: StudyResult, path: Path) -> None:
    from openpyxl import Workbook

    book = Workbook()
    book.remove(book.active)
    for name in TABLES:
        first, rest = _sheet_columns(TABLES[name])
        records = getattr(result, name)[[*first, *rest]].to_dict("records")
        formats = [{k: number_format(k, v, row) for k, v in row.items()} for row in records]
        _fill(book.create_sheet(name), [*first, *rest], records, formats, frozen=len(first))
    book.save(path)


def _sheet_columns(columns: Sequence[str]) -> tuple[list[str], list[str]]:
    """The columns that name a row and its verdict, which a sheet keeps in view, and the others."""
    first = [name for name in columns if name in ARM_COLUMNS]
    first += [name for name in ("residue", "verdict") if "verdict" in columns]
    return first, [name for name in columns if name not in first]


#: Numbers with an error, and the columns of it: one, or the two ends of an interval.
_ERRORS = {"standard_error": ("standard_error",), "slope": ("slope_se",), "slope_se": ("slope_se",),
           **dict.fromkeys(("difference", "low", "high"), ("low", "high"))}  # fmt: skip
#: Standard errors in an interval of 95 %.
_INTERVAL = 4.0
#: Numbers in the unit of the score, each to the error of the arm.
_OF_ARM = ("estimate", "mean", "decision_limit", "detection_limit", "mockup_decision_limit",
           "mockup_detection_limit", "upper_bound", "identification_limit",
           "tolerance_bound")  # fmt: skip
_SHARES = ("share_upper_bound", "patch_share")
_MOST_DECIMALS = 8


def error_of(name: str, row: Mapping[Any, Any]) -> float:
    """The standard error that says how many digits a number of a row warrants; 0 where none is
    known."""
    ends = [row.get(k) for k in (("standard_error",) if name in _OF_ARM else _ERRORS.get(name, ()))]
    known = [float(end) for end in ends if end is not None and math.isfinite(end)]
    return (known[-1] - known[0]) / _INTERVAL if len(known) > 1 else sum(known)


def number_format(name: str, value: Any, row: Mapping[Any, Any]) -> str:
    """How a sheet shows a number, which keeps all its digits: to the second digit of its error; a
    share in per cent; three digits where no error is known.

    >>> number_format("estimate", 0.12345, {"standard_error": 0.1})
    '0.00'
    >>> number_format("share_upper_bound", 0.39, {}), number_format("n_mockups", 4, {})
    ('0%', 'General')
    """
    if isinstance(value, bool | str | int) or value is None or not math.isfinite(value):
        return "General"
    if name in _SHARES:
        return "0%"
    error = error_of(name, row)
    if not error > 0:
        if float(value).is_integer():
            return "General"
        error = abs(value) / 10
    places = max(decimals(error), 0)
    return "0.0E+00" if places > _MOST_DECIMALS else "0." + "0" * places if places else "0"


def _fill(
    sheet: Worksheet,
    heads: Sequence[str],
    records: Sequence[Mapping[Any, Any]],
    formats: Sequence[Mapping[Any, str]],
    frozen: int,
) -> None:
    """Write cells; a text stays a text whatever it begins with."""
    from openpyxl.styles import Alignment, Font
    from openpyxl.utils import get_column_letter

    widths = [0] * len(heads)
    plain = dict.fromkeys(heads, "General")
    rows = zip([dict(zip(heads, heads, strict=True)), *records], [plain, *formats], strict=True)
    for r, (row, shown_as) in enumerate(rows, start=1):
        for c, (name, value) in enumerate(row.items(), start=1):
            cell = sheet.cell(r, c)
            cell.number_format = shown_as[name]
            if isinstance(value, bool):
                cell.value = value
            elif isinstance(value, str):
                cell.value = _NOT_XML.sub(" ", value)[:_MOST_LETTERS]
                cell.data_type, cell.quotePrefix = "s", value[:1] in _ACTIVE
            elif value is not None and math.isfinite(value):
                cell.value = value
            elif value is not None and math.isinf(value):
                cell.value = "inf"
            long = number(cell.value) if isinstance(cell.value, float) else str(cell.value or "")
            widths[c - 1] = max(widths[c - 1], len(long))
            cell.alignment = Alignment(vertical="top", wrap_text=len(str(cell.value)) > _WIDEST)
    for c, width in enumerate(widths, start=1):
        sheet.cell(1, c).font = Font(bold=True)
        sheet.column_dimensions[get_column_letter(c)].width = min(max(width, 8) + 2, _WIDEST)
    sheet.freeze_panes = sheet.cell(2, frozen + 1)
    sheet.auto_filter.ref = sheet.dimensions
