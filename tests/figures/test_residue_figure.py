import hashlib
import json
import re
import subprocess
import sys
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from made_run import make_photo_run, make_run
from matplotlib.collections import Collection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from pictures import APART, assert_legible, lightness, shown_texts
from PIL import Image

import residuekit as rk
from residuekit.errors import ContractError
from residuekit.figures import write_figure
from residuekit.figures.contents import plan_figure, plan_pages
from residuekit.figures.curve_panel import draw_spiking
from residuekit.figures.key import key_entries
from residuekit.figures.mockup_panel import LIMITS, LOOK, draw_mockups
from residuekit.figures.residue import draw
from residuekit.figures.style import DASHES
from residuekit.report.exports import write_caption
from residuekit.schema import JUDGED_COLUMNS

ODD = "$x_1$ & <b>paint</b> \U0001f3a8 with a name so long that it stands on no line whatever"
CASES = {
    "plain": {},
    "one marker": {"markers": ("pva C-O 1092",)},
    "no spiked mock-ups": {"spiked": False},
    "no reference": {"reference": False},
    "points": {"points": True},
    "one arm": {"exposures": (2.0,)},
    "many arms": {"exposures": tuple(float(k) for k in range(1, 20))},
    "eight paints": {"paints": tuple(f"paint {k}" for k in range(8)), "exposures": (2.0,)},
    "odd names": {"paints": (ODD, "漆 \\alpha_%^"), "treatment": "gel $\\frac{1}{0}$ <i>"},
    "no acceptance limit": {"acceptance": None},
    "nine markers, six loads": {
        "markers": tuple(f"band {k} at 1{k}35" for k in range(9)),
        "loads": (0.5, 1.0, 2.0, 4.0, 8.0, 16.0),
    },
    "every score blind": {"blind": ("net signal", "band: pva C-O 1092", "band: acetate C=O 1735")},
    "one arm, no spiked": {"exposures": (2.0,), "spiked": False},
    "two ageings": {"exposures": (2.0,), "ageings": (0.0, 400.0)},
    "a strip": {"shape": (2, 40)},
    "a picture": {"apart": True, "shape": (16, 12)},
}


@pytest.fixture(scope="module", params=CASES.values(), ids=CASES.keys())
def result(request, tmp_path_factory):
    folder = tmp_path_factory.mktemp("made")
    if request.param is CASES["a picture"]:
        picture = np.full((420, 900, 3), 128, np.uint8)
        settings = {"image_affine": [0.1, 0, 20, 0, -0.1, 400]}
        return make_photo_run(folder, picture, settings, **request.param)
    return make_run(folder / "run", **request.param)


@pytest.fixture(scope="module", params=[170.0, 82.5, 80.0])
def figure(request, result):
    return rk.residue_figure(result, width_mm=request.param, page=1)


def test_no_text_overlaps_another_or_leaves_the_page(figure):
    assert_legible(figure)


def test_every_text_is_7_pt_and_no_line_is_thinner_than_printing_allows(figure):
    assert {text.get_fontsize() for text, _ in shown_texts(figure)} == {7.0}
    drawn = [a for a in figure.findobj(lambda a: isinstance(a, (Line2D, Patch, Collection)))
             if a.get_visible()]  # fmt: skip
    widths = {float(w) for artist in drawn for w in np.atleast_1d(artist.get_linewidth())}
    widths |= {line.get_markeredgewidth() for line in drawn if isinstance(line, Line2D)}
    assert min(widths - {0.0}) >= 0.3


def test_the_width_is_the_wanted_one_and_the_height_fits_a_page(figure, request):
    width, height = figure.get_size_inches() * 25.4
    assert width == pytest.approx(request.node.callspec.params["figure"])
    assert height <= 200


def test_the_width_of_the_study_is_taken(tmp_path):
    assert plan_figure(make_run(tmp_path, width_mm=85)).width == 85


