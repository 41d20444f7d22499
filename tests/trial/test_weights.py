"""Weights: no total for a veto, and an order whose reach is proven by trying the weights."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from residuekit.errors import ContractError
from residuekit.trial import Candidate, TrialSummary, weigh

NAMES = ("soil_removal_percent", "ease", "health_safety")


def summary_of(*rows):
    candidates = [
        Candidate(f"gel {number}", "alkyd", "soot", 4, row.pop("standing", "no veto"), **row)
        for number, row in enumerate(rows)
    ]
    return TrialSummary(tuple(candidates), (), 0.05)


def test_a_veto_and_a_gap_have_no_total():
    found = weigh(
        summary_of(
            {"ease": 5.0, "standing": "vetoed", "reason": "residue detected"},
            {"ease": 2.0},
            {},
            {"ease": 4.0, "standing": "open"},
        ),
        {"ease": 1},
    )
    rows = {row.treatment: row for row in found.rows}
    assert [rows[f"gel {k}"].rank for k in range(4)] == [None, 2, None, 1]
    assert math.isnan(rows["gel 0"].total)
    assert rows["gel 0"].why_no_total == "residue detected"
    assert rows["gel 2"].why_no_total == "missing: ease"
    text = str(found)
    assert "no total (residue detected)" in text
    assert "gel 3 on alkyd, soiling soot, open: total 1" in text
    assert len(found.to_frame()) == 4
    assert "<table" in found._repr_html_()


def test_an_order_by_hand():
    """Two gels, weights 3 to 1: 0.75 against 0.25, turned when the weights are sqrt(3) off."""
    found = weigh(
        summary_of({"ease": 5.0, "health_safety": 1.0}, {"ease": 1.0, "health_safety": 5.0}),
        {"ease": 3, "health_safety": 1},
    )
    first, second = found.rows
    assert (first.total, second.total) == (0.75, 0.25)
    assert first.ahead_until == pytest.approx(math.sqrt(3))
    assert (first.rank_best, first.rank_worst) == (1, 2)
    assert (second.rank_best, second.rank_worst) == (1, 2)
    assert math.isnan(second.ahead_until)
    held = weigh(
        summary_of({"ease": 5.0, "health_safety": 1.0}, {"ease": 1.0, "health_safety": 5.0}),
        {"ease": 3, "health_safety": 1}, factor=1.5,
    ).rows  # fmt: skip
    assert [(row.rank_best, row.rank_worst) for row in held] == [(1, 1), (2, 2)]


GRADE = st.integers(1, 5).map(float)


@given(
    st.lists(st.tuples(GRADE, GRADE, GRADE), min_size=2, max_size=5),
    st.tuples(*[st.floats(0.1, 10)] * 3),
    st.floats(1, 4),
)
@settings(deadline=None, max_examples=100)
def test_no_weights_within_the_factor_leave_the_stated_ranks(grades, weights, factor):
    summary = summary_of(*(dict(zip(NAMES, row, strict=True)) for row in grades))
    given_ = dict(zip(NAMES, weights, strict=True))
    stated = {row.treatment: row for row in weigh(summary, given_, factor).rows}
    totals = [row.total for row in stated.values()]
    gaps = [abs(a - b) for a, b in itertools.combinations(totals, 2)]
    assume(all(gap > 1e-9 for gap in gaps))
    for corner in itertools.product((1 / factor, 1, factor), repeat=3):
        moved = {name: w * c for (name, w), c in zip(given_.items(), corner, strict=True)}
        for row in weigh(summary, moved, 1.0).rows:
            known = stated[row.treatment]
            assert known.rank_best <= row.rank <= known.rank_worst


@pytest.mark.parametrize(
    ("weights", "factor", "said"),
    [
        ({"residue": 1}, 2, "a veto is not weighed"),
        ({"pickup": 1, "ease": 1}, 2, "a veto is not weighed"),
        ({"eaze": 1}, 2, "did you mean 'ease'"),
        ({"ease": -1}, 2, "zero or more"),
        ({"ease": 0}, 2, "no weight above zero"),
        ({}, 2, "no weight above zero"),
        ({"ease": 1}, 0.5, "factor=0.5"),
    ],
)
def test_weights_that_cannot_be(weights, factor, said):
    with pytest.raises(ContractError, match=said):
        weigh(summary_of({"ease": 3.0}), weights, factor)


def test_a_run_without_a_trial_has_nothing_to_weigh():
    with pytest.raises(ContractError, match=r"run without trial.csv.*add trial.csv"):
        weigh(None, {"ease": 1})
