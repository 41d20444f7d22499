"""The straight line against the Norris data of the NIST Statistical Reference Datasets."""

import json
import math
from pathlib import Path

import numpy as np
import pytest

import residuekit.calibration as lim

pytestmark = pytest.mark.source("computed", "norris", "limits of the Norris line")

SHARED = Path(__file__).resolve().parents[2] / "shared"
CHECK = json.loads((SHARED / "checks/check_values.json").read_text(encoding="utf-8"))["norris"]
CERTIFIED = json.loads((SHARED / "data/limits/lod_examples.json").read_text(encoding="utf-8"))[
    "norris_nist"
]

# Norris, J., NIST: calibration of ozone monitors (NIST StRD, linear regression, public domain)
X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4,
    0.6, 775.5, 666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3,
    0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5,
]  # fmt: skip
Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3,
    0.1, 778.1, 668.8, 339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3,
    0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2,
]  # fmt: skip


def digits(found, certified):
    return -math.log10(abs(found - certified) / abs(certified)) if found != certified else 15.0


@pytest.mark.source("from memory", "norris", "certified parameters of the line")
def test_norris_to_the_certified_digits():
    """Certified values of NIST StRD, Norris (from memory, reproduced)."""
    fit = lim.calibrate(X, Y, model="straight", unit="1")
    (intercept, intercept_error), (slope, slope_error) = fit.parameters.values()
    assert digits(intercept, CHECK["pub"]["b0"]) > 12
    assert digits(slope, CHECK["pub"]["b1"]) > 13
    assert digits(fit.residual_sd, CHECK["pub"]["s"]) > 12
    assert digits(slope_error, CERTIFIED["sd_slope"]) > 9
    assert digits(intercept_error, CERTIFIED["sd_intercept"]) > 11


@pytest.mark.parametrize(("method", "name"), [("iso 11843-2", "xd"), ("hubaux-vos", "hv")])
def test_limits_of_the_norris_line(method, name):
    limit = lim.from_calibration(X, Y, method=method, unit="1")
    expected = CHECK["comp_alpha05"]
    assert limit.decision_limit == pytest.approx(expected["xc"], abs=1e-9)
    assert limit.detection_limit == pytest.approx(expected[name], abs=1e-8)


def test_interval_of_a_limit_with_a_slope_thousands_of_errors_high_is_that_of_sigma():
    from scipy import stats

    limit = lim.from_calibration(X, Y, unit="1")
    ratio = np.array(limit.detection_interval) / limit.detection_limit
    assert ratio == pytest.approx(np.sqrt(34 / stats.chi2.ppf([0.95, 0.05], 34)), rel=1e-4)
