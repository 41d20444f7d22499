"""Pure materials against band positions and optical constants from outside the project."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from residuekit.errors import ContractError
from residuekit.simulate import PAINTS, Paint, simulate_map, spectrum
from residuekit.simulate.materials import (
    GELS,
    from_optical_constants,
    gel_response,
    material_names,
    pva_gel,
    response_per_ug,
    vapour,
)
from residuekit.simulate.paints import mix, paint_parts

ROOT = Path(__file__).parents[2]
CONSTANTS = ROOT / "shared/data/optical_constants"
AXIS = np.arange(800.0, 3801.0, 2.0)


def film_maximum(name: str, low: float, high: float) -> float:
    axis = np.arange(low, high, 0.1)
    return float(axis[from_optical_constants(CONSTANTS / name, axis, 1000.0).argmax()])


def test_film_of_pmma_has_its_ester_carbonyl_at_1733() -> None:
    """Optical constants: Tsuda et al. 2018, in the refractiveindex.info database (CC0)."""
    assert film_maximum("PMMA_Tsuda2018_BB.csv", 1700, 1760) == pytest.approx(1733, abs=4)


@pytest.mark.parametrize("position", [3060.0, 2849.5, 1942.9, 1601.2, 1583.0, 1154.5, 1028.3])
@pytest.mark.source("from memory", "pheur2p2p24", "bands of polystyrene")
def test_film_of_polystyrene_has_its_bands(position: float) -> None:
    """Constants: Myers et al. 2018 (refractiveindex.info, CC0); positions: Ph. Eur. 2.2.24.

    The positions are from memory; +-1.5 cm-1 because a thin film without interference is not the
    38 um film whose minima the pharmacopoeia lists.
    """
    found = film_maximum("polystyrene_Myers2018.csv", position - 7, position + 7)
    assert found == pytest.approx(position, abs=1.5)


def test_film_absorbance_is_proportional_to_thickness() -> None:
    thin = from_optical_constants(CONSTANTS / "PMMA_Tsuda2018_BB.csv", AXIS, 10.0)
    thick = from_optical_constants(CONSTANTS / "PMMA_Tsuda2018_BB.csv", AXIS, 1000.0)
    np.testing.assert_allclose(100 * thin, thick, rtol=1e-12)


def test_constants_that_do_not_cover_the_axis_are_refused() -> None:
    with pytest.raises(ContractError, match="an axis inside the optical constants, 9"):
        from_optical_constants(CONSTANTS / "Ge_Amotchkina2020.csv", [800.0, 1000.0], 100.0)


def test_a_paint_can_be_made_of_optical_constants() -> None:
    binder = CONSTANTS / "PMMA_Tsuda2018_BB.csv"
    paint = Paint({binder: 0.6}, {"kaolin": 0.1})
    data, _ = simulate_map(paint, (4, 4), AXIS, seed=2)
    mean = data.mean(("y", "x"))
    assert float(mean.sel(wavenumber=slice(1700, 1760)).idxmax()) == pytest.approx(1733, abs=4)


@pytest.mark.parametrize(
    ("material", "listed"),
    [
        ("polyvinyl alcohol", "poly(vinyl alcohol), fully hydrolysed"),
        ("agar", "agar"),
        ("alkyd resin", "alkyd (o-phthalate)"),
        ("butyl methacrylate resin", "p(nBMA)"),
        ("ethoxylate surfactant", "ethoxylate surfactant / PEG"),
        ("kaolin", "kaolinite"),
        ("calcite", "calcite"),
        ("gypsum", "gypsum"),
        ("baryte", "baryte"),
        ("silica", "silica"),
        ("starch", "starch"),
        ("zinc soap", "zinc carboxylates"),
        ("mineral oil", "mineral oil (soil)"),
        ("gelatine", "gelatine"),
    ],
)
def test_the_strongest_fingerprint_band_stands_in_the_band_table(
    material: str, listed: str
) -> None:
    """Positions and ranges: shared/bands/bands.csv, which names a source for each."""
    with (ROOT / "shared/bands/bands.csv").open(encoding="utf-8") as file:
        bands = [row for row in csv.DictReader(file) if row["material"] == listed]
    grid = np.arange(700.0, 4000.0, 0.5)
    top = grid[spectrum(material, grid).argmax()]
    nearest = min(
        max(float(b["low"]) - top, top - float(b["high"]), 0.0) for b in bands if b["low"]
    )
    assert nearest <= 10.0


def test_one_microgram_absorbs_as_beers_law_says() -> None:
    """1 ug cm-2 at 1.3 g cm-3 is 7.69 nm; A = 2 * 4 pi k nu t / ln 10 (Beer's law)."""
    by_hand = 2 * 4 * np.pi * 0.2 * 1090 * 7.6923e-7 / np.log(10)
    assert response_per_ug(1090.0) == pytest.approx(by_hand, rel=1e-4)
    peak = gel_response("PVA cryogel", AXIS)[(AXIS > 1000) & (AXIS < 1200)].max()
    assert peak == pytest.approx(1.85e-3, rel=0.03)


def test_residual_acetate_raises_the_acetate_bands_alone() -> None:
    more = pva_gel(AXIS, acetate_fraction=0.12) - pva_gel(AXIS, acetate_fraction=0.0)
    assert AXIS[more.argmax()] == pytest.approx(1735, abs=2)
    assert more[AXIS == 1092.0] < 0.1 * more.max()


@pytest.mark.parametrize("name", material_names())
def test_every_material_is_smooth_positive_and_peaks_at_one(name: str) -> None:
    values = spectrum(name, np.arange(700.0, 4000.5, 0.5))
    assert values.min() >= 0
    assert values.max() == pytest.approx(1.0)


def test_a_material_is_the_same_on_any_axis() -> None:
    fine = spectrum("kaolin", np.arange(800.0, 1200.0, 0.5))
    np.testing.assert_array_equal(fine[::8], spectrum("kaolin", np.arange(800.0, 1200.0, 4.0)))


def test_every_gel_and_paint_is_made_of_known_materials() -> None:
    for gel in GELS:
        assert gel_response(gel, AXIS).max() > 0
    for paint in PAINTS.values():
        assert mix(paint.binder, AXIS).max() > 0.2


def test_a_misspelt_material_is_answered_with_the_right_one() -> None:
    with pytest.raises(ContractError, match="did you mean 'kaolin'"):
        spectrum("kaoline", AXIS)
    with pytest.raises(ContractError, match="did you mean 'alkyd'"):
        paint_parts("alkid", AXIS)


@pytest.mark.source("from memory", "", "lines of water vapour")
def test_vapour_lines_stand_on_the_acetate_carbonyl() -> None:
    """Water lines near 1734 and 1740 cm-1: seen in open gas spectra; positions from memory."""
    axis = np.arange(1640.0, 1780.0, 0.25)
    lines = vapour(axis, resolution=0.5)
    for position in (1653.0, 1699.0, 1717.0, 1734.0, 1740.0, 1772.0):
        near = np.abs(axis - position) <= 0.75
        assert lines[near].max() > 10 * np.median(lines)


def test_vapour_keeps_its_area_at_any_resolution() -> None:
    axis = np.arange(1000.0, 2200.0, 0.1)
    areas = [vapour(axis, resolution).sum() for resolution in (1.0, 4.0, 16.0)]
    np.testing.assert_allclose(areas, areas[0], rtol=0.01)


def test_ageing_broadens_the_carbonyl_and_grows_hydroxyl() -> None:
    new = paint_parts("alkyd", AXIS)[0]
    old = paint_parts("alkyd", AXIS, ageing_h=5000.0)[0]
    carbonyl = (AXIS > 1600) & (AXIS < 1850)
    widths = [(part[carbonyl] > part[carbonyl].max() / 4).sum() * 2.0 for part in (new, old)]
    assert widths[1] > widths[0] + 2.0
    at_hydroxyl = AXIS == 3420.0
    assert old[at_hydroxyl] > new[at_hydroxyl]
    assert old[AXIS == 1726.0] < new[AXIS == 1726.0]
