"""Examples of trend tests and mixed models, most of them from memory (shared/checks)."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from residuekit.kernels.limit_statistics import clopper_pearson_upper
from residuekit.kernels.ordered import cochran_armitage, jonckheere, mixed_model, page

pytestmark = pytest.mark.source("computed", "", "by scipy and statsmodels")

CHECKS = json.loads(
    (Path(__file__).parents[2] / "shared/checks/check_values.json").read_text(encoding="utf-8")
)


@pytest.mark.source("from memory", "jonckheere1954", "J 79, z 2.039; exact p 0.02097 computed")
def test_jonckheere_on_the_knowledge_of_performance_data_from_memory():
    case = CHECKS["jonckheere"]
    found = jonckheere(case["groups"])
    assert found.statistic == case["J"]
    assert found.z == pytest.approx(case["z_ties"], abs=1e-7)
    assert stats.norm.sf(found.z) == pytest.approx(case["p_ties"], abs=1e-7)
    assert found.exact
    assert found.p_value == pytest.approx(0.02097, abs=5e-6)


@pytest.mark.source("from memory", "armitage1955", "chi-square 6.57 with 7 as the last score")
def test_cochran_armitage_on_the_malformation_data_from_memory():
    case = CHECKS["cochran_armitage"]
    total = np.add(case["pos"], case["neg"])
    found = cochran_armitage(case["pos"], total, case["score"])
    assert found.z == pytest.approx(case["z"], abs=1e-7)
    assert found.statistic == pytest.approx(case["chi2"], abs=1e-7)
    # The copy of the example that was looked up has 8, not 7, as the score of the last group.
    other = cochran_armitage(case["pos"], total, [*case["score"][:-1], 8])
    assert other.z == pytest.approx(2.6606, abs=5e-5)


@pytest.mark.source("from memory", "pinheiro2000", "standard deviations 24.805 and 4.0208")
def test_rail_of_pinheiro_and_bates_2000_from_memory():
    case = CHECKS["rail"]
    y = np.array(case["y"], dtype=float)
    found = mixed_model(y.ravel(), np.ones((y.size, 1)), [np.repeat(np.arange(6), 3)])
    wanted = case["comp"]
    assert found.effects[0] == pytest.approx(wanted["mean"])
    assert np.sqrt(found.variances) == pytest.approx([wanted["sigma_b"], wanted["sigma"]], rel=1e-5)
    assert np.sqrt(found.covariance[0, 0]) == pytest.approx(wanted["se"], rel=1e-5)


@pytest.mark.source("computed", "page1963", "L 133.5, exact p 0.0018191, by scipy")
def test_page_on_the_example_of_scipy():
    case = CHECKS["page"]
    found = page(case["table"])
    assert found.statistic == case["L"]
    assert found.p_value == pytest.approx(case["p_exact"], rel=1e-9)


#: Page, J. Am. Stat. Assoc. 58 (1963) 216, three columns: n -> L at 5, 1 and 0.1 %.
PAGE = {4: (54, 55, 56), 6: (79, 81, 83), 8: (104, 106, 109), 10: (128, 131, 134)}


@pytest.mark.source("from memory", "page1963", "exact critical values of L, three columns")
@pytest.mark.parametrize("n", PAGE)
def test_the_exact_test_of_page_has_his_critical_values(n):
    rng = np.random.default_rng(n)
    for _ in range(60):
        rises = rng.random(n) < rng.uniform(0.3, 1.0)
        found = page([[1, 2, 3] if up else rng.permutation([1, 2, 3]) for up in rises])
        assert found.exact
        for level, critical in zip((0.05, 0.01, 0.001), PAGE[n], strict=True):
            assert (found.p_value <= level) == (found.statistic >= critical)


@pytest.mark.source("computed", "armitage1955", "1 in 3003 labellings, by counting")
def test_six_of_six_after_none_of_eight_is_one_labelling_in_3003():
    """The normal approximation says 0.00043, and 0.00028 with the scores log(1 + exposure)."""
    found = cochran_armitage([0, 0, 6], [4, 4, 6], np.log1p([2, 10, 60]))
    assert found.exact
    assert found.p_value == pytest.approx(1 / 3003)
    assert stats.norm.sf(found.z) == pytest.approx(0.00028, abs=5e-6)


@pytest.mark.source("from memory", "", "the lady tasting tea: 3 of 4 right, p = 17/70")
def test_two_groups_are_fisher_s_exact_test():
    assert cochran_armitage([1, 3], [4, 4], [0, 1]).p_value == pytest.approx(17 / 70)
    assert cochran_armitage([0, 4], [4, 4], [0, 1]).p_value == pytest.approx(1 / 70)


@pytest.mark.source("from memory", "", "Mann-Whitney table: 4 and 4, U at 5 % is 1")
def test_jonckheere_of_two_groups_has_the_critical_value_of_mann_and_whitney():
    assert jonckheere([[1, 2, 3, 5], [4, 6, 7, 8]])[::2] == pytest.approx((15, 2 / 70))
    assert jonckheere([[1, 2, 3, 6], [4, 5, 7, 8]])[::2] == pytest.approx((14, 4 / 70))


@pytest.mark.source("computed", "clopper1934", "upper ends, by scipy")
def test_the_share_of_positive_mockups_by_clopper_and_pearson_1934():
    assert clopper_pearson_upper(4, 20, 0.05) == pytest.approx(CHECKS["cp_4_of_20_90"][1], abs=1e-7)
    for n, bound in CHECKS["zero_of_n_one_sided95"].items():
        assert clopper_pearson_upper(0, int(n), 0.05) == pytest.approx(bound, abs=1e-6)


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
