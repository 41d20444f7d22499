"""A real FTIR map through read, procedure and score, against the areas its authors published.

CO2 diamonds data set, E. Barannik and co-authors, public repository CO2-diamonds-project, commit
9bd8c7c (CC BY 4.0): 22 x 16 pixels of 100 um, transmission, and the authors' own CO2 band area of
each pixel, row 0 at the lowest y. Read where it lies, never copied.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import scipy.stats

from residuekit import io
from residuekit.decision.score_maps import band_score
from residuekit.spectra.procedure import Procedure

pytestmark = pytest.mark.source("published", "barannik2020", "the CO2 area of each pixel")

CO2 = {"name": "CO2", "low": 2325, "high": 2410}
PROCEDURE = Procedure.from_steps([{"step": "crop", "low": 2200, "high": 2500}])


@pytest.fixture(scope="module")
def areas(local):
    """Our area of each pixel, and the published one."""
    path = local / "diamond_map" / "map.nc"
    if not path.is_file():
        pytest.skip("the map is absent")
    array = PROCEDURE.apply(io.read(path))
    assert array.shape[:2] == (22, 16)
    score = band_score(array, [CO2])["score"].sel(marker="CO2")
    published = pd.read_csv(path.with_name("published_co2_area.csv"), header=None).to_numpy()
    return score.values, published


def agreement(first, second):
    return scipy.stats.spearmanr(first.ravel(), second.ravel()).statistic


def test_the_co2_area_ranks_the_pixels_as_its_authors_do(areas):
    ours, published = areas
    assert agreement(ours, published) > 0.98


@pytest.mark.parametrize("turned", [np.flipud, np.fliplr, np.rot90], ids=lambda turn: turn.__name__)
def test_a_map_turned_over_would_be_noticed(areas, turned):
    ours, published = areas
    assert agreement(turned(ours), published) < 0.8
