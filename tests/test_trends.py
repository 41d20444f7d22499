"""Series, margins, repeated controls, a second procedure. All data are invented."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from residuekit import trends
from residuekit.errors import ContractError, ResiduekitWarning
from residuekit.kernels.limits import clopper_pearson_upper
from residuekit.procedure import Procedure
from residuekit.results import StudyResult
from residuekit.study import Study


def arm(exposure, verdict, positive=0, n=6):
    return {
        "paint": "alkyd", "soiling": "none", "ageing_h": 0.0, "treatment": "gel",
        "exposure_min": exposure, "clearance_min": 2.0, "n_mockups": n,
        "positive_mockups": positive, "verdict": verdict, "detection_limit": 0.4,
        "upper_bound": 0.3, "unit": "ug cm-2",
    }  # fmt: skip


def margin(*arms):
    (found,) = trends.exposure_margins(pd.DataFrame(arms), working_exposure_min=2)
    return found


def test_the_margin_is_at_least_when_the_longest_rung_is_clean():
    found = margin(arm(2, "not detected"), arm(60, "not detected"))
    assert found.margin == 30
    assert found.at_least
    assert str(found).startswith("Exposure margin at least 30")
    assert found.share_upper_bound == clopper_pearson_upper(0, 12, 0.05)


@pytest.mark.parametrize("verdict", ["detected", "inconclusive", "not assessable"])
def test_a_rung_that_is_not_clean_ends_the_margin(verdict):
    found = margin(arm(2, "not detected"), arm(10, verdict), arm(60, "not detected"))
    assert found.margin == 1
    assert not found.at_least
    assert found.n_mockups == 6


def test_without_a_clean_rung_there_is_no_margin():
    found = margin(arm(2, "detected"), arm(10, "not detected"))
    assert np.isnan(found.margin)
    assert "there is no exposure margin" in str(found)
    assert found.share_upper_bound == 1.0


def test_a_shorter_exposure_than_the_working_one_does_not_count():
    assert margin(arm(1, "detected"), arm(2, "not detected")).margin == 1


def mockups(loading):
    rng = np.random.default_rng(3)
    return pd.DataFrame(
        [
            {**arm(exposure, ""), "role": "exposed", "score": "net signal",
             "mockup": f"{exposure}-{k}", "mean": load + rng.normal(0, 0.1),
             "positive": "true" if load > 0.5 else "false"}
            for exposure, load in loading.items()
            for k in range(6)
        ]
    )  # fmt: skip


def test_residue_that_rises_with_exposure_is_found_and_a_flat_series_is_not():
    (rising,) = trends.series(mockups({2: 0.0, 10: 0.3, 60: 1.0}), score="net signal")
    (flat,) = trends.series(mockups({2: 0.0, 10: 0.0, 60: 0.0}), score="net signal")
    assert rising.rise.p_value < 1e-3
    assert rising.positives.p_value < 1e-3
    assert rising.positive == (0, 0, 6)
    assert flat.rise.p_value > 0.05
    assert len(rising.to_frame()) == 3
    assert "p (means rise)" in str(rising)


def test_series_over_something_else_or_an_unknown_score_are_refused():
    with pytest.raises(ContractError, match="exposure_min or ageing_h"):
        trends.series(mockups({2: 0.0}), over="time", score="net signal")
    with pytest.raises(ContractError, match="no exposed row"):
        trends.series(mockups({2: 0.0}), score="net")


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


def test_a_true_rise_of_10_percent_appears_as_4_8_on_a_band_where_the_gel_absorbs():
    """Paint 0.60 at 1735 and 0.20 at 1090, residue 0.03 and 0.02: worked by hand, 0.22/0.63."""
    with pytest.warns(ResiduekitWarning, match=r"a true 10.0% rise .* appears as 4.8%"):
        true, apparent = trends.normalised_rise((0.20, 0.60), (0.02, 0.03))
    assert true == pytest.approx(0.10)
    assert apparent == pytest.approx(0.22 / 0.63 * 3 - 1)


def test_a_band_free_of_gel_keeps_the_rise_without_a_warning():
    true, apparent = trends.normalised_rise((0.20, 0.60), (0.02, 0.0))
    assert apparent == pytest.approx(true)
    with pytest.raises(ContractError, match="paint above 0"):
        trends.normalised_rise((0.0, 0.60), (0.02, 0.03))


@pytest.mark.usefixtures("without_pictures")
def test_the_verdict_under_a_second_procedure_stands_beside_the_first(warm_study):
    study = Study.open(warm_study.folder)
    own = study.manifest.procedure
    with warnings.catch_warnings():
        warnings.simplefilter("error", ResiduekitWarning)
        same = trends.compare_procedures(study, own)
    assert same.differing == ()
    assert "No verdict hangs" in str(same)
    narrow = Procedure((("crop", {"low": 1600.0, "high": 1840.0}),))
    try:
        with pytest.warns(ResiduekitWarning, match="hang on the procedure"):
            differing = trends.compare_procedures(study, narrow)
    finally:
        runs = [path.name for path in (warm_study.folder / "runs").iterdir()]
    assert differing.differing
    assert list(differing.to_frame()["verdict"]) == list(same.to_frame()["verdict"])
    assert len([name for name in runs if name.startswith("2")]) == 2
    assert replace(study.manifest, procedure=own) == study.manifest
