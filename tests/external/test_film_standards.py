"""Films against a general reference, handbook formulas, a gloss standard, optical constants.

The package `tmm` (S. J. Byrnes, arXiv:1603.02720, MIT) for stacks; Harrick, Internal Reflection
Spectroscopy (1967) for depths and thin films; ISO 2813 for Fresnel reflectance of black glass;
optical constants of the refractiveindex.info database (CC0): polystyrene of Myers and others
(2018), a liquid of short chains (`test_film_constants`), poly(methyl methacrylate) of Tsuda and
others (2018).
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from residuekit.kernels import layers, reflection

pytestmark = pytest.mark.source("computed", "byrnes2016", "stacks by a general reference")

AXIS = np.arange(800.0, 3400.0, 1.0)


def index_of(shared, name, axis):
    path = shared / "data" / "optical_constants" / f"{name}.csv"
    places, n, k = np.loadtxt(path, delimiter=",", skiprows=1, unpack=True)
    return np.interp(axis, places, n + 1j * k)


def test_two_hundred_random_stacks_agree_with_the_reference_to_ten_digits():
    tmm = pytest.importorskip("tmm")
    rng = np.random.default_rng(11)
    worst = 0.0
    for _ in range(200):
        count = int(rng.integers(0, 7))
        inner = rng.uniform(1.0, 4.0, count + 1) + 1j * rng.uniform(0, 1.0, count + 1)
        indices = [rng.uniform(1.0, 2.5), *inner]
        depths = rng.uniform(0.0, 3.0, count)
        wavenumber, angle = rng.uniform(600.0, 4000.0), rng.uniform(0.0, 85.0)
        found = layers.stack_powers(indices, depths, [wavenumber], angle)
        for row, polarisation in enumerate("sp"):
            wanted = tmm.coh_tmm(polarisation, indices, [np.inf, *depths, np.inf],
                                 np.radians(angle), 1e4 / wavenumber)  # fmt: skip
            worst = max(worst, abs(found.reflected[row, 0] - wanted["R"]),
                        abs(found.transmitted[row, 0] - wanted["T"]))  # fmt: skip
    assert worst < 1e-10


def test_total_reflection_and_frustrated_gaps_agree_with_the_reference():
    tmm = pytest.importorskip("tmm")
    for crystal in (2.4, 4.0):
        indices, depths = [crystal, 1.0, 1.5 + 0.2j, 1.48 + 0.05j], [0.1, 0.05]
        found = layers.stack_powers(indices, depths, [1090.0], 45.0).reflected[:, 0]
        for row, polarisation in enumerate("sp"):
            wanted = tmm.coh_tmm(polarisation, indices, [np.inf, *depths, np.inf], np.pi / 4,
                                 1e4 / 1090)["R"]  # fmt: skip
            assert found[row] == pytest.approx(wanted, abs=1e-12)


@pytest.mark.source("computed", "iso2813", "reflectance of black glass of index 1.567")
def test_fresnel_reflectance_and_gloss_units_of_the_gloss_standard(shared):
    checks = json.loads((shared / "checks" / "check_values.json").read_text(encoding="utf-8"))
    gloss = checks["gloss_fresnel"]
    for degrees, share in gloss["n1.567"].items():
        black, other = (
            layers.stack_powers([1.0, n], [], [17018.0], float(degrees)).reflected.mean()
            for n in (1.567, 1.50)
        )
        assert black == pytest.approx(share, abs=5e-8)
        assert 100 * other / black == pytest.approx(gloss["gu_n1.50"][degrees], abs=5e-4)


def weak(axis, k=1e-7):
    return np.full(axis.shape, 1.5 + 1j * k)


@pytest.mark.parametrize("crystal", [2.4, 4.0])
def test_a_thick_weak_sample_has_the_effective_thickness(crystal):
    path = layers.atr([], weak(AXIS), AXIS, crystal=crystal) * np.log(10) * 1e4
    path /= 4 * np.pi * 1e-7 * AXIS
    np.testing.assert_allclose(path, reflection.effective_thickness(AXIS, crystal), rtol=1e-6)


@pytest.mark.parametrize("crystal", [2.4, 4.0])
@pytest.mark.parametrize("nm", [1, 10, 100])
def test_a_weak_film_on_clear_paint_gives_the_thin_film_share(crystal, nm):
    film = layers.atr([(weak(AXIS), nm / 1000)], weak(AXIS, 0.0), AXIS, crystal=crystal)
    share = film / layers.atr([], weak(AXIS), AXIS, crystal=crystal)
    depth = reflection.penetration_depth(AXIS, crystal)
    np.testing.assert_allclose(share, reflection.film_fraction(nm / 1000, depth), rtol=1e-5)


@pytest.mark.parametrize(("wavenumber", "factor"), [(3300, 0.370), (1735, 0.593), (1000, 0.740)])
def test_a_gap_of_the_sample_s_index_lowers_the_band_as_the_formula_says(wavenumber, factor):
    """The formula takes the sample's own depth; an air gap, computed below, costs more."""
    axis = np.array([float(wavenumber)])
    gap = [(1.5, 0.1)]
    share = layers.atr(gap, weak(axis), axis, crystal=4.0) / layers.atr([], weak(axis), axis,
                                                                      crystal=4.0)  # fmt: skip
    assert share[0] == pytest.approx(factor, abs=5e-4)
    air = layers.atr([], weak(axis), axis, crystal=4.0, gap_um=0.1)
    assert air[0] < layers.atr(gap, weak(axis), axis, crystal=4.0)[0]


