"""A difference is called the gel only if foreign matter cannot stand in for it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from residuekit.decision.confirmation import (
    FOREIGN,
    Confirmation,
    confirmer,
    foreign_bands,
    unexplained,
)
from residuekit.decision.limits import decision_levels
from residuekit.decision.net import make_metric, net_from_scatters
from residuekit.kernels.netsignal import ShapeTest, scatter, shape_test
from residuekit.markers import markers
from residuekit.simulate import spectrum
from residuekit.words.codes import Note

WIDE = np.arange(400.0, 4000.0, 1.0)
KNOWN = [m for m in markers().values() if m.material in FOREIGN and m.position is not None]
INSIDE = [m for m in KNOWN if 400 <= m.position < 4000]


def careful_weights(net, axis, interferents=()):
    """Generalised least squares with 1e6 along every foreign band, by dense algebra.

    Beside the bands: the shift of the paint's bands, an offset and a slope.
    """
    mean = net.metric.mean
    common = [np.gradient(mean, axis), np.ones(axis.size), axis - axis.mean()]
    shapes = np.array([*common, *foreign_bands(axis), *interferents]) @ net.metric.whitener.T
    unit = shapes / np.linalg.norm(shapes, axis=1)[:, None]
    covariance = np.eye(axis.size) + 1e6 * unit.T @ unit
    gel = net.references[0] @ net.metric.whitener.T
    weights = np.linalg.solve(covariance, gel)
    return net.metric.whitener.T @ (weights / (gel @ weights))


def careful(paint, interferents=()):
    """One row a blank, all alike."""
    return np.tile(careful_weights(paint.net, paint.axis, interferents), (len(paint.blanks), 1))


def band_of_its_own(axis):
    return np.exp(-(((axis - 1092) / 22) ** 2)) + 0.5 * np.exp(-(((axis - 1425) / 20) ** 2))


@pytest.mark.parametrize("alpha", [0.05, 0.01])
@pytest.mark.parametrize(("n", "m"), [(6, 6), (6, 3), (2, 6), (3, 3)])
def test_the_arm_s_own_limit_is_student_s_t_times_the_blanks_scatter(paint, n, m, alpha):
    """amount = w'd and limit = t(1 - alpha, n - 1) s_0 sqrt(1/m + 1/n) with the careful weights."""
    blanks, exposed = paint.blanks[:n], paint.exposed[:m] + 3 * paint.gel
    rows = careful(paint)[:n]
    found = confirmer(paint.net, rows, blanks, exposed, paint.axis, alpha=alpha)(None)
    weights = rows[0]
    scatter = np.std(blanks @ weights, ddof=1)
    limit = stats.t.isf(alpha, n - 1) * scatter * math.sqrt(1 / m + 1 / n)
    difference = exposed.mean(axis=0) - blanks.mean(axis=0)
    assert found.amount == pytest.approx(difference @ weights, rel=1e-5)
    assert found.limit == pytest.approx(limit, rel=1e-5)
    assert found.shape == shape_test(difference, blanks, paint.net, paint.axis, n_exposed=m)


@pytest.mark.parametrize("worst", [0, 2])
def test_one_mockup_s_own_limit_has_q2_and_1_plus_1_n(paint, worst):
    found = confirmer(paint.net, careful(paint), paint.blanks, paint.exposed, paint.axis)(worst)
    weights = careful(paint)[0]
    scatter = np.std(paint.blanks @ weights, ddof=1)
    quantile = decision_levels(6, 6, 0.05).mockup
    difference = paint.exposed[worst] - paint.blanks.mean(axis=0)
    assert found.amount == pytest.approx(difference @ weights, rel=1e-5)
    assert found.limit == pytest.approx(quantile * scatter * math.sqrt(1 + 1 / 6), rel=1e-5)
    assert found.shape == shape_test(difference, paint.blanks, paint.net, paint.axis, n_exposed=1)


@pytest.mark.parametrize(
    "interferents", [(), band_of_its_own(np.linspace(900.0, 1850.0, 160))[None]]
)
def test_the_careful_weights_are_blind_to_foreign_bands_and_interferents(paint, interferents):
    """Of each fold of blanks, and of their mean, by dense algebra."""
    rng = np.random.default_rng(6)
    pixels = [blank + 3e-4 * rng.standard_normal((99, 160)) for blank in paint.blanks]
    made = make_metric(
        [scatter(one, place) for place, one in enumerate(pixels)], paint.blanks, [paint.gel],
        paint.axis, (), Note("no-reference"), interferents,
    )  # fmt: skip
    assert made.careful.shape == (7, 160)
    np.testing.assert_allclose(made.careful[-1], made.careful[:-1].mean(axis=0))
    for place, found in enumerate(made.careful[:-1]):
        others = [scatter(one) for number, one in enumerate(pixels) if number != place]
        net = net_from_scatters(others, [paint.gel], paint.axis)
        expected = careful_weights(net, paint.axis, interferents)
        assert found @ paint.gel == pytest.approx(1.0)
        assert np.corrcoef(found, expected)[0, 1] > 0.98


@pytest.mark.parametrize(
    ("amount", "limit", "refused_shape", "refused"),
    [(1.0, 0.9, False, False), (1.0, 1.0, False, True), (0.9, 1.0, False, True),
     (1.0, 0.9, True, True), (0.9, 1.0, True, True)],
)  # fmt: skip
def test_confirmed_is_above_its_limit_and_of_the_gel_s_shape(amount, limit, refused_shape, refused):
    shape = ShapeTest(0.0, 10.0, 1.0) if refused_shape else ShapeTest(1.0, 1.0, 1.0)
    assert Confirmation(shape, amount, limit).refused is refused


