"""Repeated controls over sessions. All data are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from residuekit import trends
from residuekit.results import StudyResult
from residuekit.trends.sessions import _scatter_test


def control(tmp_path, steps, noise=0.1):
    """18 blank mock-ups over three sessions whose score shifts by `steps`."""
    rng = np.random.default_rng(5)
    names = [f"b{k}" for k in range(18)]
    table = pd.DataFrame(
        [
            {"paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "treatment": "water",
             "role": "blank", "score": "net signal", "mockup": name, "unit": "ug cm-2",
             "residue": "gel",
             "mean": steps[k % 3] + rng.normal(0, noise)}
            for k, name in enumerate(names)
        ]
    )  # fmt: skip
    listed = [
        {
            "mockup": name,
            "role": "blank",
            "session": f"day {k % 3 + 1}",
            "file": f"{name}.nc",
            "paint": "alkyd",
            "soiling": "none",
            "ageing_h": 0.0,
            "treatment": "water",
        }
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
    assert found.p_scatter < 1e-6 < found.p_value
    assert found.found


def test_a_steady_control_is_not_called_free_of_effects(tmp_path):
    (found,) = trends.control_drift(control(tmp_path, (0.0, 0.0, 0.0)))
    assert not found.found
    assert "a small one may be missed" in str(found)


def repeated(tmp_path, names, shifts, noise=0.05):
    """Each blank mock-up measured once in every session; the score shifts by `shifts`."""
    rng = np.random.default_rng(6)
    base = {"paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "treatment": "water",
            "role": "blank"}  # fmt: skip
    listed, maps, rows = [], [], []
    for name in names:
        level, values = rng.normal(0, 1), []
        for number, shift in enumerate(shifts):
            file = f"{name}-{number}.nc"
            values.append(level + shift + rng.normal(0, noise))
            scored = xr.Dataset(
                {"score": (("marker", "y", "x"), np.full((1, 2, 2), values[-1]))},
                {"marker": ["net signal"]},
            )
            scored.to_netcdf(tmp_path / file, engine="h5netcdf")
            listed.append({**base, "mockup": name, "session": f"day {number}", "file": file})
            maps.append({"file": file, "map": file, "residue": "gel"})
        rows.append({**base, "mockup": name, "score": "net signal", "unit": "ug cm-2",
                     "residue": "gel",
                     "mean": np.mean(values)})  # fmt: skip
    empty = pd.DataFrame()
    return StudyResult(tmp_path, empty, empty, pd.DataFrame(rows), empty, None,
                       {"measurements": listed, "maps": maps, "failures": {}})  # fmt: skip


def test_the_same_control_in_every_session_is_told_session_by_session(tmp_path):
    (found,) = trends.control_drift(repeated(tmp_path, ["a", "b", "c"], (0.0, 0.3, 0.6, 0.9)))
    assert found.n_mockups == 3
    assert found.drift == pytest.approx(0.3, abs=0.05)
    assert found.p_value < 0.01
    assert found.found


def test_the_controls_of_two_residues_are_not_pooled(tmp_path):
    """By the net signal of another residue the same mock-ups are other numbers, ten times as
    large."""
    result = repeated(tmp_path, ["a", "b", "c"], (0.0, 0.3, 0.6, 0.9))
    (alone,) = trends.control_drift(result)
    maps, tables = list(result.provenance["maps"]), [result.mockups]
    tables.append(result.mockups.assign(residue="citrate", mean=10 * result.mockups["mean"]))
    for entry in result.provenance["maps"]:
        scored = xr.load_dataset(tmp_path / entry["map"], engine="h5netcdf")
        (10 * scored).to_netcdf(tmp_path / f"2-{entry['map']}", engine="h5netcdf")
        maps.append({**entry, "map": f"2-{entry['map']}", "residue": "citrate"})
    both = replace(result, spectra=None, mockups=pd.concat(tables, ignore_index=True),
                   provenance={**result.provenance, "maps": maps})  # fmt: skip
    gel, citrate = trends.control_drift(both)
    assert (gel.drift, gel.p_value) == (alone.drift, alone.p_value)
    assert citrate.drift == pytest.approx(10 * alone.drift)
    assert "alkyd, water, residue of citrate: net signal" in str(citrate)
    assert "residue of" not in str(alone)


def test_one_control_in_every_session_has_a_straight_line_by_scipy(tmp_path):
    result = repeated(tmp_path, ["a"], (0.0, 0.3, 0.6, 0.9, 1.2))
    (found,) = trends.control_drift(result)
    assert found.found
    assert np.isnan(found.p_scatter)
    assert "1 blank mock-up over 5 sessions" in str(found)
    assert "scatter" not in str(found)


def test_the_scatter_of_sessions_is_tested_as_statsmodels_tests_lack_of_fit():
    import statsmodels.formula.api as formulas
    from statsmodels.stats.anova import anova_lm

    rng = np.random.default_rng(7)
    frame = pd.DataFrame({"day": np.repeat(np.arange(4.0), 5), "mockup": np.tile(np.arange(5), 4)})
    frame["y"] = rng.normal(0, 1, 20) + 0.5 * frame["day"]
    for terms, labels in (("", np.zeros(20)), ("+ C(mockup)", frame["mockup"].to_numpy())):
        straight = formulas.ols(f"y ~ day {terms}", frame).fit()
        free = formulas.ols(f"y ~ C(day) {terms}", frame).fit()
        known = anova_lm(straight, free)["Pr(>F)"].iloc[1]
        own = _scatter_test(frame["y"].to_numpy(), frame["day"].to_numpy(), labels)
        assert own == pytest.approx(known, rel=1e-9)
