"""What the net signal is made of: the scatter of pixels, the paint's own change, and nuisances."""

from __future__ import annotations

import numpy as np
import pytest

import residuekit as rk
from residuekit.decision.net import net_from_scatters
from residuekit.errors import ContractError
from residuekit.kernels import netsignal
from residuekit.kernels.paint_change import TRUST, fitted_change, smooth_change

AXIS = np.arange(1000.0, 1200.0, 5.0)


def band(position, width):
    return np.exp(-(((AXIS - position) / width) ** 2))


PAINT, GEL, OTHER = band(1120, 40) + 0.2, band(1060, 9), band(1100, 5)


@pytest.fixture(scope="module")
def scatters():
    rng = np.random.default_rng(1)
    maps = [PAINT * (1 + 0.02 * rng.standard_normal((60, 1)))
            + 1e-3 * rng.standard_normal((60, AXIS.size)) for _ in range(3)]  # fmt: skip
    return [netsignal.scatter(one) for one in maps]


def replicates(count):
    rng = np.random.default_rng(2)
    bumps = 0.02 * rng.standard_normal((count, 1)) * band(1080, 20)
    return [PAINT + bumps + 1e-4 * rng.standard_normal((count, AXIS.size))]


@pytest.mark.parametrize("nuisances", [None, OTHER, np.array([OTHER, band(1030, 7)])])
@pytest.mark.parametrize("count", [0, 3, 4])
def test_the_metric_takes_the_measured_change_or_else_the_declared_one(scatters, nuisances, count):
    """Three degrees of freedom, four replicates, measure it; the nuisances join the common ones."""
    groups = replicates(count) if count else ()
    net = net_from_scatters(scatters, [GEL], AXIS, nuisances, groups)
    pooled = netsignal.pool(scatters)
    metric = netsignal.blank_metric(pooled)
    change = smooth_change(AXIS, pooled.mean)
    if count == 4:
        change = fitted_change(AXIS, groups, metric, GEL[None]).covariance
    shapes = netsignal.common_nuisances(AXIS, pooled.mean)
    if nuisances is not None:
        shapes = np.vstack([shapes, np.atleast_2d(nuisances)])
    expected = netsignal.net_signal(
        GEL, netsignal.declare(netsignal.with_change(metric, change), shapes)
    )
    np.testing.assert_allclose(net.weights, expected.weights, rtol=1e-9, atol=1e-12)
    assert net.weights @ GEL == pytest.approx(1.0)
    if nuisances is not None:
        plain = net_from_scatters(scatters, [GEL], AXIS, None, groups)
        assert abs(net.weights @ OTHER) < 0.02 * abs(plain.weights @ OTHER)


def test_a_fifth_of_the_measured_change_is_trusted():
    assert TRUST == 0.2


def test_a_single_blank_is_cut_into_five_strips_and_several_are_not():
    """So that one part can check the other; each strip about its own mean."""
    rng = np.random.default_rng(4)
    first, second = (
        rk.make_points(PAINT + 1e-2 * rng.standard_normal((count, AXIS.size)), AXIS)
        for count in (52, 30)
    )
    gel = rk.make_points(GEL, AXIS)
    strips = [netsignal.scatter(one) for one in np.array_split(first.values, 5)]
    pair = [netsignal.scatter(one.values) for one in (first, second)]
    for blanks, parts in ((first, strips), ([first], strips), ([first, second], pair)):
        expected = net_from_scatters(parts, [GEL], AXIS, OTHER)
        found = rk.net_signal(gel, blanks, OTHER)
        np.testing.assert_allclose(found.weights, expected.weights, rtol=1e-4, atol=1e-6)
        assert found.metric.n_maps == len(parts)
        assert found.metric.n_pixels == sum(one.n_pixels for one in parts)


@pytest.mark.parametrize("place", [0, 1, 2])
def test_blanks_and_references_of_other_axes_are_refused(place):
    rng = np.random.default_rng(5)
    given = [rk.make_points(PAINT + 1e-2 * rng.standard_normal((9, AXIS.size)), AXIS)
             for _ in range(3)]  # fmt: skip
    given[place] = given[place].isel(wavenumber=slice(1, None))
    with pytest.raises(ContractError, match="wavenumber axis"):
        rk.net_signal(given[0], given[1:])
