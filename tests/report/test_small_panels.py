"""The small panels: comparisons of arms, recovery, matrix effect. All data are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_run import make_run
from pictures import assert_legible, shown_texts

import residuekit as rk
from residuekit.errors import ContractError
from residuekit.report.page_pictures import comparisons_panel, recovery_panel
from residuekit.report.small_panels import comparisons_table, svg, write_panels
from residuekit.schema import COMPARISON_COLUMNS
from residuekit.words.panels import against


def compared(left, right, difference, reach, p, unit="ug cm-2", paint="alkyd", panels=0):
    low, high = difference - reach, difference + reach
    values = (paint, "none", 0.0, "PVA cryogel", left, right, difference, low, high, unit, p,
              min(1.0, 3 * p), abs(difference) + reach < 2, panels)  # fmt: skip
    return dict(zip(COMPARISON_COLUMNS, values, strict=True))


ROWS = (
    compared("agar 2 min, cleared 2 min", "gellan 2 min, cleared 2 min", 0.1234, 0.4, 0.4),
    compared("agar 2 min, cleared 2 min by gel", "agar 2 min, cleared 2 min by swab", -2.5, 0.3,
             0.001),
    compared("agar 2 min, cleared 2 min", "agar 60 min, cleared 2 min", 0.3, np.nan, np.nan,
             paint="acrylic"),
)  # fmt: skip


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    made = make_run(tmp_path_factory.mktemp("made") / "run", paints=("alkyd", "acrylic"))
    return replace(made, comparisons=pd.DataFrame(ROWS))


def words_of(figure):
    return [text.get_text() for text, _ in shown_texts(figure)]


def test_a_comparison_is_a_point_on_its_interval_with_the_acceptance_limit_on_both_sides(result):
    figure = rk.comparisons_figure(result)
    assert_legible(figure)
    (ax,) = figure.axes
    drawn = [tuple(np.round(line.get_xdata(), 9)) for line in ax.lines]
    assert {(-0.2766, 0.5234), (-2.8, -2.2), (0.1234,), (-2.5,), (0.3,)} <= set(drawn)
    assert {(-2.0, -2.0), (2.0, 2.0), (0.0, 0.0)} <= set(drawn)
    points = {line.get_xdata()[0]: line.get_markerfacecolor() for line in ax.lines
              if line.get_marker() == "o"}  # fmt: skip
    assert points[-2.5] != points[0.1234]
    said = words_of(figure)
    assert {"agar against gellan 2 min, cleared 2 min", "0.12 (−0.28 to 0.52)", "Alkyd", "Acrylic",
            "not zero (Holm)", "zero not excluded", "± acceptance limit", "no difference",
            "An invented study"} <= set(said)  # fmt: skip
    assert "0.3" in said


def test_a_mark_that_is_not_drawn_is_not_in_the_key(result):
    clear = result.comparisons.iloc[:1]
    said = words_of(rk.comparisons_figure(replace(result, comparisons=clear)))
    assert "not zero (Holm)" not in said
    scores = clear.assign(unit="reference")
    said = words_of(rk.comparisons_figure(replace(result, comparisons=scores)))
    assert "± acceptance limit" not in said


def test_what_is_left_to_the_table_is_said(result):
    many = pd.concat([result.comparisons] * 12)
    shown = replace(result, comparisons=many)
    assert len(comparisons_table(shown).rows) == 36
    made = comparisons_panel(shown)
    assert "36 comparisons" in made["caption"]
    assert "12 further comparisons in comparisons.csv" in made["caption"]
    assert comparisons_panel(replace(result, comparisons=many.iloc[:0])) is None


def test_the_recovery_has_each_spiked_mockup_and_their_mean_with_its_interval(result):
    figure = rk.recovery_figure(result)
    assert_legible(figure)
    (ax,) = figure.axes
    assert [len(one.get_offsets()) for one in ax.collections] == [8, 8]
    for one in ax.collections:
        ratios, line = np.asarray(one.get_offsets()).T
        (mean,) = [point.get_xdata()[0] for point in ax.lines
                   if point.get_marker() == "o" and point.get_ydata()[0] == line[0]]  # fmt: skip
        assert mean == pytest.approx(ratios.mean())
    assert {"all was found", "mean, 95% interval", "one spiked mock-up"} <= set(words_of(figure))
    assert "found over known" in recovery_panel(result)["caption"]


def test_where_there_is_nothing_to_show_it_is_refused(tmp_path):
    bare = make_run(tmp_path, spiked=False)
    with pytest.raises(ContractError, match="no two arms"):
        rk.comparisons_figure(bare)
    with pytest.raises(ContractError, match="three spiked mock-ups"):
        rk.recovery_figure(bare)
    assert recovery_panel(bare) is None


def test_the_panels_are_files_where_they_are_asked_for(result, tmp_path):
    study = {**result.provenance["study"], "figure": {"also": ["comparisons", "tiff"]}}
    asked = replace(result, provenance={**result.provenance, "study": study})
    write_panels(asked, tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "comparisons.pdf", "comparisons.png", "comparisons.svg",
    ]  # fmt: skip
    assert svg(rk.comparisons_figure(result)) == svg(rk.comparisons_figure(result))


@pytest.mark.parametrize("width", [120.0, 170.0])
def test_long_names_stay_on_their_lines(tmp_path, width):
    made = make_run(tmp_path, paints=("a paint of a name that goes on and on " * 3,))
    row = compared("gel " * 30 + "2 min", "paste " * 30 + "2 min", 1.0, 0.5, 0.1,
                   paint="paint " * 30)  # fmt: skip
    figure = rk.comparisons_figure(replace(made, comparisons=pd.DataFrame([row])), width)
    assert_legible(figure)
    assert_legible(rk.recovery_figure(made, width))


def test_a_comparison_within_panels_is_said_to_be_one(result):
    one = compared("agar 2 min", "gellan 2 min", 0.1, 0.2, 0.4, panels=3)
    within = replace(result, comparisons=pd.DataFrame([one, ROWS[0]]))
    rows = comparisons_table(within).rows
    assert [row[1] for row in rows] == [
        "agar against gellan 2 min, within 3 panels",
        "agar against gellan 2 min, cleared 2 min",
    ]
    assert "1 comparison within the panels" in comparisons_panel(within)["caption"]
    assert "within the panels" not in comparisons_panel(result)["caption"]


def test_two_arms_are_named_by_what_differs():
    said = against("gel 2 min, cleared 2 min by gel", "gel 2 min, cleared 2 min by swab")
    assert said == "gel 2 min, cleared 2 min by gel against swab"
