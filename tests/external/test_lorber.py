"""Lorber's net analyte signal (Anal. Chem. 58, 1986, 1167) on a small case worked by hand.

The case is computed from the paper's formula with fractions in shared/checks/check_values.json.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import scipy.linalg

from residuekit.kernels.netsignal import blank_metric, nas, net_signal, pool, scatter

pytestmark = pytest.mark.source("computed", "lorber1986", "a small case by the formula")

ROOT = Path(__file__).resolve().parents[2]
CASE = json.loads((ROOT / "shared/checks/check_values.json").read_text(encoding="utf-8"))["lorber"]


def test_net_analyte_signal_selectivity_and_norm_of_the_worked_case() -> None:
    found = nas(CASE["s"], CASE["K"])
    np.testing.assert_allclose(found.signal, CASE["nas"], atol=1e-14)
    assert found.norm == pytest.approx(CASE["norm"], abs=5e-10)
    assert found.selectivity == pytest.approx(CASE["selectivity"], abs=1e-14)


def test_net_analyte_signal_is_the_residual_of_scipys_projection_also_for_dependent_shapes() -> (
    None
):
    rng = np.random.default_rng(0)
    shapes = rng.normal(size=(4, 30))
    shapes = np.vstack([shapes, shapes[0] + shapes[1]])
    spectrum = rng.normal(size=30)
    basis = scipy.linalg.orth(shapes.T)
    np.testing.assert_allclose(
        nas(spectrum, shapes).signal, spectrum - basis @ (basis.T @ spectrum), atol=1e-12
    )


def test_with_white_blanks_the_weights_point_along_lorbers_signal() -> None:
    rng = np.random.default_rng(1)
    white = pool(scatter(rng.normal(size=(40_000, 4))) for _ in range(4))
    net = net_signal(CASE["s"], blank_metric(white, CASE["K"]))
    signal = np.array(CASE["nas"])
    np.testing.assert_allclose(net.weights, signal / (signal @ signal), atol=0.01)
    assert net.selectivity == pytest.approx(CASE["selectivity"], abs=0.01)
