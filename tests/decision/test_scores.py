"""What each score sees on a paint, before an exposed map is opened: by hand, and on small maps."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy import stats

import residuekit as rk
from residuekit.decision.assessment import Rules
from residuekit.decision.blindness import Blindness, assess_blindness
from residuekit.decision.controls import Controls
from residuekit.decision.net import Metric, make_metric, net_from_scatters
from residuekit.decision.scores import Score, deciding, marker_rows, scores_on, sees_better
from residuekit.errors import ContractError
from residuekit.kernels.netsignal import scatter
from residuekit.kernels.slope import Slope, slope_through_zero
from residuekit.markers import Marker, marker_weights
from residuekit.schema import MARKER_COLUMNS
from residuekit.words.codes import Note

AXIS = np.arange(1000.0, 1400.0, 4.0)
ONE = {"name": "own 1092", "low": 1060, "high": 1124}
TWO = {"name": "own 1300", "low": 1268, "high": 1332}
MARKERS = [Marker(**ONE), Marker(**TWO)]
NOISE = 1e-3
RULES = Rules()
NO_GEL = Note("no-reference", {"material": "gel", "lost": []})


def gaussian(position, sd=8.0):
    return np.exp(-0.5 * ((AXIS - position) / sd) ** 2)


GEL = gaussian(1092) + 0.5 * gaussian(1300)
STRATUM = {"paint": "white", "soiling": "none", "ageing_h": 0.0}


def plain_metric(within, net):
    """The metric of a net signal whose weights are not crossed."""
    return Metric(within, net, None, net.weights[None])


# by hand: a paint in white noise


@pytest.fixture(scope="module")
def ground(plain_net):
    rng = np.random.default_rng(5)
    blanks = 0.2 + gaussian(1200, 30) + 0.01 * rng.standard_normal((5, AXIS.size))
    root = 0.02 * np.eye(AXIS.size) + 0.001 * rng.standard_normal((AXIS.size, AXIS.size))
    loadings = np.array([2.0, 2.0, 6.0, 6.0])
    responses = np.outer(loadings, 0.1 * GEL) + 0.01 * rng.standard_normal((4, AXIS.size))
    metric = plain_metric(root @ root.T, plain_net(GEL))
    return Controls(
        AXIS, blanks.mean(axis=0), blanks, metric, 36.4, loadings, responses,
        metric.rows_of(len(blanks)),
    )  # fmt: skip


def pixel_sd(ground, score):
    if score.name == "net signal":
        return ground.metric.net.standard_error
    return math.sqrt(score.weights @ ground.metric.within @ score.weights)


def test_the_net_signal_comes_first_then_the_bands_in_their_order(ground):
    names = ["net signal", "band: own 1092", "band: own 1300"]
    scores = scores_on(ground, MARKERS, RULES)
    assert [one.name for one in scores] == names
    assert [one.own_unit for one in scores] == ["reference", "A cm-1", "A cm-1"]
    np.testing.assert_array_equal(scores[0].weights, ground.metric.net.weights)
    np.testing.assert_array_equal(
        [one.weights for one in scores[1:]], marker_weights(MARKERS, AXIS)
    )
    kinds = {("band",): names[1:], ("net signal",): names[:1], (): []}
    for asked, found in kinds.items():
        assert [one.name for one in scores_on(ground, MARKERS, RULES, asked)] == found
    without = scores_on(replace(ground, metric=replace(ground.metric, net=None)), MARKERS, RULES)
    assert [one.name for one in without] == names[1:]
    assert all(math.isnan(one.selectivity) for one in without)


@pytest.mark.parametrize("place", [0, 1, 2])
@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_slope_noise_and_pixel_limit_by_their_formulas(ground, place, alpha):
    """Pixels scatter within maps and with their mock-up; the largest of 36 has Phi^36."""
    score = scores_on(ground, MARKERS, Rules(alpha, acceptance_limit=3.0))[place]
    values = ground.blanks @ score.weights
    spread, sd = np.std(values, ddof=1), pixel_sd(ground, score)
    slope = slope_through_zero(ground.loadings, ground.responses @ score.weights, spread)
    assert score.slope == pytest.approx(slope)
    assert score.scale == score.slope.value
    assert score.noise == pytest.approx(sd / math.sqrt(36.4))
    assert score.blank_mean == pytest.approx(values.mean())
    expected = assess_blindness(values, slope, noise=score.noise, acceptance_limit=3.0)
    assert score.blindness.mockup_limit == pytest.approx(expected.mockup_limit)
    assert score.blindness.code == expected.code
    quantile = stats.norm.ppf((1 - alpha) ** (1 / 36))
    assert score.pixel_limit == pytest.approx(quantile * math.sqrt(sd**2 + spread**2) / slope.value)


def test_a_blank_pixel_stands_above_the_pixel_limit_in_one_map_of_twenty(ground):
    """20,000 maps of 36 pixels, each of a mock-up of its own, by the two scatters alone."""
    rng = np.random.default_rng(6)
    score = scores_on(ground, MARKERS, RULES)[1]
    spread = np.std(ground.blanks @ score.weights, ddof=1)
    sd = pixel_sd(ground, score)
    values = rng.normal(0, sd, (20_000, 36)) + rng.normal(0, spread, (20_000, 36))
    above = (values / score.scale > score.pixel_limit).any(axis=1)
    assert above.mean() == pytest.approx(0.05, abs=0.006)


def test_loadings_are_differences_from_the_blank_mean_over_the_slope(ground):
    for score in scores_on(ground, MARKERS, RULES):
        np.testing.assert_allclose(score.loading(ground.blanks).mean(), 0.0, atol=1e-9)
        spectra = ground.blanks.mean(axis=0) + np.multiply.outer([[0.0, 0.2]], GEL)
        expected = 0.2 * (GEL @ score.weights) / score.slope.value
        np.testing.assert_allclose(score.loading(spectra), [[0.0, expected]], atol=1e-9)


@pytest.mark.parametrize("kept", [0, 1])
def test_fewer_than_two_spiked_mockups_leave_the_score_in_its_own_unit(ground, kept):
    bare = replace(ground, loadings=ground.loadings[:kept], responses=ground.responses[:kept])
    for score in scores_on(bare, MARKERS, RULES):
        spread, sd = np.std(ground.blanks @ score.weights, ddof=1), pixel_sd(ground, score)
        assert score.slope is None
        assert score.scale == 1.0
        assert score.blindness.unit == score.own_unit
        assert score.pixel_limit == pytest.approx(
            stats.norm.ppf(0.95 ** (1 / 36)) * math.hypot(sd, spread)
        )
    two = replace(ground, loadings=ground.loadings[:2], responses=ground.responses[:2])
    assert scores_on(two, MARKERS, RULES)[0].slope.n_spiked == 2


@pytest.mark.parametrize(
    ("scatter", "loadings", "chosen"),
    [(0.1, (1.0, 1.0, 2.0, 2.0, 4.0, 4.0), True), (0.0, (1.0, 1.0, 2.0, 2.0, 4.0, 4.0), False),
     (0.1, (2.0,) * 6, False), (0.1, (1.0, 1.0, 2.0, 4.0, 4.0), False)],
)  # fmt: skip
def test_a_band_decides_where_spiked_mockups_scatter_less_about_their_line_by_it(
    ground, scatter, loadings, chosen
):
    """A change of the paint beside the band; it needs two loadings and six mock-ups, as k - 2 = 4
    is the least; the ratio is that of the residual variances of lines by numpy.polyfit."""
    rng = np.random.default_rng(9)
    loads = np.array(loadings)
    beside = scatter * rng.standard_normal((loads.size, 1)) * gaussian(1300, 8)
    responses = np.outer(loads, 0.1 * GEL) + beside
    responses += 1e-3 * rng.standard_normal(responses.shape)
    given = replace(ground, loadings=loads, responses=responses)
    scores = scores_on(given, MARKERS, RULES)
    found = sees_better(scores, loads)
    assert (found is not None) == chosen
    assert (scores[0].name == "band: own 1092") == chosen
    assert sorted(one.name for one in scores) == sorted(
        one.name for one in scores_on(ground, MARKERS, RULES)
    )
    if found is not None:
        errors = []
        for name in ("net signal", "band: own 1092"):
            own = next(one for one in scores if one.name == name)
            slope, level = np.polyfit(loads, own.spiked, 1)
            errors.append(np.sum((own.spiked - level - slope * loads) ** 2) / slope**2)
        assert found.ratio == pytest.approx(errors[0] / errors[1])
        assert found.needed == pytest.approx(stats.f.ppf(0.8, 4, 4))


def test_the_scatter_of_the_blanks_chooses_no_score(ground):
    rng = np.random.default_rng(9)
    loads = np.array([1.0, 1.0, 2.0, 2.0, 4.0, 4.0])
    responses = np.outer(loads, 0.1 * GEL) + 0.02 * rng.standard_normal((6, AXIS.size))
    wide = ground.blanks + 5 * rng.standard_normal((5, 1)) * GEL
    orders = [
        [s.name for s in scores_on(replace(ground, blanks=blanks, loadings=loads,
                                           responses=responses), MARKERS, RULES)]
        for blanks in (ground.blanks, wide)
    ]  # fmt: skip
    assert orders[0] == orders[1]


@pytest.mark.parametrize("sign", [-1.0, 0.0])
def test_a_response_that_does_not_rise_keeps_its_unit_and_is_blind(ground, sign):
    for score in scores_on(replace(ground, responses=sign * ground.responses), MARKERS, RULES):
        assert score.slope.value == pytest.approx(
            sign * scores_on(ground, [], RULES)[0].slope.value if score.name == "net signal"
            else score.slope.value
        )  # fmt: skip
        assert score.scale == 1.0
        assert score.blindness.blind
        assert score.pixel_limit > 0


def test_one_blank_has_no_scatter_and_points_have_no_pixels(ground):
    one = scores_on(
        replace(ground, blanks=ground.blanks[:1], rows=ground.rows[:1]), MARKERS, RULES
    )[1]
    quantile = stats.norm.ppf(0.95 ** (1 / 36))
    assert one.pixel_limit == pytest.approx(quantile * pixel_sd(ground, one) / one.scale)
    two = scores_on(
        replace(ground, blanks=ground.blanks[:2], rows=ground.rows[:2]), MARKERS, RULES
    )[1]
    assert two.pixel_limit * two.scale > quantile * pixel_sd(ground, two) * 1.0001
    points = scores_on(
        replace(ground, metric=replace(ground.metric, within=None), pixels_per_map=0.4),
        MARKERS,
        RULES,
    )
    assert [math.isnan(score.noise) for score in points] == [False, True, True]
    spread = np.std(ground.blanks @ points[0].weights, ddof=1)
    assert points[0].pixel_limit == pytest.approx(
        stats.norm.ppf(0.95)
        * math.hypot(ground.metric.net.standard_error, spread)
        / points[0].scale
    )


def test_the_selectivity_of_a_band_is_the_sine_between_gel_and_paint_above_their_lines(plain_net):
    """Both less the line between the window's ends; 0 for one shape, 1 for nothing in common."""
    used = np.flatnonzero(marker_weights(MARKERS[:1], AXIS)[0])
    start, stop = used[0], used[-1] + 1
    x = np.linspace(-1, 1, stop - start)
    arch, wave = 1 - x**2, x * (1 - x**2)
    line = 0.3 + 0.2 * x

    def selectivity(gel, paint):
        whole = np.zeros((2, AXIS.size))
        whole[:, start:stop] = gel, paint
        whole[0, -1] = 1.0
        ground = Controls(
            AXIS, whole[1], whole[1:] + np.zeros((2, 1)),
            plain_metric(np.eye(AXIS.size), plain_net(whole[0])), 9.0, np.zeros(0),
            np.zeros((0, AXIS.size)), np.array([-1, -1]),
        )  # fmt: skip
        return scores_on(ground, MARKERS[:1], RULES, ["band"])[0].selectivity

    assert selectivity(2 * arch + line, 0.1 * arch - line) == pytest.approx(0.0, abs=1e-9)
    assert selectivity(arch, wave + line) == pytest.approx(1.0)
    mixed = arch + wave
    sine = math.sqrt(1 - (mixed @ arch) ** 2 / (mixed @ mixed) / (arch @ arch))
    assert selectivity(mixed + line, arch) == pytest.approx(sine)
    assert selectivity(0 * arch, arch) == 0.0


