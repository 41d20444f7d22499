"""The picture of a series: every mock-up, its own blanks, what stands below each rung."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from matplotlib.colors import to_hex

from residuekit.errors import ContractError
from residuekit.figures.contents import plan_pages
from residuekit.figures.series import series_figure
from residuekit.figures.style import BLANK, EXPOSED, WORKING
from residuekit.trends.findings import findings


def labels(ax):
    return [label.get_text().splitlines() for label in ax.get_xticklabels()]


def dots(ax):
    return [np.asarray(one.get_offsets()) for one in ax.collections]


def test_a_series_shows_each_mockup_and_the_numbers_of_each_rung(finished):
    result = finished.result
    (ax,) = series_figure(result).axes
    blanks, *rungs = labels(ax)
    assert blanks == ["blanks", "n = 4"]
    assert len(rungs) == 2
    for words, row in zip(rungs, result.verdicts.to_dict("records"), strict=True):
        assert words[0] == f"{row['exposure_min']:g} min"
        assert words[1] == f"n = {row['n_mockups']}"
        assert words[2].startswith("DL ")
        assert words[3].startswith("UB ")
        assert words[4] == row["verdict"]
    exposed = result.mockups.query("role == 'exposed' and score == 'net signal'")
    for number, minutes in enumerate((2.0, 60.0), start=1):
        means = exposed.loc[exposed["exposure_min"] == minutes, "mean"]
        np.testing.assert_allclose(np.sort(dots(ax)[number][:, 1]), np.sort(means))
        assert np.all(np.abs(dots(ax)[number][:, 0] - number) < 0.5)


def test_each_rung_has_the_limit_that_decides_it_and_its_upper_bound(finished):
    result = finished.result
    alone = result.verdicts.assign(positive_mockups=[1, 3], estimate=[0.0, 9.0])
    (ax,) = series_figure(replace(result, verdicts=alone)).axes
    one, mean = alone.to_dict("records")
    for column, row, drawn in ((1, one, "mockup_decision_limit"), (2, mean, "decision_limit")):
        ends = [column - 0.4, column + 0.4]
        assert [line.get_ydata()[0] for line in ax.lines if list(line.get_xdata()) == ends] == [
            row[drawn]
        ]
    spans = [tuple(line.get_ydata()) for line in ax.lines]
    for row in (one, mean):
        assert (row["estimate"], row["upper_bound"]) in spans


def test_only_the_working_exposure_of_a_gel_that_leaves_the_residue_has_its_colour(finished):
    result = finished.result
    (ax,) = series_figure(result).axes
    faces = [to_hex(one.get_facecolor()[0]) for one in ax.collections]
    assert faces == [BLANK, WORKING, EXPOSED]
    other = {
        name: getattr(result, name).replace({"treatment": {"PVA cryogel": "other gel"}})
        for name in ("verdicts", "mockups")
    }
    (ax,) = series_figure(replace(result, **other)).axes
    assert WORKING not in {to_hex(one.get_facecolor()[0]) for one in ax.collections}


def test_another_gel_has_the_colour_at_its_own_working_exposure(finished):
    """By the numbers of the arms alone 2 min would be the other gel's too."""
    result = finished.result
    study = {**result.provenance["study"], "working_exposures": {"PVA cryogel": 60.0, "x": 2.0}}
    figure = series_figure(replace(result, provenance={**result.provenance, "study": study}))
    (ax,) = figure.axes
    faces = [to_hex(one.get_facecolor()[0]) for one in ax.collections]
    assert faces == [BLANK, EXPOSED, WORKING]
    said = [text.get_text() for text in figure.texts]
    assert "working exposure, 60 min" in said
    drawn = replace(result, provenance={**result.provenance, "study": study})
    (plan,) = plan_pages(drawn)
    (block,) = plan.blocks
    arms = {one.verdict["exposure_min"]: one.working for one in block.groups if one.verdict}
    assert arms == {2.0: False, 60.0: True}
    assert "working exposure, 60 min" in [name for line in plan.key for name, _ in line]
    (found,) = [one for one in findings(drawn) if one.code == "exposure-margin"]
    assert {row["working_exposure_min"] for row in found.numbers} == {60.0}


def test_the_title_of_the_study_stands_above_and_every_mark_in_the_key(finished):
    figure = series_figure(finished.result)
    said = [text.get_text() for text in figure.texts]
    assert said[0] == finished.result.provenance["study"]["title"]
    assert {"blank", "working exposure, 2 min", "other exposure", "mean, upper bound (UB)",
            "acceptance limit", "decision limit, mean"} <= set(said)  # fmt: skip
    assert "decision limit, one mock-up" not in said


def test_each_age_stands_after_blanks_of_its_own(finished):
    result = finished.result
    older = {name: getattr(result, name).assign(ageing_h=500.0) for name in ("verdicts", "mockups")}
    both = {
        name: type(aged)([*getattr(result, name).to_dict("records"), *aged.to_dict("records")])
        for name, aged in older.items()
    }
    axes = series_figure(replace(result, **both), over="ageing_h").axes
    assert len(axes) == 2
    for ax in axes:
        assert [words[0] for words in labels(ax)] == ["blanks", "0 h", "blanks", "500 h"]


def test_what_is_no_series_is_refused(finished):
    with pytest.raises(ContractError, match="exposure_min or ageing_h"):
        series_figure(finished.result, over="paint")
    with pytest.raises(ContractError, match="no series with two rungs of ageing_h"):
        series_figure(finished.result, over="ageing_h")
    one = finished.result.verdicts.iloc[:1]
    with pytest.raises(ContractError, match="no series"):
        series_figure(replace(finished.result, verdicts=one))


def test_hostile_names_are_drawn_as_text_on_one_line(finished):
    name = "$x^2$ <script>\\frac 🎨" + "m" * 400
    tables = {
        table: getattr(finished.result, table).assign(paint=name)
        for table in ("verdicts", "mockups")
    }
    figure = series_figure(replace(finished.result, **tables))
    figure.canvas.draw()
    title = figure.texts[1].get_text()
    assert title.startswith("$x^2$ <script>")
    assert "\n" not in title
    width = figure.texts[1].get_window_extent().width
    assert width < figure.get_figwidth() * figure.dpi
