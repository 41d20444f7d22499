"""The tables for a paper and for a sheet: every name is text, every table compiles."""

import math
import re
import shutil
import subprocess
import zipfile
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_run import make_run
from matplotlib import get_data_path
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path
from openpyxl import load_workbook

from residuekit.figures import write_figure
from residuekit.report import as_latex, write_caption, write_methods, write_tables
from residuekit.report.exports import grids
from residuekit.report.text import Items, Paragraph, Section, grid
from residuekit.results import TABLES
from residuekit.schema import ARM_COLUMNS

HOSTILE = (
    '=HYPERLINK("http://example.invalid")', "+1+1", "-2+3", "@SUM(A1)", r"\input{/etc/passwd}",
    r"\write18{x} $ & # % ~ ^ _ { }", "[x] ]* \\\\", "🎨🧽 ünïcode Ωψ ẞ", "ﷺ\u202e\ufeffрус",
    "m" * 500, "a\nb\x07c\x00d", "``quote'' -- ?` <<x>>", "O'Brien \"the\" 'restorer'", "",
)  # fmt: skip


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    folder = tmp_path_factory.mktemp("exports") / "run"
    result = make_run(folder, paints=(HOSTILE[0], "alkyd & oil_1"), title=HOSTILE[5],
                      treatment=HOSTILE[4], further={"operator": HOSTILE[7]})  # fmt: skip
    exposed = result.mockups.index[result.mockups["role"] == "exposed"]
    for number, name in enumerate(HOSTILE[:-1]):
        result.mockups.loc[exposed[number], "mockup"] = name
        result.provenance["failures"][f"data/{number} {name}"] = name
    write_figure(result, folder)
    write_caption(folder)
    write_methods(result, folder)
    write_tables(result, folder)
    return folder, result


# sheets


def test_every_table_has_a_sheet_with_every_number(hostile):
    folder, result = hostile
    book = load_workbook(folder / "tables.xlsx")
    assert book.sheetnames == list(TABLES)
    for name, columns in TABLES.items():
        head, *rows = book[name].iter_rows(values_only=True)
        assert sorted(head) == sorted(columns)
        table = getattr(result, name)
        assert len(rows) == len(table)
        for column in ("estimate", "mean", "slope", "n_pixels"):
            if column in columns:
                shown = [row[head.index(column)] for row in rows]
                assert [math.nan if v is None else v for v in shown] == pytest.approx(
                    list(table[column]), nan_ok=True
                )


@pytest.mark.parametrize("name", ["verdicts", "scores"])
def test_arm_and_verdict_come_first_and_stay_in_view(hostile, name):
    sheet = load_workbook(hostile[0] / "tables.xlsx")[name]
    first = [*ARM_COLUMNS, "residue", "verdict"]
    assert sorted(cell.value for cell in sheet[1][: len(first)]) == sorted(first)
    assert sheet[1][len(first) - 1].value == "verdict"
    assert sheet.freeze_panes == sheet.cell(2, len(first) + 1).coordinate


def test_what_is_true_or_false_is_no_text(hostile):
    sheet = load_workbook(hostile[0] / "tables.xlsx")["markers"]
    place = [cell.value for cell in sheet[1]].index("blind")
    assert {row[place].data_type for row in sheet.iter_rows(min_row=2)} == {"b"}


def test_no_cell_of_a_sheet_is_a_formula(hostile):
    folder, result = hostile
    book = load_workbook(folder / "tables.xlsx")
    texts = {cell.value: cell for row in book["mockups"].iter_rows() for cell in row}
    for name in HOSTILE[:4]:
        assert texts[name].data_type == "s"
        assert texts[name].quotePrefix
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert not [cell for cell in cells if cell.data_type == "f"]
    assert set(texts) >= {result.mockups["paint"].iloc[0]}
    with zipfile.ZipFile(folder / "tables.xlsx") as archive:
        sheets = [name for name in archive.namelist() if name.startswith("xl/worksheets/sheet")]
        assert len(sheets) == len(TABLES)
        assert not [name for name in sheets if b"<f>" in archive.read(name)]


def test_what_was_not_computed_is_an_empty_cell(tmp_path):
    result = make_run(tmp_path)
    result.verdicts.loc[0, "upper_bound"] = math.nan
    write_tables(result, tmp_path)
    shown = pd.read_excel(tmp_path / "tables.xlsx", sheet_name="verdicts")
    assert math.isnan(shown.loc[0, "upper_bound"])
    assert shown.loc[1, "upper_bound"] == 0.7345


# LaTeX


def outside_commands(text):
    r"""LaTeX without comments and without \commands and escaped letters."""
    text = re.sub(r"(?<!\\)%.*", "", text)
    return re.sub(r"\\[A-Za-z]+\*?|\\[^A-Za-z]", "", text)