def test_the_files_are_the_same_bytes_on_a_second_run_whatever_the_users_settings(tmp_path):
    result = make_run(tmp_path / "run")
    folders = [tmp_path / "one", tmp_path / "two"]
    for folder, size in zip(folders, (10, 23), strict=True):
        folder.mkdir()
        with mpl.rc_context({"font.size": size, "lines.linewidth": 9, "savefig.dpi": 40}):
            write_figure(result, folder, also=("tiff", "column"))
    names = sorted(path.name for path in folders[0].iterdir())
    assert len(names) == 6
    for name in names:
        assert (folders[0] / name).read_bytes() == (folders[1] / name).read_bytes(), name


def test_the_pdf_embeds_its_fonts_as_truetype_and_the_svg_needs_none(tmp_path):
    write_figure(make_run(tmp_path), tmp_path, also=("column",))
    for name in ("figure.pdf", "figure-85mm.pdf"):
        pdf = (tmp_path / name).read_bytes()
        fonts = pdf.count(b"/Type /FontDescriptor")
        assert fonts >= 1
        assert pdf.count(b"/FontFile2") == fonts
        assert b"/Type3" not in pdf
    svg = (tmp_path / "figure.svg").read_text(encoding="utf-8")
    assert "<text" not in svg
    assert "http" not in svg.replace("http://www.w3.org/", "").replace(
        "http://purl.org/dc/", ""
    ).replace("http://creativecommons.org/ns#", "")


def test_the_record_says_what_is_drawn_and_its_hashes_hold(tmp_path):
    result = make_run(tmp_path, paints=("alkyd", "acrylic"))
    write_figure(result, tmp_path)
    record = json.loads((tmp_path / "figure.json").read_text(encoding="utf-8"))
    for name, known in {**record["files"], "verdicts.csv": record["verdicts_sha256"]}.items():
        assert hashlib.sha256((tmp_path / name).read_bytes()).hexdigest() == known
    table = result.mockups
    for block in record["strata"]:
        own = table[(table["paint"] == block["paint"]) & (table["score"] == "net signal")]
        worst = own[own["role"] == "exposed"].sort_values("mean").iloc[-1]
        shown = {panel["role"]: panel for panel in block["maps"]}
        assert shown["exposed"]["mockup"] == worst["mockup"]
        assert shown["spiked"]["shown_as"] == "spiked 2 µg cm⁻²"
        assert worst["mockup"] in record["captions"]["caption"]["caption"]
        groups = {group["shown_as"]: group for group in block["groups"]}
        assert len(groups["water-only blank"]["means"]) == 4
        assert groups["exposed 60 min"]["verdict"] == "not detected"
        assert groups["exposed 60 min"]["detection_limit"] == 0.8124


def test_pages_have_letters_that_run_on_one_scale_and_a_caption_each(tmp_path):
    result = make_run(
        tmp_path, paints=("alkyd", "acrylic"), exposures=tuple(float(k) for k in range(1, 10))
    )
    record = write_figure(result, tmp_path, also=("column",))
    pages = plan_pages(result, width_mm=85)
    assert [page.lettered[0][0] for page in pages] == ["A", "B"]
    assert len({page.scale for page in pages}) == 1
    pdf = (tmp_path / "figure-85mm.pdf").read_bytes()
    assert len(re.findall(rb"/Type /Page\b", pdf)) == 2
    first, second = (record["captions"][name]["caption"]
                     for name in ("caption-85mm", "caption-85mm-2"))  # fmt: skip
    assert "(A) Alkyd, by the net signal." in first
    assert "(B) Acrylic" not in first
    assert "(B) Acrylic, by the net signal." in second
    assert "alkyd: 5 arms not drawn; see verdicts.csv." in first
    write_caption(tmp_path)
    names = {path.stem for path in tmp_path.glob("caption*.md")}
    assert names == set(record["captions"]) == {path.stem for path in tmp_path.glob("caption*.tex")}