def test_pixels_are_pooled_about_the_mean_of_their_own_map():
    rng = np.random.default_rng(7)
    maps = [rng.standard_normal((count, 4)) + 9 * count for count in (3, 2, 5)]
    products = sum((len(one) - 1) * np.cov(one.T) for one in maps)
    means = np.array([one.mean(axis=0) for one in maps])
    found = make_metric([scatter(one) for one in maps], means, [], np.arange(4.0), (), NO_GEL)
    np.testing.assert_allclose(found.within, products / 7)
    assert (found.net, found.missing) == (None, NO_GEL)
    none = make_metric([], means, [], np.arange(4.0), (), NO_GEL)
    assert (none.within, none.net, none.missing.code) == (None, None, "single-spectra")


@pytest.mark.parametrize(("n", "sees"), [(5, False), (6, True)])
def test_six_blanks_of_one_spectrum_make_a_net_signal_and_five_do_not(n, sees):
    rng = np.random.default_rng(3)
    axis = np.arange(1000.0, 1200.0, 5.0)
    means = 1 + 0.01 * rng.standard_normal((n, axis.size))
    gel = [np.exp(-(((axis - 1092) / 20) ** 2))]
    found = make_metric([], means, gel, axis, (), NO_GEL)
    assert (found.net is not None) == sees
    assert (found.missing is None) == sees


