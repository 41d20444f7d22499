import hashlib
import json
import subprocess
import sys
from itertools import combinations

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from made_run import make_run
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

import residuekit as rk
from residuekit.errors import ContractError
from residuekit.figures import write_figure
from residuekit.figures.residue import draw, plan_figure

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
    "one column": {"width_mm": 85},
    "no acceptance limit": {"acceptance": None},
    "nine markers": {"markers": tuple(f"band {k} at 1{k}35" for k in range(9))},
}


@pytest.fixture(scope="module", params=CASES.values(), ids=CASES.keys())
def figure(request, tmp_path_factory):
    figure = rk.residue_figure(make_run(tmp_path_factory.mktemp("made") / "run", **request.param))
    FigureCanvasAgg(figure).draw()
    return figure


def shown_texts(figure):
    """Every text that is printed, with its box; ticks outside the axes are not printed."""
    renderer = figure.canvas.get_renderer()
    hidden = set()
    for ax in figure.axes:
        for axis in (ax.xaxis, ax.yaxis):
            low, high = sorted(axis.get_view_interval())
            margin = 1e-9 * (high - low)
            for tick in [*axis.get_major_ticks(), *axis.get_minor_ticks()]:
                if not low - margin <= tick.get_loc() <= high + margin:
                    hidden |= {tick.label1, tick.label2}
    texts = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
    return [(t, t.get_window_extent(renderer)) for t in texts if t not in hidden]


def test_no_text_overlaps_another_or_leaves_the_page(figure):
    texts = shown_texts(figure)
    page = figure.bbox
    assert len(texts) > 10
    for text, box in texts:
        assert min(box.x0, box.y0) >= 0, text.get_text()
        assert page.x1 - box.x1 >= 0, text.get_text()
        assert page.y1 - box.y1 >= 0, text.get_text()
    for (one, a), (other, b) in combinations(texts, 2):
        overlap_x = min(a.x1, b.x1) - max(a.x0, b.x0)
        overlap_y = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert overlap_x < 1 or overlap_y < 1, (one.get_text(), other.get_text())


def test_every_text_is_8_pt_and_no_line_is_thinner_than_printing_allows(figure):
    assert {text.get_fontsize() for text, _ in shown_texts(figure)} == {8.0}
    widths = [line.get_linewidth() for ax in figure.axes for line in ax.lines]
    widths += [spine.get_linewidth() for ax in figure.axes for spine in ax.spines.values()]
    assert min(widths) >= 0.3


def test_the_width_is_that_of_the_study_and_the_height_fits_a_page(figure, request):
    width, height = figure.get_size_inches() * 25.4
    wanted = request.node.callspec.params["figure"].get("width_mm", 180)
    assert width == pytest.approx(wanted)
    assert height < 260


def test_the_files_are_the_same_bytes_on_a_second_run_whatever_the_users_settings(tmp_path):
    result = make_run(tmp_path / "run")
    folders = [tmp_path / "one", tmp_path / "two"]
    for folder, size in zip(folders, (10, 23), strict=True):
        folder.mkdir()
        with mpl.rc_context({"font.size": size, "lines.linewidth": 9, "savefig.dpi": 40}):
            write_figure(result, folder)
    for name in ("figure.pdf", "figure.svg", "figure.png", "figure.json"):
        assert (folders[0] / name).read_bytes() == (folders[1] / name).read_bytes(), name


def test_the_pdf_embeds_its_fonts_as_truetype_and_the_svg_needs_none(tmp_path):
    write_figure(make_run(tmp_path), tmp_path)
    pdf = (tmp_path / "figure.pdf").read_bytes()
    assert b"/FontFile2" in pdf
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
        assert worst["mockup"] in record["caption"]
        groups = {group["shown_as"]: group for group in block["groups"]}
        assert len(groups["water-only blank"]["means"]) == 4
        assert groups["exposed 60 min"]["verdict"] == "not detected"
        assert groups["exposed 60 min"]["detection_limit"] == 0.8124


def test_all_maps_share_one_scale(tmp_path):
    plan = plan_figure(make_run(tmp_path, paints=("alkyd", "acrylic")))
    figure = draw(plan)
    images = [ax.images[0] for ax in figure.axes if ax.images]
    assert len(images) == 8  # three maps and their bar for each of two paints
    bars = [image for image in images if image.get_array().shape[1] == 1]
    low, high = plan.scale
    for bar in bars:
        assert bar.get_extent() == [0, 1, low, high]
        assert np.array_equal(bar.get_array(), bars[0].get_array())


def test_a_paint_of_another_unit_is_not_drawn_beside_and_it_is_said(tmp_path):
    result = make_run(tmp_path, paints=("alkyd", "acrylic"), units=("ug cm-2", "reference"))
    plan = plan_figure(result)
    assert [block.words for block in plan.blocks] == ["alkyd"]
    assert "acrylic" in plan.left_out[0]
    with pytest.raises(ContractError, match="one scale for all panels; to mend it"):
        rk.residue_figure(result, strata=["alkyd", "acrylic"])
    assert plan_figure(result, strata=["acrylic"]).blocks[0].unit == "reference"


def test_without_a_blank_nothing_is_drawn_and_the_record_says_why(tmp_path):
    result = make_run(tmp_path, blanks=False)
    with pytest.raises(ContractError, match="a control for everything that is drawn"):
        rk.residue_figure(result)
    record = write_figure(result, tmp_path)
    assert "without a blank mock-up" in record["not_drawn"]
    assert not (tmp_path / "figure.pdf").exists()


def test_what_the_page_cannot_hold_is_named(tmp_path):
    paints = tuple(f"paint {k}" for k in range(8))
    plan = plan_figure(make_run(tmp_path / "a", paints=paints, exposures=(2.0,)))
    drawn = {block.words for block in plan.blocks}
    assert 1 <= len(drawn) < 8
    assert all(paint in drawn or paint in plan.left_out[0] for paint in paints)
    arms = plan_figure(make_run(tmp_path / "b", exposures=tuple(float(k) for k in range(1, 18))))
    assert arms.left_out == ("alkyd: 3 arms not drawn; see verdicts.csv.",)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"strata": ["alkid"]}, "did you mean 'alkyd'"),
        ({"width_mm": 20}, "85 to 260 mm"),
    ],
)
def test_a_wrong_wish_is_refused_with_its_mend(tmp_path, options, words):
    with pytest.raises(ContractError, match=words):
        rk.residue_figure(make_run(tmp_path), **options)


def test_point_spectra_give_a_figure_without_maps_and_it_is_said(tmp_path):
    record = write_figure(make_run(tmp_path, points=True), tmp_path)
    assert record["strata"][0]["maps"] == []
    assert "Point spectra only" in record["caption"]


def test_the_figures_leave_the_state_of_pyplot_alone():
    code = "import sys, residuekit.figures; print('matplotlib' in sys.modules)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "False"


def test_an_arm_without_usable_maps_keeps_its_line_and_its_verdict(tmp_path):
    make_run(tmp_path)
    table = pd.read_csv(tmp_path / "verdicts.csv")
    kept = ["paint", "soiling", "ageing_h", "treatment", "exposure_min", "clearance_min"]
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
