"""The quality check on open data.

Single spectra of every set at hand, one a file, as a study of points has them: sources in
shared/data/SOURCES.md. Map: diamonds with carbon dioxide (CC BY 4.0), E. Barannik and others,
repository CO2-diamonds-project, commit 9bd8c7c. Read where it lies, not part of the project.
"""

from __future__ import annotations

import zipfile

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import residuekit as rk
from residuekit import schema
from residuekit.spectra.quality import check_quality

pytestmark = pytest.mark.source("computed", "barannik2020", "noise of the pixels of the map")


@pytest.fixture(scope="module")
def stone(local):
    array = xr.load_dataarray(local / "diamond_map" / "map.nc", engine="h5netcdf")
    return schema.make_map(
        array.values, array["wavenumber"].values, array["x"].values, array["y"].values,
        technique="transmission",
    )  # fmt: skip


def test_noisy_pixels_of_a_real_map_are_flagged_and_clean_ones_are_not(stone):
    """Noise by another route: what a cubic leaves of 3000 to 3090, where the stone has no lines."""
    axis = stone["wavenumber"].values
    inside = (axis > 3000) & (axis < 3090)
    rows = stone.values.reshape(-1, axis.size)[:, inside].astype(float)
    cubic = np.linalg.qr(np.vander(np.linspace(-1, 1, inside.sum()), 4))[0]
    noise = (rows - (rows @ cubic) @ cubic.T).std(axis=1)
    ratio = noise / np.median(noise)
    flags = check_quality(stone).array["flag"].values.ravel() & schema.FLAGS["noisy"][0] > 0
    assert 1 <= flags.sum() <= 10
    assert ratio[flags].min() > 2.5
    assert flags[np.argsort(noise)[-3:]].all()
    assert not flags[ratio < 2].any()


def test_the_map_is_fit_and_its_vapour_is_said(stone):
    found = check_quality(stone)
    assert found.failed == ""
    assert found.n_valid > 0.97 * found.n_pixels
    assert any("Vapour lines" in words for words in found.words)
    assert found.counts["dead"] == found.counts["missing"] == found.counts["fringe"] == 0


def _oils(local, _):
    table = pd.read_csv(local / "oils" / "FTIR_Spectra_olive_oils.csv.gz", header=None, skiprows=3)
    numbers = table.to_numpy(dtype=float)
    return [schema.make_points(row, numbers[:, 0], technique="atr") for row in numbers[:, 1:].T]


def _purees(local, _):
    numbers = pd.read_csv(local / "puree" / "spectra.csv.gz", header=None).to_numpy(dtype=float)
    return [schema.make_points(row, numbers[0], technique="atr") for row in numbers[1:]]


def _fibres(local, folder):
    with zipfile.ZipFile(local / "fibres" / "raw_csv_subset.zip") as packed:
        packed.extractall(folder)
    return [rk.read(path) for path in sorted(folder.glob("* - *.csv"))]


def _stones(local, _):
    stone = xr.load_dataarray(local / "diamond_map" / "map.nc", engine="h5netcdf")
    axis = stone["wavenumber"].values
    return [schema.make_points(row, axis) for row in stone.values.reshape(-1, axis.size)]


SETS = {"oils": (_oils, 120), "puree": (_purees, 632), "fibres": (_fibres, 44),
        "diamond_map": (_stones, 352)}  # fmt: skip


@pytest.mark.parametrize("name", SETS)
def test_no_good_spectrum_is_refused_and_a_spike_put_into_it_is_found(name, local, tmp_path):
    """At most 2 % may be refused; of these four sets (1148 spectra) none is. A spike of 30 times
    the spectrum's noise and a tenth of its height goes into a channel of each at random."""
    if not (local / name).is_dir():
        pytest.skip(f"{name} absent")
    read, count = SETS[name]
    spectra = read(local, tmp_path)
    assert len(spectra) == count
    assert [check_quality(one).failed for one in spectra] == [""] * count
    rng = np.random.default_rng(0)
    some = spectra[:: max(1, count // 60)]
    found = 0
    for one in some:
        spoilt = one.copy(deep=True)
        channel = rng.integers(5, one.shape[1] - 5)
        spoilt.values[0, channel] += max(0.1 * np.ptp(one.values), 30 * check_quality(one).noise)
        found += "spike" in check_quality(spoilt).failed
    assert found >= 0.9 * len(some)
