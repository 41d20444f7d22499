"""The public panels: on the Axes they are given, upright, named, with their units and limits."""

from __future__ import annotations

import matplotlib.colors
import numpy as np
import pandas as pd
import pytest
from matplotlib.collections import PathCollection
from matplotlib.colors import to_hex
from matplotlib.figure import Figure

import residuekit as rk
from residuekit.errors import ContractError
from residuekit.figures.style import EXPOSED, MASKED, WORKING, residue_colours

AXIS = np.arange(1000.0, 1200.0, 4.0)
GEL = np.exp(-(((AXIS - 1092) / 15) ** 2))
BAND = "pva C-O 1092"


def a_map(heights, **positions):
    """A map whose pixels hold the gel's band with these heights (y, x)."""
    return rk.make_map(np.asarray(heights)[..., None] * GEL, AXIS, **positions)


def scores(heights, **positions):
    return rk.band_score(a_map(heights, **positions), [BAND])


def pixel_colours(ax):
    """Colours of the pixels as they stand on the screen, the lowest row first."""
    (image,) = ax.images
    assert image.origin == "lower"
    left, right, bottom, top = image.get_extent()
    assert (left < right, bottom < top) == (True, True)
    low, high = ax.get_ylim()
    assert low < high
    return np.asarray(image.get_array())


def words(ax):
    legend = ax.get_legend()
    return [] if legend is None else [text.get_text() for text in legend.get_texts()]


def panels():
    blank = rk.make_points(np.outer([1.0, 1.1, 0.9], GEL), AXIS)
    rows = arms()
    return {
        "map": lambda **ax: rk.plot_map(scores([[0.1, 0.2]]), limit=1.0, **ax),
        "spectra": lambda **ax: rk.plot_spectra({"blank": blank}, markers=[BAND], **ax),
        "mockups": lambda **ax: rk.plot_mockups({"water": [0.1, 0.2]}, **ax),
        "series": lambda **ax: rk.plot_series(*rows, **ax),
    }


def arms(**cells):
    arm = {"paint": "green", "soiling": "none", "ageing_h": 0.0, "treatment": "gel",
           "clearance_min": 2.0, "score": "net signal", "unit": "ug cm-2"}  # fmt: skip
    verdicts = [
        {**arm, "exposure_min": minutes, "verdict": "not detected", "detection_limit": 0.3,
         "upper_bound": 0.4, "mockup_decision_limit": 0.5, "decision_limit": 0.3,
        "estimate": 0.1, "standard_error": 0.05, "positive_mockups": 0, **cells}
        for minutes in (60.0, 2.0)
    ]  # fmt: skip
    mockups = [
        {**arm, "exposure_min": row["exposure_min"], "role": "exposed", "mean": value}
        for row in verdicts
        for value in (0.1, 0.2)
    ]
    blank = {**arm, "exposure_min": np.nan, "clearance_min": np.nan, "treatment": "water"}
    mockups += [{**blank, "role": "blank", "mean": value} for value in (-0.1, 0.0, 0.1)]
    return pd.DataFrame(verdicts), pd.DataFrame(mockups)


@pytest.mark.parametrize("name", ["map", "spectra", "mockups", "series"])
def test_a_panel_draws_on_the_axes_it_is_given_or_makes_one(name):
    draw = panels()[name]
    figure = Figure()
    left, right = figure.subplots(1, 2)
    assert draw(ax=left) is left
    assert not right.has_data()
    own = draw()
    assert own.figure is not figure
    assert own.get_xlabel()
    own.figure.canvas.draw()


def test_several_panels_stand_on_one_figure():
    figure = Figure(figsize=(9, 7), layout="constrained")
    for ax, draw in zip(figure.subplots(2, 2).flat, panels().values(), strict=True):
        assert draw(ax=ax) is ax
    figure.canvas.draw()


def test_a_map_stands_upright_and_its_pixels_where_they_lie():
    heights = np.zeros((2, 3))
    heights[1, 2] = 1.0  # the highest y, the highest x: the upper right corner
    ax = rk.plot_map(scores(heights, x=[0.0, 10.0, 20.0], y=[5.0, 15.0]), limit=2.0)
    colours = pixel_colours(ax)
    darkest = np.unravel_index(colours.sum(axis=-1).argmin(), colours.shape[:2])
    assert darkest == (1, 2)
    assert ax.images[0].get_extent() == [-5.0, 25.0, 0.0, 20.0]
    assert ax.get_aspect() == 1.0
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("x (µm)", "y (µm)")
    assert len(ax.get_xticks()) > 1


