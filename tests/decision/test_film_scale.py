"""Loadings by films of the pure material: slope, bound, blindness, and the arm in memory."""

from __future__ import annotations

import math

import numpy as np
import pytest

import residuekit as rk
from residuekit.decision.bound import upper_bound
from residuekit.kernels.slope import Slope, film_slope, loading_slope, slope_through_zero

AXIS = np.arange(1000.0, 1200.0, 4.0)
GEL = np.exp(-(((AXIS - 1092) / 20) ** 2))


def test_the_slope_of_films_is_the_mean_ratio_with_their_scatter():
    found = film_slope([10.0, 20.0, 50.0], [1.1, 1.8, 5.0], [0.02, 0.04, 0.06])
    ratios = np.array([0.11, 0.09, 0.1])
    assert found.value == pytest.approx(ratios.mean())
    assert found.standard_error == pytest.approx(ratios.std(ddof=1) / math.sqrt(3))
    assert found.declared == pytest.approx(0.04 * 0.1)
    assert (found.n_spiked, found.highest, found.film, found.known) == (3, 50.0, True, True)


def test_a_single_film_is_taken_to_scatter_by_a_tenth():
    found = film_slope([10.0], [2.0], 0.05)
    assert found.value == pytest.approx(0.2)
    assert found.standard_error == 0.0
    assert found.error == pytest.approx(0.2 * math.hypot(0.1, 0.05))


def test_two_spiked_mockups_come_before_any_film():
    film = film_slope([10.0], [5.0])
    assert loading_slope([1.0], [0.1], 0.01, film=film) is film
    assert loading_slope([1.0], [0.1], 0.01) is None
    spiked = loading_slope([1.0, 2.0], [0.1, 0.2], 0.01, film=film)
    assert spiked is not None
    assert not spiked.film
    assert spiked.value == pytest.approx(0.1)


def test_a_declared_error_of_spiked_loadings_is_common_to_them():
    plain = slope_through_zero([1.0, 2.0, 4.0], [0.1, 0.2, 0.4], 0.01)
    found = slope_through_zero([1.0, 2.0, 4.0], [0.1, 0.2, 0.4], 0.01, errors=0.2)
    assert found.declared == pytest.approx(0.2 * found.value)
    assert (found.value, found.standard_error) == (plain.value, plain.standard_error)


def test_the_bound_takes_the_declared_error_as_known():
    """By hand: SE^2 = s_b^2/n + s_e^2/m + (x s2)^2 over b^2, with a normal share of s2."""
    found = upper_bound(2.0, 0.01, 6, 0.02, 4, Slope(0.5, 0.0, 1, declared=0.05, film=True))
    parts = np.array([0.01 / 6, 0.02 / 4, (2.0 * 0.05) ** 2])
    assert found.standard_error == pytest.approx(math.sqrt(parts.sum()) / 0.5)
    assert found.degrees_of_freedom == pytest.approx(
        parts.sum() ** 2 / (parts[0] ** 2 / 5 + parts[1] ** 2 / 3)
    )


@pytest.mark.usefixtures("without_identification")
def test_films_in_memory_give_loadings_and_the_margin_decides():
    rng = np.random.default_rng(1)

    def mockup(amount):
        values = 0.3 + amount * GEL + rng.normal(0, 0.01, (9, AXIS.size))
        return rk.make_points(values, AXIS)

    blanks, clean = ([mockup(0.0) for _ in range(6)] for _ in range(2))
    film = [(40.0, rk.make_points(4.0 * GEL, AXIS))]

    def judged(limit, **more):
        return rk.judge_arm(blanks=blanks, exposed=clean, films=film, acceptance_limit=limit,
                            markers=["pva C-O 1092"], **more)  # fmt: skip

    wide = judged(20.0)
    assert (wide.verdict, wide.deciding.scale) == ("not detected", "reference film")
    reach = wide.deciding.reach
    assert judged(2.9 * reach).verdict == "inconclusive"
    assert judged(2.9 * reach).codes[0] == "film-margin"
    assert judged(2.9 * reach, scale_margin=2.5).verdict == "not detected"
    half = rk.judge_arm(blanks=blanks, exposed=[mockup(0.2) for _ in range(6)], films=film,
                        markers=["pva C-O 1092"])  # fmt: skip
    assert half.deciding.estimate == pytest.approx(2.0, abs=0.2)
