"""What looks through all numbers, block by block: nothing is missed, nothing invented."""

import numpy as np
import pytest

from residuekit.io.labelled import is_finite
from residuekit.io.unit_words import extremes
from residuekit.labels import are_finite

KINDS = pytest.mark.parametrize("kind", [np.float32, np.float64])


def numbers(size, kind):
    return np.random.default_rng(size).normal(size=size).astype(kind)


@KINDS
@pytest.mark.parametrize("size", [1, 8191, 8192, 3 * 8192 + 5])
@pytest.mark.parametrize("value", [np.inf, -np.inf])
def test_an_infinite_number_is_found_wherever_it_stands(size, kind, value):
    for place in {0, size // 2, size - 1, *np.random.default_rng(1).integers(size, size=5)}:
        values = numbers(size, kind)
        assert is_finite(values)
        values[place] = value
        assert not is_finite(values)


@KINDS
@pytest.mark.parametrize("other", [np.nan, -np.inf, np.inf])
def test_an_infinite_number_is_found_beside_what_hides_it_in_a_sum(kind, other):
    values = numbers(4 * 8192, kind)
    values[[8192, 8193]] = other, np.inf
    assert not is_finite(values)


@KINDS
def test_missing_and_very_large_numbers_are_finite(kind):
    values = numbers(4 * 8192 + 5, kind)
    values[[7, 9000, -1]] = np.finfo(kind).max
    values[[8, 20_000, -2]] = np.nan, -np.finfo(kind).max, np.nan
    assert is_finite(values)
    assert is_finite(np.full(8192, np.nan, kind))
    assert is_finite(np.empty(0, kind))


@pytest.mark.parametrize("view", [lambda a: a, lambda a: a.T, lambda a: a[:, ::-1],
                                  lambda a: a[:, 1:]])  # fmt: skip
def test_the_order_in_memory_does_not_matter(view):
    values = view(numbers(300 * 100, np.float32).reshape(300, 100).copy())
    assert is_finite(values)
    assert extremes(values) == (values.min(), values.max())
    values[50, 50] = np.inf
    assert not is_finite(values)
    assert extremes(values)[1] == np.inf


@KINDS
@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("view", [lambda a: a, lambda a: a[..., ::-1], np.asfortranarray])
def test_a_spectrum_is_finite_where_each_of_its_numbers_is(view, value, kind):
    values = numbers(6 * 5 * 700, kind).reshape(6, 5, 700)
    values[0, 0, 0], values[3, 2, 650], values[5, 4] = value, value, value
    values[1, 1, 7] = np.finfo(kind).max
    found = are_finite(view(values))
    assert found.dtype == bool
    assert np.argwhere(~found).tolist() == [[0, 0], [3, 2], [5, 4]]


@pytest.mark.parametrize("place", [0, 2**16 - 1, 2**16, 3 * 2**16 + 4])
def test_extremes_of_several_blocks(place):
    values = numbers(3 * 2**16 + 5, np.float64)
    values[3] = np.nan
    values[place] = -9.0
    assert extremes(values) == (-9.0, np.nanmax(values))
    values[place] = 9.0
    assert extremes(values) == (np.nanmin(values), 9.0)


@pytest.mark.parametrize("values", [np.empty((0, 4)), np.full((2, 3), np.nan)])
def test_no_number_has_no_extremes(values):
    assert np.isnan(extremes(values)).all()
