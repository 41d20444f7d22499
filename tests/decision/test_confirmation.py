"""A difference is called the gel only if foreign matter cannot stand in for it."""

from __future__ import annotations

import numpy as np
import pytest

from residuekit.decision.confirmation import FOREIGN, confirmer, foreign_bands, unexplained
from residuekit.decision.scoring import net_from_scatters
from residuekit.kernels import netsignal
from residuekit.markers import markers
from residuekit.simulate import gel_response, spectrum

AXIS = np.linspace(900.0, 1850.0, 160)
GEL = gel_response("PVA cryogel", AXIS)
PAINT = 0.4 * spectrum("ethyl acrylate resin", AXIS) + 0.05


@pytest.fixture(scope="module")
def ground():
    """Blank mock-up means, and the net signal from pixels that scatter by noise and thickness."""
    rng = np.random.default_rng(3)
    pixels = [
        PAINT * (1 + 0.02 * rng.standard_normal((150, 1)))
        + 3e-4 * rng.standard_normal((150, AXIS.size))
        for _ in range(6)
    ]
    net = net_from_scatters([netsignal.scatter(p) for p in pixels], [GEL], AXIS)
    smooth = np.cumsum(rng.standard_normal((12, AXIS.size)), axis=1) * 2e-5
    return net, PAINT + smooth[:6], PAINT + smooth[6:]


def test_gel_is_confirmed_and_the_reason_says_by_how_much(ground):
    net, blanks, exposed = ground
    found = confirmer(net, blanks, exposed + 5 * GEL, AXIS)(None)
    assert not found.refused
    assert found.amount > found.limit > 0
    assert f"{found.limit:.3g}" in found.reason


@pytest.mark.parametrize("matter", ["silica", "starch", "kaolin", "zinc soap"])
@pytest.mark.parametrize("amount", [0.002, 0.01])
def test_foreign_matter_of_another_exact_shape_is_not_confirmed(ground, matter, amount):
    net, blanks, exposed = ground
    confirm = confirmer(net, blanks, exposed + amount * spectrum(matter, AXIS), AXIS)
    assert confirm(None).refused


def test_one_mockup_alone_is_confirmed_by_its_own_difference(ground):
    net, blanks, exposed = ground
    loaded = exposed.copy()
    loaded[2] += 12 * GEL
    confirm = confirmer(net, blanks, loaded, AXIS)
    assert not confirm(2).refused
    assert confirm(1).refused


def test_a_declared_interferent_is_not_the_gel(ground):
    net, blanks, exposed = ground
    strange = np.exp(-(((AXIS - 1092) / 22) ** 2)) + 0.5 * np.exp(-(((AXIS - 1425) / 20) ** 2))
    changed = exposed + 0.01 * strange
    assert confirmer(net, blanks, changed, AXIS, interferents=strange[None])(None).refused


def test_foreign_bands_stand_at_the_positions_of_the_marker_table():
    shapes = foreign_bands(np.arange(400.0, 4000.0, 1.0))
    tops = {round(float(np.arange(400.0, 4000.0, 1.0)[k])) for k in shapes.argmax(axis=1)}
    known = {round(m.position) for m in markers().values() if m.material in FOREIGN and m.position}
    assert tops == {top for top in known if 400 <= top < 4000}
    assert foreign_bands(np.linspace(2000.0, 2400.0, 50)).shape == (0, 50)


def test_gel_and_clean_arms_leave_what_blanks_leave_and_strangers_leave_more(ground):
    net, blanks, exposed = ground
    clean, gel, soap = (
        unexplained(net, blanks, exposed + added, AXIS)
        for added in (0.0, 5 * GEL, 0.02 * spectrum("zinc soap", AXIS))
    )
    assert 0.1 < clean < 5
    assert 0.1 < gel < 5
    assert soap > 10
