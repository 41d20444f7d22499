"""Ageing: before and after, series of the same mock-ups, growth by gel. All data are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from residuekit import trends
from residuekit.errors import ContractError
from residuekit.results import StudyResult
from residuekit.schema import ARM_COLUMNS, STRATUM_COLUMNS
from residuekit.trends.age_change import change, combine

AGES = (0.0, 500.0)


def arm(age, **more):
    return {"paint": "alkyd", "soiling": "none", "ageing_h": age, "treatment": "gel",
            "exposure_min": 2.0, "clearance_min": 2.0, "clearance": "", "residue": "gel",
            **more}  # fmt: skip


def result_of(tmp_path, exposed, blanks, *, same_mockups, slope_se=0.0, spectra=None, ages=AGES):
    """A result whose mock-ups carry `exposed[age]` and `blanks[age]`, arrays of loadings."""
    rows, verdicts = [], []
    for age, loads, zeros in zip(ages, exposed, blanks, strict=True):
        kept = "" if same_mockups else f" {age:g}"
        rows += [
            arm(age, role="exposed", mockup=f"e{k}{kept}", mean=x) for k, x in enumerate(loads)
        ]
        rows += [
            arm(age, role="blank", mockup=f"b{k}{kept}", mean=x) | {"treatment": "water"}
            for k, x in enumerate(zeros)
        ]
        verdicts.append(
            arm(age, score="net signal", unit="ug cm-2", estimate=np.mean(loads),
                detection_limit=0.5, upper_bound=np.mean(loads) + 0.3, verdict="inconclusive",
                standard_error=0.18, n_mockups=len(loads))
        )  # fmt: skip
    mockups = pd.DataFrame(rows).assign(score="net signal", unit="ug cm-2", positive="false")
    markers = pd.DataFrame(
        [{"score": "net signal", **{n: arm(age)[n] for n in (*STRATUM_COLUMNS, "residue")},
          "unit": "ug cm-2", "slope": 1.0, "slope_se": slope_se} for age in ages]
    )  # fmt: skip
    return StudyResult(
        tmp_path, pd.DataFrame(verdicts), pd.DataFrame(), mockups, markers, spectra,
        {"study": {"alpha": 0.05}, "failures": {}},
    )  # fmt: skip


def draws(seed, shift, same_mockups, n=6):
    rng = np.random.default_rng(seed)
    young = rng.normal(1.0, 1.0, n)
    aged = (young if same_mockups else rng.normal(1.0, 1.0, n)) + shift + rng.normal(0, 0.1, n)
    return (young, aged), (rng.normal(0, 0.1, 5), rng.normal(0, 0.1, 5))


def test_unpaired_change_is_that_of_welch_by_scipy(tmp_path):
    """Blanks without scatter: the exposed alone decide."""
    exposed, _ = draws(1, 0.5, same_mockups=False)
    zero = [np.full(5, 0.0)] * 2
    (found,) = trends.ageing_changes(result_of(tmp_path, exposed, zero, same_mockups=False))
    welch = stats.ttest_ind(exposed[1], exposed[0], equal_var=False)
    interval = welch.confidence_interval(0.95)
    assert found.difference == pytest.approx(exposed[1].mean() - exposed[0].mean())
    assert (found.low, found.high) == pytest.approx((interval.low, interval.high))
    assert not found.paired


def test_the_same_mockups_are_paired_as_scipy_pairs_them(tmp_path):
    exposed, _ = draws(2, 0.5, same_mockups=True)
    zero = [np.full(5, 0.0)] * 2
    (found,) = trends.ageing_changes(result_of(tmp_path, exposed, zero, same_mockups=True))
    interval = stats.ttest_rel(exposed[1], exposed[0]).confidence_interval(0.95)
    assert found.paired
    assert (found.low, found.high) == pytest.approx((interval.low, interval.high))
    assert "the same mock-ups). The difference is distinguishable from zero." in str(found)


def test_blanks_and_slope_widen_the_interval_and_no_difference_is_no_absence(tmp_path):
    exposed, blanks = draws(3, 0.0, same_mockups=True)
    zero = [np.full(5, 0.0)] * 2
    narrow, wide, wider = (
        trends.ageing_changes(
            result_of(tmp_path, exposed, controls, same_mockups=True, slope_se=slope_se)
        )[0]
        for controls, slope_se in ((zero, 0.0), (blanks, 0.0), (blanks, 2.0))
    )
    assert narrow.standard_error < wide.standard_error < wider.standard_error
    assert wide.difference == narrow.difference
    assert (
        "We could not tell this difference from zero; one within the interval may be missed."
        in str(wide)
    )
    assert {"difference", "low", "high", "verdict_before", "verdict_after"} <= set(wide.row())


@pytest.mark.parametrize("same_mockups", [True, False])
def test_the_interval_holds_the_true_difference_as_often_as_it_says(same_mockups):
    """2,000 draws of 6 exposed and 5 blank mock-ups at each age, true change 0.5."""
    hits = 0
    for seed in range(2000):
        exposed, blanks = draws(seed, 0.5, same_mockups)
        names = (range(6), range(6)) if same_mockups else (range(6), range(6, 12))
        own = change(*exposed, [list(map(str, one)) for one in names])
        part = combine(own, change(*blanks, (list("abcde"), list("fghij"))), sign=-1)
        half = stats.t.ppf(0.975, part.freedom) * np.sqrt(part.variance)
        hits += abs(part.mean - 0.5) < half
    assert 0.93 < hits / 2000 < 0.97


def test_two_ages_whose_scores_differ_are_not_subtracted_and_it_is_said(tmp_path):
    exposed, blanks = draws(4, 0.5, same_mockups=True)
    result = result_of(tmp_path, exposed, blanks, same_mockups=True)
    result.verdicts.loc[1, "score"] = "band: pva C-O 1092"
    (found,) = trends.ageing_changes(result)
    assert np.isnan(found.difference)
    assert "cannot be subtracted" in str(found)


def test_a_series_of_the_same_mockups_is_tested_by_page_and_of_others_by_jonckheere(tmp_path):
    rng = np.random.default_rng(5)
    base, ages = rng.normal(0, 5, 6), (0.0, 250.0, 500.0)
    loads = [base + 0.3 * k + rng.normal(0, 0.1, 6) for k in range(3)]
    zero = [np.zeros(4)] * 3
    found = {
        same: trends.series(
            result_of(tmp_path, loads, zero, same_mockups=same, ages=ages).mockups,
            over="ageing_h",
            score="net signal",
        )[0]
        for same in (True, False)
    }
    assert found[True].test == "Page"
    assert found[True].rise.p_value == stats.page_trend_test(np.transpose(loads)).pvalue < 1e-3
    assert found[False].test == "Jonckheere"
    assert found[False].rise.p_value > 0.05
    assert "rises with ageing (one-sided). Page's test" in str(found[True])
    assert "which is not its absence" in str(found[False])


def spectra_of(young, aged, blank_young, blank_aged, same_mockups):
    groups = [("exposed", 0.0, young), ("exposed", 500.0, aged),
              ("blank", 0.0, blank_young), ("blank", 500.0, blank_aged)]  # fmt: skip
    rows = [
        arm(age, role=role, mockup=f"{role}{k}{'' if same_mockups else age}")
        | ({"treatment": "water"} if role == "blank" else {})
        for role, age, block in groups
        for k in range(len(block))
    ]
    coords = {name: ("row", [row[name] for row in rows])
              for name in (*ARM_COLUMNS, "role", "mockup")}  # fmt: skip
    axis = np.arange(1000.0, 1000.0 + young.shape[1])
    values = np.vstack([block for *_, block in groups])
    return xr.Dataset({"spectrum": (("row", "wavenumber"), values, {"quantity": "absorbance"})},
                      {**coords, "wavenumber": axis})  # fmt: skip


@pytest.mark.parametrize("same_mockups", [True, False])
def test_growth_by_gel_names_its_window_and_ageing_of_the_paint_is_none(tmp_path, same_mockups):
    rng = np.random.default_rng(6)
    axis = np.arange(120.0)
    common, own = (np.exp(-0.5 * ((axis - place) / 4) ** 2) for place in (30, 90))
    base = rng.normal(0, 0.5 if same_mockups else 0.0, (6, 120))
    young, blank = base + rng.normal(0, 0.01, (6, 120)), rng.normal(0, 0.01, (5, 120))
    aged = base + rng.normal(0, 0.01, (6, 120)) + common + own
    aged_blank = blank + rng.normal(0, 0.01, (5, 120)) + common
    spectra = spectra_of(young, aged, blank, aged_blank, same_mockups)
    loads = [np.ones(6)] * 2, [np.zeros(5)] * 2
    (found,) = trends.growths(
        result_of(tmp_path, *loads, same_mockups=same_mockups, spectra=spectra)
    )
    assert found.paired is same_mockups
    assert len(found.windows) >= 1
    low, high, top, growth, error = max(found.windows, key=lambda window: window[3])
    assert 1070 < low < 1087 < top < 1093 < high < 1110
    assert growth == pytest.approx(1.0, abs=5 * error)
    assert f"cm-1 by {growth:.2g} ± {error:.1g} in absorbance" in str(found)
    assert all(window[0] > 1060 for window in found.windows)


def test_without_growth_a_window_passes_about_as_often_as_the_limit_says():
    """400 draws of 5 mock-ups a group, 200 channels: at most alpha by the binomial interval."""
    rng = np.random.default_rng(7)
    passed = 0
    for _ in range(400):
        found = trends.growth_by_gel(*rng.normal(0, 1, (4, 5, 200)))
        passed += bool((found.grown > found.limit).any())
    assert stats.binomtest(passed, 400).proportion_ci(0.99).low < 0.06
    assert passed > 4


def of_two_residues(result):
    """The same result asked for a second residue: another row of verdicts for each arm."""
    second = result.verdicts.assign(residue="citrate")
    return replace(result, verdicts=pd.concat([result.verdicts, second], ignore_index=True))


@pytest.mark.parametrize(("ages", "n"), [(AGES[:1], 0), (AGES, 1)])
def test_a_second_residue_is_no_second_age(tmp_path, ages, n):
    """An arm is never compared with itself, nor twice with another age."""
    rng = np.random.default_rng(8)
    spectra = spectra_of(*rng.normal(0, 0.01, (4, 5, 40)), same_mockups=True)
    loads = [np.ones(5)] * len(ages), [np.zeros(5)] * len(ages)
    result = result_of(tmp_path, *loads, same_mockups=True, spectra=spectra, ages=ages)
    found = list(trends.growths(of_two_residues(result)))
    assert [(one.before_h, one.after_h) for one in found] == [(0.0, 500.0)] * n
    assert all(f"(median {one.typical_limit:.2g} in absorbance)" in str(one) for one in found)


def test_arms_with_one_mockup_say_nothing_of_growth(tmp_path):
    one = np.zeros((1, 10))
    spectra = spectra_of(one, one, np.zeros((3, 10)), np.zeros((3, 10)), same_mockups=True)
    result = result_of(tmp_path, [np.ones(1)] * 2, [np.zeros(3)] * 2, same_mockups=True,
                       spectra=spectra)  # fmt: skip
    assert list(trends.growths(result)) == []
    assert np.isnan(trends.ageing_changes(result)[0].difference)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10**6), st.floats(-5, 5), st.integers(3, 8))
def test_a_change_common_to_gel_and_blanks_is_no_growth(seed, shift, n):
    """What is added to all aged mock-ups, with gel and without, changes nothing."""
    rng = np.random.default_rng(seed)
    groups = rng.normal(0, 1, (4, n, 3))
    plain = trends.growth_by_gel(*groups)
    groups[[1, 3]] += shift
    np.testing.assert_allclose(trends.growth_by_gel(*groups).grown, plain.grown, atol=1e-9)


@pytest.mark.parametrize(("energy", "factor"), [(50, 9.5), (80, 37), (100, 91)])
def test_arrhenius_factors_from_23_to_60_degrees_as_computed_for_the_domain(energy, factor):
    with pytest.warns(match="The energy dominates the factor"):
        found = trends.arrhenius(energy, 23, 60, valid_celsius=(20, 70))
    assert found.factor == pytest.approx(factor, rel=0.01)
    assert "holds for that one process alone" in str(found)


@pytest.mark.parametrize(
    ("energy", "to", "valid"), [(80, 60, (20, 55)), (80, 10, (20, 55)), (0, 60, (20, 70))]
)
def test_no_factor_outside_the_range_or_without_an_energy(energy, to, valid):
    with pytest.raises(ContractError, match="no factor outside that range"):
        trends.arrhenius(energy, 23, to, valid_celsius=valid)
