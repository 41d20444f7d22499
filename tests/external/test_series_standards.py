"""Published examples of trend tests, mixed models and correlated pixels (shared/checks)."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from residuekit.kernels.limit_statistics import clopper_pearson_upper
from residuekit.kernels.ordered import below_limit, cochran_armitage, jonckheere, mixed_model, page
from residuekit.kernels.spatial import discovered, effective_count

CHECKS = json.loads(
    (Path(__file__).parents[2] / "shared/checks/check_values.json").read_text(encoding="utf-8")
)


def test_jonckheere_on_the_knowledge_of_performance_data_from_memory():
    case = CHECKS["jonckheere"]
    found = jonckheere(case["groups"])
    assert found.statistic == case["J"]
    assert found.z == pytest.approx(case["z_ties"], abs=1e-7)
    assert found.p_value == pytest.approx(case["p_ties"], abs=1e-7)


def test_cochran_armitage_on_the_malformation_data_from_memory():
    case = CHECKS["cochran_armitage"]
    total = np.add(case["pos"], case["neg"])
    found = cochran_armitage(case["pos"], total, case["score"])
    assert found.z == pytest.approx(case["z"], abs=1e-7)
    assert found.statistic == pytest.approx(case["chi2"], abs=1e-7)


def test_rail_of_pinheiro_and_bates_2000_from_memory():
    case = CHECKS["rail"]
    y = np.array(case["y"], dtype=float)
    found = mixed_model(y.ravel(), np.ones((y.size, 1)), [np.repeat(np.arange(6), 3)])
    wanted = case["comp"]
    assert found.effects[0] == pytest.approx(wanted["mean"])
    assert np.sqrt(found.variances) == pytest.approx([wanted["sigma_b"], wanted["sigma"]], rel=1e-5)
    assert np.sqrt(found.covariance[0, 0]) == pytest.approx(wanted["se"], rel=1e-5)


@pytest.mark.parametrize("length", [1, 3, 5])
def test_effective_pixels_of_an_exponential_correlation_as_computed_for_the_domain(length):
    lag = np.hypot(*np.meshgrid(np.arange(-31, 32), np.arange(-31, 32)))
    wanted = CHECKS["neff_exp_32x32"][str(length)]
    assert effective_count(np.exp(-lag / length)) == pytest.approx(wanted, rel=1e-5)


def test_page_on_the_table_of_the_domain_exact():
    case = CHECKS["page"]
    found = page(case["table"])
    assert found.statistic == case["L"]
    assert found.p_value == pytest.approx(case["p_exact"], rel=1e-9)


def test_false_discovery_control_on_the_example_of_benjamini_and_hochberg_1995():
    """Their table of 15 p-values, from memory: four are rejected at 0.05."""
    case = CHECKS["bh"]
    assert discovered(case["p"]).sum() == case["rejected_05"]
    for rate in (0.04, 0.062, 0.0639, 0.08):
        assert list(discovered(case["p"], rate)) == list(np.array(case["q"]) <= rate)


def test_the_equivalence_test_on_the_numbers_of_the_domain():
    case = CHECKS["equivalence"]
    spread = np.linspace(-1, 1, case["n"])
    values = case["mean"] + case["s"] * spread / spread.std(ddof=1)
    found = below_limit(values, case["limit"])
    assert found.upper_bound == pytest.approx(case["ucb"], rel=1e-6)
    assert found.t == pytest.approx(case["t"], rel=1e-6)
    assert found.p_value == pytest.approx(case["p"], rel=1e-6)


def test_the_equivalence_test_agrees_with_statsmodels():
    weights = pytest.importorskip("statsmodels.stats.weightstats")
    values = np.random.default_rng(6).normal(0.2, 1, 9)
    t, p, freedom = weights.DescrStatsW(values).ttest_mean(1.0, alternative="smaller")
    found = below_limit(values, 1.0)
    assert freedom == 8
    assert (found.t, found.p_value) == pytest.approx((-t, p))


def test_the_share_of_positive_mockups_by_clopper_and_pearson_1934():
    assert clopper_pearson_upper(4, 20, 0.05) == pytest.approx(CHECKS["cp_4_of_20_90"][1], abs=1e-7)
    for n, bound in CHECKS["zero_of_n_one_sided95"].items():
        assert clopper_pearson_upper(0, int(n), 0.05) == pytest.approx(bound, abs=1e-6)


def test_false_discovery_control_agrees_with_statsmodels():
    multitest = pytest.importorskip("statsmodels.stats.multitest")
    p = np.random.default_rng(7).uniform(0, 1, (16, 16)) ** 3
    wanted = multitest.multipletests(p.ravel(), 0.05, method="fdr_bh")[0].reshape(p.shape)
    assert (discovered(p) == wanted).all()


def test_jonckheere_is_kendall_s_test_of_values_against_their_group_by_scipy():
    """Ties among values and within groups as Kendall corrects them."""
    rng = np.random.default_rng(8)
    groups = [np.round(rng.normal(0.4 * k, 1, 5), 1) for k in range(4)]
    groups[1][0] = groups[2][0] = groups[3][0]
    labels = np.repeat(np.arange(4), 5)
    known = stats.kendalltau(labels, np.concatenate(groups), method="asymptotic")
    found = jonckheere(groups)
    assert 2 * min(found.p_value, 1 - found.p_value) == pytest.approx(known.pvalue, rel=1e-9)


def test_cochran_armitage_agrees_with_statsmodels():
    tables = pytest.importorskip("statsmodels.stats.contingency_tables")
    positive, total = np.array([0, 1, 2, 5]), np.array([6, 6, 8, 6])
    score = np.log1p([2, 10, 60, 240])
    counts = tables.Table(np.column_stack([positive, total - positive]), shift_zeros=False)
    known = counts.test_ordinal_association(row_scores=score, col_scores=np.array([1.0, 0.0]))
    n = total.sum()
    # Theirs divides the variance by n - 1 (a permutation), Armitage's by n.
    assert cochran_armitage(positive, total, score).z == pytest.approx(
        known.zscore * np.sqrt(n / (n - 1)), rel=1e-9
    )


def test_two_columns_of_page_are_the_sign_test_by_scipy():
    table = np.array([[1.0, 2.0], [1.0, 3.0], [2.0, 2.0], [4.0, 3.0], [0.0, 1.0]])
    found = page(table)
    assert found.p_value == stats.binomtest(3, 4, alternative="greater").pvalue
    assert found.statistic == 3 * 5 + 4 + 4.5
    assert page(table[:, ::-1]).p_value > 0.5


def test_the_pooled_bound_of_five_rungs_of_six_clean_mockups_as_computed_for_the_domain():
    assert clopper_pearson_upper(0, 30, 0.05) == pytest.approx(0.095, abs=5e-4)
