"""The picture of what each score can see: what is drawn where, and what is refused."""

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure

from residuekit.decision.scores import BlindnessTable
from residuekit.errors import ContractError
from residuekit.figures.sight import draw_limits, draw_selectivity, sight_figure
from residuekit.schema import MARKER_COLUMNS


def line(score, paint="alkyd", limit=1.0, noise=0.1, unit="ug cm-2", blind=False, decides=False):
    values = (score, paint, "none", 0.0, 0.7, 1.0, 0.1, 5.0, limit, noise, unit, blind, decides,
              "gel")  # fmt: skip
    return dict(zip(MARKER_COLUMNS, values, strict=True))


ROWS = (
    line("net signal", decides=True),
    line("band: pva C-O 1092", limit=4.0),
    line("band: acetate C=O 1735", limit=np.inf, noise=np.inf, blind=True),
    line("net signal", paint="acrylic", limit=0.3, decides=True),
)


def texts(figure):
    figure.draw_without_rendering()
    return [
        text.get_text() for text in figure.findobj(mpl.text.Text) if text.get_text() and
        text.get_visible()
    ]  # fmt: skip


@pytest.mark.parametrize("table", [BlindnessTable(ROWS, ()), pd.DataFrame(ROWS)])
def test_each_score_stands_with_its_name_its_limit_and_what_it_is(table):
    said = texts(sight_figure(table, acceptance_limit=2.0, title="an invented study"))
    wanted = (
        "alkyd", "acrylic", "net signal", "pva C-O 1092", "acetate C=O 1735", "4.0 µg cm⁻²",
        "∞, blind", "acceptance limit", "of the score that decides", "by noise alone",
        "selectivity", "of a blind score", "an invented study",
        "limit of one mock-up (µg cm⁻²)",
    )  # fmt: skip
    assert set(wanted) <= set(said)


def test_a_line_runs_from_what_noise_allows_to_the_limit_of_a_mockup():
    ax = draw_limits(Figure().add_subplot(), ROWS[:2], (0.05, 10.0), "ug cm-2", 2.0)
    drawn = {tuple(np.round(one.get_xdata(), 9)) for one in ax.lines}
    assert {(0.1, 1.0), (0.1, 4.0), (2.0, 2.0)} <= drawn
    assert ax.get_ylim()[0] > ax.get_ylim()[1]


def test_units_that_differ_are_shown_as_multiples_of_what_noise_allows():
    rows = [line("net signal", limit=0.02, noise=0.01, unit="reference"),
            line("band: own", limit=5.0, noise=0.5, unit="A cm-1")]  # fmt: skip
    said = texts(sight_figure(pd.DataFrame(rows), acceptance_limit=2.0))
    assert "limit, times what noise alone allows" in said
    assert "acceptance limit" not in said
    ax = draw_limits(Figure().add_subplot(), rows, (0.5, 20.0), None)
    joined = [one.get_xdata() for one in ax.lines if len(one.get_xdata()) == 2]
    np.testing.assert_allclose(joined, [(1, 2), (1, 10)])


def test_the_scale_has_plain_numbers():
    figure = sight_figure(pd.DataFrame(ROWS), acceptance_limit=2.0)
    figure.draw_without_rendering()
    said = [tick.get_text() for tick in figure.axes[1].get_xticklabels()]
    assert {"0.1", "1"} <= set(said)
    assert not any("$" in text for text in texts(figure))


def test_a_blind_score_is_grey_and_the_deciding_one_is_bold():
    ax = draw_selectivity(Figure().add_subplot(), ROWS[:3])
    first, _, last = ax.get_yticklabels()
    assert first.get_weight() == "bold"
    assert last.get_color() != first.get_color()
    assert [bar.get_width() for bar in ax.patches] == [0.7] * 3


def test_no_text_is_cut_off_at_either_width(tmp_path):
    for width in (140.0, 180.0):
        figure = sight_figure(pd.DataFrame(ROWS), acceptance_limit=2.0, width_mm=width)
        figure.savefig(tmp_path / "sight.png")
        page = figure.bbox
        for text in figure.findobj(mpl.text.Text):
            if text.get_text().strip() and text.get_visible():
                box = text.get_window_extent()
                assert box.x0 >= page.x0 - 1, text.get_text()
                assert box.x1 <= page.x1 + 1, text.get_text()


def test_what_cannot_be_drawn_is_refused():
    with pytest.raises(ContractError, match="without mockup_limit"):
        sight_figure(pd.DataFrame(ROWS).drop(columns="mockup_limit"))
    with pytest.raises(ContractError, match="without rows"):
        sight_figure(pd.DataFrame(ROWS).iloc[:0])
    with pytest.raises(ContractError, match="140 or more"):
        sight_figure(pd.DataFrame(ROWS), width_mm=90.0)