def sighted(name, reason=""):
    seen = Blindness(2.0, 0.1, 0.5, 0.2, "ug cm-2", reason)
    none = np.empty(0)
    return Score(
        name, np.ones(3), "A", 0.7, 0.1, seen, Slope(2.0, 0.1, 4), 1.0, 0.3, none, none, none
    )


def test_the_first_score_that_is_not_blind_decides():
    blind, first, second = sighted("a", "blind"), sighted("b"), sighted("c")
    assert deciding([blind, first, second]) is first
    assert deciding([blind]) is None
    rows = marker_rows(STRATUM, [blind, first, second])
    assert [row["deciding"] for row in rows] == [False, True, False]
    assert [row["blind"] for row in rows] == [True, False, False]
    assert not any(row["deciding"] for row in marker_rows(STRATUM, [blind]))
    assert rows[1] | {"score": "a", "blind": True, "deciding": False} == rows[0]
    assert set(rows[0]) <= set(MARKER_COLUMNS)
    assert [rows[1][key] for key in ("selectivity", "slope", "slope_se", "mockup_limit",
                                     "noise_limit")] == [0.7, 2.0, 0.1, 0.5, 0.2]  # fmt: skip


# on small maps


def mockup(rng, spread=0.0, gel=0.0):
    """A map of paint with a band at 1092 of its own, whose height differs between mock-ups."""
    paint = (0.3 + spread * rng.standard_normal()) * gaussian(1092) + 0.1
    values = paint + gel * 0.01 * GEL + NOISE * rng.standard_normal((6, 6, AXIS.size))
    return rk.make_map(values, AXIS)