def test_a_stratum_without_a_blank_has_no_block_and_it_is_said(tmp_path):
    make_run(tmp_path, paints=("alkyd", "acrylic"))
    table = pd.read_csv(tmp_path / "mockups.csv")
    bare = (table["paint"] == "acrylic") & (table["role"] == "blank")
    table[~bare].to_csv(tmp_path / "mockups.csv", index=False)
    record = write_figure(rk.open_run(tmp_path), tmp_path)
    assert [block["paint"] for block in record["strata"]] == ["alkyd"]
    assert "acrylic without a blank mock-up" in record["left_out"][0]


def test_a_page_of_one_column_names_its_stratum_and_its_labels_stand_clear_of_the_dots(tmp_path):
    plan = plan_figure(make_run(tmp_path), width_mm=85)
    figure = draw(plan)
    texts = shown_texts(figure)
    assert any(text.get_text() == "alkyd: 2 min not detected" for text, _ in texts)
    ax = next(ax for ax in figure.axes if ax.get_xlabel().startswith("net signal of a mock-up"))
    drawn = [line.get_window_extent() for line in ax.lines]
    for text, box in texts:
        if ", n = " in text.get_text() or ": not detected" in text.get_text():
            for line in drawn:
                assert not (line.y0 < box.y1 and line.y1 > box.y0), text.get_text()


def test_the_working_exposure_stands_first_and_the_heads_just_above_its_numbers(tmp_path):
    figure = draw(plan_figure(make_run(tmp_path)))
    tops = {text.get_text(): box.y0 for text, box in shown_texts(figure)}
    step = tops["exposed 2 min, n = 4"] - tops["exposed 60 min, n = 4"]
    assert step > 0
    assert tops["exposed 60 min, n = 4"] > tops["water-only blank, n = 4"]
    assert 0 < tops["verdict"] - tops["exposed 2 min, n = 4"] < 1.6 * step


def test_every_file_carries_the_hash_of_the_verdicts_and_the_tiff_is_fit_for_print(tmp_path):
    result = make_run(tmp_path)
    usual = write_figure(result, tmp_path)
    assert set(usual["files"]) == {f"figure.{kind}" for kind in ("pdf", "svg", "png")}
    assert not (tmp_path / "figure.tiff").exists()
    record = write_figure(result, tmp_path, also=("tiff", "column"))
    known = record["verdicts_sha256"]
    assert set(record["files"]) == {f"figure.{kind}" for kind in ("pdf", "svg", "png", "tiff")} | {
        "figure-85mm.pdf"
    }
    for name in record["files"]:
        assert known.encode() in (tmp_path / name).read_bytes(), name
    with Image.open(tmp_path / "figure.tiff") as tiff, Image.open(tmp_path / "figure.png") as png:
        assert tiff.info["compression"] == "tiff_lzw"
        assert tiff.mode == "RGB"
        assert tiff.info["dpi"] == (600, 600)
        assert tiff.size[0] == pytest.approx(180 / 25.4 * 600, abs=1)
        assert np.array_equal(np.asarray(tiff), np.asarray(png.convert("RGB")))


def test_the_working_exposure_is_drawn_beside_the_highest_arm(tmp_path):
    record = write_figure(make_run(tmp_path, exposures=(2.0, 10.0, 60.0)), tmp_path, width_mm=85)
    (block,) = record["strata"]
    assert [panel["shown_as"] for panel in block["maps"]] == [
        "blank", "exposed 2 min", "exposed 60 min", "spiked 2 µg cm⁻²",
    ]  # fmt: skip
    many = plan_figure(make_run(tmp_path / "b", exposures=tuple(float(k) for k in range(1, 20))))
    assert any(group.working for group in many.blocks[0].groups)


def test_a_study_without_an_arm_of_the_working_exposure_says_so(tmp_path):
    plan = plan_figure(make_run(tmp_path, exposures=(10.0, 60.0)))
    assert plan.remarks == ("Without an arm of the working exposure, 2 min: alkyd.",)
    assert any("working exposure, 2 min" in line for line in plan.foot)


