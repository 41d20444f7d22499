"""A difference is called the gel only if foreign matter cannot stand in for it."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import nnls

from residuekit.decision.confirmation import (
    FOREIGN,
    LEAST_RATIO,
    Confirmation,
    Confirmer,
    foreign_matter,
    is_foreign,
    unexplained,
)
from residuekit.decision.limits import decision_levels
from residuekit.kernels.foreign import Additions, ForeignMatter
from residuekit.kernels.netsignal import ShapeTest, shape_test
from residuekit.markers import markers
from residuekit.simulate import spectrum

WIDE = np.arange(400.0, 4000.0, 1.0)
KNOWN = [m for m in markers().values() if m.material in FOREIGN and m.position is not None]
INSIDE = [m for m in KNOWN if 400 <= m.position < 4000]


def values_of(paint):
    """Those of the blanks by plain weights."""
    return paint.blanks @ paint.net.weights


def confirmer(paint, interferents=(), alpha=0.05, n=6):
    blanks = paint.blanks[:n]
    return Confirmer(paint.net, blanks @ paint.net.weights, blanks, paint.axis, interferents, alpha)


def explained(paint, target, gel):
    """Of a whitened difference, by every corner of every material's box (2^k of them): dense."""
    whiten = paint.net.metric.whiten
    columns = [whiten(paint.net.references)[0]] if gel else []
    for one in foreign_matter(paint.axis):
        for corner in product(*zip(one.least, one.most, strict=True)):
            columns.append(np.array(corner) @ whiten(one.bands))
    left = nnls(np.array(columns).T, target, maxiter=10**6)[1]
    return target @ target - left**2


def band_of_its_own(axis):
    return np.exp(-(((axis - 1092) / 22) ** 2)) + 0.5 * np.exp(-(((axis - 1425) / 20) ** 2))


@pytest.mark.parametrize("alpha", [0.05, 0.01])
@pytest.mark.parametrize(("n", "m"), [(6, 6), (6, 3), (2, 6), (3, 3)])
def test_the_arm_s_own_limit_is_student_s_t_times_the_blanks_scatter(paint, n, m, alpha):
    """limit = t(1 - alpha, n - 1) s_b sqrt(1/m + 1/n), beside the amount only gel explains."""
    blanks, exposed = paint.blanks[:n], paint.exposed[:m] + 3 * paint.gel
    found = confirmer(paint, alpha=alpha, n=n)(exposed)
    scatter = np.std(blanks @ paint.net.weights, ddof=1)
    limit = stats.t.isf(alpha, n - 1) * scatter * math.sqrt(1 / m + 1 / n)
    difference = exposed.mean(axis=0) - blanks.mean(axis=0)
    assert found.limit == pytest.approx(limit, rel=1e-9)
    assert found.shape == shape_test(difference, blanks, paint.net, paint.axis, n_exposed=m)


@pytest.mark.parametrize("worst", [0, 2])
def test_one_mockup_s_own_limit_has_q2_and_1_plus_1_n(paint, worst):
    found = confirmer(paint)(paint.exposed, worst)
    quantile = decision_levels(6, 6, 0.05).mockup
    difference = paint.exposed[worst] - paint.blanks.mean(axis=0)
    limit = quantile * np.std(values_of(paint), ddof=1) * math.sqrt(1 + 1 / 6)
    assert found.limit == pytest.approx(limit, rel=1e-9)
    assert found.shape == shape_test(difference, paint.blanks, paint.net, paint.axis, n_exposed=1)


@pytest.mark.parametrize("loading", [0.0, 2.0, 20.0])
def test_amount_and_ratio_are_those_of_every_corner_at_once(paint, loading):
    """sqrt(RSS without gel - RSS with it) / |g|, and what gel alone explains over what foreign
    matter explains beyond what it explains of blanks, each left out in turn."""
    whiten, n, m = paint.net.metric.whiten, 6, len(paint.exposed)
    exposed = paint.exposed + loading * paint.gel + 0.002 * spectrum("silica", paint.axis)
    found = confirmer(paint)(exposed)
    target = whiten(exposed.mean(axis=0) - paint.blanks.mean(axis=0))
    gel = whiten(paint.net.target)
    foreign, both = (explained(paint, target, with_gel) for with_gel in (False, True))
    norm = np.linalg.norm(gel)
    assert found.amount == pytest.approx(math.sqrt(both - foreign) / norm, rel=1e-4, abs=1e-7)
    left_out = whiten(paint.blanks - paint.blanks.mean(axis=0)) * n / (n - 1)
    by_chance = np.mean([explained(paint, row, False) for row in left_out]) * (n - 1) / n
    beyond = foreign - by_chance * (1 / m + 1 / n)
    alone = max(target @ gel / norm, 0.0) ** 2
    assert found.ratio == pytest.approx(alone / beyond if beyond > 0 else math.inf, rel=1e-4)


def test_the_short_way_to_foreign_matter_comes_to_what_the_long_one_does(paint):
    confirm, rng = confirmer(paint), np.random.default_rng(4)
    answers = []
    for loading, share in product((0.0, 1.0, 3.0, 10.0), (0.0, 0.3, 2.0)):
        foreign = share * spectrum("silica", paint.axis)
        noise = 0.3 * rng.normal(size=len(paint.exposed)) @ (paint.exposed - paint.exposed.mean(0))
        white = paint.net.metric.whiten(loading * paint.gel + foreign + noise)
        seen = confirm.additions.coordinates(white)
        amount, ratio = confirm.compare(seen, 4, 6.0)
        for limit in (0.5 * amount, amount, 2 * amount + 0.1, 0.0):
            said = confirm.foreign(seen, 4, 6.0, limit)
            assert said == is_foreign(amount, limit, ratio)
            answers.append(said)
    assert 0.1 < np.mean(answers) < 0.9


