"""Ways in which a delivery goes wrong: each message says where, what, and what to type where.

All data are invented.
"""

from __future__ import annotations

import csv
import re
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest

import residuekit as rk
from residuekit.errors import ResiduekitError
from residuekit.study.how_read import read_row
from residuekit.study.inspect import check_folder
from residuekit.study.manifest import load_manifest

AXIS = np.arange(900.0, 1900.0, 5.0)
TURNED = 'order = "rows"\nstart = "top left"'
T = {line: f"measurements.csv, line {line}" for line in range(1, 8)}
Q = {line: f"study.toml, line {line}" for line in range(1, 9)}
PLACES = [f"x{k} y0" for k in range(6)]
COLUMNS = ("file", "sheet", "role", "mockup", "paint", "treatment", "exposure_min",
           "clearance_min", "loading_ug_cm2", "material")  # fmt: skip
SETTINGS = """title = "Delivery"

[question]
treatment = "gel"

[procedure]
steps = [
    {step = "crop", low = 920, high = 1880},
]

[markers]
use = [{name = "band", low = 1060, high = 1140}]
"""
B, E, E2, S, R = (
    f"data/{name}.csv" for name in ("blank_1", "exposed_1", "exposed_2", "spiked_1", "gel")
)


@dataclass(frozen=True)
class Delivered:
    """A small study of invented files that a case spoils."""

    folder: Path

    def spectra(self, seed: int = 99, gel: float = 0.0, n: int = 4) -> Any:
        """Spectra (n, n_wavenumber) of a paint with some gel."""
        rng = np.random.default_rng(seed)
        paint, pure = (np.exp(-(((AXIS - at) / 40) ** 2)) for at in (1450, 1100))
        scale = rng.normal(1, 0.05, (n, 1))
        return scale * (0.1 + 0.5 * paint) + gel * pure + rng.normal(0, 1e-4, (n, AXIS.size))

    def write(self, name: str, text: str | bytes) -> None:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text if isinstance(text, bytes) else text.encode())

    def put(
        self, name: str, values: Any = None, axis: Any = AXIS, head: str = "cm-1,absorbance",
        names: Any = None, mark: str = ",", decimal: str = ".",
    ) -> None:  # fmt: skip
        """Write a column of axis and one a spectrum."""
        values = self.spectra(7) if values is None else np.atleast_2d(values)
        first, _, word = head.partition(",")
        words = names or (
            [word] if len(values) == 1 else [f"{word} {k}" for k in range(len(values))]
        )
        rows = [mark.join([first, *words])] if head else []
        rows += [mark.join(f"{one:.6g}".replace(".", decimal) for one in row)
                 for row in np.column_stack([axis, values.T])]  # fmt: skip
        self.write(name, "\n".join(rows) + "\n")

    def rows(self) -> list[dict[str, str]]:
        with (self.folder / "measurements.csv").open(newline="") as file:
            return list(csv.DictReader(file))

    def fill(self, rows: list[dict[str, str]], columns: Any = COLUMNS) -> None:
        with (self.folder / "measurements.csv").open("w", newline="") as file:
            table = csv.DictWriter(file, columns, lineterminator="\n")
            table.writeheader()
            table.writerows(rows)

    def cells(self, of: str, **cells: str) -> None:
        """Give the row of a file new cells."""
        self.fill([{**row, **cells} if row["file"] == of else row for row in self.rows()])

    def swap(self, old: str, new: str, file: str = "measurements.csv") -> None:
        text = (self.folder / file).read_text()
        assert old in text
        self.write(file, text.replace(old, new, 1))

    def moved(self, name: str, text: str | bytes | None = None, **cells: str) -> None:
        """Name another file in place of the first exposed one, and fill it."""
        (self.folder / E).unlink()
        self.cells(E, file=name, **cells)
        if text is not None:
            self.write(name, text)

    def reading(self, lines: str, pattern: str = E) -> None:
        self.swap("[procedure]", f'[[reading]]\nfiles = "{pattern}"\n{lines}\n\n[procedure]',
                  "study.toml")  # fmt: skip

    def book(self, name: str = "", pages: str = "E1 E2", **cells: Any) -> None:
        """A workbook in place of the first exposed file, a row of cells added to its sheets."""
        self.moved("data/book.xlsx", sheet=name)
        book = openpyxl.Workbook()
        book.remove(book.active)
        for seed, title in enumerate(pages.split()):
            page = book.create_sheet(title)
            rows = np.column_stack([AXIS, self.spectra(seed).T]).tolist()
            for row in [["cm-1", *"abcd"], *rows, *cells.get("more", [])]:
                page.append(row)
        book.create_sheet("empty")
        book.save(self.folder / "data/book.xlsx")

    def map(self, names: Any, reading: str = "") -> Delivered:
        """A folder of single spectra in place of the first exposed file."""
        self.moved("data/map")
        for name, spectrum in zip(names, self.spectra(9, n=len(names)), strict=True):
            self.put(f"data/map/{name}.csv", spectrum)
        if reading:
            self.reading(reading, "data/map")
        return self


