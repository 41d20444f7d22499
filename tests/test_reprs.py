"""Results as text and as a table."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

import residuekit as rk
from residuekit.reprs import as_frame, as_html, as_text, rows_html, short, to_error

ROOT = Path(__file__).parents[1]
VALUES = {
    "method": "<b>Currie</b> & others",
    "value": 0.123456,
    "absent": None,
    "undefined": math.nan,
}


@pytest.mark.parametrize(
    ("value", "said"),
    [(1.0, "1"), (1e-7, "1e-07"), (math.inf, "inf"), (math.nan, ""), (None, ""), (True, "True"),
     (12, "12"), ("=1+1", "=1+1")],
)  # fmt: skip
def test_values_as_people_read_them(value, said):
    assert short(value) == said


def test_text_is_aligned_and_what_was_not_computed_is_empty():
    lines = as_text("Limit", VALUES).splitlines()
    assert lines[0] == "Limit"
    assert lines[1] == "  method     <b>Currie</b> & others"
    assert lines[2] == "  value      0.1235"
    assert lines[3].strip() == "absent"
    assert as_text("Nothing", {}) == "Nothing"


def test_no_text_becomes_markup():
    page = as_html("<i>Limit</i>", VALUES)
    assert "<b>" not in page
    assert "<i>" not in page
    assert "&lt;b&gt;Currie&lt;/b&gt; &amp; others" in page
    assert "nan" not in page


def test_many_rows_become_one_table_of_escaped_texts():
    page = rows_html("<i>Rows</i>", [VALUES, {**VALUES, "value": math.inf}])
    assert page.count("<tr>") == 3
    assert page.count("scope='col'") == len(VALUES)
    assert "<b>" not in page
    assert "<i>" not in page
    assert "nan" not in page
    assert ">inf<" in page
    assert rows_html("Nothing", []).count("<tr>") == 1


@pytest.mark.parametrize(
    ("value", "error", "said"),
    [
        (2.5478, 0.1453, "2.55"), (0.66239, 0.147926, "0.66"), (0.1428, 0.0235, "0.143"),
        (1234.5, 96.0, "1234"), (1234.5, 960.0, "1230"), (-0.001, 0.1, "0.00"),
        (0.5, 0.0996, "0.50"), (0.5, math.nan, "0.5"), (0.5, 0.0, "0.5"), (math.nan, 0.1, ""),
        (math.inf, 0.1, "inf"),
    ],
)  # fmt: skip
def test_a_number_is_rounded_to_the_second_digit_of_its_error(value, error, said):
    assert to_error(value, error) == said


def test_a_frame_keeps_the_order_of_the_columns():
    frame = as_frame([{"b": 1, "a": 2}, {"b": 3, "a": 4}])
    assert list(frame.columns) == ["b", "a"]
    assert frame["a"].tolist() == [2, 4]


def test_a_study_and_a_described_file_show_as_tables():
    study = ROOT / "data-demo" / "tram-shelter"
    shown = rk.Study.open(study)._repr_html_()
    assert "<caption>Study</caption>" in shown
    assert "invented data" in shown
    file = rk.describe(next((study / "data").glob("*.nc")))
    assert "<caption>File</caption>" in file._repr_html_()
    assert file.file in file._repr_html_()