@cache
def made(spread=0.02, spiked=True, acceptance_limit=None):
    rng = np.random.default_rng(1)
    blanks = {"paint": [mockup(rng, spread) for _ in range(8)]}
    loads = [(load, mockup(rng, spread, load)) for load in (4.0, 8.0) for _ in range(4)]
    return blanks, rk.blindness(
        blanks=blanks, references=rk.make_points(GEL, AXIS), markers=[ONE, TWO],
        spiked={"paint": loads} if spiked else None, acceptance_limit=acceptance_limit,
    )  # fmt: skip


def row(table, score):
    return next(one for one in table.rows if one["score"] == score)


def test_the_mockup_limit_is_3_29_blank_standard_deviations_over_the_slope():
    blanks, table = made()
    for marker in (ONE, TWO):
        scores = [rk.band_score(one, [marker])["score"] for one in blanks["paint"]]
        found = row(table, f"band: {marker['name']}")
        means, pixels = [float(one.mean()) for one in scores], [one.values[0] for one in scores]
        expected = 3.29 * np.std(means, ddof=1) / found["slope"]
        assert found["mockup_limit"] == pytest.approx(expected, rel=1e-3)
        within = math.sqrt(np.mean([np.var(one, ddof=1) for one in pixels]))
        assert found["noise_limit"] == pytest.approx(3.29 * within / 6 / found["slope"], rel=1e-3)
        assert found["unit"] == "ug cm-2"


def test_the_net_signal_learns_the_paint_s_change_from_spiked_mockups_of_one_loading():
    """Its noise is that of the net signal with these two groups of four as replicates."""
    blanks, table = made()
    rng = np.random.default_rng(1)
    for _ in blanks["paint"]:
        mockup(rng, 0.02)
    pixels = [one.values.reshape(-1, AXIS.size) for one in blanks["paint"]]
    groups = [
        [mockup(rng, 0.02, load).values.reshape(-1, AXIS.size).mean(axis=0) for _ in range(4)]
        for load in (4.0, 8.0)
    ]
    net = net_from_scatters([scatter(one) for one in pixels], [GEL], AXIS, replicates=groups)
    found = row(table, "net signal")
    noise = 3.29 * net.standard_error / 6 / found["slope"]
    assert found["noise_limit"] == pytest.approx(noise, rel=1e-3)