def test_gel_is_confirmed_on_every_mockup_of_its_arm(paint):
    found = confirmer(
        paint.net, careful(paint), paint.blanks, paint.exposed + 5 * paint.gel, paint.axis
    )(None)
    assert not found.refused
    assert found.amount > found.limit > 0


@pytest.mark.parametrize("matter", ["silica", "starch", "kaolin", "zinc soap"])
@pytest.mark.parametrize("amount", [0.002, 0.01])
def test_foreign_matter_of_another_exact_shape_is_not_confirmed(paint, matter, amount):
    changed = paint.exposed + amount * spectrum(matter, paint.axis)
    assert confirmer(paint.net, careful(paint), paint.blanks, changed, paint.axis)(None).refused


def test_one_mockup_alone_is_confirmed_by_its_own_difference(paint):
    loaded = paint.exposed.copy()
    loaded[2] += 12 * paint.gel
    confirm = confirmer(paint.net, careful(paint), paint.blanks, loaded, paint.axis)
    assert not confirm(2).refused
    assert confirm(1).refused


def test_a_known_interferent_is_not_the_gel(paint):
    strange = band_of_its_own(paint.axis)
    changed = paint.exposed + 0.01 * strange
    rows = careful(paint, [strange])
    assert confirmer(paint.net, rows, paint.blanks, changed, paint.axis)(None).refused


def test_foreign_bands_stand_at_the_positions_of_the_marker_table():
    shapes = foreign_bands(WIDE)
    tops = {round(float(WIDE[k])) for k in shapes.argmax(axis=1)}
    assert tops == {round(m.position) for m in INSIDE}
    assert foreign_bands(np.linspace(2000.0, 2400.0, 50)).shape == (0, 50)


def test_each_foreign_band_comes_0_6_and_1_2_times_as_wide_as_its_window():
    """Half the height at half that width from its top, which is 1."""
    shapes = foreign_bands(WIDE)
    expected = [(m, width) for m in INSIDE for width in (0.6, 1.2)]
    assert len(shapes) == len(expected)
    for shape, (marker, width) in zip(shapes, expected, strict=True):
        reach = width * (marker.high - marker.low) / 2
        sides = [marker.position - reach, marker.position + reach]
        np.testing.assert_allclose(np.interp(sides, WIDE, shape), 0.5, atol=0.01)
        assert np.interp(marker.position, WIDE, shape) == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize(("height", "kept"), [(0.29, 0), (0.31, 1)])
def test_a_band_off_the_axis_counts_from_three_tenths_of_its_height(height, kept):
    """The broad form of one band, seen by its flank alone."""
    marker = max(INSIDE, key=lambda m: m.position)
    reach = 1.2 * (marker.high - marker.low) / 2 * math.sqrt(-math.log2(height))
    axis = np.linspace(marker.position + reach, marker.position + reach + 300, 40)
    assert len(foreign_bands(axis)) == kept


def test_gel_and_clean_arms_leave_what_blanks_leave_and_others_leave_more(paint):
    clean, gel, soap = (
        unexplained(paint.net, paint.blanks, paint.exposed + added, paint.axis)
        for added in (0.0, 5 * paint.gel, 0.02 * spectrum("zinc soap", paint.axis))
    )
    assert 0.1 < clean < 5
    assert 0.1 < gel < 5
    assert soap > 10


@pytest.mark.parametrize("m", [1, 2, 6])
def test_what_the_references_leave_is_counted_in_what_blanks_leave(plain_net, m):
    """White noise of variance 1: Q over s^2 (1/m + 1/n), by hand."""
    gel, axis = np.array([0.0, 1, 3, 1, 0, 0, 0, 0]), 1000.0 + 4.0 * np.arange(8)
    blanks = np.zeros((3, 8))
    blanks[:, 6] = [1.0, -1.0, 0.0]
    exposed = np.zeros((m, 8)) + 0.4 * gel
    exposed[:, 7] = np.arange(m) + 2.0
    found = unexplained(plain_net(gel), blanks, exposed, axis)
    assert found == pytest.approx((2 + (m - 1) / 2) ** 2 / (1.0 * (1 / m + 1 / 3)))


def test_blanks_that_leave_nothing_make_any_rest_infinite_and_none_nothing(plain_net):
    gel, axis = np.array([0.0, 1, 3, 1, 0, 0, 0, 0]), 1000.0 + 4.0 * np.arange(8)
    still, other = np.zeros((3, 8)), np.zeros((3, 8))
    other[:, 7] = 1.0
    assert unexplained(plain_net(gel), still, still, axis) == 0.0
    assert unexplained(plain_net(gel), still, other, axis) == math.inf


def test_each_blank_is_scored_by_the_careful_weights_made_without_it(paint):
    """amount = w'y_e - mean w_i'y_i, and the scatter that of w_i'(y_i - mean of the others)."""
    rng = np.random.default_rng(8)
    rows = careful(paint) + 0.1 * rng.standard_normal((6, 160))
    found = confirmer(paint.net, rows, paint.blanks, paint.exposed, paint.axis)(None)
    level = np.mean([row @ blank for row, blank in zip(rows, paint.blanks, strict=True)])
    own = [
        row @ (blank - np.delete(paint.blanks, place, axis=0).mean(axis=0))
        for place, (row, blank) in enumerate(zip(rows, paint.blanks, strict=True))
    ]
    scatter = math.sqrt(np.mean(np.square(own)) * 5 / 6)
    assert found.amount == pytest.approx((paint.exposed @ rows.mean(axis=0)).mean() - level)
    limit = stats.t.isf(0.05, 5) * scatter * math.sqrt(1 / 3)
    assert found.limit == pytest.approx(limit)
