"""Corrections as steps: what each does to labelled arrays, their flags and their history."""

from __future__ import annotations

import numpy as np
import pytest

import residuekit as rk
from residuekit import io, schema
from residuekit.errors import ContractError, ProcedureError
from residuekit.spectra.optics import optical_constants
from residuekit.spectra.parameters import STEPS
from residuekit.spectra.procedure import Procedure

AXIS = np.arange(1000.0, 2600.0, 2.0)


def points(rows, quantity="absorbance", technique="unknown"):
    return schema.make_points(np.atleast_2d(rows), AXIS, quantity=quantity, technique=technique)


def band(place=1735.0, width=15.0):
    return np.exp(-(((AXIS - place) / width) ** 2))


def lines(axis):
    places = (1653, 1699, 1717, 1734, 1740, 1772, 1830, 1844, 1869, 1889)
    return sum(np.exp(-(((axis - place) / 4) ** 2)) for place in places)


def vapour_file(folder, low=900.0, high=2700.0):
    axis = np.arange(low, high, 1.0)
    io.write(schema.make_points(lines(axis), axis), folder / "vapour.nc")
    return str(folder / "vapour.nc")


def test_carbon_dioxide_is_bridged_by_a_straight_line_and_nothing_else_changes():
    line = 0.1 + 1e-4 * AXIS
    result = rk.bridge(points(line + 0.4 * band(2350) + band()))
    np.testing.assert_allclose(
        result.values[0], line + band() + 0.4 * band(2350) * (np.abs(AXIS - 2335) > 56), atol=1e-4
    )
    assert schema.history(result)[-1] == {
        "step": "bridge", "low": 2280.0, "high": 2390.0, "side": 3
    }  # fmt: skip


def test_a_range_off_the_axis_is_left_and_one_at_its_end_is_refused():
    array = points(band())
    np.testing.assert_array_equal(rk.bridge(array, 3000, 3100), array)
    with pytest.raises(ProcedureError, match="3 channels"):
        rk.bridge(array, 2500, 2700)


def test_despiking_makes_a_spiked_pixel_valid_again():
    rows = np.tile(0.3 * band(), (4, 1)) + np.random.default_rng(0).normal(0, 1e-3, (4, AXIS.size))
    rows[2, 300] += 0.5
    judged = rk.check_quality(points(rows)).array
    assert judged["valid"].values.tolist() == [True, True, False, True]
    mended = rk.despike(judged)
    assert mended["valid"].all()
    assert not mended["flag"].any()
    assert abs(mended.values[2, 300] - 0.3 * band()[300]) < 0.01


def test_vapour_goes_and_the_band_under_it_stays(tmp_path):
    file = vapour_file(tmp_path)
    array = points(0.5 * band() + 0.05 * lines(AXIS - 0.4))
    result = rk.subtract_vapour(array, file)
    np.testing.assert_allclose(result.values[0], 0.5 * band(), atol=0.002)
    entry = schema.history(result)[-1]
    again = Procedure.from_steps([{**entry, "sha256": io.sha256(tmp_path / "vapour.nc")}])
    np.testing.assert_array_equal(again.apply(array), result)


@pytest.mark.parametrize(
    ("changes", "words"),
    [({"file": "nowhere.nc"}, "no file"), ({"sha256": "0" * 64}, "another sha256"),
     ({"fit_low": 1900.0, "fit_high": 1800.0}, "fit_low below fit_high"),
     ({"sha256": "abc"}, "64 hexadecimal"), ({"file": ""}, "the path of a file")],
)  # fmt: skip
def test_a_vapour_file_that_does_not_fit_is_refused(tmp_path, changes, words):
    with pytest.raises(ProcedureError, match=words):
        rk.subtract_vapour(points(band()), **{"file": vapour_file(tmp_path), **changes})


def test_vapour_of_too_short_a_range_is_refused(tmp_path):
    with pytest.raises(ProcedureError, match="at least"):
        rk.subtract_vapour(points(band()), vapour_file(tmp_path, 1500.0, 1880.0))