def test_the_slope_of_the_spiked_mockups_is_that_of_the_gel_put_on():
    for marker in (ONE, TWO):
        found = row(made()[1], f"band: {marker['name']}")
        area = marker_weights([Marker(**marker)], AXIS)[0] @ (0.01 * GEL)
        assert abs(found["slope"] - area) < 3 * found["slope_se"]
        assert found["slope"] == pytest.approx(area, rel=0.5)


def test_the_table_has_the_columns_and_the_order_fixed_beforehand():
    table = made()[1]
    frame = table.to_frame()
    assert (*frame.columns, "residue") == MARKER_COLUMNS
    assert list(frame["score"]) == ["net signal", "band: own 1092", "band: own 1300"]
    assert list(frame["deciding"]) == [True, False, False]
    assert list(frame["ageing_h"]) == [0.0] * 3


def test_what_the_paint_s_own_variation_hides_is_blind_and_what_noise_hides_is_not():
    """The acceptance limit lies below both limits; only at 1092 more scans would not help."""
    _, table = made(spread=0.05, acceptance_limit=0.05)
    first, second = row(table, "band: own 1092"), row(table, "band: own 1300")
    assert first["mockup_limit"] > 3 * first["noise_limit"]
    assert first["blind"]
    assert second["mockup_limit"] < 3 * second["noise_limit"]
    assert not second["blind"]
    assert len(table.reasons) == sum(one["blind"] for one in table.rows)


def test_selectivity_is_near_0_for_the_shape_of_the_paint_and_near_1_without_it():
    _, table = made()
    assert row(table, "band: own 1092")["selectivity"] < 0.05
    assert row(table, "band: own 1300")["selectivity"] > 0.85


def test_without_spiked_mockups_each_score_keeps_its_own_unit():
    _, table = made(spiked=False)
    assert [one["unit"] for one in table.rows] == ["reference", "A cm-1", "A cm-1"]
    assert all(np.isnan(one["slope"]) for one in table.rows)


def test_the_recommendation_decides_by_order_and_advises_by_the_lowest_limit():
    _, table = made()
    said = table.recommendation()
    limits = {
        name: row(table, f"band: {name}")["mockup_limit"] for name in ("own 1092", "own 1300")
    }
    assert limits["own 1300"] < limits["own 1092"]
    assert "net signal" in said
    assert "own 1300" in said
    assert "own 1092" not in said
    assert said in str(table)
    hidden = replace(table, rows=tuple({**one, "blind": True, "deciding": False}
                                       for one in table.rows))  # fmt: skip
    assert "own" not in hidden.recommendation()


def test_a_point_set_of_two_spectra_shows_a_scatter_and_a_lone_spectrum_none():
    rng = np.random.default_rng(3)
    spectra = 0.1 + NOISE * rng.standard_normal((9, AXIS.size))
    counts = {"paint": (2, 2, 2), "with one": (2, 2, 2, 1)}
    blanks = {
        name: [rk.make_points(part, AXIS) for part in np.split(spectra[: sum(each)],
                                                               np.cumsum(each)[:-1])]
        for name, each in counts.items()
    }  # fmt: skip
    table = rk.blindness(blanks=blanks, references=rk.make_points(GEL, AXIS), markers=[TWO])
    weights = marker_weights([Marker(**TWO)], AXIS)[0]
    pairs = (spectra[:6] @ weights).reshape(3, 2)
    within = math.sqrt(pairs.var(axis=1, ddof=1).mean())
    for name, each in counts.items():
        found = next(one for one in table.rows if one["paint"] == name and "own" in one["score"])
        noise = 3.29 * within / math.sqrt(np.mean(each))
        assert found["noise_limit"] == pytest.approx(noise, rel=1e-3)


def test_one_blank_is_refused_and_so_are_axes_that_differ():
    rng = np.random.default_rng(2)
    blank, gel = mockup(rng), rk.make_points(GEL, AXIS)
    short = blank.isel(wavenumber=slice(1, None))
    with pytest.raises(ContractError, match="1 blank mock-ups"):
        rk.blindness(blanks={"paint": [blank]}, references=gel, markers=[ONE])
    for blanks, spiked in (([blank, short], []), ([blank, blank], [(1.0, short)])):
        with pytest.raises(ContractError, match="wavenumber axis"):
            rk.blindness(
                blanks={"paint": blanks}, references=gel, markers=[ONE], spiked={"paint": spiked}
            )
