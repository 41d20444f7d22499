"""Optics against handbook formulas and measured constants.

Sources: Harrick, Internal Reflection Spectroscopy (1967) for depths; Ohta & Ishida, Appl.
Spectrosc. 42, 952 (1988) for the transform; optical constants of the refractiveindex.info database
(CC0): polystyrene of Myers and others (2018), poly(methyl methacrylate) of Tsuda and others (2018)
and Zhang and others (2020), poly(dimethylsiloxane) of Zhang and others (2020).
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from residuekit.kernels import reflection

pytestmark = pytest.mark.source("computed", "harrick1967", "depths and thin films by the formula")


@pytest.fixture(scope="module")
def checks(shared):
    return json.loads((shared / "checks" / "check_values.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("crystal", [2.4, 4.0])
def test_penetration_depths_of_the_table(checks, crystal):
    table = checks["atr_dp_um"][f"n1_{crystal}"]
    for wavenumber, depth in table.items():
        found = float(reflection.penetration_depth(float(wavenumber), crystal))
        assert found == pytest.approx(depth, abs=5e-5), wavenumber


def test_effective_thickness_agrees_with_absorption_by_fresnel_s_equations():
    """Weak absorption in the exact reflectance of an absorbing half space, both polarisations."""
    k, wavenumber, angle = 1e-6, 1000.0, np.radians(45)
    for crystal, printed in ((2.4, 4.363), (4.0, 0.614)):
        index = 1.5 + 1j * k
        inside = np.sqrt(index**2 - (crystal * np.sin(angle)) ** 2)
        outside = crystal * np.cos(angle)
        across = np.abs((outside - inside) / (outside + inside)) ** 2
        along = (
            np.abs(
                (index**2 * outside - crystal**2 * inside)
                / (index**2 * outside + crystal**2 * inside)
            )
            ** 2
        )
        absorbed = 1 - (across + along) / 2
        path = 1e4 * absorbed / (4 * np.pi * k * wavenumber)
        found = float(reflection.effective_thickness(wavenumber, crystal))
        assert found == pytest.approx(path, rel=1e-4)
        assert found == pytest.approx(printed, abs=5e-4)


@pytest.mark.parametrize(
    ("crystal", "nm", "share"), [(2.4, 10, 0.0108), (4.0, 10, 0.0323), (2.4, 100, 0.103),
                                 (4.0, 100, 0.280)],
)  # fmt: skip
def test_share_of_the_bulk_signal_of_a_thin_film_at_1090(crystal, nm, share):
    depth = reflection.penetration_depth(1090.0, crystal)
    assert float(reflection.film_fraction(nm / 1000, depth)) == pytest.approx(share, abs=5e-4)


@pytest.mark.parametrize(("wavenumber", "factor"), [(3300, 0.370), (1735, 0.593), (1000, 0.740)])
def test_what_a_gap_of_a_tenth_of_a_micrometre_leaves_on_germanium(wavenumber, factor):
    depth = reflection.penetration_depth(float(wavenumber), 4.0)
    assert float(1 - reflection.film_fraction(0.1, depth)) == pytest.approx(factor, abs=5e-4)


@pytest.mark.source("computed", "kubelka1931", "R 0.5 and 0.1 give 0.25 and 4.05")
def test_kubelka_munk_values():
    np.testing.assert_allclose(reflection.kubelka_munk([0.5, 0.1]), [0.25, 4.05])


def lorentz(axis, case):
    permittivity = case["eps_inf"] + case["nu_p"] ** 2 / (
        case["nu0"] ** 2 - axis**2 - 1j * case["gamma"] * axis
    )
    return np.sqrt(permittivity)


@pytest.mark.source("computed", "", "n, k and R of one oscillator")
def test_the_lorentz_case_is_the_one_computed_beforehand(checks):
    case = checks["kk_lorentz"]
    axis = np.arange(400.0, 4001.0)
    index = lorentz(axis, case)
    reflected = np.abs((index - 1) / (index + 1)) ** 2
    assert index.imag.max() == pytest.approx(case["k_max"], abs=1e-9)
    assert axis[index.imag.argmax()] == case["k_max_at"]
    assert reflected.max() == pytest.approx(case["R_max"], abs=1e-9)
    assert reflected.min() == pytest.approx(case["R_min"], abs=1e-9)
    at = np.searchsorted(axis, (1700, 1730, 1745, 1760))
    np.testing.assert_allclose(index.real[at], case["n_at_1700_1730_1745_1760"], atol=1e-8)
    np.testing.assert_allclose(index.imag[at], case["k_at_same"], atol=1e-8)


@pytest.mark.parametrize(
    ("low", "high", "step", "most"),
    [(400, 4000, 1, 8.8e-4), (400, 4000, 4, 1.6e-3), (1000, 2500, 1, 6.1e-3)],
)
@pytest.mark.source("computed", "ohta1988", "errors of k 8.8e-4, 1.6e-3, 6.1e-3")
def test_kramers_kronig_of_the_lorentz_case_is_as_good_as_computed_beforehand_or_better(
    checks, low, high, step, most
):
    axis = np.arange(low, high + 0.5, step, dtype=float)
    index = lorentz(axis, checks["kk_lorentz"])
    reflected = np.abs((index - 1) / (index + 1)) ** 2
    k = reflection.kramers_kronig(reflected[None], axis).k[0]
    near = (axis >= 1600) & (axis <= 1860)
    assert np.abs(k - index.imag)[near].max() <= most


@pytest.mark.parametrize(
    ("name", "spacing", "most"),
    [("polystyrene_Myers2018", 1.0, 1e-5), ("PMMA_Tsuda2018_BB", 0.5, 3.1e-4),
     ("PMMA_Zhang2020_Tomson", 1.0, 2.6e-3), ("PDMS_Zhang2020_10-1", 1.0, 5.4e-3)],
)  # fmt: skip
def test_n_follows_from_k_in_measured_constants(shared, name, spacing, most):
    path = shared / "data" / "optical_constants" / f"{name}.csv"
    table = np.loadtxt(path, delimiter=",", skiprows=1)
    axis = np.arange(table[0, 0] + 0.01, table[-1, 0], spacing)
    n, k = (np.interp(axis, table[:, 0], table[:, column]) for column in (1, 2))
    inside = (axis >= 900) & (axis <= 3200)
    left = (n - reflection.index_from_absorption(k, axis))[inside]
    assert left.std() <= most
    assert 1.3 < left.mean() < 1.7


@pytest.mark.parametrize("name", ["polystyrene_Myers2018", "PMMA_Tsuda2018_BB"])
def test_k_comes_back_from_the_reflectance_of_measured_constants(shared, name):
    path = shared / "data" / "optical_constants" / f"{name}.csv"
    table = np.loadtxt(path, delimiter=",", skiprows=1)
    axis = np.arange(600.0, min(table[-1, 0], 6000.0), 1.0)
    n, k = (np.interp(axis, table[:, 0], table[:, column]) for column in (1, 2))
    reflected = np.abs((n + 1j * k - 1) / (n + 1j * k + 1)) ** 2
    found = reflection.kramers_kronig(reflected[None], axis).k[0]
    inside = (axis >= 900) & (axis <= 3200)
    assert np.sqrt(np.mean((found - k)[inside] ** 2)) < 5e-3
    assert np.corrcoef(found[inside], k[inside])[0, 1] > 0.99
