"""Every picture that is drawn: text to be read, the same bytes twice, marks that have a key."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from made_run import make_run
from matplotlib.collections import PathCollection
from matplotlib.colors import to_hex
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from pictures import APART, LEAST_PT, assert_legible, lightness, shown_texts

import residuekit as rk
from residuekit import plan
from residuekit.plan.picture import _GREYS
from residuekit.report.calibration_plot import calibration_plot
from residuekit.report.one_page import _picture
from residuekit.report.small_panels import svg
from residuekit.schema import COMPARISON_COLUMNS
from residuekit.trial import Candidate, TrialSummary, draw_trial

COMPARED = ("alkyd", "none", 0.0, "PVA cryogel", "gel 2 min", "gel 60 min", -0.4, -0.7, -0.1,
            "ug cm-2", 0.01, 0.01, True, 0)  # fmt: skip
PILOT = plan.Pilot(mockup=0.3, map=0.2, noise=30.0, n_mockups=20, source="invented data")
GELS = tuple(
    Candidate(name, "alkyd", "soot", 4, standing, pickup_positive=k, pickup_mockups=4,
              pickup_share_bound=0.5 + k / 10, ease=4.0, ease_ratings=2)
    for k, (name, standing) in enumerate((("agar", "no veto"), ("gellan", "open"),
                                          ("xanthan", "vetoed")))
)  # fmt: skip


@pytest.fixture(scope="module")
def result(tmp_path_factory):
    made = make_run(tmp_path_factory.mktemp("made") / "run", exposures=(2.0, 10.0, 60.0))
    return replace(made, comparisons=pd.DataFrame([COMPARED], columns=list(COMPARISON_COLUMNS)))


#: Pictures with a key of their own, at their printed size.
DRAWN = {
    "residue": rk.residue_figure,
    "residue, one column": lambda result: rk.residue_figure(result, width_mm=82.5),
    "series": rk.series_figure,
    "sight": lambda result: rk.sight_figure(result.markers, acceptance_limit=2.0, title="Invented"),
    "plan": lambda _: plan.plan_figure(plan.compare_designs(PILOT, 1.2)),
    "trial": lambda _: draw_trial(TrialSummary(GELS, (), 0.05), title="Invented"),
    "comparisons": rk.comparisons_figure,
    "recovery": rk.recovery_figure,
}
#: Pictures whose key is the caption below them.
CAPTIONED = {
    "calibration": calibration_plot,
    "one page": _picture,
}
#: Panels on an Axes of their own.
PANELS = {
    "mock-ups": lambda result: rk.plot_mockups(
        {"water": [0.0, 0.1], "gel, 2 min": [0.2, 0.4]}, working="gel, 2 min",
        verdicts={"gel, 2 min": result.verdicts.iloc[0].to_dict()}, unit="ug cm-2"),
    "series": lambda result: rk.plot_series(
        result.verdicts, result.mockups, working_exposure_min=2.0, acceptance_limit=2.0),
}  # fmt: skip


def captured(draw, result, monkeypatch):
    """The figures that a function saves."""
    kept, save = [], Figure.savefig
    monkeypatch.setattr(
        Figure, "savefig", lambda self, *a, **k: kept.append(self) or save(self, *a, **k)
    )
    draw(result)
    return kept


@pytest.mark.parametrize("name", DRAWN)
def test_a_picture_is_legible_and_the_same_bytes_twice(result, name):
    figure, again = (DRAWN[name](result) for _ in range(2))
    assert_legible(figure)
    assert svg(figure) == svg(again)


@pytest.mark.parametrize("name", CAPTIONED)
def test_a_picture_of_the_report_is_legible_too(result, name, monkeypatch):
    (figure,) = captured(CAPTIONED[name], result, monkeypatch)
    assert_legible(figure)


@pytest.mark.parametrize("name", PANELS)
def test_a_panel_is_legible_and_names_the_working_exposure(result, name):
    figure = PANELS[name](result).figure
    texts = shown_texts(figure)
    assert {text.get_fontsize() for text, _ in texts} == {LEAST_PT}
    assert "working exposure" in {text.get_text() for text, _ in texts}


def colours_of_key(figure):
    """The colours and marks in the key, which stands on the figure, outside its axes."""
    lines = [one for one in figure.artists if isinstance(one, Line2D)]
    looks = {one.get_marker() for one in lines}
    colours = {to_hex(c) for one in lines for c in (one.get_color(), one.get_markerfacecolor())
               if not isinstance(c, str) or c != "none"}  # fmt: skip
    return looks, colours


@pytest.mark.parametrize("name", DRAWN)
def test_each_mark_that_is_drawn_stands_in_the_key(result, name):
    figure = DRAWN[name](result)
    marks, colours = colours_of_key(figure)
    drawn = [line for ax in figure.axes for line in ax.lines]
    assert {line.get_marker() for line in drawn} <= marks
    dots = [one for ax in figure.axes for one in ax.findobj(PathCollection)]
    faces = {to_hex(face) for one in dots for face in one.get_facecolor() if face[3] > 0}
    edges = {to_hex(edge) for one in dots for edge in one.get_edgecolor()}
    assert faces | edges <= colours
    assert dots or any(line.get_marker() != "None" for line in drawn)


def test_the_lines_of_a_plan_stay_apart_in_grey():
    levels = sorted([*map(lightness, _GREYS), 100.0])
    assert min(np.diff(levels)) >= APART