@pytest.mark.parametrize("nm", [1, 10])
def test_a_real_band_of_a_thin_film_stays_near_the_thin_film_share_on_both_crystals(nm):
    """k = 0.2 at the top: a film much thinner than the depth keeps within a quarter of it."""
    axis = np.arange(1000.0, 1180.0, 1.0)
    gel = layers.band_index(axis, [[1090.0, 60.0, 0.2]])
    for crystal in (2.4, 4.0):
        film = layers.atr([(gel, nm / 1000)], 1.5, axis, crystal=crystal).max()
        bulk = (
            4 * np.pi * 0.2 * 1090e-4 / np.log(10) * reflection.effective_thickness(1090, crystal)
        )
        share = reflection.film_fraction(nm / 1000, reflection.penetration_depth(1090.0, crystal))
        assert film == pytest.approx(float(bulk * share), rel=0.25)


@pytest.mark.parametrize(
    ("name", "thickness", "places"),
    [("polystyrene_Myers2018", 3.0, (1154.5, 1601.2, 1942.9, 3060.0)),
     ("PMMA_Tsuda2018_BB", 0.3, (1730.0,))],
)  # fmt: skip
@pytest.mark.source("from memory", "pheur2p2p24", "bands of polystyrene; C=O of PMMA 1730 cm-1")
def test_film_spectra_have_their_bands_where_handbooks_have_them(shared, name, thickness, places):
    """Polystyrene: European Pharmacopoeia 2.2.24, from memory; the ester C=O from memory."""
    film = index_of(shared, name, AXIS)
    spectrum = layers.transmission([(film, thickness)], AXIS)
    for place in places:
        near = np.abs(AXIS - place) < 8
        assert AXIS[near][spectrum[near].argmax()] == pytest.approx(place, abs=4.0)


def test_the_fringe_period_gives_back_the_thickness(shared):
    """Maxima where 2 n d nu is whole; a film of 20 um where polystyrene hardly absorbs."""
    axis = np.arange(2050.0, 2750.0, 0.25)
    film = index_of(shared, "polystyrene_Myers2018", axis)
    light = layers.stack_powers([1.0, film, 1.0], [20.0], axis).reflected[0]
    inner = light[1:-1]
    tops = axis[1:-1][(inner > light[:-2]) & (inner > light[2:])]
    optical = tops * np.interp(tops, axis, film.real)
    period = np.polyfit(np.arange(tops.size), optical, 1)[0]
    assert tops.size >= 4
    assert 1e4 / (2 * period) == pytest.approx(20.0, rel=0.01)


@pytest.mark.source("computed", "tsuda2018", "C=O of PMMA 1731 cm-1, by its constants")
def test_a_thin_film_on_gold_in_transflection_is_seen_at_its_carbonyl(shared):
    axis = np.arange(1650.0, 1820.0, 1.0)
    film = index_of(shared, "PMMA_Tsuda2018_BB", axis)
    spectrum = layers.transflection([(film, 1.0)], layers.metal_index(axis), axis)
    assert axis[spectrum.argmax()] == pytest.approx(1731.0, abs=6.0)
    assert spectrum.max() > 0.1
