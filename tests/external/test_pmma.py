"""The ester band of poly(methyl methacrylate) from its published optical constants.

Tsuda 2018 and Zhang 2020, both from the refractiveindex.info database (CC0), as carried by the
package named in shared/data/SOURCES.md.
"""

import numpy as np
import pytest

import residuekit as rk
from residuekit.decision.band_measures import band_centroid
from residuekit.simulate import from_optical_constants

pytestmark = pytest.mark.source("published", "tsuda2018", "absorption index of PMMA at its C=O")

AXIS = np.arange(900.0, 1900.5, 2.0)
ESTER = {"name": "own C=O 1733", "low": 1690, "high": 1780}
HEIGHT = {**ESTER, "name": "own height 1733", "measure": "height", "position": 1733}
BEND = {"name": "own bend 1733", "low": 1720, "high": 1746, "measure": "second derivative"}
THICKNESS_NM = (10.0, 50.0, 250.0)
FILES = ("PMMA_Tsuda2018_BB.csv", "PMMA_Zhang2020_Tomson.csv")


@pytest.fixture(params=FILES, ids=lambda name: name.split("_")[1])
def films(request, shared):
    path = shared / "data" / "optical_constants" / request.param
    return path, rk.make_points(
        np.array([from_optical_constants(path, AXIS, one) for one in THICKNESS_NM]), AXIS
    )


def test_its_place_is_that_of_the_published_absorption_index(films):
    """k is largest at 1733.1 (Tsuda) and 1728.1 cm-1 (Zhang, 13 cm-1 grid): both within 5."""
    path, film = films
    table = np.loadtxt(path, delimiter=",", skiprows=1)
    window = table[(table[:, 0] > ESTER["low"]) & (table[:, 0] < ESTER["high"])]
    top = window[np.argmax(window[:, 2]), 0]
    centroid = band_centroid(film, [ESTER])["score"].values[0]
    np.testing.assert_allclose(centroid, 1733.0, atol=2.0)
    np.testing.assert_allclose(centroid, top, atol=5.0)
    assert np.ptp(centroid) < 0.01


@pytest.mark.parametrize("marker", [ESTER, HEIGHT, BEND], ids=lambda one: one["name"])
@pytest.mark.source("computed", "", "scores over thickness")
def test_every_linear_measure_is_proportional_to_the_thickness(films, marker):
    scores = rk.band_score(films[1], [marker])["score"].values[0]
    np.testing.assert_allclose(scores / THICKNESS_NM, scores[0] / THICKNESS_NM[0], rtol=1e-5)


def test_the_height_is_beer_s_law_for_the_published_index(films):
    """4 pi k nu t / ln 10, less what the line through 1690 and 1780 takes away."""
    path, film = films
    wavenumber, _, k = np.loadtxt(path, delimiter=",", skiprows=1).T
    places = np.array([1690.0, 1733.0, 1780.0])
    low, top, high = 4 * np.pi * np.interp(places, wavenumber, k) * places * 250e-7 / np.log(10)
    line = low + (high - low) * (1733 - 1690) / (1780 - 1690)
    height = rk.band_score(film, [HEIGHT])["score"].values[0, 2]
    assert height == pytest.approx(top - line, rel=0.02)
