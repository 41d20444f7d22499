"""The family of errors: what was found, what is needed, what to type."""

from __future__ import annotations

import pickle

import pytest

from residuekit import errors
from residuekit.errors import Fault, ResiduekitError, StudyError, did_you_mean

FAULT = Fault("a", "b", "c")


@pytest.mark.parametrize(
    ("where", "head"),
    [
        ({}, ""),
        ({"file": "x.csv"}, "x.csv: "),
        ({"file": "x.csv", "line": 3}, "x.csv, line 3: "),
        ({"line": 3}, "line 3: "),
    ],
)
def test_a_fault_says_where_what_and_how(where, head):
    fault = Fault("'expsure'", "a column", "did you mean 'exposure'?", **where)
    assert str(fault) == (
        f"{head}found 'expsure'; needed a column; to mend it: did you mean 'exposure'?"
    )


def test_an_error_carries_every_fault():
    other = Fault("d", "e", "f", "file")
    error = StudyError(fault for fault in (FAULT, other))
    assert error.faults == (FAULT, other)
    assert str(error) == f"{FAULT}\n{other}"
    assert StudyError(FAULT).faults == (FAULT,)


def test_an_error_comes_back_whole_from_another_process():
    again = pickle.loads(pickle.dumps(StudyError([FAULT, FAULT])))
    assert type(again) is StudyError
    assert again.faults == (FAULT, FAULT)


def test_every_error_is_of_the_family():
    family = [getattr(errors, name) for name in errors.__all__ if name.endswith("Error")]
    assert len(family) == 7
    assert all(issubclass(one, ResiduekitError) and issubclass(one, ValueError) for one in family)


@pytest.mark.parametrize(
    ("word", "choices", "said"),
    [
        ("arpsl", ["rubber band", "arpls"], "did you mean 'arpls'?"),
        ("PVA C-O 1092", ["pva C-O 1092"], "did you mean 'pva C-O 1092'?"),
        ("Blank", ["blank", "exposed"], "did you mean 'blank'?"),
        ("xyz", ["blank", "exposed"], "choose from 'blank', 'exposed'"),
        ("", ["blank"], "choose from 'blank'"),
    ],
)
def test_the_closest_word_is_offered_else_all_of_them(word, choices, said):
    assert did_you_mean(word, choices) == said