def test_the_detection_curve_has_the_slope_its_spread_and_the_limits_of_one_mockup(tmp_path):
    result = make_run(tmp_path)
    (block,) = plan_figure(result).blocks
    spiking = block.spiking
    assert sorted(set(spiking.loadings)) == [2, 6]
    own = result.mockups[result.mockups["score"] == "net signal"].set_index("mockup")["mean"]
    spiked = [name for name in own.index if "spiked" in name]
    np.testing.assert_array_equal(spiking.found, own[spiked])
    # t(0.975; 7) = 2.365 in every printed table; slope 0.003 with standard error 0.0001, k = 8.
    assert spiking.k == 8
    assert spiking.spread_percent == pytest.approx(100 * 2.365 * 1e-4 / 0.003, rel=1e-3)
    assert spiking.decision == 1.123
    ax = draw_spiking(Figure().add_subplot(), spiking, 2.0)
    level = {line.get_ydata()[0] for line in ax.lines if len(set(line.get_ydata())) == 1}
    upright = {line.get_xdata()[0] for line in ax.lines if len(set(line.get_xdata())) == 1}
    assert 1.123 in level
    assert upright == {2.0}


@pytest.mark.parametrize(("positive", "decides"), [(0, 0.4213), (1, 1.123)])
def test_one_limit_stands_on_the_line_of_an_arm_that_which_decides(tmp_path, positive, decides):
    (block,) = plan_figure(make_run(tmp_path)).blocks
    row = {"estimate": 0.1, "positive_mockups": positive}
    groups = [
        g if g.verdict is None else replace(g, verdict={**g.verdict, **row}) for g in block.groups
    ]
    ax = draw_mockups(Figure().add_subplot(), groups, 2.0)
    upright = [(line.get_xdata()[0], np.mean(line.get_ydata())) for line in ax.lines
               if len(set(line.get_xdata())) == 1]  # fmt: skip
    arms = [k for k, group in enumerate(groups) if group.verdict is not None]
    assert arms == [0, 1]
    for limit in (0.4213, 0.8124, 1.123, 1.934, 0.7345):
        drawn = [round(y) for x, y in upright if x == limit]
        assert drawn == (arms if limit in (decides, 0.7345) else [])


def test_slanted_lines_join_the_scores_of_a_paired_mockup(tmp_path):
    (block,) = plan_figure(make_run(tmp_path)).blocks
    assert all(group.pairs is None for group in block.groups)
    first = block.groups[0]
    pairs = np.array([[-0.3, 0.1], [0.2, 0.6]])
    paired = replace(first, values=first.values[:2], pairs=pairs)
    ax = draw_mockups(Figure().add_subplot(), [block.groups[1], paired], 2.0)
    drawn = [line for line in ax.lines if len(set(line.get_xdata())) == 2
             and len(set(line.get_ydata())) == 2]  # fmt: skip
    assert [tuple(line.get_xdata()) for line in drawn] == [(-0.3, 0.1), (0.2, 0.6)]
    for line in drawn:
        before, after = line.get_ydata()
        assert (before + after) / 2 == 1
        assert before < after
    assert "score before (above) to after" in [
        name for name, _ in key_entries([replace(block, groups=(paired,))])
    ]


def test_flags_of_the_quality_check_are_said_in_words(tmp_path):
    record = write_figure(make_run(tmp_path), tmp_path, width_mm=85)
    assert record["strata"][0]["maps"][0]["flags"] == {"noisy": 3}
    assert "3 noisy of 64 pixels, 3 masked" in record["captions"]["caption"]["caption"]
    assert "noise far above that of the other pixels" in record["captions"]["caption"]["caption"]
    foot = " ".join(plan_figure(rk.open_run(tmp_path)).foot)
    assert "Flagged by the quality check: A blank, A 2 min, A 60 min, A spike 2: 3 noisy" in foot
    clean = plan_figure(make_run(tmp_path / "clean", masked=0))
    assert "No pixel of the maps is flagged" in " ".join(clean.foot)


