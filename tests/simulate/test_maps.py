"""Maps whose truth is known: what was put in must be found again by plain numbers."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit import schema
from residuekit.errors import ContractError
from residuekit.simulate import Instrument, Mockup, Texture, Variation, draw_mockup, simulate_map
from residuekit.simulate.fields import PATTERNS, gaussian_fields, loading_field, stream
from residuekit.simulate.maps import SINGLE_SCAN_NOISE
from residuekit.simulate.materials import gel_response

AXIS = np.arange(900.0, 1900.0, 4.0)
FLAT = Texture(
    thickness=0, binder=0, filler=0, surfactant=0, sorbed_water=0, baseline=(0, 0, 0)
)  # fmt: skip
SILENT = Instrument(scans=10**12, vapour=0.0, ceiling=12.0)


def pixels(data):  # type: ignore[no-untyped-def]
    return data.values.reshape(-1, data.sizes["wavenumber"]).astype(float)


def test_the_same_seed_gives_the_same_bits() -> None:
    first, again = (simulate_map(seed=5, shape=(6, 5), residue_ug_cm2=1.0)[0] for _ in range(2))
    assert first.identical(again)
    assert not np.array_equal(first, simulate_map(seed=6, shape=(6, 5), residue_ug_cm2=1.0)[0])


def test_a_place_has_its_numbers_whatever_was_asked_before() -> None:
    alone = stream(1, "b").generate_state(4)
    for name in "acd":
        stream(1, name)
    np.testing.assert_array_equal(stream(1, "b").generate_state(4), alone)
    assert not np.array_equal(stream(1, "a").generate_state(4), alone)


def test_a_map_keeps_the_contract_of_the_labelled_array() -> None:
    data, _ = simulate_map(shape=(3, 5), step_um=7.0)
    assert schema.check(data, quantity="absorbance") is data
    assert data.dtype == np.float32
    assert (data.sizes["y"], data.sizes["x"]) == (3, 5)
    np.testing.assert_array_equal(data["x"], 7.0 * np.arange(5))
    assert bool(data["valid"].all())


@settings(max_examples=30, deadline=None)
@given(
    st.sampled_from(PATTERNS),
    st.integers(2, 20),
    st.integers(2, 20),
    st.integers(0, 2**31),
)
def test_a_loading_has_mean_one_and_is_never_negative(
    pattern: str, n_y: int, n_x: int, seed: int
) -> None:
    field = loading_field(np.random.default_rng(seed), pattern, (n_y, n_x))
    assert field.shape == (n_y, n_x)
    assert field.min() >= 0
    assert field.mean() == pytest.approx(1.0)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_the_true_loading_is_what_lies_on_the_map(pattern: str) -> None:
    """The gel found by least squares in the difference to the same map without it."""
    same = {"shape": (10, 12), "wavenumber": AXIS, "seed": 3, "instrument": SILENT}
    clean, _ = simulate_map(**same)  # type: ignore[arg-type]
    loaded, truth = simulate_map(**same, residue_ug_cm2=2.5, pattern=pattern)  # type: ignore[arg-type]
    gel = gel_response("PVA cryogel", AXIS)
    found = (pixels(loaded) - pixels(clean)) @ gel / (gel @ gel)
    assert truth["loading_ug_cm2"] == pytest.approx(2.5)
    np.testing.assert_allclose(found, truth["loading_field"].ravel(), atol=2e-3)


def test_a_clean_map_contains_no_gel_whatever_gel_is_named() -> None:
    maps = [simulate_map(shape=(4, 4), seed=1, gel=gel)[0] for gel in ("PVA cryogel", "agar")]
    np.testing.assert_array_equal(*maps)


def test_foreign_matter_is_in_the_map_and_in_the_truth() -> None:
    same = {"shape": (8, 8), "wavenumber": AXIS, "seed": 3, "instrument": SILENT}
    clean, _ = simulate_map(**same)  # type: ignore[arg-type]
    soiled, truth = simulate_map(**same, foreign={"starch": 0.02})  # type: ignore[arg-type]
    difference = (soiled - clean).mean(("y", "x"))
    assert float(difference.max()) == pytest.approx(0.02, rel=0.02)
    assert float(difference.idxmax()) == pytest.approx(1018, abs=6)
    assert truth["foreign"] == {"starch": 0.02}


def test_lost_surfactant_lowers_its_band_by_its_share() -> None:
    same = {"paint": "acrylic nBMA", "shape": (4, 4), "wavenumber": AXIS, "texture": FLAT,
            "instrument": SILENT}  # fmt: skip
    before, after = (
        simulate_map(**same, surfactant_loss=loss)[0].mean(("y", "x"))  # type: ignore[arg-type]
        for loss in (0.0, 0.5)
    )
    lost = before - after
    assert float(lost.idxmax()) == pytest.approx(1111, abs=4)
    assert float(lost.max()) == pytest.approx(0.5 * 0.06, rel=0.02)


def test_fields_have_unit_variance_and_the_stated_correlation() -> None:
    length = 3.0
    f = gaussian_fields(np.random.default_rng(4), 400, (24, 24), length).astype(float)
    assert f.var() == pytest.approx(1.0, abs=0.02)
    for lag in (1, 3, 6):
        expected = np.exp(-lag / length)
        assert (f[:, :, lag:] * f[:, :, :-lag]).mean() == pytest.approx(expected, abs=0.02)
        assert (f[:, lag:] * f[:, :-lag]).mean() == pytest.approx(expected, abs=0.02)
    opposite = (f[:, :, 0] * f[:, :, -1]).mean()
    assert abs(opposite) < 0.03


def test_effective_pixels_of_a_texture_are_those_of_its_correlation() -> None:
    """n_eff = n^2 / sum rho: 23.2 for 32 x 32 pixels and L = 3 (computed from the formula)."""
    f = gaussian_fields(np.random.default_rng(8), 3000, (32, 32), 3.0).astype(float)
    assert 1.0 / f.mean(axis=(1, 2)).var() == pytest.approx(23.2, rel=0.08)


def test_noise_is_white_and_of_the_designed_size() -> None:
    """Noise adds to T, so in absorbance it is sigma / (T ln 10)."""
    instrument = Instrument(scans=16, resolution=4.0, vapour=0.0, ceiling=12.0)
    flat, truth = simulate_map(
        shape=(64, 64), wavenumber=AXIS, texture=FLAT, instrument=instrument, seed=9
    )
    residual = pixels(flat) - pixels(flat).mean(axis=0)
    transmittance = 10.0 ** -pixels(flat).mean(axis=0)
    assert truth["noise_transmittance"] == pytest.approx(SINGLE_SCAN_NOISE / 4)
    scaled = residual * transmittance * np.log(10.0) / truth["noise_transmittance"]
    assert scaled.std() == pytest.approx(1.0, rel=0.01)
    assert (scaled[:, 1:] * scaled[:, :-1]).mean() == pytest.approx(0.0, abs=0.01)
    assert (scaled[1:] * scaled[:-1]).mean() == pytest.approx(0.0, abs=0.01)


def test_noise_falls_as_the_root_of_scans() -> None:
    assert Instrument(scans=256).noise == pytest.approx(Instrument(scans=64).noise / 2)
    assert Instrument(resolution=16.0).noise == pytest.approx(Instrument(resolution=4.0).noise / 2)


def test_stray_light_bends_high_absorbance_as_in_a_spectrometer() -> None:
    """0.1 % stray light: true A of 1, 2, 3 reads 0.9961, 1.9590, 2.6994 (from the formula)."""
    instrument = Instrument(scans=10**12, vapour=0.0, ceiling=3.0)
    for true, read in ((1.0, 0.9961), (2.0, 1.9590), (3.0, 2.6994)):
        texture = replace(FLAT, baseline=(true, 0, 0), baseline_spread=0)
        nothing = Mockup(np.zeros(2), thickness=0.0)
        data, _ = simulate_map(
            shape=(2, 2), wavenumber=[2000.0, 2100.0], texture=texture, mockup=nothing,
            instrument=instrument,
        )  # fmt: skip
        np.testing.assert_allclose(data, read, atol=6e-5)


def test_spikes_hit_one_channel_of_the_stated_share_of_pixels() -> None:
    same = {"shape": (40, 40), "wavenumber": AXIS, "seed": 2}
    plain, _ = simulate_map(**same)  # type: ignore[arg-type]
    spiked, truth = simulate_map(**same, instrument=Instrument(spikes=0.1))  # type: ignore[arg-type]
    touched = (pixels(spiked) != pixels(plain)).sum(axis=1)
    assert touched.max() == 1
    assert touched.sum() == truth["spiked_pixels"]
    assert truth["spiked_pixels"] == pytest.approx(160, abs=50)


def test_fringes_have_the_stated_period() -> None:
    axis = np.arange(1900.0, 2800.0, 4.0)
    instrument = Instrument(scans=10**12, vapour=0.0, fringe=0.01, fringe_period=180.0)
    nothing = Mockup(np.zeros(axis.size), thickness=0.0)
    data, _ = simulate_map(
        shape=(2, 2), wavenumber=axis, texture=FLAT, mockup=nothing, instrument=instrument
    )
    strength = np.abs(np.fft.rfft(pixels(data)[0] - pixels(data)[0].mean()))
    assert axis.size * 4.0 / strength.argmax() == pytest.approx(180.0)


def test_poor_contact_weakens_long_wavenumbers_most() -> None:
    """Germanium, gap 0.1 um: 0.370 at 3300, 0.740 at 1000 (Harrick's formula, 45 degrees)."""
    axis = np.array([1000.0, 3300.0])
    one = {"shape": (16, 16), "wavenumber": axis, "instrument": SILENT, "seed": 1}
    level = replace(FLAT, baseline=(1.0, 0, 0), baseline_spread=0)
    gapped = replace(level, contact_gap_um=0.1)
    nothing = Mockup(np.zeros(2), thickness=0.0)
    full, _ = simulate_map(**one, texture=level, mockup=nothing)  # type: ignore[arg-type]
    weak, _ = simulate_map(**one, texture=gapped, mockup=nothing)  # type: ignore[arg-type]
    kept = pixels(weak) / pixels(full)
    slope = np.log(kept[:, 1]) / np.log(kept[:, 0])
    np.testing.assert_allclose(slope, np.log(0.370) / np.log(0.740), rtol=0.01)


def test_a_mockup_is_one_thing_in_all_its_maps_and_another_than_the_next() -> None:
    quiet = {"shape": (4, 4), "wavenumber": AXIS, "texture": FLAT, "instrument": SILENT}
    typical = pixels(simulate_map(**quiet)[0])[0]  # type: ignore[arg-type]
    first, second = (draw_mockup("alkyd", AXIS, seed) for seed in (1, 2))
    a, b = (pixels(simulate_map(**quiet, mockup=first, seed=s)[0]) for s in (10, 11))  # type: ignore[arg-type]
    c = pixels(simulate_map(**quiet, mockup=second, seed=10)[0])  # type: ignore[arg-type]
    assert np.abs(a - b).max() < 1e-5
    assert np.ptp(a - typical, axis=0).max() < 1e-5
    assert np.abs(a - c).max() > 1e-3


def test_bumps_are_of_the_stated_share_and_width() -> None:
    only = Variation(shift=0.0)
    axis = np.arange(800.0, 3800.0, 4.0)
    offsets = np.array([draw_mockup("alkyd", axis, seed, only).offset for seed in range(300)])
    at_band = np.abs(axis - 1265.0).argmin()
    assert offsets[:, at_band].std() == pytest.approx(0.003 * 0.6, rel=0.35)
    flank = [np.corrcoef(offsets[:, at_band], offsets[:, at_band + k])[0, 1] for k in (2, 40)]
    assert flank[0] > 0.9
    assert abs(flank[1]) < 0.2


def test_a_mockup_is_the_same_on_another_axis() -> None:
    coarse, fine = np.arange(1000.0, 1801.0, 8.0), np.arange(1000.0, 1801.0, 2.0)
    only = Variation(shift=0.0)
    one, other = (draw_mockup("alkyd", axis, 3, only) for axis in (coarse, fine))
    assert one.thickness == other.thickness
    assert np.abs(one.offset - other.offset[::4]).max() < 0.05 * np.abs(one.offset).max()


def test_heavy_tails_keep_the_variance_and_raise_the_extremes() -> None:
    drawn = {}
    for df in (None, 5.0):
        v = Variation(tail_df=df)
        drawn[df] = np.log(
            [draw_mockup("alkyd", AXIS[:3], s, v).thickness for s in range(6000)]
        ) / v.thickness  # fmt: skip
        assert drawn[df].std() == pytest.approx(1.0, abs=0.06)
    kurtosis = {df: (z**4).mean() / (z**2).mean() ** 2 for df, z in drawn.items()}
    assert kurtosis[None] == pytest.approx(3.0, abs=0.3)
    assert kurtosis[5.0] > 4.5


def test_a_session_moves_all_its_mockups_alike() -> None:
    v = Variation(scale=1.0, session=2.0)
    within = [draw_mockup("alkyd", AXIS, s, v, session=1).offset for s in range(40)]
    without = [draw_mockup("alkyd", AXIS, s, v).offset for s in range(40)]
    moved = np.array(within) - np.array(without)
    np.testing.assert_allclose(moved, np.broadcast_to(moved[0], moved.shape), atol=1e-12)
    assert np.abs(moved[0]).max() > 0


def test_scale_zero_gives_typical_mockups() -> None:
    mockup = draw_mockup("acrylic", AXIS, 4, Variation(scale=0.0))
    assert not mockup.offset.any()
    assert (mockup.thickness, mockup.ratio, mockup.surfactant, mockup.sorbed_water) == (1, 1, 1, 1)


@pytest.mark.parametrize(
    ("wrong", "answer"),
    [
        ({"pattern": "patchi"}, "did you mean 'patchy'"),
        ({"gel": "agaar"}, "did you mean 'agar'"),
        ({"paint": "acrylik"}, "did you mean 'acrylic'"),
        ({"texture": Texture(length_px=0.0)}, "a length above 0"),
        ({"residue_ug_cm2": -1.0}, "a loading of 0 or more"),
        ({"foreign": {"kaolln": 0.1}}, "did you mean 'kaolin'"),
    ],
)
def test_what_is_unknown_is_refused_with_a_way_out(wrong: dict[str, object], answer: str) -> None:
    with pytest.raises(ContractError, match=answer):
        simulate_map(shape=(2, 2), **wrong)  # type: ignore[arg-type]


def test_speed_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    axis = np.linspace(800.0, 3800.0, 900)
    started = time.perf_counter()
    data, _ = simulate_map(shape=(128, 128), wavenumber=axis)
    large = time.perf_counter() - started
    started = time.perf_counter()
    for seed in range(20):
        simulate_map(shape=(12, 12), wavenumber=AXIS[:170], seed=seed)
    small = (time.perf_counter() - started) / 20
    with capsys.disabled():
        print(f"\n128 x 128 x 900: {large:.2f} s; 12 x 12 x 170: {1e3 * small:.1f} ms")
    assert data.shape == (128, 128, 900)


def test_maps_of_one_surface_show_the_same_place_with_noise_of_their_own() -> None:
    same = {"shape": (12, 12), "wavenumber": AXIS, "surface": 4, "instrument": SILENT}
    one, other = (simulate_map(seed=seed, **same)[0] for seed in (1, 2))
    np.testing.assert_allclose(one, other, atol=1e-6)
    loud = {**same, "instrument": None}
    one, other = (simulate_map(seed=seed, **loud)[0] for seed in (1, 2))
    assert float(np.abs(one - other).max()) > 1e-4
    assert np.array_equal(simulate_map(seed=4, **{**loud, "surface": None})[0],
                          simulate_map(seed=4, **loud)[0])  # fmt: skip
