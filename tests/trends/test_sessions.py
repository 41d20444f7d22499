"""Repeated controls over sessions. All data are invented."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from residuekit import trends
from residuekit.results import StudyResult


def control(tmp_path, steps, noise=0.1):
    """18 blank mock-ups over three sessions whose score shifts by `steps`."""
    rng = np.random.default_rng(5)
    names = [f"b{k}" for k in range(18)]
    table = pd.DataFrame(
        [
            {"paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "treatment": "water",
             "role": "blank", "score": "net signal", "mockup": name, "unit": "ug cm-2",
             "mean": steps[k % 3] + rng.normal(0, noise)}
            for k, name in enumerate(names)
        ]
    )  # fmt: skip
    listed = [
        {"mockup": name, "role": "blank", "session": f"day {k % 3 + 1}"}
        for k, name in enumerate(names)
    ]
    empty = pd.DataFrame()
    return StudyResult(
        tmp_path, empty, empty, table, empty, None, {"measurements": listed, "failures": {}}
    )


def test_drift_of_a_repeated_control_is_found_and_said(tmp_path):
    (found,) = trends.control_drift(control(tmp_path, (0.0, 0.5, 1.0)))
    assert found.found
    assert found.drift == pytest.approx(0.5, abs=0.1)
    assert found.n_mockups == 18
    assert "depends on the session" in str(found)


def test_an_odd_session_is_found_as_scatter_between_sessions(tmp_path):
    (found,) = trends.control_drift(control(tmp_path, (0.0, 2.0, 0.0)))
    assert found.session_sd > found.mockup_sd
    assert found.found


def test_a_steady_control_is_not_called_free_of_effects(tmp_path):
    (found,) = trends.control_drift(control(tmp_path, (0.0, 0.0, 0.0)))
    assert not found.found
    assert "a small one may be missed" in str(found)
