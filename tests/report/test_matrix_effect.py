"""Spiked mock-ups beside films: the ratio of slopes, its interval, and where it is said.

All data are invented.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

import residuekit as rk
from residuekit.kernels.recovery import slope_ratio
from residuekit.kernels.slope import Slope, film_slope
from residuekit.words.scale import matrix_words, ratio_interval

AXIS = np.arange(1000.0, 1200.0, 4.0)
GEL = np.exp(-(((AXIS - 1092) / 20) ** 2))


def film_of(value, error, n):
    return Slope(value, error, n, film=True)


def test_the_ends_are_where_the_difference_is_as_large_as_its_error():
    """The definition: a - R b is t times its own standard error away from zero."""
    over, under = Slope(1.2, 0.1, 5, declared=0.05), film_of(1.5, 0.08, 3)
    found = slope_ratio(over, under)
    parts = [0.1**2, 0.05**2, (0.8 * 0.08) ** 2]
    freedom = sum(parts) ** 2 / (parts[0] ** 2 / 4 + parts[2] ** 2 / 2)
    t = stats.t.ppf(0.975, freedom)
    assert found.value == pytest.approx(0.8)
    for end in (found.low, found.high):
        error = math.sqrt(0.1**2 + 0.05**2 + (end * 0.08) ** 2)
        assert abs(1.2 - end * 1.5) == pytest.approx(t * error)


def test_exact_films_leave_the_interval_of_the_spiked_slope():
    found = slope_ratio(Slope(1.0, 0.1, 6), film_of(2.0, 0.0, 2))
    reach = stats.t.ppf(0.975, 5) * 0.1
    assert (found.low, found.high) == pytest.approx(((1 - reach) / 2, (1 + reach) / 2))


def test_films_that_scatter_too_widely_bound_nothing():
    found = slope_ratio(Slope(1.0, 0.05, 6), film_of(1.0, 0.5, 2))
    assert (found.low, found.high) == (-math.inf, math.inf)


def test_the_interval_holds_the_ratio_as_often_as_it_says():
    rng, n = np.random.default_rng(5), 4000
    spiked, films = 0.6 + 0.1 * rng.normal(size=(n, 6)), 1.0 + 0.1 * rng.normal(size=(n, 4))

    def mean(of, **film):
        return Slope(of.mean(), of.std(ddof=1) / math.sqrt(of.size), of.size, **film)

    found = [slope_ratio(mean(a), mean(b, film=True)) for a, b in zip(spiked, films, strict=True)]
    assert np.mean([one.low <= 0.6 <= one.high for one in found]) == pytest.approx(0.95, abs=0.01)


def mockup(rng, amount):
    return rk.make_points(0.3 + amount * GEL + rng.normal(0, 0.01, (9, AXIS.size)), AXIS)


@pytest.mark.usefixtures("without_identification")
@pytest.mark.parametrize("share", [1.0, 0.5])
def test_mockups_that_answer_half_as_strongly_as_the_film_show_it(share):
    rng = np.random.default_rng(1)
    blanks, clean = ([mockup(rng, 0.0) for _ in range(6)] for _ in range(2))
    films = [(x, rk.make_points(0.1 * x * GEL, AXIS)) for x in (20.0, 40.0)]
    spiked = [(x, mockup(rng, 0.1 * share * x)) for x in (4.0, 4.0, 8.0, 8.0)]
    given = {"blanks": blanks, "exposed": clean, "references": films[0][1],
             "markers": ["pva C-O 1092"]}  # fmt: skip
    found = rk.judge_arm(films=films, spiked=spiked, **given)
    (note,) = (one for one in found.remarks if one.code == "matrix-effect")
    assert found.deciding.scale == "spiked"
    assert note.numbers["value"] == pytest.approx(share, rel=0.03)
    assert (note.numbers["low"] <= 1 <= note.numbers["high"]) == (share == 1.0)
    assert ("No effect is shown" if share == 1.0 else "changes the response") in found.reason
    for fewer in ({"films": films}, {"spiked": spiked}):
        assert "matrix-effect" not in rk.judge_arm(**given, **fewer).codes


def test_an_interval_without_bounds_is_called_so():
    films = film_slope([10.0, 10.0], [0.5, 1.5])
    numbers = {**slope_ratio(Slope(0.1, 0.001, 6), films)._asdict(), "n_spiked": 6, "n_films": 2}
    assert ratio_interval(numbers) == "not bounded"
    assert "These do not bound the effect." in matrix_words(numbers)