def spoil_maps(result, role, change):
    for path in result.maps(role):
        with xr.open_dataset(path, engine="h5netcdf") as opened:
            dataset = change(opened.load())
        path.unlink()
        dataset.to_netcdf(path, engine="h5netcdf")


def uneven(dataset):
    return dataset.assign_coords(x=("x", dataset["x"].values ** 2, {"units": "um"}))


REFUSALS = {
    "without a pixel limit; needed the limit on the map and on its colour bar": lambda d: (
        d.assign_coords(pixel_limit=("marker", np.full(d.sizes["marker"], np.nan)))
    ),
    "of which no scale bar can be made; needed two pixels or more": lambda d: d.isel(
        x=slice(0, 1), y=slice(0, 1)
    ),
    "of which no scale bar can be made; needed two pixels or more, evenly spaced": uneven,
    "in A beside verdicts in ug cm-2; needed one scale for all maps": lambda d: d.assign_coords(
        unit=("marker", ["A"] * d.sizes["marker"])
    ),
}


@pytest.mark.parametrize(
    ("words", "change"), REFUSALS.items(), ids=["limit", "pixel", "bar", "unit"]
)
def test_maps_without_limit_scale_bar_or_one_scale_are_refused_with_the_mend(
    tmp_path, words, change
):
    result = make_run(tmp_path)
    spoil_maps(result, "exposed", change)
    with pytest.raises(ContractError, match=words + ".*; to mend it: "):
        rk.residue_figure(result)
    assert words in write_figure(result, tmp_path)["not_drawn"]


def test_maps_without_the_map_of_a_blank_are_refused(tmp_path):
    result = make_run(tmp_path)
    spoil_maps(result, "blank", lambda d: d.isel(x=0, drop=True).rename(y="spectrum"))
    with pytest.raises(ContractError, match=r"a control on the same scale .*; to mend it: map a"):
        rk.residue_figure(result)


def test_arms_without_any_decision_limit_are_refused(tmp_path):
    make_run(tmp_path)
    table = pd.read_csv(tmp_path / "verdicts.csv")
    table[["decision_limit", "mockup_decision_limit"]] = np.nan
    table.to_csv(tmp_path / "verdicts.csv", index=False)
    with pytest.raises(ContractError, match=r"without a decision limit; .*two blank mock-ups"):
        rk.residue_figure(rk.open_run(tmp_path))


def test_all_maps_share_one_scale(tmp_path):
    plan = plan_figure(make_run(tmp_path, paints=("alkyd", "acrylic")))
    figure = draw(plan)
    images = [ax.images[0] for ax in figure.axes if ax.images]
    assert len(images) == 10  # four maps and their bar for each of two paints
    bars = [image for image in images if image.get_array().shape[1] == 1]
    low, high = plan.scale
    for bar in bars:
        assert bar.get_extent() == [0, 1, low, high]
        assert np.array_equal(bar.get_array(), bars[0].get_array())


def test_a_paint_of_another_unit_stands_on_a_page_of_its_own(tmp_path):
    result = make_run(tmp_path, paints=("alkyd", "acrylic"), units=("ug cm-2", "reference"))
    pages = plan_pages(result)
    assert [[block.words for block in page.blocks] for page in pages] == [["alkyd"], ["acrylic"]]
    assert [page.unit for page in pages] == ["ug cm-2", "reference"]
    assert plan_figure(result, strata=["acrylic"]).blocks[0].unit == "reference"


def test_without_a_blank_nothing_is_drawn_and_the_record_says_why(tmp_path):
    result = make_run(tmp_path, blanks=False)
    with pytest.raises(ContractError, match="a control for everything that is drawn"):
        rk.residue_figure(result)
    record = write_figure(result, tmp_path)
    assert "without a blank mock-up" in record["not_drawn"]
    assert not (tmp_path / "figure.pdf").exists()