@pytest.mark.parametrize(
    ("amount", "limit", "refused_shape", "refused"),
    [(1.0, 0.9, False, False), (1.0, 1.0, False, True), (0.9, 1.0, False, True),
     (1.0, 0.9, True, True), (0.9, 1.0, True, True)],
)  # fmt: skip
def test_confirmed_is_above_its_limit_and_of_the_gel_s_shape(amount, limit, refused_shape, refused):
    shape = ShapeTest(0.0, 10.0, 1.0) if refused_shape else ShapeTest(1.0, 1.0, 1.0)
    assert Confirmation(shape, amount, limit).refused is refused
    assert Confirmation(shape, amount, limit, LEAST_RATIO).refused
    assert Confirmation(shape, amount, limit, 1.01 * LEAST_RATIO).refused is refused


def test_gel_is_confirmed_on_every_mockup_of_its_arm(paint):
    found = confirmer(paint)(paint.exposed + 5 * paint.gel)
    assert not found.refused
    assert found.amount > found.limit > 0


@pytest.mark.parametrize("matter", ["silica", "starch", "kaolin", "zinc soap"])
@pytest.mark.parametrize("amount", [0.002, 0.01])
def test_foreign_matter_of_another_exact_shape_is_not_confirmed(paint, matter, amount):
    changed = paint.exposed + amount * spectrum(matter, paint.axis)
    assert confirmer(paint)(changed).refused


def test_one_mockup_alone_is_confirmed_by_its_own_difference(paint):
    loaded = paint.exposed.copy()
    loaded[2] += 12 * paint.gel
    confirm = confirmer(paint)
    assert not confirm(loaded, 2).refused
    assert confirm(loaded, 1).refused


def test_a_known_interferent_is_not_the_gel(paint):
    strange = band_of_its_own(paint.axis)
    changed = paint.exposed + 0.01 * strange
    assert confirmer(paint, strange)(changed).foreign


def test_foreign_matter_only_adds():
    """A difference that would need less of a foreign band is not explained by it."""
    gel, band = np.eye(4)[:1], ForeignMatter(np.eye(4)[1:2], np.ones(1), np.ones(1))
    fits = Additions([band], gel)
    for amount, expected in ((2.0, 4.0), (-2.0, 0.0)):
        found = fits.explain(fits.coordinates(np.array([3.0, amount, 0.0, 0.0])))
        assert found == pytest.approx((expected, 9.0, 9.0 + expected))


def test_foreign_bands_stand_at_the_positions_of_the_marker_table():
    made = foreign_matter(WIDE)
    tops = {round(float(WIDE[k])) for one in made for k in one.bands.argmax(axis=1)}
    assert tops == {round(m.position) for m in INSIDE}
    assert foreign_matter(np.linspace(2000.0, 2400.0, 50)) == []
    measured = foreign_matter(WIDE, np.ones((2, WIDE.size)))
    assert len(measured) == len(made) + 2
    assert measured[0].least == measured[0].most == 1


def test_each_material_comes_0_6_1_2_and_2_4_times_as_wide_as_its_windows():
    """Half the height at half that width from its top, which is 1."""
    made = [band for one in foreign_matter(WIDE) for band in one.bands]
    expected = [
        (marker, width)
        for material in FOREIGN
        for width in (0.6, 1.2, 2.4)
        for marker in INSIDE
        if marker.material == material
    ]
    assert len(made) == len(expected)
    for shape, (marker, width) in zip(made, expected, strict=True):
        reach = width * (marker.high - marker.low) / 2
        sides = [marker.position - reach, marker.position + reach]
        np.testing.assert_allclose(np.interp(sides, WIDE, shape), 0.5, atol=0.01)
        assert np.interp(marker.position, WIDE, shape) == pytest.approx(1.0, abs=0.01)


def test_a_band_is_half_to_twice_as_strong_as_the_table_calls_it_or_may_be_missing():
    silica = foreign_matter(WIDE)[0]
    bands = [marker for marker in INSIDE if marker.material == "silica"]
    strong = {"s": (0.5, 2.0), "m": (0.25, 1.0), "w": (0.0, 0.5)}
    expected = [strong.get((marker.strength or "").split(" ")[0], (0.0, 1.0)) for marker in bands]
    assert [*zip(silica.least, silica.most, strict=True)] == expected
    assert len(set(expected)) == 3


@pytest.mark.parametrize(("height", "kept"), [(0.29, 0), (0.31, 1)])
def test_a_band_off_the_axis_counts_from_three_tenths_of_its_height(height, kept):
    """The broadest form of one band, seen by its flank alone."""
    marker = max(INSIDE, key=lambda m: m.position)
    reach = 2.4 * (marker.high - marker.low) / 2 * math.sqrt(-math.log2(height))
    axis = np.linspace(marker.position + reach, marker.position + reach + 300, 40)
    assert sum(len(one.bands) for one in foreign_matter(axis)) == kept


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
