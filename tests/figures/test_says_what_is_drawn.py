"""The figure names what is drawn, each quantity with its unit, and nothing else."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
import xarray as xr
from matplotlib.figure import Figure

from residuekit.figures.contents import plan_figure
from residuekit.figures.curve_choice import choose_spectra
from residuekit.figures.curve_panel import draw_spiking
from residuekit.figures.map_panel import BAR_NUMBERS
from residuekit.figures.residue import draw
from residuekit.words.caption import caption, short_caption
from tests.figures.made_run import make_run


def words_of(figure):
    inside = [text for ax in figure.axes for text in (ax.xaxis.label, *ax.texts)]
    return [text.get_text() for text in (*figure.texts, *inside)]


def foot_of(result, **options):
    return " ".join(plan_figure(result, **options).foot)


def test_every_axis_and_the_columns_of_numbers_have_their_unit(tmp_path):
    plan = plan_figure(make_run(tmp_path))
    (place,) = plan.places
    block = replace(place.block, quantity="absorbance")
    said = words_of(draw(replace(plan, places=(replace(place, block=block),))))
    assert {"ΔA", "wavenumber (cm⁻¹)", "net signal of a mock-up (µg cm⁻²)"} <= set(said)
    (title,) = [words for words in said if words.startswith("recovery")]
    assert title.startswith("recovery (µg cm⁻²): slope ± ")
    assert title.endswith("% (95%)")
    assert "all of the mean and in µg cm⁻²" in " ".join(plan.foot)


def test_the_unit_of_the_colour_bar_ends_before_the_next_title(tmp_path):
    figure = draw(plan_figure(make_run(tmp_path)))
    figure.canvas.draw()
    (unit,) = [text for ax in figure.axes for text in ax.texts if text.get_text() == "µg cm⁻²"]
    ends = unit.get_window_extent().x1 / figure.dpi * 25.4
    bar = unit.axes.get_window_extent().x1 / figure.dpi * 25.4
    assert ends < bar + BAR_NUMBERS - 2


def test_an_identification_limit_is_named_where_one_is_drawn(tmp_path):
    made = make_run(tmp_path)
    plan = plan_figure(made)
    assert "IL: identification limit" in " ".join(plan.foot)
    assert "IL" in words_of(draw(plan))
    assert "IL: identification limit" not in foot_of(made, width_mm=85)
    without = made.verdicts.assign(identification_limit=np.nan)
    bare = plan_figure(replace(made, verdicts=without))
    assert "IL: identification limit" not in " ".join(bare.foot)
    assert "IL" not in words_of(draw(bare))
    said = [caption(one, made.provenance["study"]) for one in (plan, bare)]
    assert ["IL: identification limit" in one for one in said] == [True, False]


def test_the_title_of_the_recovery_is_never_cut(tmp_path):
    """Point spectra leave the panel little room: the unit and the slope stay."""
    figure = draw(plan_figure(make_run(tmp_path, points=True)))
    (title,) = [words for words in words_of(figure) if "slope ±" in words]
    assert re.fullmatch(r"µg cm⁻²: slope ± [\d.]+% \(95%\)", title)


def test_brackets_are_explained_where_a_band_is_blind(tmp_path):
    assert "in brackets where blind" in foot_of(make_run(tmp_path / "some"))
    assert "in brackets" not in foot_of(make_run(tmp_path / "none", blind=()))


def test_windows_are_those_of_markers_that_the_residue_is_scored_by(tmp_path):
    made = make_run(tmp_path)
    plan = plan_figure(made)
    (block,) = plan.blocks
    assert block.scored >= {"pva C-O 1092", "acetate C=O 1735"}
    markers = made.markers[made.markers["score"] != "band: pva C-O 1092"]
    own = plan_figure(replace(made, markers=markers))
    assert "Shaded marker windows: 2 acetate C=O 1735;" in " ".join(own.foot)
    drawn = [
        {patch.get_x() for ax in draw(one).axes for patch in ax.patches if hasattr(patch, "get_x")}
        for one in (plan, own)
    ]
    assert drawn[0] - drawn[1] == {1050.0}


def test_every_loading_that_was_spiked_stands_on_the_axis_and_in_the_caption(tmp_path):
    made = make_run(tmp_path, loads=(1.5, 3, 5, 8))
    plan = plan_figure(made)
    curve = plan.blocks[0].spiking
    assert list(draw_spiking(Figure().add_subplot(), curve, 2.0).get_xticks()) == [8, 5, 3, 1.5, 0]
    close = replace(curve, loadings=np.array([0.1, 7.9, 8.0]), found=np.array([0.1, 8, 8]))
    assert list(draw_spiking(Figure().add_subplot(), close, 2.0).get_xticks()) == [8, 0.1]
    words = caption(plan, made.provenance["study"])
    assert "mock-ups spiked with 1.5, 3, 5 and 8 µg cm⁻² (diamonds)" in words


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({}, "Maps: blank, exposed and spiked mock-ups on one scale"),
        ({"spiked": False}, "Maps: blank and exposed mock-ups on one scale"),
    ],
)
def test_the_short_caption_names_the_maps_that_are_drawn(tmp_path, options, said):
    made = make_run(tmp_path, **options)
    assert said in short_caption(plan_figure(made), made.provenance["study"])


def test_differences_of_paired_mockups_are_of_what_each_changed_by(tmp_path):
    """States before treatment, in which mock-ups differ a lot, cancel, in lines and in band."""
    made = make_run(tmp_path)
    after = made.spectra
    roles = np.isin(after["role"].values, ("blank", "exposed"))
    rng = np.random.default_rng(5)
    own = rng.normal(0, 0.3, (int(roles.sum()), 1)) * np.ones((1, after.sizes["wavenumber"]))
    before = after.isel(row=roles)
    before = before.assign(spectrum=(before["spectrum"].dims, own))
    before = before.assign_coords(role=("row", ["before"] * before.sizes["row"]))
    moved = after.copy(deep=True)
    moved["spectrum"][roles] += own
    run = replace(made)
    run.__dict__["spectra"] = xr.concat([moved, before], dim="row")
    stratum = ("alkyd", "none", 0.0)
    plain, paired = (choose_spectra(run, stratum, [], paired=way)["blank"] for way in (False, True))
    assert plain.changes is None
    assert plain.compared.std(axis=0).max() > 0.1
    assert paired.compared.std(axis=0).max() < 0.01
    np.testing.assert_allclose(paired.spectra, plain.spectra)
    plan = plan_figure(made)
    block = replace(plan.blocks[0], blank=paired, paired="before")
    place = replace(plan.places[0], block=block)
    said = words_of(draw(replace(plan, places=(place,))))
    assert "changes, exposed − blank" in said
    assert "net signal of a mock-up; dots: change from before (µg cm⁻²)" in said