def assert_sound(text):
    """Nothing that LaTeX acts on but what `as_latex` writes; groups, mathematics, environments
    close."""
    bare = outside_commands(text)
    depth = 0
    for letter in bare:
        depth += (letter == "{") - (letter == "}")
        assert depth >= 0
    assert depth == 0
    assert bare.count("$") % 2 == 0
    assert not re.search(r"[#~]", bare)
    assert text.isascii()
    begun, ended = (re.findall(rf"\\{word}\{{(\w+)\}}", text) for word in ("begin", "end"))
    assert sorted(begun) == sorted(ended)
    commands = set(re.findall(r"\\([A-Za-z]+)", re.sub(r"(?<!\\)%.*", "", text)))
    assert commands <= {
        "section", "textbf", "begin", "end", "item", "centering", "caption", "footnotesize",
        "scriptsize", "setlength", "tabcolsep", "tabularnewline", "hline", "raggedright",
        "raggedleft", "clearpage", "allowbreak", "sloppy", "par", "multicolumn", "textit",
        "alpha", "beta", "chi", "sigma",
        "textbackslash", "textasciitilde", "textasciicircum", "textasciigrave", "mu", "times", "pm",
        "geq", "leq", "infty", "cdot", "circ", "ldots", "ss", "o", "O", "ae", "AE", "oe", "OE", "l",
        "L", "i", "u", "r", "H", "v", "c", "k",
    }  # fmt: skip


@pytest.mark.parametrize("name", ["methods.tex", "caption.tex", "tables.tex"])
def test_the_latex_is_sound_whatever_the_names(hostile, name):
    assert_sound((hostile[0] / name).read_text(encoding="utf-8"))


@given(st.text(max_size=60))
def test_any_text_is_sound_latex(text):
    assert_sound(as_latex.escape(text))
    made = as_latex.write([Section(text, (Paragraph(text, text), Items((text,)),
                                          grid(text, (text, text), [(text, text)])))])  # fmt: skip
    assert_sound(made)


@pytest.mark.skipif(not shutil.which("pdflatex"), reason="no pdflatex")
def test_methods_caption_and_tables_compile(hostile, tmp_path):
    for name in ("methods.tex", "caption.tex", "tables.tex"):
        shutil.copy(hostile[0] / name, tmp_path)
    (tmp_path / "paper.tex").write_text(
        "\\documentclass{article}\n\\begin{document}\n\\input{methods.tex}\n"
        "\\begin{figure}\\input{caption.tex}\\end{figure}\n\\input{tables.tex}\n\\end{document}\n",
        encoding="utf-8",
    )
    done = subprocess.run(
        ["pdflatex", "-interaction=nonstopmode", "-halt-on-error", "-no-shell-escape", "paper"],
        cwd=tmp_path, capture_output=True, check=False,
    )  # fmt: skip
    said = done.stdout.decode("utf-8", "replace")
    assert done.returncode == 0, said[-3000:]
    assert "Output written" in said
    assert not [line for line in said.splitlines() if line.startswith("!")]
    assert "Overfull" not in said


def width_pt(text, size):
    """The width of a text in Computer Modern, whose small sizes are broader than scaled ones."""
    font = FontProperties(fname=str(Path(get_data_path()) / "fonts/ttf/cmr10.ttf"), size=size)
    width, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return width * {8: 1.063, 7: 1.138}[size]


def plainly(cell):
    """What LaTeX prints of a cell, each sign that is a command as one letter."""
    cell = re.sub(r"\\(?:raggedleft|raggedright|allowbreak)\{\}", "", cell)
    return re.sub(r"[$^{}\\]", "", re.sub(r"\\[A-Za-z]+(\{\})?", "x", cell))


def tables_of(text):
    """(size of type, space between columns, specifications, rows of cells) of each tabular."""
    found = re.findall(
        r"\\(footnotesize|scriptsize)\n\\setlength\{\\tabcolsep\}\{([\d.]+)pt\}\n"
        r"\\begin\{tabular\}\{(.*?)\}\n(.*?)\\end\{tabular\}", text, re.S)  # fmt: skip
    for name, gap, columns, body in found:
        kinds = re.findall(r"p\{[\d.]+pt\}|[lr]", columns)
        rows = [re.split(r"(?<!\\)&", line.removesuffix(r" \tabularnewline"))
                for line in body.splitlines() if line.endswith(r"\tabularnewline")
                and not line.startswith(r"\multicolumn")]  # fmt: skip
        yield {"footnotesize": 8, "scriptsize": 7}[name], float(gap), kinds, rows


