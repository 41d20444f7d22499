"""Smoothing and baselines against scipy, published coefficients and a reference library."""

import gzip
import json
from pathlib import Path

import numpy as np
import pybaselines
import pytest
from scipy.signal import savgol_filter

from residuekit.kernels import baselines
from residuekit.kernels.smooth import savitzky_golay, savitzky_golay_matrix

pytestmark = pytest.mark.source("computed", "", "by scipy and a reference library")

ROOT = Path(__file__).parents[2]
OILS = ROOT.parent / "shared/data/local/oils/FTIR_Spectra_olive_oils.csv.gz"

#: Weights times their divisor. Those of 5 and 7 points were computed anew from the definition;
#: that of 9 points is from memory. Both stand in Savitzky & Golay, Anal. Chem. 36 (1964) 1627,
#: tables I and VI.
PRINTED = {
    (5, 2, 0): ([-3, 12, 17, 12, -3], 35),
    (7, 2, 0): ([-2, 3, 6, 7, 6, 3, -2], 21),
    (9, 2, 0): ([-21, 14, 39, 54, 59, 54, 39, 14, -21], 231),
    (5, 2, 2): ([2, -1, -2, -1, 2], 7),
}


def simulated(n_channels: int, n: int = 6) -> tuple[np.ndarray, np.ndarray]:
    axis = np.linspace(800.0, 3800.0, n_channels)
    rng = np.random.default_rng(n_channels)
    block = 0.1 + rng.uniform(0.05, 0.15, (n, 1)) * np.sin(axis / 900)
    for centre, width in ((1090, 25), (1735, 12), (2920, 40), (3300, 150)):
        height = rng.uniform(0.1, 0.5, (n, 1))
        block = block + height * np.exp(-0.5 * ((axis - centre) / width) ** 2)
    return axis, block + rng.normal(0, 0.002, block.shape)


def oils() -> tuple[np.ndarray, np.ndarray]:
    """Read twelve spectra: olive oils by ATR, Tapp et al., J. Agric. Food Chem. 51 (2003) 6110."""
    if not OILS.exists():
        pytest.skip("the olive oil spectra are not on this machine")
    with gzip.open(OILS, "rt") as lines:
        table = np.loadtxt(lines, delimiter=",", skiprows=3, usecols=range(13))
    return table[:, 0], np.ascontiguousarray(table[:, 1:].T)


SPECTRA = {"750 channels": lambda: simulated(750), "1000 channels": lambda: simulated(1000),
           "olive oils": oils}  # fmt: skip
each_data = pytest.mark.parametrize("data", SPECTRA.values(), ids=SPECTRA)


def relative(found: np.ndarray, expected: np.ndarray) -> float:
    return float(np.abs(found - expected).max() / np.abs(expected).max())


@pytest.mark.parametrize(("window", "order", "derivative"), PRINTED)
@pytest.mark.source("from memory", "savitzky1964", "coefficients of 5, 7 and 9 points")
def test_the_coefficients_are_the_whole_numbers_of_the_tables(window, order, derivative):
    weights, divisor = PRINTED[window, order, derivative]
    row = savitzky_golay_matrix(window, window, order, derivative).toarray()[window // 2]
    np.testing.assert_allclose(row * divisor, weights, rtol=1e-12, atol=1e-10)


@each_data
@pytest.mark.parametrize(("window", "order"), [(5, 2), (9, 2), (11, 3), (25, 4), (3, 0)])
@pytest.mark.parametrize("derivative", [0, 1, 2])
def test_savitzky_golay_equals_scipy_to_the_edges(data, window, order, derivative):
    axis, block = data()
    spacing = float(np.diff(axis).mean())
    derivative = min(derivative, order)
    expected = savgol_filter(block, window, order, derivative, delta=spacing, mode="interp")
    found = savitzky_golay(block, spacing, window=window, order=order, derivative=derivative)
    assert np.abs(found - expected).max() <= 1e-11 * max(1.0, np.abs(expected).max())


@each_data
@pytest.mark.parametrize(
    ("smoothness", "asymmetry", "agreement"),
    [(1e4, 0.05, 1e-8), (1e6, 0.01, 1e-8), (1e7, 0.001, 2e-7)],
)
def test_asymmetric_least_squares_equals_the_reference(data, smoothness, asymmetry, agreement):
    """Equal but for rounding: at the stiffest both are 1e-7 from an extended precision solve."""
    _, block = data()
    reference = pybaselines.Baseline()
    expected = [reference.asls(y, lam=smoothness, p=asymmetry)[0] for y in block]
    found = baselines.asymmetric_least_squares(block, smoothness=smoothness, asymmetry=asymmetry)
    assert relative(found, np.array(expected)) < agreement


@each_data
@pytest.mark.parametrize(("smoothness", "agreement"), [(1e4, 1e-8), (1e5, 1e-8), (1e6, 1e-7)])
def test_arpls_equals_the_reference(data, smoothness, agreement):
    """Equal but for rounding, which the stiffness multiplies: 1e6 is the end of what is used."""
    _, block = data()
    reference = pybaselines.Baseline()
    expected = [reference.arpls(y, lam=smoothness, max_iter=200)[0] for y in block]
    found = baselines.arpls(block, smoothness=smoothness, max_iterations=201)
    assert relative(found, np.array(expected)) < agreement


@each_data
def test_the_rubber_band_equals_the_reference(data):
    axis, block = data()
    reference = pybaselines.Baseline(axis)
    expected = [reference.rubberband(y)[0] for y in block]
    assert relative(baselines.rubber_band(block, axis), np.array(expected)) < 1e-12


@each_data
@pytest.mark.parametrize("order", [1, 3, 5])
def test_the_iterated_polynomial_equals_the_reference(data, order):
    axis, block = data()
    reference = pybaselines.Baseline(axis)
    expected = [reference.modpoly(y, poly_order=order, max_iter=200)[0] for y in block]
    found = baselines.iterated_polynomial(block, axis, order=order)
    assert relative(found, np.array(expected)) < 1e-8


@each_data
@pytest.mark.parametrize("order", [1, 2, 3])
def test_the_polynomial_equals_the_reference(data, order):
    axis, block = data()
    reference = pybaselines.Baseline(axis)
    expected = [reference.poly(y, poly_order=order)[0] for y in block]
    assert relative(baselines.polynomial(block, axis, order=order), np.array(expected)) < 1e-10


@pytest.mark.source("computed", "din32645", "slope 9661.939, intercept 2480.867")
def test_the_polynomial_is_the_regression_line_of_calibration_data():
    """The ten standards of DIN 32645; slope and intercept computed beforehand with scipy."""
    values = json.loads((ROOT / "shared/checks/check_values.json").read_text("utf-8"))["din32645"]
    x, y = np.array(values["x"], float), np.array(values["y"], float)
    line = baselines.polynomial(y[None], x, order=1)[0]
    assert (line[-1] - line[0]) / (x[-1] - x[0]) == pytest.approx(9661.939, abs=5e-4)
    assert line[0] - 9661.939 * x[0] == pytest.approx(2480.867, abs=5e-3)
