"""The quality check on open data.

Map: diamonds with carbon dioxide (CC BY 4.0), E. Barannik and others, repository
CO2-diamonds-project, commit 9bd8c7c. Read where it lies, not part of the project.
"""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

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
