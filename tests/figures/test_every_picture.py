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
from residuekit import plan, simulate, trial
from residuekit.plan.picture import _GREYS
from residuekit.report import small_panels
from residuekit.report.calibration_plot import calibration_plot
from residuekit.report.one_page import _picture
from residuekit.report.small_panels import svg
from residuekit.schema import COMPARISON_COLUMNS
from residuekit.simulate import Rate, scorecard_figure
from residuekit.simulate.scorer import Scorecard
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


AXIS = np.arange(1000.0, 1200.0, 4.0)
GEL = np.exp(-(((AXIS - 1092) / 20) ** 2))
RATIO = {"value": 0.8, "low": 0.6, "high": 1.1, "n_spiked": 6, "n_films": 4}


def a_map(_):
    heights = np.arange(12.0).reshape(3, 4)[..., None] * GEL
    return rk.plot_map(rk.band_score(rk.make_map(heights, AXIS), ["pva C-O 1092"]), limit=50.0)


def spectra(_):
    points = {name: rk.make_points(np.outer([level, 1.1 * level], GEL), AXIS)
              for name, level in (("blank", 1.0), ("gel, 2 min", 1.5))}  # fmt: skip
    return rk.plot_spectra(points, markers=["pva C-O 1092"])


def mockups(result):
    return rk.plot_mockups(
        {"water": [0.0, 0.1], "gel, 2 min": [0.2, 0.4]}, working="gel, 2 min",
        verdicts={"gel, 2 min": result.verdicts.iloc[0].to_dict()}, unit="ug cm-2",
    )  # fmt: skip


def series(result):
    return rk.plot_series(
        result.verdicts, result.mockups, working_exposure_min=2.0, acceptance_limit=2.0
    )


def matrix(result):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(small_panels, "effects", lambda _: {"alkyd": RATIO})
        return small_panels.matrix_figure(result)


def scorecard(_):
    rows = [
        {"verdict": verdict, "true": true, "estimate": true + off, "z": off, "high": true + 0.8,
         "low": true - 0.8, "detection_limit": 1.0, "above": above, "clean": not true}
        for verdict, true, off, above in (
            ("not detected", 0.0, 0.1, False), ("detected", 2.0, -0.2, True),
            ("inconclusive", 0.9, 0.3, False), ("detected", 4.0, 0.4, True))
    ]  # fmt: skip
    with pytest.MonkeyPatch.context() as patch:
        rates = (Rate("clean arms above", 1, 20, 0.05, ""), Rate("intervals", 19, 20, 0.95, ""))
        patch.setattr(Scorecard, "rates", rates)
        patch.setattr(Scorecard, "_summary", lambda _: "4 arms of 1 study")
        return scorecard_figure(Scorecard(tuple(rows)))


def saved(draw):
    """The figure that a function of the report saves."""

    def drawn(result):
        kept, save = [], Figure.savefig
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(
                Figure, "savefig", lambda self, *a, **k: kept.append(self) or save(self, *a, **k)
            )
            draw(result)
        return kept[0]

    return drawn


#: Every picture: how it is drawn, and where its marks are named: in a key on the figure, in a
#: legend, or beside them and in the caption.
PICTURES = {
    "residue_figure": (rk.residue_figure, "key"),
    "residue_figure, one column": (lambda one: rk.residue_figure(one, width_mm=82.5), "key"),
    "series_figure": (rk.series_figure, "key"),
    "sight_figure": (
        lambda one: rk.sight_figure(one.markers, acceptance_limit=2.0, title="Invented"), "key"),
    "plan_figure": (lambda _: plan.plan_figure(plan.compare_designs(PILOT, 1.2)), "key"),
    "draw_trial": (lambda _: draw_trial(TrialSummary(GELS, (), 0.05), title="Invented"), "key"),
    "comparisons_figure": (rk.comparisons_figure, "key"),
    "recovery_figure": (rk.recovery_figure, "key"),
    "matrix_figure": (matrix, "key"),
    "plot_map": (a_map, "caption"),
    "plot_spectra": (spectra, "legend"),
    "plot_mockups": (mockups, "legend"),
    "plot_series": (series, "legend"),
    "scorecard_figure": (scorecard, "caption"),
    "calibration": (saved(calibration_plot), "caption"),
    "one page": (saved(_picture), "caption"),
}  # fmt: skip
#: Functions with such names that draw on the Axes of a picture of the table, or write one.
PARTS = {"draw_mockup", "draw_coordinates", "write_figure"}
#: Drawn of measured maps alone, and held to the same in tests/study/test_difference_maps.py.
OF_MAPS = {"differences_figure"}


