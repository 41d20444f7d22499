"""Which mock-ups measure how a paint varies: never those that an arm is compared with."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from residuekit.study.controls import StudyControls
from residuekit.study.measurements import Measurement
from residuekit.study.mockups import MapSummary

YOUNG, AGED = 0.0, 500.0


def measured(role, mockup, ageing_h=YOUNG, treatment="water", loading=math.nan, soiling="none"):
    file = f"{role}-{mockup}-{ageing_h:g}-{treatment}.nc"
    row = Measurement(1, file, role, mockup, "alkyd", soiling, treatment, ageing_h=ageing_h,
                      loading_ug_cm2=loading)  # fmt: skip
    return MapSummary(row, file, np.arange(4.0), np.arange(4.0), 9, {}, "absorbance", "atr")


def groups(*summaries):
    """The sizes of the groups of replicates of the young stratum."""
    controls = StudyControls(SimpleNamespace(), summaries, lambda _: None, None)
    return [len(group) for group in controls._replicates(("alkyd", "none", YOUNG))]


BLANKS = [measured("blank", f"b{k}") for k in range(3)]


@pytest.mark.parametrize(
    ("others", "found"),
    [
        ([measured("blank", f"old{k}", AGED) for k in range(4)], [4]),
        ([measured("blank", f"b{k}", AGED) for k in range(3)], []),
        ([measured("blank", f"b{k}", AGED) for k in (1, 7, 8)], [2]),
        ([measured("blank", f"u{k}", treatment="none") for k in range(3)], [3]),
        ([measured("blank", f"b{k}", treatment="none") for k in range(3)], []),
        ([measured("spiked", f"s{k}", loading=2.0 + k % 2) for k in range(5)], [3, 2]),
        ([measured("blank", f"x{k}", soiling="soot") for k in range(3)], []),
        ([measured("blank", "one", AGED)], []),
    ],
)
def test_replicates_are_other_samples_than_the_blanks(others, found):
    """A blank sample that is aged and measured again is still the sample an arm is compared with:
    its scatter would enter weights and limit, and the false alarms rise."""
    assert groups(*BLANKS, *others) == found
