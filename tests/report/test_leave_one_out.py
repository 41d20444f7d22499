"""The limits and the arms without each blank in turn. All data are invented."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from residuekit.decision.limits import arm_limits
from residuekit.report.leave_one_out import leave_one_out
from residuekit.schema import JUDGED_COLUMNS
from residuekit.words.limits import digits

STRATUM = ("alkyd", "none", 0.0)
ARM = {"paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "treatment": "gel",
       "exposure_min": 2.0, "clearance_min": 1.0, "clearance": "", "residue": "gel"}  # fmt: skip
CLEAN = (0.05, -0.05, 0.02, -0.02, 0.01)


def made(blanks, exposed=(0.5, 0.55, 0.45)):
    mean = float(np.mean(blanks))
    score = {"score": "net signal", "unit": "ug cm-2"}
    verdict = {**ARM, **score, "verdict": "inconclusive", "n_blank_mockups": len(blanks),
               "n_mockups": len(exposed), "estimate": 0.5 - mean}  # fmt: skip
    water = {**ARM, "treatment": "water"}
    rows = [
        {**water, **score, "mockup": f"b{n}", "role": "blank", "mean": value - mean}
        for n, value in enumerate(blanks)
    ] + [
        {**ARM, **score, "mockup": f"e{n}", "role": "exposed", "mean": value - mean}
        for n, value in enumerate(exposed)
    ]
    assert set(JUDGED_COLUMNS) == set(ARM)
    record = {"study": {"alpha": 0.05, "beta": 0.05}}
    return SimpleNamespace(
        verdicts=pd.DataFrame([verdict]), mockups=pd.DataFrame(rows), provenance=record
    )


def test_without_the_contaminated_blank_the_arm_is_above_its_limit():
    """One blank with gel hides the arm; its row shows what the arm is without it."""
    table = leave_one_out(made([*CLEAN, 3.0]), STRATUM)
    assert [row[0] for row in table.rows] == ["none", "b0", "b1", "b2", "b3", "b4", "b5"]
    assert [row[3] for row in table.rows] == ["0 of 1"] * 6 + ["1 of 1: gel 2 min"]
    limits = arm_limits(float(np.std(CLEAN, ddof=1)), 5, 3)
    assert table.rows[6][1:3] == (digits(limits.decision), digits(limits.detection))


@pytest.mark.parametrize("n", [3, 4])
def test_three_blanks_are_too_few_to_leave_one_out(n):
    assert (leave_one_out(made(CLEAN[:n]), STRATUM) is None) is (n < 4)
    assert leave_one_out(made(CLEAN), ("other", "none", 0.0)) is None
