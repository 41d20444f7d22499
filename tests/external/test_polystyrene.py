"""Band positions of polystyrene.

The film is computed from the optical constants of Myers and others (2018, refractiveindex.info
database, CC0), which are those of a liquid of short chains, with methyl bands at 2957 and 1377 cm-1
(`test_film_constants`). Positions and tolerance: European Pharmacopoeia 2.2.24, from memory: minima
at 3060.0, 2849.5, 1942.9, 1601.2, 1583.0, 1154.5, 1028.3, each within 1.0 for Fourier instruments.
"""

from __future__ import annotations

import numpy as np
import pytest

from residuekit.schema import make_points
from residuekit.spectra.instrument import check_positions

pytestmark = pytest.mark.source("computed", "myers2018", "places in the optical constants")

POSITIONS = (1028.3, 1154.5, 1583.0, 1601.2, 1942.9, 2849.5, 3060.0)


@pytest.fixture(scope="module")
def film(shared):
    table = np.loadtxt(
        shared / "data" / "optical_constants" / "polystyrene_Myers2018.csv",
        delimiter=",", skiprows=1,
    )  # fmt: skip
    axis = np.arange(800.0, 3400.0, 0.5)
    k = np.interp(axis, table[:, 0], table[:, 2])
    return make_points(np.exp(-4 * np.pi * k * axis * 20e-4), axis, quantity="transmittance")


def against(film, **options):
    given = {"coverage": 1.0, "certified_in": "vacuum", "measured_in": "vacuum", **options}
    return check_positions(film, [(place, 0.2) for place in POSITIONS], tolerance=1.0, **given)


@pytest.mark.source("from memory", "pheur2p2p24", "minima of polystyrene, within 1.0 cm-1")
def test_the_minima_lie_where_the_pharmacopoeia_has_them(film):
    """Five within 1.0; the constants themselves are highest at 1029.35 and, flat, at 2850.5."""
    rows = against(film).rows
    outside = [place for place, row in zip(POSITIONS, rows, strict=True) if not row["within"]]
    assert outside == [1028.3, 2849.5]
    assert max(abs(row["difference"]) for row in rows) < 1.3
    assert abs(against(film).factor - 1) < 4e-4


def test_the_place_found_is_that_of_the_highest_constant(film, shared):
    path = shared / "data" / "optical_constants" / "polystyrene_Myers2018.csv"
    table = np.loadtxt(path, delimiter=",", skiprows=1)
    for place, row in zip(POSITIONS, against(film).rows, strict=True):
        near = np.abs(table[:, 0] - place) < 4
        assert row["found"] == pytest.approx(table[near, 0][table[near, 2].argmax()], abs=0.5)


def test_an_axis_that_is_one_in_a_thousand_wrong_fails_and_its_factor_is_told(film):
    stretched = make_points(
        film.values, film["wavenumber"].values / 1.001, quantity="transmittance"
    )
    found = against(stretched)
    assert "3060.0" in found.failed
    assert found.factor == pytest.approx(1.001 * against(film).factor, abs=5e-5)