def test_atr_depth_multiplies_by_the_wavenumber():
    result = rk.correct_atr_depth(points(band(), technique="atr"), reference=1735)
    np.testing.assert_allclose(result.values[0], band() * AXIS / 1735, rtol=1e-6, atol=1e-30)
    with pytest.raises(ContractError, match="'atr'"):
        rk.correct_atr_depth(points(band(), technique="transmission"))


def test_kubelka_munk_changes_the_quantity_and_needs_reflectance():
    result = rk.kubelka_munk(points(np.full(AXIS.size, 0.5), "reflectance", "reflection"))
    assert result.name == "kubelka_munk"
    np.testing.assert_allclose(result, 0.25)
    with pytest.raises(ContractError, match="reflectance"):
        rk.kubelka_munk(points(band()))


def oscillator():
    return np.sqrt(2.25 + 150**2 / (1730**2 - AXIS**2 - 1j * 20 * AXIS))


def test_specular_reflection_gives_n_k_and_the_coefficient_and_is_not_called_mixed():
    index = oscillator()
    array = points(np.abs((index - 1) / (index + 1)) ** 2, "reflectance", "reflection")
    found = optical_constants(array)
    near = np.abs(AXIS - 1730) < 100
    np.testing.assert_allclose(found["absorption_index"][0, near], index.imag[near], atol=5e-3)
    np.testing.assert_allclose(found["refractive_index"][0, near], index.real[near], atol=0.02)
    np.testing.assert_allclose(
        found["absorption_coefficient"][0],
        4 * np.pi * AXIS * found["absorption_index"][0],
        rtol=1e-5,
    )
    assert not found["mixed"].any()
    assert rk.kramers_kronig(array).name == "absorption_index"


def test_reflection_with_light_from_below_is_flagged_as_mixed():
    index = oscillator()
    specular = np.abs((index - 1) / (index + 1)) ** 2
    from_below = 0.15 * 10 ** (-3 * band(1730, 20))
    mixed = rk.kramers_kronig(points([specular, from_below, 0.5 * specular + from_below],
                                             "reflectance", "reflection"))  # fmt: skip
    flags = mixed["flag"].values & schema.FLAGS["derivative"][0]
    assert (flags > 0).tolist() == [False, True, True]


def test_two_axes_meet_on_a_common_one():
    def on(axis):
        rows = np.exp(-(((axis - 1735) / 15) ** 2)) + 1e-4 * axis
        return rk.resample(schema.make_points(rows, axis), 4.0, 1100.0, 2400.0)

    one, other = on(np.arange(1000.3, 2600, 1.93)), on(np.arange(1001.0, 2500, 0.96))
    np.testing.assert_array_equal(one["wavenumber"], other["wavenumber"])
    np.testing.assert_allclose(one, other, atol=2e-4)
    free = rk.resample(points(band()), 8.0)
    assert (free["wavenumber"].values % 8 == 0).all()


def test_resampling_beyond_the_axis_is_refused():
    with pytest.raises(ProcedureError, match="inside the axis"):
        rk.resample(points(band()), 4.0, low=500.0)


def test_a_missing_value_takes_its_spectrum_through_every_correction(tmp_path):
    rows = np.tile(0.2 + 0.1 * band(), (2, 1))
    rows[1, 5] = np.nan
    file = vapour_file(tmp_path)
    steps = {"bridge": {}, "despike": {}, "resample": {"spacing": 4}, "correct_atr_depth": {},
             "subtract_vapour": {"file": file}}  # fmt: skip
    for step, parameters in steps.items():
        result = STEPS[step](points(rows), **parameters)
        assert result["valid"].values.tolist() == [True, False], step
        lazy = STEPS[step](points(rows).chunk({"spectrum": 1}), **parameters)
        assert lazy.chunks is not None
        np.testing.assert_allclose(lazy, result, rtol=1e-5, atol=1e-7)
    for step in ("kubelka_munk", "kramers_kronig"):
        result = STEPS[step](points(rows, "reflectance"))
        assert result["valid"].values.tolist() == [True, False], step
