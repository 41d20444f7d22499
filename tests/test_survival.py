"""What survives of a gel band, step by step, on simulated blanks (invented data)."""

from __future__ import annotations

import numpy as np
import pytest

from residuekit.errors import ContractError
from residuekit.schema import make_map, make_points
from residuekit.simulate import simulate_map
from residuekit.simulate.materials import gel_response
from residuekit.spectra.procedure import Procedure
from residuekit.spectra.survival import band_survival

USE = ["pva C-O 1092"]
CROP = {"step": "crop", "low": 820, "high": 3780}
BLANK = simulate_map("acrylic", (8, 8), seed=1)[0]
AXIS = BLANK["wavenumber"].values
GEL = make_points(50 * gel_response("PVA cryogel", AXIS), AXIS)


def share(*steps, blank=BLANK, use=USE, **options):
    found = band_survival(Procedure.from_steps(steps), blank, GEL, use, **options)
    return found.last()[0]["share"]


@pytest.mark.parametrize(
    "steps",
    [
        [CROP],
        [CROP, {"step": "correct_baseline", "smoothness": 1e6}],
        [CROP, {"step": "correct_baseline", "method": "rubber band"}],
        [CROP, {"step": "despike"}, {"step": "smooth", "window": 5}],
        [{"step": "resample", "spacing": 6}],
        [{"step": "bridge"}],
    ],
)
def test_steps_that_spare_the_band_or_only_change_its_unit_leave_all_of_it(steps):
    assert share(*steps) == pytest.approx(1.0, abs=0.04)


def test_a_change_of_unit_is_no_loss():
    far = {"step": "normalise", "method": "area", "low": 1950, "high": 2700}
    silent = make_points(np.where(np.abs(AXIS - 1092) < 150, GEL.values, 0.0), AXIS)
    one = band_survival(Procedure.from_steps([CROP, far]), BLANK, silent, USE)
    assert one.last()[0]["share"] == pytest.approx(1.0, abs=1e-3)
    touching = make_map(BLANK.values, AXIS, technique="atr")
    depth = {"step": "correct_atr_depth", "reference": 2000}
    assert share(depth, blank=touching) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.source("computed", "", "a true 10 % reads 4.8 %")
def test_the_worked_example_of_an_overlapped_internal_standard():
    # Paint 0.60 at 1735, residue +0.03 there and +0.02 on 0.20 at 1090: a true +10 % reads +4.8 %
    # (arithmetic: (0.22/0.63)/(0.20/0.60) - 1), so 48 % survives.
    def shape(first, second):
        bands = ((1090, first), (1735, second))
        return sum(h * np.exp(-(((AXIS - p) / 12) ** 2)) for p, h in bands)

    blank = make_points(shape(0.20, 0.60), AXIS)
    gel = make_points(shape(0.02, 0.03), AXIS)
    standard = {"step": "normalise", "method": "internal standard", "low": 1680, "high": 1790}
    found = band_survival(Procedure.from_steps([standard]), blank, gel, USE, height=0.02)
    assert found.last()[0]["share"] == pytest.approx(0.476, abs=0.01)


@pytest.mark.parametrize("derivative", [1, 2])
def test_a_derivative_of_a_wide_band_survives_a_narrow_window_and_not_a_wide_one(derivative):
    fine = np.arange(900.0, 1300.0, 1.0)
    band = np.exp(-(((fine - 1092) / 20) ** 2))
    noise = np.random.default_rng(0).normal(0, 1e-4, (8, fine.size))
    kept = [
        band_survival(
            Procedure.from_steps([{"step": "smooth", "window": window, "order": 3,
                                   "derivative": derivative}]),
            make_points(noise, fine), make_points(band, fine), USE,
        ).last()[0]["share"]
        for window in (7, 71)
    ]  # fmt: skip
    assert kept[0] == pytest.approx(1.0, abs=0.02)
    assert kept[1] < 0.8


def test_the_step_that_eats_the_band_is_named_among_those_that_do_not():
    steps = [CROP, {"step": "correct_baseline"}, {"step": "smooth", "window": 35},
             {"step": "despike"}]  # fmt: skip
    found = band_survival(Procedure.from_steps(steps), BLANK, GEL, ["acetate C=O 1735"])
    (eaten,) = found.eaten()
    assert (eaten["number"], eaten["step"]) == (3, "smooth")
    assert eaten["survives"] < 0.5
    assert "most is lost in step 3, smooth" in str(found)
    assert [row["number"] for row in found.rows] == [1, 2, 3, 4]


def test_a_baseline_that_follows_the_band_is_caught():
    steps = [CROP, {"step": "correct_baseline", "method": "asymmetric least squares",
                    "smoothness": 10.0, "asymmetry": 0.4}]  # fmt: skip
    assert share(*steps) < 0.8


def test_a_bridged_band_is_gone():
    assert share({"step": "bridge", "low": 1040, "high": 1150}) < 0.1


def test_transmittance_is_injected_as_light_lost():
    light = make_map(10.0**-BLANK.values, AXIS, quantity="transmittance")
    assert share({"step": "to_absorbance"}, CROP, blank=light) == pytest.approx(1.0, abs=1e-3)


def test_after_a_conversion_the_band_is_injected_into_its_result():
    reflected = make_map(0.1 + 0 * BLANK.values, AXIS, quantity="reflectance")
    found = band_survival(
        Procedure.from_steps([{"step": "kubelka_munk"}, {"step": "smooth", "window": 5}]),
        reflected, GEL, USE, height=0.01,
    )  # fmt: skip
    assert [(row["number"], row["step"]) for row in found.rows] == [(2, "smooth")]
    assert found.last()[0]["share"] == pytest.approx(1.0, abs=0.05)


def test_a_marker_the_gel_does_not_show_has_no_row_and_an_empty_blank_is_refused():
    none = make_points(np.zeros(AXIS.size), AXIS)
    assert band_survival(Procedure(), BLANK, none, USE).rows == ()
    with pytest.raises(ContractError, match="valid spectrum"):
        band_survival(Procedure(), make_points(np.full((1, AXIS.size), np.nan), AXIS), GEL, USE)