def test_what_one_page_cannot_hold_stands_on_the_next_and_lost_arms_are_named(tmp_path):
    paints = tuple(f"paint {k}" for k in range(8))
    result = make_run(tmp_path / "a", paints=paints, exposures=(2.0,))
    pages = plan_pages(result)
    assert len(pages) > 1
    assert [block.words for page in pages for block in page.blocks] == list(paints)
    with pytest.raises(ContractError, match=f"page 9 of the figure; needed 1 to {len(pages)}"):
        rk.residue_figure(result, page=9)
    arms = plan_figure(make_run(tmp_path / "b", exposures=tuple(float(k) for k in range(1, 18))))
    assert arms.left_out == ("alkyd: 3 arms not drawn; see verdicts.csv.",)


def test_roles_stand_20_apart_in_grey_and_differ_by_marker_or_dash():
    levels = sorted(map(lightness, DASHES))
    assert min(np.diff(levels)) >= APART
    marks = {(look["marker"], look["facecolors"] == "none") for look in LOOK.values()}
    assert len(marks) >= 3
    assert len({str(look["linestyle"]) for look in LIMITS.values()}) == len(LIMITS)


def test_every_mark_that_is_drawn_stands_in_the_key(tmp_path):
    plan = plan_figure(make_run(tmp_path))
    key = {words for row in plan.key for words, _ in row}
    assert {
        "blank", "working exposure, 2 min", "other exposure", "spiked", "acceptance limit",
        "decision limit, mean", "decision limit, one mock-up", "mean, upper bound (UB)",
        "pixel limit", "masked pixel", "slope, confidence band", "blanks ± 2 SD",
    } == key  # fmt: skip
    assert all(head in plan.foot[0] for head in ("DL", "IL", "UB"))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"strata": ["alkid"]}, "did you mean 'alkyd'"),
        ({"width_mm": 20}, "80 to 260 mm"),
    ],
)
def test_a_wrong_wish_is_refused_with_its_mend(tmp_path, options, words):
    with pytest.raises(ContractError, match=words):
        rk.residue_figure(make_run(tmp_path), **options)


def test_point_spectra_give_a_figure_without_maps_and_it_is_said(tmp_path):
    record = write_figure(make_run(tmp_path, points=True), tmp_path)
    assert record["strata"][0]["maps"] == []
    assert "Point spectra only" in record["captions"]["caption"]["caption"]


def test_the_figures_leave_the_state_of_pyplot_alone():
    code = "import sys, residuekit.figures; print('matplotlib' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "False"


def test_an_arm_without_usable_maps_keeps_its_line_and_its_verdict(tmp_path):
    make_run(tmp_path)
    table = pd.read_csv(tmp_path / "verdicts.csv")
    kept = [*JUDGED_COLUMNS]
    bare = table.iloc[[0]][kept].assign(
        exposure_min=10, n_mockups=0, verdict="not assessable", reason="No exposed map."
    )
    pd.concat([table, bare]).to_csv(tmp_path / "verdicts.csv", index=False)
    record = write_figure(rk.open_run(tmp_path), tmp_path)
    groups = {group["shown_as"]: group for group in record["strata"][0]["groups"]}
    assert groups["exposed 10 min"]["verdict"] == "not assessable"
    assert groups["exposed 10 min"]["means"] == []
    assert groups["exposed 10 min"]["detection_limit"] is None


def test_a_paint_whose_arms_all_failed_is_not_drawn_and_it_is_said(tmp_path):
    make_run(tmp_path)
    table = pd.read_csv(tmp_path / "verdicts.csv")
    table[["score", "unit"]] = ""
    table.to_csv(tmp_path / "verdicts.csv", index=False)
    with pytest.raises(ContractError, match="without an arm that could be judged"):
        rk.residue_figure(rk.open_run(tmp_path))
