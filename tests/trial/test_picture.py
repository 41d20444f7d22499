"""The picture: what is drawn for a veto and a gap, text that fits, colours that all can tell."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text
from pictures import APART, lightness
from shelter import shelter_rows, shelter_verdicts, table_text

from residuekit.errors import ContractError
from residuekit.figures.style import FONT_SIZE, MM_PER_INCH
from residuekit.schema import VERDICTS
from residuekit.trial import Candidate, TrialSummary, draw_trial, read_trial, summarise
from residuekit.trial.trial_figure import _COLOURS, _GAP, _RESIDUE, _look


@pytest.fixture(scope="module")
def summary(tmp_path_factory):
    path = tmp_path_factory.mktemp("trial") / "trial.csv"
    path.write_text(table_text(shelter_rows()), encoding="utf-8")
    return summarise(read_trial(path), shelter_verdicts(), working_exposure_min=2)


def texts_of(figure):
    FigureCanvasAgg(figure).draw()
    return [text for text in figure.findobj(Text) if text.get_text().strip()]


def assert_legible(figure):
    """Every text drawn, at 7 pt, inside the figure, over no other text."""
    texts = texts_of(figure)
    assert {text.get_fontsize() for text in texts} == {FONT_SIZE}
    page, pixels = figure.bbox, np.asarray(figure.canvas.buffer_rgba())[..., :3]
    boxes = [(text.get_text(), text.get_window_extent()) for text in texts]
    for words, box in boxes:
        inside = box.x0 >= page.x0 and box.x1 <= page.x1 and box.y0 >= page.y0 and box.y1 <= page.y1
        assert inside, words
        top, bottom = (round(figure.bbox.height - y) for y in (box.y1, box.y0))
        ink = pixels[top:bottom, round(box.x0) : round(box.x1)]
        assert ink.min() < 128, words
    for (one, a), (other, b) in itertools.combinations(boxes, 2):
        wide = min(a.x1, b.x1) - max(a.x0, b.x0)
        high = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert wide <= 0.5 or high <= 1.5, (one, other)


@pytest.mark.parametrize("width", [150, 180, 260])
def test_no_text_meets_another_and_the_size_is_as_asked(summary, width):
    figure = draw_trial(summary, width_mm=width)
    assert figure.get_size_inches()[0] * MM_PER_INCH == pytest.approx(width)
    assert_legible(figure)


def test_long_and_odd_names_stay_on_the_page():
    name = "a gel of polyvinyl alcohol, borax and a name that goes on and on, batch \n$x_1$ 木 " * 3
    every = [Candidate(f"{n} {name}", name, name, 4, "vetoed", f"residue detected {name}")
             for n in range(9)]  # fmt: skip
    assert_legible(draw_trial(TrialSummary(tuple(every), (), 0.05)))


def lines_of(figure, candidate):
    """The points of a candidate over the axes of the first panel."""
    return figure.axes[0].lines[7 + candidate]


def gaps_of(figure):
    """The marks on the lowest line."""
    return [line for line in figure.axes[0].lines if tuple(line.get_ydata()) == (_GAP,)]


def test_a_veto_is_crossed_and_struck_and_said(summary):
    figure = draw_trial(summary, paints=["alkyd"])
    words = [text.get_text() for text in texts_of(figure)]
    for number, one in enumerate(summary.blocks()[("alkyd", "soot")]):
        line = lines_of(figure, number)
        assert (line.get_marker() == "x") == (one.standing == "vetoed")
        assert (line.get_markerfacecolor() == "white") == (one.standing == "open")
    assert any(text.startswith("PVA-borax gel, VETOED: residue detected") for text in words)
    struck = [line for line in figure.artists if line.get_color() == "#1a1a1a"]
    assert len(struck) == 2
    keys = {text.get_text().split(", ")[0]: text for text in texts_of(figure)}
    spans = {
        name for name, line in itertools.product(("PVA-borax gel", "agar gel"), struck)
        if keys[name].get_window_extent().y0
        < line.get_ydata()[0] * figure.bbox.height
        < keys[name].get_window_extent().y1
    }  # fmt: skip
    assert spans == {"PVA-borax gel", "agar gel"}


def test_a_gap_is_a_gap_with_a_mark(summary):
    figure = draw_trial(summary, paints=["alkyd"])
    gellan, xanthan = (np.isnan(lines_of(figure, k).get_ydata()) for k in (3, 4))
    assert list(gellan) == [False, False, False, True, False, False]
    assert list(xanthan) == [False, True, False, False, False, False]
    marks = gaps_of(figure)
    assert sorted(line.get_xdata()[0] for line in marks) == [1, 3]
    assert {line.get_marker() for line in marks} == {
        lines_of(figure, k).get_marker() for k in (3, 4)
    }


@pytest.mark.parametrize("n", [1, 5, 12])
def test_the_word_missing_stands_clear_of_its_marks(n):
    every = tuple(Candidate(f"gel {k}", "alkyd", "soot", 3) for k in range(n))
    figure = draw_trial(TrialSummary(every, (), 0.05))
    assert_legible(figure)
    (word,) = [text for text in texts_of(figure) if text.get_text() == "missing"]
    marks = [line.get_window_extent() for line in gaps_of(figure)]
    assert len(marks) == 6 * n
    assert word.get_window_extent().x1 < min(box.x0 for box in marks) - 2
    assert max(box.x1 for box in marks) < figure.bbox.x1


def test_pick_up_stands_at_the_observed_share_with_a_whisker_to_its_bound(summary):
    figure = draw_trial(summary, paints=["alkyd"])
    spans = [tuple(line.get_ydata()) for line in figure.axes[0].lines]
    for number, one in enumerate(summary.blocks()[("alkyd", "soot")]):
        if one.pickup_mockups:
            share = 1 - one.pickup_positive / one.pickup_mockups
            assert lines_of(figure, number).get_ydata()[1] == pytest.approx(share)
            assert (share, 1 - one.pickup_share_bound) in spans
    assert any("from the observed share to its one-sided 95%" in text.get_text()
               for text in texts_of(figure))  # fmt: skip


def test_candidates_stay_apart_in_grey():
    """No two of twelve have the same mark and dash; those of one dash are 20 L* apart."""
    looks = [
        _look(k, Candidate(f"gel {k}", "alkyd", "soot", 3, standing))
        for standing in ("no veto", "vetoed")
        for k in range(12)
    ]
    for a, b in itertools.combinations(looks, 2):
        same = (a["marker"], a["linestyle"]) == (b["marker"], b["linestyle"])
        assert not same or abs(lightness(a["color"]) - lightness(b["color"])) >= APART


def test_up_is_better_on_every_axis(summary):
    figure = draw_trial(summary, paints=["alkyd"])
    heights = np.array([lines_of(figure, k).get_ydata() for k in range(5)], float)
    cryogel, borax, agar, gellan, xanthan = heights
    assert borax[0] == 0 < xanthan[0] < min(cryogel[0], agar[0], gellan[0])
    assert agar[1] == 0.5
    assert cryogel[1] == 1
    assert xanthan[2] < agar[2] < cryogel[2] < borax[2]
    assert 0 < xanthan[3] < borax[3] < cryogel[3] < agar[3]
    assert xanthan[4] < agar[4] < cryogel[4] < borax[4] == 1
    assert borax[5] < xanthan[5] < cryogel[5]
    assert np.nanmin(heights) >= 0
    assert np.nanmax(heights) <= 1


def test_equal_values_stand_side_by_side_at_one_height():
    alike = {"ease": 4.0, "ease_ratings": 1, "gloss_size_gu": 0.1, "gloss_mockups": 3}
    every = tuple(Candidate(f"gel {k}", "alkyd", "soot", 3, **alike) for k in range(4))
    figure = draw_trial(TrialSummary(every, (), 0.05))
    lines = [lines_of(figure, k) for k in range(4)]
    for at, height in ((3, 1 - 0.1 / 5), (4, 0.75)):
        assert [line.get_ydata()[at] for line in lines] == pytest.approx([height] * 4)
        across = [line.get_xdata()[at] for line in lines]
        assert (np.diff(across) > 0).all()
        assert np.mean(across) == pytest.approx(at)


@pytest.mark.parametrize(("size", "end"), [(0.3, "5 GU"), (12.0, "12 GU")])
def test_a_trifling_gloss_change_does_not_fill_the_axis(size, end):
    one = Candidate("gel", "alkyd", "soot", 3, gloss_size_gu=size, gloss_mockups=3)
    figure = draw_trial(TrialSummary((one,), (), 0.05))
    words = [text.get_text() for text in texts_of(figure)]
    assert end in words
    assert any("5 GU or longer (our choice" in text for text in words)
    assert lines_of(figure, 0).get_ydata()[3] == pytest.approx(1 - size / max(5, size))


def test_a_surface_made_worse_is_on_the_axis_and_every_verdict_has_a_place():
    assert set(_RESIDUE) == set(VERDICTS)
    worse = Candidate("gel", "alkyd", "soot", 3, soil_removal_percent=-40.0, soil_removal_mockups=3)
    figure = draw_trial(TrialSummary((worse,), (), 0.05))
    assert lines_of(figure, 0).get_ydata()[2] == 0
    assert any(text.get_text() == "−40%" for text in texts_of(figure))


@pytest.mark.source("from memory", "vienot1999", "matrices of dichromats")
def test_colours_differ_for_eyes_with_two_kinds_of_cones():
    """Brightness or blue tells every pair (Vienot et al. 1999, matrices from memory)."""
    from matplotlib.colors import to_rgb

    protan = np.array([[0.112, 0.888, 0.0], [0.112, 0.888, 0.0], [0.004, -0.004, 1.0]])
    deutan = np.array([[0.293, 0.707, 0.0], [0.293, 0.707, 0.0], [-0.021, 0.021, 1.0]])
    linear = np.array([to_rgb(colour) for colour in _COLOURS]) ** 2.2
    for eye in (protan, deutan):
        seen = np.clip(linear @ eye.T, 0, 1) ** (1 / 2.2)
        for a, b in itertools.combinations(seen, 2):
            assert np.abs(a - b).max() > 0.08


@pytest.mark.parametrize(
    ("arguments", "said"),
    [({"paints": ["alkid"]}, "did you mean 'alkyd'"), ({"width_mm": 90}, "150 or more")],
)
def test_what_cannot_be_drawn_is_refused(summary, arguments, said):
    with pytest.raises(ContractError, match=said):
        draw_trial(summary, **arguments)
    with pytest.raises(ContractError, match="no candidate"):
        draw_trial(TrialSummary((), (), 0.05))
