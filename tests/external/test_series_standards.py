"""Published examples of trend tests, mixed models and correlated pixels (shared/checks)."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from residuekit.kernels.ordered import cochran_armitage, jonckheere, mixed_model
from residuekit.kernels.spatial import effective_count

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