@pytest.fixture(scope="module")
def pattern(tmp_path_factory) -> Path:
    one = Delivered(tmp_path_factory.mktemp("delivered") / "study")
    one.write("study.toml", SETTINGS)
    shared = {"paint": "alkyd", "treatment": "gel"}
    exposed = {**shared, "role": "exposed", "exposure_min": "60", "clearance_min": "2"}
    rows = [
        {**shared, "file": B, "role": "blank", "mockup": "B1", "treatment": "water"},
        {**exposed, "file": E, "mockup": "E1"},
        {**exposed, "file": E2, "mockup": "E2"},
        {**shared, "file": S, "role": "spiked", "mockup": "S1", "loading_ug_cm2": "4"},
        {"file": R, "role": "reference", "material": "gel", "treatment": "gel"},
    ]
    for number, (row, gel) in enumerate(zip(rows, (0, 0, 0, 0.006, 1.0), strict=True)):
        one.put(row["file"], one.spectra(number, gel))
    one.fill(rows)
    return one.folder


@pytest.fixture
def delivered(pattern, tmp_path) -> Delivered:
    return Delivered(Path(shutil.copytree(pattern, tmp_path / "study")))


def test_the_study_that_the_cases_spoil_is_sound(delivered):
    assert "residuekit run" in check_folder(delivered.folder)


