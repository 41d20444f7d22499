"""Each fault of a pixel has its flag and sentence; what must fail a map does (invented maps)."""

from __future__ import annotations

import re
import tomllib
from importlib.resources import files

import numpy as np
import pytest

import residuekit as rk
from benchmarks import quality_rates
from residuekit import schema
from residuekit.simulate import simulate_map
from residuekit.simulate.maps import Instrument, Texture
from residuekit.spectra.quality import EXCLUDING, THRESHOLDS


def sound(technique="transflection", paint="acrylic", seed=3):
    return simulate_map(
        paint, (12, 12), seed=seed, instrument=Instrument(technique=technique, vapour=0.0)
    )[0]


def changed(array, pixels, change):
    """The map with `change(row)` in some pixels (flat numbers)."""
    values = array.values.reshape(-1, array.shape[-1]).astype(float)
    values[pixels] = [change(row) for row in values[pixels]]
    return schema.make_map(
        values.reshape(array.shape), array.wavenumber.values, array.x.values, array.y.values,
        quantity=str(array.name), technique=array.attrs["technique"],
    )  # fmt: skip


def flagged(found, name):
    return np.flatnonzero(found.array["flag"].values.ravel() & schema.FLAGS[name][0]).tolist()


def test_a_sound_map_has_no_flag_no_words_and_its_noise_with_window_and_n():
    found = rk.check_quality(sound())
    assert not found.array["flag"].any()
    assert (found.failed, found.words) == ("", ())
    assert found.n_valid == found.n_pixels == 144
    numbers = found.numbers
    assert (numbers["noise_low"], numbers["noise_high"], numbers["noise_n"]) == (2000, 2200, 51)
    assert 4 < numbers["noise_peak_to_peak"] / numbers["noise_rms"] < 5
    assert set(found.row()) >= {f"n_{name}" for name in schema.FLAGS}
    short = rk.check_quality(sound().sel(wavenumber=slice(900, 1900))).numbers
    assert short["noise_n"] == 0
    assert np.isnan([short["noise_low"], short["noise_high"]]).all()


@pytest.mark.parametrize("case", quality_rates.CASES, ids=lambda case: f"{case.flag} {case.size}")
def test_a_known_fault_is_found_as_often_as_the_table_says_and_no_sound_pixel_is(case):
    array, hit = quality_rates.spoil(
        simulate_map("acrylic", (24, 24), seed=5)[0], case, np.random.default_rng(2)
    )
    found = np.isin(np.arange(hit.size), flagged(rk.check_quality(array), case.flag))
    least = {"noise x 2.8 (below)": 0.0, "lines 0.004 A": 0.1, "0.005 A": 0.6}.get(case.size, 0.95)
    assert found[hit].mean() >= least
    assert found[~hit].mean() <= 0.002


@pytest.mark.parametrize("name", EXCLUDING)
def test_what_spoils_a_score_is_left_out_and_said(name):
    case = next(case for case in quality_rates.CASES if case.flag == name)
    base = simulate_map(
        "acrylic", (12, 12), seed=3, instrument=Instrument(technique=case.technique)
    )[0]
    array, _ = quality_rates.spoil(base, case, np.random.default_rng(4))
    found = rk.check_quality(array)
    assert not found.array["valid"].values.ravel()[flagged(found, name)].any()
    (sentence,) = [words for words in found.words if f" pixels {name}:" in words]
    assert schema.FLAGS[name][1] in sentence
    assert sentence.endswith("left out.")
    assert f"{found.counts[name]} of 144" in sentence


def test_saturation_is_counted_and_takes_a_pixel_out_only_where_it_is_scored():
    array = changed(sound(paint="alkyd"), [7, 8], lambda row: row * 1.4 / row.max())
    top = float(array.wavenumber[array.values.reshape(144, -1)[7].argmax()])
    everywhere = rk.check_quality(array)
    assert flagged(everywhere, "saturated") == [7, 8]
    assert everywhere.n_valid == 144
    assert rk.check_quality(array, windows=[(2000, 2200)]).n_valid == 144
    scored = rk.check_quality(array, windows=[(2000, 2200), (top - 20, top + 20)])
    assert scored.n_valid == 142
    assert "2 of 144 pixels saturated" in scored.words[0]


def test_transmittance_is_saturated_as_its_absorbance_is():
    absorbance = changed(sound(), [3], lambda row: row * 1.4 / row.max())
    transmittance = schema.make_map(
        10.0**-absorbance.values, absorbance.wavenumber.values, quantity="transmittance"
    )
    assert flagged(rk.check_quality(transmittance), "saturated") == [3]


@pytest.mark.parametrize(
    ("technique", "change", "word"),
    [
        ("transflection", lambda row: np.full_like(row, 0.1), "dead"),
        ("transflection", lambda row: row * 1.5 / row.max(), "saturated"),
    ],
)
def test_a_map_that_is_mostly_spoilt_fails_with_the_reason(technique, change, word):
    array = changed(sound(technique), range(80), change)
    found = rk.check_quality(array, windows=[(800, 3800)])
    assert found.failed == f"only 44% of 144 pixels are valid (80 {word})"
    assert found.words[-1].startswith("Not fit to be judged: only 44%")
    assert rk.check_quality(array, windows=[(800, 3800)], least_valid=0.4).failed == ""


def test_contact_is_asked_of_maps_by_atr_alone():
    def part(row):
        return row * 0.3

    assert flagged(rk.check_quality(changed(sound("atr"), [5], part)), "contact") == [5]
    assert flagged(rk.check_quality(changed(sound(), [5], part)), "contact") == []


