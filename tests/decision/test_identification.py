"""The identification limit holds its rate, and lies where the controls put it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from residuekit.decision.confirmation import Confirmer
from residuekit.decision.identification import Identifier
from residuekit.decision.limits import arm_limits
from residuekit.simulate import spectrum


@pytest.fixture
def confirm(paint):
    return Confirmer(paint.net, paint.blanks @ paint.net.weights, paint.blanks, paint.axis)


@pytest.mark.parametrize("m", [1, 3, 6])
def test_it_is_never_below_the_detection_limit_and_each_is_found_once(confirm, m):
    identifier = Identifier(confirm, 0.05)
    found = identifier.limit("net signal", confirm.values, 1.0, m)
    limits = arm_limits(float(confirm.values.std(ddof=1)), 6, m)
    assert limits.detection <= found < 6 * limits.detection
    assert identifier.limit("net signal", np.zeros(6), 1.0, m) == found


def test_the_order_of_blanks_does_not_matter(paint, confirm):
    turned = paint.blanks[::-1]
    other = Confirmer(paint.net, turned @ paint.net.weights, turned, paint.axis)
    found = [Identifier(one, 0.05).limit("net signal", one.values, 1.0, 6)
             for one in (confirm, other)]  # fmt: skip
    assert found[0] == pytest.approx(found[1])


def test_what_looks_like_the_gel_raises_it(paint, confirm):
    """A known interferent close to the gel takes away what only the gel explains."""
    near = paint.gel + 2e-4 * spectrum("silica", paint.axis)
    other = Confirmer(paint.net, confirm.values, paint.blanks, paint.axis, near)
    plain, raised = (
        Identifier(one, 0.05).limit("net signal", one.values, 1.0, 6) for one in (confirm, other)
    )
    assert math.isnan(raised) or raised > 1.2 * plain


def test_blanks_without_scatter_or_a_score_without_response_have_none(confirm):
    identifier = Identifier(confirm, 0.05)
    assert math.isnan(identifier.limit("still", np.zeros(6), 1.0, 6))
    assert math.isnan(identifier.limit("deaf", confirm.values, -1.0, 6))


def test_fewer_misses_need_more(confirm):
    often, seldom = (
        Identifier(confirm, beta).limit("net signal", confirm.values, 1.0, 6)
        for beta in (0.2, 0.05)
    )
    assert often < seldom
