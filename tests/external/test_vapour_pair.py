"""A stone measured without and with the instrument's own vapour compensation, and a gas background.

Open data (CC BY 4.0): CO2 diamonds data set of E. Barannik and others, repository
CO2-diamonds-project, commit 9bd8c7c. Read where they lie, not part of the project.
"""

from __future__ import annotations

import numpy as np
import pytest

from residuekit import io, schema
from residuekit.kernels.bands import height_weights
from residuekit.spectra.corrections import subtract_vapour

pytestmark = pytest.mark.source("computed", "barannik2020", "lines fall three times, by the data")


@pytest.fixture(scope="module")
def pair(local, tmp_path_factory):
    """(axis, measured, corrected by the gas background, compensated by the instrument)."""
    columns = {
        name: np.loadtxt(local / "vapour" / f"{name}.csv", delimiter=",", skiprows=1).T
        for name in ("measured", "compensated", "gas_background")
    }
    file = tmp_path_factory.mktemp("vapour") / "gas.nc"
    io.write(schema.make_points(columns["gas_background"][1], columns["gas_background"][0]), file)
    measured = schema.make_points(columns["measured"][1], columns["measured"][0])
    corrected = subtract_vapour(measured, str(file))
    axis = measured["wavenumber"].values
    return axis, measured.values[0], corrected.values[0], columns["compensated"][1][::-1]


def roughness(axis, spectrum):
    inside = (axis > 1500) & (axis < 1900)
    return np.sqrt(np.mean(np.diff(spectrum[inside], n=2) ** 2))


def test_lines_fall_three_times_or_more_and_no_less_than_by_the_instrument_itself(pair):
    axis, measured, corrected, compensated = pair
    fall = roughness(axis, measured) / roughness(axis, corrected)
    assert fall >= 3
    assert fall >= 0.95 * roughness(axis, measured) / roughness(axis, compensated)


def test_no_false_band_at_1735(pair):
    """The height at 1735 is one of many within what is left around it, and was not before."""
    axis, measured, corrected, _ = pair

    def height(spectrum, place):
        anchors = ((place - 25, place - 15), (place + 15, place + 25))
        return float(height_weights(axis, place, anchors) @ spectrum)

    places = [place for place in np.arange(1600.0, 1860.0, 1.0) if abs(place - 1735) > 10]
    scatter = np.std([height(corrected, place) for place in places])
    assert abs(height(corrected, 1735.0)) < 2 * scatter
    assert height(measured, 1735.0) > 4 * abs(height(corrected, 1735.0))


def test_outside_the_range_nothing_has_changed(pair):
    axis, measured, corrected, _ = pair
    outside = (axis < 1299) | (axis > 2001)
    np.testing.assert_array_equal(measured[outside], corrected[outside])