def test_fringes_are_said_with_period_thickness_and_that_no_step_removes_them():
    wave = 0.005 * np.cos(2 * np.pi * sound().wavenumber.values / 120)
    found = rk.check_quality(changed(sound(), range(20), lambda row: row + wave))
    assert found.counts["fringe"] == 20
    assert found.numbers["fringe_period"] == pytest.approx(120, rel=0.05)
    # d = 1 / (2 n period): 1e4 um / (2 x 1.5 x 120) = 27.8 um.
    assert found.numbers["fringe_thickness_um"] == pytest.approx(27.8, rel=0.05)
    assert any("no step removes them" in words for words in found.words)


def test_vapour_below_the_noise_of_a_pixel_is_seen_in_the_mean():
    array = simulate_map("acrylic", (24, 24), seed=1, instrument=Instrument(vapour=3e-3))[0]
    clean = simulate_map("acrylic", (24, 24), seed=1, instrument=Instrument(vapour=0.0))[0]
    found, other = rk.check_quality(array), rk.check_quality(clean)
    assert found.numbers["vapour_excess"] > 2 > other.numbers["vapour_excess"]
    assert any("Vapour lines" in words for words in found.words)
    assert other.words == ()


def test_uneven_texture_and_gaps_below_half_a_depth_are_no_faults():
    texture = Texture(thickness=0.1, filler=0.2, contact_gap_um=0.0)
    found = rk.check_quality(simulate_map("alkyd", (16, 16), seed=2, texture=texture)[0])
    assert not found.array["flag"].any()


@pytest.mark.parametrize("count", [1, 2, 5, 40])
def test_short_axes_and_empty_maps_are_judged_by_what_they_allow(count):
    tiny = schema.make_map(np.random.default_rng(0).random((2, 2, count)), np.arange(count) + 900.0)
    assert rk.check_quality(tiny).n_pixels == 4
    nothing = rk.check_quality(
        schema.make_map(np.full((2, 2, count), np.nan), np.arange(count) + 900.0)
    )
    assert nothing.failed == "only 0% of 4 pixels are valid (4 missing)"


def test_a_lazy_map_is_judged_as_the_other_is():
    array = sound()
    lazy = rk.check_quality(array.chunk({"y": 4}))
    assert lazy.row() == pytest.approx(rk.check_quality(array).row(), nan_ok=True)


def test_the_template_names_every_threshold_with_its_default():
    """`saturation` stands there for a map; every line can be used as it is."""
    text = files("residuekit").joinpath("data/new_study/study.toml").read_text("utf-8")
    part = text[text.index("[quality]") : text.index("[figure]")]
    typed = tomllib.loads("\n".join(re.findall(r"^# (\w+ = .*)$", part, flags=re.M)))
    assert typed == {**THRESHOLDS, "saturation": 1.2}


def test_only_the_range_that_is_scored_takes_a_pixel_out():
    array = changed(sound(), [4], lambda row: np.where(np.arange(row.size) == 700, row + 0.5, row))
    place = float(array.wavenumber[700])
    assert flagged(rk.check_quality(array), "spike") == [4]
    assert flagged(rk.check_quality(array, scored=(place - 99, place + 99)), "spike") == [4]
    assert flagged(rk.check_quality(array, scored=(800, place - 9)), "spike") == []
    gap = changed(sound(), [4], lambda row: np.where(np.arange(row.size) == 700, np.nan, row))
    assert rk.check_quality(gap).counts["missing"] == 1
    assert rk.check_quality(gap, scored=(800, place - 9)).counts["missing"] == 0


def test_what_a_step_bridged_holds_no_spike():
    array = changed(sound(), [4], lambda row: np.where(np.arange(row.size) == 300, row + 0.5, row))
    place = float(array.wavenumber[300])
    for side in (1, 3):
        bridged = rk.bridge(array, place - 1, place + 1, side=side)
        assert flagged(rk.check_quality(bridged), "spike") == []


def test_standardised_spectra_and_opaque_bands_are_not_saturated_or_spiked():
    array = sound(paint="alkyd")
    values = array.values.reshape(144, -1).astype(float)
    standard = (values - values.mean(axis=1, keepdims=True)) / values.std(axis=1, keepdims=True)
    points = schema.make_points(standard, array.wavenumber.values)
    assert values.max() < 2 < standard.max()
    assert flagged(rk.check_quality(points), "saturated") == []
    dark = np.random.default_rng(0).normal(0, 1e-3, values.shape)
    opaque = schema.make_points(
        10.0 ** -(8 * values) + dark, array.wavenumber.values, quantity="transmittance"
    )
    found = rk.check_quality(opaque)
    assert found.counts["saturated"] == 144
    assert found.counts["spike"] == 0


def test_a_refused_file_is_told_what_to_type():
    array = changed(sound(), range(80), lambda row: np.full_like(row, 0.1))
    assert rk.check_quality(array).remedy == "measure again"
    assert rk.check_quality(sound()).remedy == ""


def test_every_threshold_can_be_set_and_moves_its_own_flag():
    array = changed(sound(), [0], lambda row: row + 0.3 * np.arange(row.size) * 4 / 1000)
    assert flagged(rk.check_quality(array), "baseline") == [0]
    assert flagged(rk.check_quality(array, steepest_slope=0.5), "baseline") == []
    assert set(THRESHOLDS) >= {"saturation", "noise_ratio", "least_valid", "least_contact"}
