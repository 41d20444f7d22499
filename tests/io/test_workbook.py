"""Workbooks: the tables of text in cells; formulas and links are refused, nothing is fetched."""

from __future__ import annotations

import numpy as np
import openpyxl
import pytest

from residuekit.errors import ReadError, WriteError
from residuekit.io import read, write
from residuekit.schema import make_points, source


def _book(tmp_path, *sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for number, rows in enumerate(sheets):
        page = book.create_sheet(f"s{number}")
        for row in rows:
            page.append(row)
    book.save(tmp_path / "t.xlsx")
    return tmp_path / "t.xlsx"


TWO = [["wavenumber", "absorbance"], [4000, 0.5], [3990, None], [3980, "n/a"]]


def test_a_table_in_cells_is_read_as_one_of_text(tmp_path):
    array = read(_book(tmp_path, TWO))
    assert array["wavenumber"].values.tolist() == [3980, 3990, 4000]
    assert array[0, 2] == 0.5
    assert source(array)["sheet"] == "s0"
    rows = [["sample", 4000, 3990], ["a", 0.1, 0.2], ["b", 0.3, 0.4]]
    assert read(_book(tmp_path, rows))["spectrum"].values.tolist() == ["a", "b"]


def test_a_table_may_begin_anywhere_in_a_sheet(tmp_path):
    rows = [[], [None], *([None, None, *row] for row in TWO)]
    np.testing.assert_array_equal(read(_book(tmp_path, rows)), read(_book(tmp_path, TWO)))
    with pytest.raises(ReadError, match="'half' in column 4") as caught:
        read(_book(tmp_path, [*rows, [None, None, 3970, "half"]]))
    assert caught.value.faults[0].line == 7


def test_one_of_several_sheets_is_asked_for(tmp_path):
    path = _book(tmp_path, TWO, [["x"], [1]])
    with pytest.raises(ReadError, match="sheet='s0' or sheet='s1'"):
        read(path)
    assert read(path, sheet="s0").shape == (1, 3)
    with pytest.raises(ReadError, match="sheet='s9'"):
        read(path, sheet="s9")


@pytest.mark.parametrize(
    ("cell", "message"),
    [
        ("=A2*2", "the formula"),
        ("='[1]Sheet1'!A1", "the formula"),
        ('=WEBSERVICE("http://localhost/")', "the formula"),
        ("half", "the text 'half' in column 2"),
        (True, "a cell that holds True"),
    ],
)
def test_what_is_no_number_is_refused_with_its_row(tmp_path, cell, message):
    with pytest.raises(ReadError, match=message) as caught:
        read(_book(tmp_path, [*TWO, [3970, cell]]))
    assert caught.value.faults[0].line == 5


def test_text_that_looks_like_a_formula_is_written_as_text(tmp_path, small_points):
    array = read(write(small_points, tmp_path / "p.xlsx"))
    assert array["spectrum"].values[0] == '=first, "quoted"'
    page = openpyxl.load_workbook(tmp_path / "p.xlsx")["spectra"]
    assert page["B1"].data_type == "s"


def test_a_table_larger_than_a_sheet_is_not_written(tmp_path):
    points = make_points([[0.1, 0.2]] * 16_400, [1000, 1001])
    with pytest.raises(WriteError, match="fewer than 1048576 rows and 16384 columns"):
        write(points, tmp_path / "p.xlsx")


def test_a_damaged_workbook_is_refused(saved):
    with pytest.raises(ReadError, match="damaged"):
        read(saved("t.xlsx", b"PK\x03\x04 nothing"))