def test_positions_without_a_step_are_pixels():
    ax = rk.plot_map(scores([[0.0, 1.0]]))
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("x (pixel)", "y (pixel)")


def test_what_is_not_valid_is_grey_and_hatched_and_named():
    found = scores([[0.2, np.nan], [0.4, 1.0]])
    ax = rk.plot_map(found, limit=0.5)
    colours = pixel_colours(ax)
    np.testing.assert_allclose(colours[0, 1], MASKED)
    grey = np.isclose(colours, MASKED).all(axis=-1)
    assert grey.sum() == 1
    (patch,) = ax.patches
    assert patch.get_hatch()
    assert patch.get_path().get_extents().extents.tolist() == [0.5, -0.5, 1.5, 0.5]
    assert words(ax) == ["limit of one pixel, 0.5 A cm⁻¹", "not valid"]
    assert words(rk.plot_map(scores([[0.2, 0.4]]))) == []


def test_what_is_not_above_the_limit_is_faded():
    found = scores([[0.1, 1.0]])
    values = found["score"].values[0]
    scale = (0.0, float(values.max()))
    limit = float(values.mean())
    ax = rk.plot_map(found, limit=limit, scale=scale)
    np.testing.assert_allclose(pixel_colours(ax), residue_colours(values, limit, *scale))
    assert len(ax.collections) == 1  # the outline of what is above
    assert len(rk.plot_map(found, scale=scale).collections) == 0


def test_a_limit_is_that_of_a_pixel_in_the_unit_of_the_score():
    found = scores([[0.1, 1.0]])
    blank = [0.1, 0.2, 0.3]
    limit = rk.calibration.from_blanks(blank, level="pixel", unit="A cm-1")
    assert f"{limit.decision_limit:.3g}" in words(rk.plot_map(found, limit=limit))[0]
    for wrong in (
        rk.calibration.from_blanks(blank, level="map", unit="A cm-1"),
        rk.calibration.from_blanks(blank, level="pixel", unit="ug cm-2"),
    ):
        with pytest.raises(ContractError, match="a pixel limit in 'A cm-1'"):
            rk.plot_map(found, limit=wrong)


def test_one_score_is_drawn_and_asked_for_by_name():
    both = rk.band_score(a_map([[0.0, 1.0]]), [BAND, {"name": "own", "low": 1040, "high": 1150}])
    with pytest.raises(ContractError, match="several scores"):
        rk.plot_map(both)
    with pytest.raises(ContractError, match="did you mean 'own'"):
        rk.plot_map(both, marker="owm")
    assert rk.plot_map(both, marker="own") is not None
    assert rk.plot_map(both["score"].sel(marker="own")) is not None
    with pytest.raises(ContractError, match="a map of numbers"):
        rk.plot_map(rk.band_score(rk.make_points(GEL, AXIS), [BAND]))


def test_the_pixel_limit_that_scores_carry_is_drawn():
    found = scores([[0.1, 1.0]]).assign_coords(pixel_limit=("marker", [5.0]))
    assert words(rk.plot_map(found)) == ["limit of one pixel, 5 A cm⁻¹"]


def test_spectra_run_from_high_to_low_with_their_n_and_the_gel():
    paint = rk.make_points(np.outer([1.0, 1.1, 0.9], np.ones(AXIS.size)), AXIS)
    exposed = [paint + 0.1 * GEL, paint + 0.2 * GEL]
    gel = rk.make_points(GEL, AXIS)
    ax = rk.plot_spectra({"blank": paint, "gel": exposed}, reference=gel, markers=[BAND])
    assert words(ax)[:2] == ["blank (n = 3)", "gel (n = 2)"]
    assert words(ax)[2].startswith("reference × ")
    left, right = ax.get_xlim()
    assert (left, right) == (AXIS[-1], AXIS[0])
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("wavenumber (cm⁻¹)", "absorbance")
    means = [line.get_ydata() for line in ax.lines[:2]]
    np.testing.assert_allclose(means[1], 1.0 + 0.15 * GEL, rtol=1e-6)
    colours = [matplotlib.colors.to_hex(line.get_color()) for line in ax.lines]
    assert len(set(colours)) == 3


