"""What is gathered of the controls of one paint: values, responses, pixels and their scatter."""

from __future__ import annotations

import numpy as np
import pytest

import residuekit as rk
from residuekit.decision.controls import controls_of, mockup_spectra, scatters_within
from residuekit.decision.net import net_from_scatters
from residuekit.errors import ContractError
from residuekit.kernels import netsignal

AXIS = np.arange(1000.0, 1400.0, 20.0)
GEL = np.exp(-0.5 * ((AXIS - 1092) / 20) ** 2)
PURE = rk.make_points(GEL, AXIS)


def spectra(rng, count, height=1.0):
    values = height * (1 + 0.1 * np.sin(AXIS / 60)) + 0.01 * rng.standard_normal((count, AXIS.size))
    return values.astype(np.float32).astype(float)


def points(values):
    return rk.make_points(values, AXIS)


def test_a_mockup_s_value_is_the_mean_of_its_maps_means():
    """Not of its pixels: 2 and 8 spectra weigh alike; pixels left out do not count."""
    rng = np.random.default_rng(1)
    first, second, third = spectra(rng, 2), spectra(rng, 8, 2.0), spectra(rng, 6)
    partial = points(third)
    partial["valid"].values[:2] = False
    found = mockup_spectra(AXIS, [[points(first), points(second)], partial])
    expected = [(first.mean(axis=0) + second.mean(axis=0)) / 2, third[2:].mean(axis=0)]
    np.testing.assert_allclose(found, expected, rtol=1e-7)
    assert mockup_spectra(AXIS, []).shape == (0, AXIS.size)
    with pytest.raises(ContractError, match="wavenumber axis"):
        mockup_spectra(AXIS, [points(first), points(second).isel(wavenumber=slice(1, None))])


@pytest.mark.parametrize("single", [True, False])
def test_controls_hold_means_responses_and_mean_counts(single):
    rng = np.random.default_rng(2)
    maps = [[spectra(rng, 3)], [spectra(rng, 5), spectra(rng, 9)], [spectra(rng, 4)]]
    loads = [(4.0, spectra(rng, 6, 1.4)), (2.0, spectra(rng, 6, 1.2)), (4.0, spectra(rng, 6, 1.3))]
    controls = controls_of(
        [[points(one) for one in own] for own in maps],
        PURE if single else [PURE],
        [(load, points(one)) for load, one in loads],
    )
    means = np.array([np.mean([one.mean(axis=0) for one in own], axis=0) for own in maps])
    np.testing.assert_allclose(controls.blanks, means, rtol=1e-7)
    np.testing.assert_allclose(controls.paint, means.mean(axis=0), rtol=1e-7)
    np.testing.assert_array_equal(controls.wavenumber, AXIS)
    np.testing.assert_array_equal(controls.loadings, [4.0, 2.0, 4.0])
    responses = [one.mean(axis=0) - means.mean(axis=0) for _, one in loads]
    np.testing.assert_allclose(controls.responses, responses, atol=1e-7)
    assert controls.pixels_per_map == (3 + 5 + 9 + 4) / 4
    scatters = [netsignal.scatter(one) for own in maps for one in own]
    pooled = netsignal.pool(scatters)
    np.testing.assert_allclose(controls.metric.within, pooled.products.sum(axis=0) / 17, rtol=1e-5)
    assert controls.metric.missing is None


def test_pixels_left_out_are_no_pixels_of_a_map():
    rng = np.random.default_rng(3)
    blanks = [points(spectra(rng, 6)) for _ in range(2)]
    blanks[0]["valid"].values[1:4] = False
    assert controls_of(blanks, PURE).pixels_per_map == 4.5
    none = controls_of(blanks, ())
    assert (none.loadings.size, none.responses.shape) == (0, (0, AXIS.size))
    assert none.metric.missing.code == "no-reference"
    assert none.metric.missing.numbers == {"material": "the gel", "lost": []}
    assert controls_of([[blanks[0], blanks[1]]], PURE).blanks.shape == (1, AXIS.size)


@pytest.mark.parametrize("counts", [{2.0: 2, 6.0: 3}, {2.0: 1, 4.0: 1, 6.0: 4}, {2.0: 1, 6.0: 1}])
def test_spiked_mockups_of_one_loading_are_replicates(counts):
    """Groups of two or more measure how mock-ups of the paint differ; single ones do not."""
    rng = np.random.default_rng(4)
    blanks = [spectra(rng, 12) for _ in range(3)]
    bump = np.exp(-0.5 * ((AXIS - 1250) / 40) ** 2)
    groups = {
        load: [
            (spectra(rng, 12) + load * GEL + 0.2 * rng.standard_normal() * bump)
            for _ in range(count)
        ]
        for load, count in counts.items()
    }
    spiked = [(load, points(one)) for load, group in groups.items() for one in group]
    found = controls_of([points(one) for one in blanks], PURE, spiked).metric.net
    kept = [values.astype(np.float32).astype(float) for values in blanks]
    replicates = [
        [one.astype(np.float32).mean(axis=0, dtype=float) for one in group]
        for group in groups.values()
        if len(group) > 1
    ]
    expected = net_from_scatters(
        [netsignal.scatter(one) for one in kept], [GEL], AXIS, replicates=replicates
    )
    np.testing.assert_allclose(found.weights, expected.weights, rtol=1e-3, atol=1e-4)
    without = net_from_scatters([netsignal.scatter(one) for one in kept], [GEL], AXIS)
    measured = not np.allclose(found.weights, without.weights, rtol=1e-3, atol=1e-4)
    assert measured == (sum(len(group) - 1 for group in replicates) >= 3)


def test_single_spectra_of_one_mockup_count_as_one_map():
    """Maps scatter each about their own mean, single spectra about that of their mock-up."""
    rng = np.random.default_rng(5)
    one_map, pair = spectra(rng, 7), spectra(rng, 2)
    lone = [spectra(rng, 1, height) for height in (1.0, 2.0, 3.0)]
    other = [spectra(rng, 1, height) for height in (5.0, 6.0)]
    alone = spectra(rng, 1, 9.0)
    found = list(scatters_within([[one_map, *lone], [pair], other, [alone]]))
    expected_mockups = [0, 0, 1, 2]
    expected = [one_map, np.vstack(lone), pair, np.vstack(other)]
    assert [one.n_pixels for one in found] == [7, 3, 2, 2]
    assert [one.mockup for one in found] == expected_mockups
    for one, rows in zip(found, expected, strict=True):
        np.testing.assert_allclose(one.products, (len(rows) - 1) * np.cov(rows.T), atol=1e-9)
        np.testing.assert_allclose(one.mean, rows.mean(axis=0))
    assert list(scatters_within([[alone], []])) == []