#: What goes wrong -> how, where the message must say that it is, what it must find, what to type.
CASES: dict[str, tuple[Callable[[Delivered], Any], str, str, str]] = {
    # how the numbers are written
    "percent without a name": (lambda d: d.put(E, 80 - 60 * d.spectra(), names="abcd"), E,
        "numbers mostly above 3 without a name", 'quantity = "transmittance"'),
    "transmittance beside absorbance": (
        lambda d: d.put(E, 10 ** -d.spectra(), head="cm-1,transmittance"), T[3],
        f"1 file in transmittance ({E} for one)",
        '{step = "to_absorbance"} in [procedure] of study.toml'),
    "neither fraction nor percent": (lambda d: d.put(E, 4 * d.spectra(), head="cm-1,reflectance"),
        E, "reflectance up to 2.4", "percent = true or percent = false"),
    "percent of absorbance": (lambda d: d.put(E, d.spectra(n=1), head="cm-1,absorbance (%)"), E,
        "absorbance in percent", 'quantity = "transmittance" or percent = false'),
    "thousandths and ones": (
        lambda d: d.put(E, d.spectra(n=2), names=["absorbance (mAU)", "absorbance (AU)"]), E,
        "columns counted in different units", "a file for each unit, with a row each"),
    "two quantities in a file": (
        lambda d: d.put(E, d.spectra(n=2), names=["absorbance", "transmittance"]), f"{E}, line 1",
        "columns of absorbance and transmittance", 'quantity = "absorbance"'),
    "interferogram": (lambda d: d.put(E, d.spectra(n=1), head="cm-1,interferogram"), E,
        "an interferogram", "export the spectrum"),
    "wavelength without a unit": (
        lambda d: d.put(E, axis=np.linspace(5.3, 11, 200), head="wavelength,a"), E,
        "'wavelength' from 5.3 to 11 without a unit", 'x_unit = "um", which the numbers'),
    "axis that cannot be cm-1": (lambda d: d.put(E, axis=np.linspace(5.3, 11, 200), head="x,y"), E,
        "an axis from 5.3 to 11 without a unit", 'x_unit = "um", which the numbers'),
    "near infrared in nm": (
        lambda d: d.put(E, d.spectra(n=1), 1000 + 7.0 * np.arange(200), "x,reflectance"), E,
        "without a unit that rises from 1000 to 2393", 'x_unit = "nm", which it looks like'),
    "wavenumber in nm": (
        lambda d: d.put(E, axis=5000 + 7.0 * np.arange(200), head="wavenumber (nm),absorbance"),
        f"{E}, line 1", "'wavenumber (nm)'", 'mend the header, or x_unit = "nm"'),
    "decimal commas between commas": (lambda d: d.put(E, d.spectra(n=1), decimal=","),
        f"{E}, line 2", "3 columns", "semicolons between the columns, if the comma is the decimal"),
    "two decimal marks": (lambda d: d.write(E, "cm-1;absorbance\n1000,5;0.1\n1001,5;0.2\n"),
        f"{E}, line 1", "a decimal point and with a decimal comma", "one mark in every number"),
    "whole numbers between commas": (lambda d: d.write(E, "1000,0,12,5\n1001,0,13,5\n"),
        f"{E}, line 1", "whole numbers parted by commas", 'decimal = "." if it parts columns'),
    "blanks between the columns": (lambda d: d.put(E, d.spectra(n=1), mark=" "), f"{E}, line 1",
        "columns parted by spaces", "a tab in place of the spaces between two columns"),
    "another mark than in most rows": (
        lambda d: d.write(E, "1000,0.5\n1001,0.6\n1002,0.6\n1003;0.6\n"), f"{E}, line 4",
        "1 columns", 'delimiter = ";", if that parts the columns of the whole file'),
    "another mark in a cell": (
        lambda d: d.write(E, "1000,0.5\n1001,0.6\n1002,0.6\n1003\t1,0.6\n"), f"{E}, line 4",
        "in column 1", 'delimiter = "\\t", if that parts the columns of the whole file'),
    "marks of thousands": (lambda d: d.write(E, "cm-1;a\n1.000,5;0,1\n1.001,5;0,2\n"),
        f"{E}, line 3", "'1.001,5'", "the number alone, in every row"),
    "text in a cell": (lambda d: d.write(E, "cm-1,absorbance\n1000,0.1\n1005,n.d.\n1010,0.2\n"),
        f"{E}, line 3", "'n.d.' in column 2", "mend the cell"),
    "axis that turns back": (
        lambda d: d.write(E, "cm-1,a\n1000,0.1\n1005,0.1\n1002,0.2\n1010,0.2\n"), f"{E}, line 4",
        "1002, which turns back", "mend or sort the rows"),
    "axis from zero": (lambda d: d.put(E, axis=AXIS - 900.0), E, "a wavenumber of 0 cm-1",
        "mend the axis"),
    "empty file": (lambda d: d.write(E, ""), T[3], f"the empty file '{E}'", "copy it again"),
    "unknown suffix": (lambda d: (d.moved("data/e.asc"), d.put("data/e.asc")), "data/e.asc",
        "the suffix '.asc'", 'format = "table" if it holds columns of text'),
    "misspelt suffix": (lambda d: (d.moved("data/e.cvs"), d.put("data/e.cvs")), "data/e.cvs",
        "the suffix '.cvs'", "did you mean '.csv'?"),
    "cut JCAMP": (lambda d: d.moved("data/e.jdx", "##TITLE=e\n##JCAMP-DX=4.24\n##END=\n"),
        "data/e.jdx, line 1", "no table of numbers", "it may be cut"),
    "cut NetCDF": (lambda d: d.moved("data/e.nc", b"CDF\x01 and no more"), "data/e.nc",
        "a damaged file", "copy or export it again"),
    "array without axes": (
        lambda d: (d.moved("data/e.npy"), np.save(d.folder / "data/e.npy", d.spectra())),
        "data/e.npy", "dims=None for an array of shape (4, 200)",
        'dims = ["y", "x", "wavenumber"]'),
    "numbers alone": (lambda d: d.moved("data/e.raw", d.spectra().tobytes()), "data/e.raw",
        "no interleave", 'interleave = "bsq"'),
    # sheets
    "no sheet named": (lambda d: d.book(), "data/book.xlsx", "sheets with cells: 'E1', 'E2'",
        'sheet = "E1" or sheet = "E2": a row for each, its name in the column sheet of the table'),
    "empty sheet": (lambda d: d.book("empty"), "data/book.xlsx#empty", "sheet='empty'",
        "in the column sheet"),
    "formula": (lambda d: d.book(pages="E1", more=[[1900, "=B2*2", 1, 1, 1]]),
        "data/book.xlsx, line 202", "the formula '=B2*2'", "paste them as values"),
    "text under the suffix of a workbook": (
        lambda d: (d.moved("data/e.xlsx"), d.put("data/e.xlsx")), "data/e.xlsx",
        "no workbook inside", 'save it as .xlsx; or format = "table" if it is text'),
    "sheet behind a mark": (
        lambda d: (d.book(), d.cells("data/book.xlsx", file="data/book.xlsx#E1")), T[3],
        "no file 'data/book.xlsx#E1'", "E1 in the column sheet"),
    "sheet of a text": (lambda d: d.cells(E, sheet="E1"), T[3],
        f"the sheet 'E1' of '{E}', which is no workbook", "an empty cell in the column sheet"),
    "sheet twice": (lambda d: (d.book("E1"), d.cells(E2, file="data/book.xlsx", sheet="E1")), T[4],
        "'data/book.xlsx#E1' a second time (first in line 3)",
        "name the sheet of each in the column sheet"),
    "workbook twice": (lambda d: (d.book(), d.cells(E2, file="data/book.xlsx")), T[4],
        "'data/book.xlsx' a second time", "in the column sheet"),
    # names and places of files
    "misspelt name": (lambda d: d.cells(E, file="data/exposed1.csv"), T[3],
        "no file 'data/exposed1.csv'", "did you mean 'exposed_1.csv'?"),
    "name without its folder": (lambda d: d.cells(E, file="exposed_1.csv"), T[3],
        "no file 'exposed_1.csv'", "data/ before its name in the column file"),
    "misspelt name without its folder": (lambda d: d.cells(E, file="exposed1.csv"), T[3],
        "no file 'exposed1.csv'", "did you mean 'data/exposed_1.csv'?"),
    "file that was not copied": (lambda d: (d.folder / E).unlink(), T[3],
        f"no file '{E}'", "copy it into data/"),
    "folder that is not there": (lambda d: d.cells(E, file="data/partner/e.csv"), T[3],
        "no file 'data/partner/e.csv'", "copy the delivery there"),
    "backslashes": (lambda d: d.cells(E, file="data\\exposed_1.csv"), T[3], "exposed_1.csv'",
        f"{E}, with / between folders"),
    "file outside the study": (
        lambda d: (shutil.copy(d.folder / E, d.folder.parent), d.cells(E, file="../exposed_1.csv")),
        T[3], "which leaves the study folder", "copy the file into data/"),
    "content twice": (lambda d: shutil.copy(d.folder / E, d.folder / E2), T[4],
        f"'{E2}' with the same content as '{E}' in line 3", "remove one of the rows"),
    "spectra twice": (
        lambda d: (d.cells(E2, file="data/e.nc"),
                   rk.write(rk.read(d.folder / E), d.folder / "data/e.nc")),
        T[4], f"the spectra of '{E}' in line 3", "the same mockup name"),
    "folder and file in it": (lambda d: d.cells(E, file="data"), T[3],
        "the folder 'data', which holds other measured files", "the name of the file in it"),
    # maps
    "folder without places": (lambda d: d.map([f"p{k}" for k in range(6)]), "data/map",
        "a folder, and no shape", 'shape = [n_y, n_x], order = "rows", start = "top left"'),
    "folder without order": (lambda d: d.map([f"p{k}" for k in range(6)], "shape = [2, 3]"),
        "data/map", "no order", 'order = "rows"'),
    "folder that does not fill its map": (
        lambda d: d.map([f"p{k}" for k in range(6)], f"shape = [2, 4]\n{TURNED}"), "data/map",
        "6 files and 0 missing places for a grid of 8 pixels", "missing = [...]"),
    "two grids in a folder": (
        lambda d: d.map(PLACES).put("data/map/x6 y0.csv", d.spectra(n=1)[:, ::2], AXIS[::2]),
        "data/map", "x6 y0.csv with 100 points", "export all alike"),
    "two quantities in a folder": (
        lambda d: d.map(PLACES).put("data/map/x6 y0.csv", d.spectra(n=1), head="cm-1,%T"),
        "data/map", "x6 y0.csv in transmittance", 'quantity = "absorbance" (or another) for all'),
    "broken file in a folder": (
        lambda d: d.map(PLACES).write("data/map/x6 y0.csv", "cm-1,absorbance\n1000,0.1\n1005,x\n"),
        "data/map/x6 y0.csv, line 3", "'x' in column 2", "mend the cell"),
    "notes in a folder": (lambda d: d.map(PLACES).write("data/map/notes.pdf", "x"), "data/map",
        "notes.pdf, without a",
        'files = "*.csv" on a line of data/map/map.toml, to leave others out'),
    "name without a place": (lambda d: d.map(["x0 y0", "x1 y0", "x0 y1", "dark"]), "data/map",
        "dark.csv, without a number", "move it out of the folder"),
    "one number twice": (lambda d: d.map(["a1", "b1"], f"shape = [1, 2]\n{TURNED}"), "data/map",
        "a1.csv and b1.csv, which have one number", "or remove one"),
    "empty folder": (lambda d: (d.moved("data/map"), (d.folder / "data/map").mkdir()), T[3],
        "the empty folder 'data/map'", "copy it again"),
    "shape of other pixels": (lambda d: d.reading(f"shape = [2, 3]\n{TURNED}"), E,
        "4 spectra, and shape=[2, 3]", "shape = [n_y, n_x] with n_y x n_x spectra"),
    "shape in words": (lambda d: d.reading(f'shape = "2x2"\n{TURNED}'), E, "shape='2x2'",
        "shape = [n_y, n_x]"),
    "shape alone": (lambda d: d.reading("shape = [2, 2]"), E, "no start", 'start = "bottom left"'),
    "misspelt order": (lambda d: d.reading('order = "row"'), Q[8], "order = 'row'", "'rows'?"),
    "step below zero": (lambda d: d.reading(f"shape = [2, 2]\nstep = -5\n{TURNED}"), E, "step=-5",
        "step = 5.5"),
    "names against the stated order": (
        lambda d: (d.put(E, names=["x0 y0", "x1 y0", "x0 y1", "x1 y1"]),
                   d.reading('shape = [2, 2]\norder = "columns"\nstart = "bottom left"')),
        E, "other places than the stated", "leave shape, order and start out of [[reading]]"),
    "pixel twice": (lambda d: d.put(E, names=["x0 y0", "x1 y0", "x0 y1", "x0 y1"]), E,
        "two pixels at one place, x 0 and y 1", "remove what stands twice"),
    "names that ascend as wavenumbers do": (
        lambda d: d.write(E, "name,1000,1005,1010\n1,0.1,0.2,0.3\n2,0.1,0.2,0.3\n"), f"{E}, line 1",
        "a first line of ascending numbers", 'layout = "points"'),
    # the tables [[reading]]
    "misspelt key": (lambda d: d.reading('quantty = "absorbance"'), Q[8],
        "the unknown key 'quantty' in [reading 1]", "did you mean 'quantity'?"),
    "pattern of no file": (lambda d: d.reading("percent = true", "data/*.zip"), Q[7],
        "files = 'data/*.zip', which fits no file", f"'{E}'"),
    "table without files": (
        lambda d: d.swap("[procedure]", "[[reading]]\npercent = true\n\n[procedure]", "study.toml"),
        Q[6], "no files in [reading 1]", 'files = "data/partner/*.csv"'),
    "one table for many": (
        lambda d: d.swap("[procedure]", f'[reading]\nfiles = "{E}"\n\n[procedure]', "study.toml"),
        Q[6], "reading = {", "[[reading]] in place of [reading]"),
    "unknown format": (lambda d: d.reading('format = "text"'), Q[8], "format = 'text'", "'table'"),
    "unknown quantity": (lambda d: d.reading('quantity = "transmission"'), Q[8],
        "quantity = 'transmission'", "did you mean 'transmittance'?"),
    "text for true": (lambda d: d.reading('percent = "yes"'), Q[8], "percent = 'yes'",
        "percent = true"),
    "option of another format": (lambda d: d.reading("block = 2"), E, "the option 'block'",
        f"no block in study.toml below the [[reading]] that fits {E}"),
    "layout of another table": (lambda d: d.reading('layout = "wide map"'), f"{E}, line 1",
        "the columns cm-1, absorbance 0", 'mend the header; or layout = "points"'),
    "delimiter that is not there": (lambda d: d.reading('delimiter = ";"'), f"{E}, line 1",
        "no line with the delimiter ';'", "leave delimiter out of [[reading]] in study.toml"),
    "other decimal mark": (lambda d: d.reading('decimal = ","'), f"{E}, line 2", "in column 2",
        'decimal = "."'),
    "misspelt key beside the file": (lambda d: d.write(f"{E}.toml", 'quantty = "absorbance"\n'),
        f"{E}.toml", "the option 'quantty'", "did you mean 'quantity'?"),
    "no TOML beside the file": (lambda d: d.write(f"{E}.toml", "quantity: absorbance\n"),
        f"{E}.toml", "TOML that cannot be read", "mend the line"),
    # files that do not go together
    "another step": (lambda d: d.put(E, d.spectra()[:, ::2], AXIS[::2]), E, "axis of 97 points",
        '{step = "resample", spacing = 10, low = 920, high = 1880} among the steps in [procedure]'),
    "another range": (lambda d: d.put(E, d.spectra()[:, 20:], AXIS[20:]), E, "axis of 177 points",
        '{step = "resample", spacing = 5, low = 1000, high = 1880} among the steps in [procedure]'),
    "reflectance among absorbance": (lambda d: d.put(E, d.spectra(), head="cm-1,reflectance"), T[3],
        f"1 file in reflectance ({E} for one)", "a study for each quantity"),
    "techniques mixed": (
        lambda d: (d.reading('technique = "atr"'), d.reading('technique = "reflection"', B)), T[3],
        "1 file in atr", "a study for each technique"),
    "no signal": (lambda d: d.put(E, np.zeros((4, AXIS.size))), E, "4 dead", "measure again"),
    "saturated": (lambda d: d.put(E, 20 * d.spectra()), E, "saturated",
        "under [quality] of study.toml"),
    "missing values": (lambda d: d.put(E, np.where(AXIS > 1500, np.nan, d.spectra())), E,
        "no valid pixel", "a step crop in [procedure] that leaves missing values out"),
    # the table
    "no role": (lambda d: d.cells(E, role=""), T[3], "an empty role",
        "role: what was measured: blank (no gel), exposed"),
    "no mock-up": (lambda d: d.cells(E, mockup=""), T[3], "an empty mockup",
        "mockup: the name of the physical sample"),
    "exposure with its unit": (lambda d: d.cells(E, exposure_min="60 min"), T[3], "'60 min'",
        "without a unit"),
    "decimal comma in a cell": (lambda d: d.swap(",60,", ",2,5,"), T[3], "11 cells",
        "put a cell that holds"),
    "reference of nothing": (lambda d: d.cells(R, material="", treatment=""), T[6],
        "a reference without", "material: the name of the pure material"),
    "columns swapped": (
        lambda d: d.fill([{**r, "file": r["role"], "role": r["file"]} for r in d.rows()]), T[2],
        "the role 'blank' in the column file, and 4 more rows", "swapped"),
    "mock-up and paint swapped": (lambda d: d.cells(E, mockup="alkyd", paint="E1"), T[3],
        "on paint 'E1'", "mockup E1 and paint alkyd, if these are swapped"),
    "gel on a blank": (lambda d: d.cells(B, treatment="gel"), T[2], "treatment 'gel'", "'water'"),
    "treatment of no row": (lambda d: d.swap('"gel"', '"gell"', "study.toml"), Q[4], "'gell'",
        "'gel'?"),
    "no blanks": (lambda d: d.fill(d.rows()[1:]), T[2], "'E1' on paint 'alkyd'",
        "a row of role blank on 'alkyd'"),
    "misspelt column": (lambda d: d.swap("exposure_min", "exposure min"), T[1], "'exposure min'",
        "'exposure_min'?"),
    "no table": (lambda d: (d.folder / "measurements.csv").unlink(), "", "no measurements.csv",
        "residuekit new DIR --from DELIVERY"),
    "misspelt step": (lambda d: d.swap('"crop"', '"crp"', "study.toml"), Q[8], "a step 'crp'",
        "'crop'?"),
    "band beyond the axis": (
        lambda d: d.swap("low = 1060, high = 1140", "low = 2900, high = 3000", "study.toml"),
        "study.toml", "2900 to 3000 cm-1 leaves the axis", "in [markers] of study.toml"),
    "crop beyond the axis": (
        lambda d: d.swap("low = 920, high = 1880", "low = 2000, high = 3000", "study.toml"), Q[8],
        "no channel from 2000 to 3000 cm-1, and 4 more alike", "low = 900"),
}  # fmt: skip
#: How the options of a message read in study.toml.
OPTION = re.compile(r"\b(quantity|percent|x_unit|decimal|format|dims|shape|order|layout|step) = ")