def drawn(name, result):
    made = PICTURES[name][0](result)
    return made if isinstance(made, Figure) else made.figure


def test_every_public_picture_is_in_the_table():
    public = {
        name for room in (rk, plan, trial, simulate) for name in room.__all__
        if name.endswith("_figure") or name.startswith(("plot_", "draw_"))
    }  # fmt: skip
    assert public - PARTS - OF_MAPS <= PICTURES.keys()


@pytest.mark.parametrize("name", PICTURES)
def test_a_picture_is_legible_and_the_same_bytes_twice(result, name):
    figure, again = (drawn(name, result) for _ in range(2))
    assert svg(figure) == svg(again)
    assert_legible(figure)


@pytest.mark.parametrize("name", [name for name in PICTURES if name.startswith("plot_")])
def test_a_panel_has_type_of_one_size(result, name):
    texts = shown_texts(drawn(name, result))
    assert {text.get_fontsize() for text, _ in texts} == {LEAST_PT}
    if name in ("plot_mockups", "plot_series"):
        assert "working exposure" in {text.get_text() for text, _ in texts}


def looks_of(lines):
    """The marks and colours of some lines."""
    colours = {to_hex(c) for one in lines for c in (one.get_color(), one.get_markerfacecolor())
               if not isinstance(c, str) or c != "none"}  # fmt: skip
    return {one.get_marker() for one in lines}, colours


def dots_of(figure):
    """The colours of the dots: of their faces, and of the edges of hollow ones."""
    dots = [one for ax in figure.axes for one in ax.findobj(PathCollection)]
    faces = {to_hex(face) for one in dots for face in one.get_facecolor() if face[3] > 0}
    return faces, {to_hex(edge) for one in dots for edge in one.get_edgecolor()}


@pytest.mark.parametrize("name", [name for name, (_, key) in PICTURES.items() if key != "caption"])
def test_each_mark_that_is_drawn_stands_in_the_key(result, name):
    figure = drawn(name, result)
    keys = [one for one in figure.artists if isinstance(one, Line2D)]
    legends = [ax.get_legend() for ax in figure.axes if ax.get_legend() is not None]
    keys += [one for legend in legends for one in legend.legend_handles if isinstance(one, Line2D)]
    marks, colours = looks_of(keys)
    lines = [line for ax in figure.axes for line in ax.lines]
    assert {line.get_marker() for line in lines} - {"None", ""} <= marks
    faces, edges = dots_of(figure)
    assert faces | edges <= colours
    assert faces or edges or any(line.get_marker() != "None" for line in lines) or legends


@pytest.mark.parametrize("name", PICTURES)
def test_colours_of_marks_stay_apart_in_grey(result, name):
    """20 L* between any two that fill marks, and between them and the paper."""
    figure = drawn(name, result)
    faces, _ = dots_of(figure)
    faces |= {to_hex(line.get_markerfacecolor()) for ax in figure.axes for line in ax.lines
              if line.get_marker() not in ("None", "", "|", None)
              and str(line.get_markerfacecolor()) != "none"}  # fmt: skip
    levels = sorted({*map(lightness, faces), 100.0})
    assert all(np.diff(levels) >= APART), sorted(faces, key=lightness)


def test_the_lines_of_a_plan_stay_apart_in_grey():
    levels = sorted([*map(lightness, _GREYS), 100.0])
    assert min(np.diff(levels)) >= APART