def test_a_spectrum_that_is_not_valid_is_left_out():
    values = np.outer([1.0, 1.0, 5.0], np.ones(AXIS.size))
    values[2, 3] = np.nan
    ax = rk.plot_spectra(rk.make_points(values, AXIS))
    assert words(ax) == ["(n = 2)"]
    np.testing.assert_allclose(ax.lines[0].get_ydata(), 1.0)


def test_spectra_that_do_not_belong_together_are_refused():
    one = rk.make_points(GEL, AXIS)
    for wrong, match in (
        ({"a": one, "b": rk.make_points(GEL, AXIS + 2)}, "the axis of the others"),
        ({"a": one, "b": rk.make_points(GEL, AXIS, quantity="reflectance")}, "one quantity"),
        ({}, "0 groups"),
        ({"a": []}, "no spectra of 'a'"),
        ({"a": one * np.nan}, "no valid pixel"),
    ):
        with pytest.raises(ContractError, match=match):
            rk.plot_spectra(wrong)


def test_mockups_are_dots_and_the_limits_have_names():
    limits = {"decision_limit": 0.3, "mockup_detection_limit": 0.6, "detection_limit": np.nan}
    ax = rk.plot_mockups(
        {"water": [0.1, -0.1, 0.0], "gel": [0.2, np.nan]},
        verdicts={"gel": limits}, acceptance_limit=0.5, label="net signal", unit="ug cm-2",
    )  # fmt: skip
    assert ax.get_xlabel() == "net signal (µg cm⁻²)"
    low, high = ax.get_ylim()
    assert low > high  # the first group stands at the top
    assert [text.get_text() for text in ax.get_yticklabels()] == ["water\nn = 3", "gel\nn = 1"]
    assert words(ax) == [
        "control", "exposed mock-up", "mean", "decision limit, mean",
        "detection limit, one mock-up", "acceptance limit, 0.5 µg cm⁻²",
    ]  # fmt: skip
    drawn = [tuple(line.get_xdata()) for line in ax.lines]
    assert (0.3, 0.3) in drawn
    assert (0.6, 0.6) in drawn
    for wrong in ({"scores": {}}, {"scores": {"a": [1]}, "verdicts": {"b": limits}}):
        with pytest.raises(ContractError):
            rk.plot_mockups(**wrong)


def test_a_series_has_a_column_a_rung_in_order_after_its_blanks():
    ax = rk.plot_series(*arms(), acceptance_limit=1.0)
    columns = [text.get_text().splitlines()[0] for text in ax.get_xticklabels()]
    assert columns == ["blanks", "2 min", "60 min"]
    assert ax.get_xlabel() == "exposure (min)"
    assert ax.get_ylabel() == "net signal (µg cm⁻²)"
    assert "acceptance limit, 1 µg cm⁻²" in words(ax)
    assert "decision limit, mean" in words(ax)


def test_the_working_exposure_has_its_colour_in_every_panel():
    series = rk.plot_series(*arms(), working_exposure_min=2.0)
    mockups = rk.plot_mockups(
        {"water": [0.0], "gel, 2 min": [0.1], "gel, 60 min": [0.2]},
        verdicts={"gel, 2 min": {}, "gel, 60 min": {}}, working="gel, 2 min",
    )  # fmt: skip
    for ax in (series, mockups):
        faces = [to_hex(one.get_facecolor()[0]) for one in ax.findobj(PathCollection)]
        assert faces.count(WORKING) == 1
        assert faces.count(EXPOSED) == 1
        assert "working exposure" in {text.get_text() for text in ax.get_legend().get_texts()}


def test_rows_of_two_series_are_refused():
    verdicts, mockups = arms()
    verdicts.loc[0, "paint"] = "white"
    with pytest.raises(ContractError, match="2 series"):
        rk.plot_series(verdicts, mockups)
    with pytest.raises(ContractError, match="did you mean 'exposure_min'"):
        rk.plot_series(verdicts, mockups, over="exposure_mn")
