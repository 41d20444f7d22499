"""Films of known thickness of real materials, by formulas that the library does not use.

Optical constants of the refractiveindex.info database (CC0): polystyrene of Myers and others
(2018), poly(methyl methacrylate) of Tsuda and others (2018). Those of polystyrene are of a liquid:
their paper is on liquids, and they show methyl groups, which the plastic has next to none of.
"""

from __future__ import annotations

import numpy as np
import pytest

from residuekit.kernels import layers
from residuekit.simulate import from_optical_constants

pytestmark = pytest.mark.source("computed", "", "closed formulas of a single film in air")

AXIS = np.arange(1000.0, 3200.0, 1.0)
FILES = ("polystyrene_Myers2018", "PMMA_Tsuda2018_BB")


@pytest.fixture(scope="module")
def constants(shared):
    """Name -> wavenumber, complex index."""
    found = {}
    for name in FILES:
        path = shared / "data" / "optical_constants" / f"{name}.csv"
        places, n, k = np.loadtxt(path, delimiter=",", skiprows=1, unpack=True)
        found[name] = places, n + 1j * k
    return found


def index_of(constants, name, axis=AXIS):
    return np.interp(axis, *constants[name])


def at_normal_incidence(index, um):
    """The film's transmittance in air as a series summed: 4 n e / ((n+1)^2 - (n-1)^2 e^2)."""
    e = np.exp(2j * np.pi * AXIS * 1e-4 * index * um)
    return np.abs(4 * index * e / ((index + 1) ** 2 - (index - 1) ** 2 * e**2)) ** 2


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("um", [0.01, 0.3, 3.0, 20.0])
def test_a_film_transmits_what_the_sum_of_its_reflections_says(constants, name, um):
    index = index_of(constants, name)
    np.testing.assert_allclose(
        layers.transmission([(index, um)], AXIS),
        -np.log10(at_normal_incidence(index, um)), rtol=1e-9, atol=1e-12,
    )  # fmt: skip


@pytest.mark.parametrize("name", FILES)
@pytest.mark.source("computed", "byrnes2016", "films of real materials by a general reference")
def test_a_film_agrees_with_the_reference_in_each_way_of_measuring(constants, name):
    tmm = pytest.importorskip("tmm")
    axis = np.arange(1010.0, 3200.0, 90.0)
    film, um = index_of(constants, name, axis), 0.2
    gold = layers.metal_index(axis)
    for place, (wavenumber, n) in enumerate(zip(axis, film, strict=True)):

        def share(first, last, angle, what, n=n, wave=1e4 / wavenumber):
            depths = [np.inf, um, np.inf]
            return np.mean([tmm.coh_tmm(p, [first, n, last], depths, angle, wave)[what]
                            for p in "sp"])  # fmt: skip

        one = axis[place : place + 1]
        for found, wanted in (
            (layers.transmission([(n, um)], one), share(1.0, 1.0, 0.0, "T")),
            (layers.atr([(n, um)], 1.5, one), share(2.4, 1.5, np.pi / 4, "R")),
            (layers.external_reflection([(n, um)], 1.5, one, angles=(20.0, 20.0)),
             share(1.0, 1.5, np.radians(20.0), "R")),
        ):  # fmt: skip
            assert found[0] == pytest.approx(-np.log10(wanted), abs=1e-12)
        mirror = gold[place]
        bare = abs((1 - mirror) / (1 + mirror)) ** 2
        found = layers.transflection([(n, um)], mirror, one, angles=(0.0, 0.0))
        assert found[0] == pytest.approx(-np.log10(share(1.0, mirror, 0.0, "R") / bare), abs=1e-10)


@pytest.mark.parametrize("name", FILES)
def test_a_very_thin_film_answers_n_times_as_strongly_as_beer_s_law(constants, name):
    """A = 2 pi nu d Im(n^2) / ln 10 to first order in d, and Im(n^2) = 2 n k; Beer has 2 k."""
    index, nm = index_of(constants, name), 1.0
    found = layers.transmission([(index, nm / 1000)], AXIS)
    first = 2 * np.pi * AXIS * nm * 1e-7 * (index**2).imag / np.log(10)
    strong = index.imag > 0.05
    np.testing.assert_allclose(found[strong], first[strong], rtol=0.02)
    table = np.column_stack([AXIS, index.real, index.imag])
    beer = from_optical_constants(table, AXIS, nm)
    np.testing.assert_allclose((found / beer)[strong], index.real[strong], rtol=0.02)


def maxima(constants, name, low, high):
    places, index = constants[name]
    k = index.imag
    tops = places[1:-1][(k[1:-1] > k[:-2]) & (k[1:-1] > k[2:])]
    return tops[(tops > low) & (tops < high)]


@pytest.mark.source("from memory", "", "CH3 of hydrocarbons 2960 and 1378 cm-1")
def test_the_constants_of_polystyrene_are_those_of_short_chains(constants):
    """CH3 absorbs at 2960 and 1378 cm-1 (from memory): the chains have ends, so it is a liquid."""
    name = "polystyrene_Myers2018"
    for wanted, position in ((2957.4, 2960.0), (1377.0, 1378.0)):
        (top,) = maxima(constants, name, wanted - 8, wanted + 8)
        assert top == pytest.approx(wanted, abs=0.5)
        assert top == pytest.approx(position, abs=4.0)
    k = constants[name][1].imag
    places = constants[name][0]
    umbrella, scissor = (k[np.abs(places - at).argmin()] for at in (1377.0, 1452.7))
    assert 0.1 < umbrella / scissor < 0.3


@pytest.mark.source("computed", "myers2018", "ring bands in the constants of a liquid")
def test_the_ring_bands_serve_all_the_same(constants):
    """The bands that instruments are checked by are of the ring, which short chains have too."""
    for place in (1154.5, 1583.0, 1601.2, 1942.9, 3060.0):
        tops = maxima(constants, "polystyrene_Myers2018", place - 4, place + 4)
        assert min(abs(tops - place)) < 1.0
