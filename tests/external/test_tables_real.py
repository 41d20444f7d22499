"""Real tables and maps, read where they lie and never copied (shared/data/SOURCES.md)."""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from residuekit.io import describe, read, write
from residuekit.schema import FLAGS, make_points, source

pytestmark = pytest.mark.source("computed", "", "what the files declare")

ROOT = Path(__file__).resolve().parents[2]
LOCAL = ROOT.parent / "shared" / "data" / "local"
OILS = LOCAL / "oils" / "FTIR_Spectra_olive_oils.csv.gz"
MAP = LOCAL / "diamond_map" / "map.nc"
FIBRES = LOCAL / "fibres" / "raw_csv_subset.zip"
VAPOUR = LOCAL / "vapour"

needs_oils = pytest.mark.skipif(not OILS.exists(), reason="local data absent")
needs_map = pytest.mark.skipif(not MAP.exists(), reason="local data absent")
needs_fibres = pytest.mark.skipif(not FIBRES.exists(), reason="local data absent")
needs_vapour = pytest.mark.skipif(not VAPOUR.exists(), reason="local data absent")


@needs_oils
@pytest.mark.source("computed", "tapp2003", "C=O 1744 cm-1, from the data")
def test_the_ester_carbonyl_of_olive_oils_is_at_1744(tmp_path):
    """Tapp and others, J. Agric. Food Chem. 51 (2003) 6110: 60 oils measured twice, ATR."""
    table = pd.read_csv(OILS, header=None, skiprows=3)
    oils = make_points(table.iloc[:, 1:].to_numpy().T, table[0], technique="atr")
    oils = read(write(oils, tmp_path / "oils.csv"))
    assert oils.shape == (120, 570)
    carbonyl = oils.sel(wavenumber=slice(1700, 1780))
    maxima = carbonyl["wavenumber"][carbonyl.argmax("wavenumber")]
    assert np.abs(maxima - 1744).max() <= 1


@needs_map
@pytest.mark.source("published", "barannik2020", "the CO2 area of each pixel")
def test_the_diamond_map_is_the_right_way_up():
    """E. Barannik and co-authors, CO2-diamonds-project (CC BY 4.0): map and published CO2 areas."""
    array = read(MAP)
    assert array.shape == (22, 16, 3527)
    assert (array.name, array.attrs["technique"], array["x"].attrs["units"]) == (
        "absorbance", "transmission", "um",
    )  # fmt: skip
    published = pd.read_csv(MAP.with_name("published_co2_area.csv"), header=None).to_numpy()
    band = array.sel(wavenumber=slice(2325, 2410)).astype(float)
    nu = band["wavenumber"].values
    ends = band.values[..., [0, -1]]
    line = ends[..., :1] + (ends[..., 1:] - ends[..., :1]) * (nu - nu[0]) / (nu[-1] - nu[0])
    area = np.trapezoid(band.values - line, nu, axis=-1)

    def agreement(turned):
        return scipy.stats.spearmanr(turned.ravel(), published.ravel()).statistic

    assert agreement(area) > 0.98
    assert agreement(area[::-1]) < 0.8
    assert agreement(area[:, ::-1]) < 0.8


@needs_map
@pytest.mark.parametrize("name", ["m.nc", "m.csv"])
def test_the_diamond_map_survives_writing_and_reading(tmp_path, name):
    array = read(MAP)[:, :, ::20]
    back = read(write(array, tmp_path / name))
    assert back.equals(array)


@needs_map
def test_the_diamond_map_is_described():
    found = describe(MAP)
    assert found.grid == "22 rows (y) x 16 columns (x); y 100 um apart, x 100 um apart"
    assert found.spacing == "0.964274 cm-1 apart"
    assert not found.warnings


@needs_vapour
@pytest.mark.parametrize(
    ("name", "n"), [("measured", 3430), ("compensated", 3430), ("gas_background", 3527)]
)
def test_descending_and_ascending_two_column_files_come_out_ascending(name, n):
    array = read(VAPOUR / f"{name}.csv")
    assert array.shape == (1, n)
    assert array.name == "absorbance"
    raw = np.loadtxt(VAPOUR / f"{name}.csv", delimiter=",", skiprows=1)
    order = np.argsort(raw[:, 0])
    np.testing.assert_array_equal(array["wavenumber"], raw[order, 0])
    np.testing.assert_array_equal(array[0], raw[order, 1].astype(np.float32))


@needs_fibres
def test_cellulose_acetate_fibres_show_their_ester_and_keep_what_is_above_100_percent(tmp_path):
    """FasTEX-KCL, commit 73ffa1e (MIT): ATR in %T; bands of cellulose acetate 1736, 1367, 1217."""
    with zipfile.ZipFile(FIBRES) as archive:
        archive.extract("Acetate - 1.csv", tmp_path)
    array = read(tmp_path / "Acetate - 1.csv", technique="atr")
    assert (array.name, array.shape) == ("transmittance", (1, 3451))
    found = source(array)
    assert found["scale"] == "percent, divided by 100"
    assert found["title"].startswith("Created as New Dataset")
    assert array.max() > 1
    assert array["flag"].values.tolist() == [FLAGS["over_range"][0]]
    assert array["valid"].all()
    for position in (1736, 1367, 1217):
        near = array[0].sel(wavenumber=slice(position - 20, position + 20))
        assert abs(near["wavenumber"][near.argmin("wavenumber")] - position) <= 5