def examined(folder: Path) -> None:
    """Check a study, its files only where nothing is wrong without them."""
    load_manifest(folder)
    check_folder(folder)


@pytest.mark.parametrize("case", CASES.values(), ids=CASES)
def test_a_message_says_where_what_and_what_to_type_where(delivered, case):
    spoil, place, found, typed = case
    spoil(delivered)
    with pytest.raises(ResiduekitError) as caught:
        examined(delivered.folder)
    told = [fault for fault in caught.value.faults if found in fault.found]
    assert len(told) == 1, str(caught.value)
    assert str(told[0]).startswith(f"{place}: " if place else "study: ")
    assert typed in told[0].fix
    assert str(delivered.folder) not in str(caught.value)
    if OPTION.search(told[0].fix):
        assert "study.toml" in str(told[0])


def test_there_are_enough_of_them():
    assert len(CASES) >= 60


@pytest.mark.parametrize(
    ("spoilt", "said"),
    [
        ([E], "left out, it leaves 1 of 2 mock-ups of alkyd, gel 60 min, cleared 2 min: "
              "inconclusive unless detected"),
        ([E, E2], "left out with 1 other, it leaves 0 of 2 mock-ups of alkyd, gel 60 min, cleared "
                  "2 min: no verdict"),
        ([B], "it leaves 0 of 1 blanks of alkyd: no verdict"),
        ([S], "it leaves 0 of 1 spiked mock-ups of alkyd: loadings rest on reference films"),
        ([R], "it leaves 0 of 1 references of gel: its residue is not assessable"),
    ],
)  # fmt: skip
def test_check_tells_what_a_run_without_a_file_has_left(delivered, spoilt, said):
    for n, file in enumerate(spoilt, start=4):
        delivered.put(file, np.zeros((n, AXIS.size)))
    with pytest.raises(ResiduekitError, match=re.escape(said)):
        check_folder(delivered.folder)


def test_points_alone_are_told_that_no_map_is_drawn_and_one_map_is_not(delivered):
    assert "The exposed files hold points" in check_folder(delivered.folder)
    delivered.reading(f"shape = [2, 2]\n{TURNED}")
    assert "hold points" not in check_folder(delivered.folder)


@pytest.mark.parametrize("files", ["data/map", "data/map/*.asc", "data/*/*.asc"])
def test_reading_tables_reach_the_files_of_a_map_that_is_a_folder(delivered, files):
    delivered.map([])
    for name, spectrum in zip(PLACES, delivered.spectra(9, n=6), strict=True):
        delivered.put(f"data/map/{name}.asc", 100 * 10**-spectrum, head="", mark="\t", decimal=",")
    delivered.reading('format = "table"\ndecimal = ","\nx_unit = "cm-1"\n'
                      'quantity = "transmittance"\npercent = true', files)  # fmt: skip
    row = load_manifest(delivered.folder).measurements[1]
    array = read_row(delivered.folder, row)
    assert array.dims == ("y", "x", "wavenumber")
    np.testing.assert_allclose(array.values[0], 10 ** -delivered.spectra(9, n=6), rtol=1e-4)