@pytest.mark.parametrize("columns", ["few", "many"])
def test_the_widest_row_of_every_table_fits_a_line(hostile, columns):
    """345 pt, the text width of the article class; with the letters of its own font."""
    text = (hostile[0] / "tables.tex").read_text(encoding="utf-8")
    if columns == "many":
        heads = ("stratum", "arms", *(f"head number {k} of it" for k in range(8)))
        row = ("acrylic green, aged 400 h", "gel 2 against 60 min, cleared 2 min",
               *("−0.0312" for _ in range(8)))  # fmt: skip
        text = as_latex.tables([grid("Wide", heads, [row], texts=2)])
    tables = list(tables_of(text))
    assert len(tables) == text.count(r"\begin{tabular}") > 0
    for size, gap, kinds, rows in tables:
        wide = 0.0
        for place, kind in enumerate(kinds):
            cells = [plainly(row[place]).strip() for row in rows]
            given = re.match(r"p\{([\d.]+)pt", kind)
            if given:
                wide += float(given[1])
                broken = [piece for row in rows
                          for piece in re.split(r" |\\allowbreak\{\}", row[place])]  # fmt: skip
                longest = max(broken, key=lambda piece: width_pt(plainly(piece), size))
                assert width_pt(plainly(longest), size) <= float(given[1]) + 0.5, longest
            else:
                wide += max(width_pt(cell, size) for cell in cells)
        assert wide + 2 * gap * len(kinds) <= 345.5, kinds


def test_a_sheet_shows_a_number_to_its_error_and_keeps_all_its_digits(tmp_path):
    result = make_run(tmp_path)
    result.verdicts.loc[0, ["estimate", "standard_error"]] = [0.123456, 0.0149]
    write_tables(result, tmp_path)
    book = load_workbook(tmp_path / "tables.xlsx")
    sheet = book["verdicts"]
    names = [cell.value for cell in sheet[1]]
    first, second = (dict(zip(names, sheet[row], strict=True))
                     for row in (2, 3))  # fmt: skip
    assert first["estimate"].value == 0.123456
    assert first["estimate"].number_format == first["upper_bound"].number_format == "0.000"
    assert second["detection_limit"].number_format == "0.00"
    assert first["share_upper_bound"].number_format == "0%"
    assert first["n_mockups"].number_format == first["exposure_min"].number_format == "General"
    markers = book["markers"]
    names = [cell.value for cell in markers[1]]
    assert markers[2][names.index("slope")].number_format == "0.00000"


def test_a_mockup_has_as_many_digits_as_the_blanks_warrant(tmp_path):
    result = make_run(tmp_path)
    result.mockups["mean"] = result.mockups["mean"] * 100
    (table,) = [one for one in grids(result) if "mockups.csv" in one.caption]
    means = [row[table.heads.index("mean")] for row in table.rows]
    assert all(re.fullmatch(r"−?\d+", mean) for mean in means)


def test_what_rows_that_follow_one_another_say_alike_stands_once_above_them():
    heads = ("arm", "score", *(f"head number {k} of it" for k in range(8)))
    arms = ("acrylic green, gel 2 min, cleared 2 min", "acrylic green, gel 60 min, cleared 2 min")
    rows = [(arm, score, *("−0.0312" for _ in range(8)))
            for arm in arms for score in ("net signal", "band: acetate C=O 1735")]  # fmt: skip
    text = as_latex.tables([grid("Wide", heads, rows, texts=2)])
    for arm in arms:
        assert text.count(arm) == 1
        above = text[text.index(arm) :]
        assert above.index("net signal") < above.index("1735")
    assert text.count(r"\multicolumn{9}{p{") == 2
    easy = as_latex.tables([grid("Narrow", heads[:4], [row[:4] for row in rows], texts=2)])
    assert r"\multicolumn" not in easy
    assert easy.count(arms[0]) == 2


def test_rows_of_many_lines_fill_a_page_sooner():
    """A line of the article class is 345 pt, a page of it 550 pt high."""
    words = "word " * 200
    text = as_latex.tables([grid("High", ("a", "b"), [(words, "1")] * 9)])
    parts = text.split(r"\begin{table}")[1:]
    assert len(parts) > 2
    for part in parts:
        lines = sum(len(line) * 3.2 / 345 for line in part.splitlines() if "word" in line)
        assert lines * 9.5 < 550


def test_a_long_table_is_set_in_parts():
    text = as_latex.tables([grid("Long", ("a", "b"), [(f"x{k}", str(k)) for k in range(120)])])
    assert text.count(r"\begin{tabular}") == 3
    assert text.count("(continued)") == 2
    assert text.count("x119") == 1
