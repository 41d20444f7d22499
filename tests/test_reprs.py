"""Results as text and as a table."""

from __future__ import annotations

import math

import pytest

from residuekit.reprs import as_frame, as_html, as_text, short

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


def test_a_frame_keeps_the_order_of_the_columns():
    frame = as_frame([{"b": 1, "a": 2}, {"b": 3, "a": 4}])
    assert list(frame.columns) == ["b", "a"]
    assert frame["a"].tolist() == [2, 4]
