"""The simulator's residue by exact optics: against tmm, against Beer's law, pixel by pixel."""

from __future__ import annotations

import numpy as np
import pytest

from residuekit.errors import ContractError
from residuekit.simulate import Instrument, gel_response, simulate_map
from residuekit.simulate.film_optics import (
    MODES,
    UM_PER_UG_CM2,
    film_layers,
    film_signal,
    gel_index,
)

AXIS = np.arange(800.0, 1900.5, 4.0)
GEL = "PVA cryogel"
CO = int(np.argmin(np.abs(AXIS - 1092.0)))


def test_attenuated_reflection_is_that_of_tmm():
    """S. Byrnes, arXiv:1603.02720, and his PyPI package tmm: diamond, 45 degrees, 26 ug cm-2."""
    tmm = pytest.importorskip("tmm")
    loading = 26.0
    ours = film_signal(GEL, AXIS, loading, "ATR, diamond")[0]
    index = gel_index(GEL, AXIS)
    for k in range(0, AXIS.size, 40):

        def power(layers, depths, k=k):
            return np.mean([
                tmm.coh_tmm(p, [2.4, *layers, 1.5], [np.inf, *depths, np.inf], np.pi / 4,
                            1e4 / AXIS[k])["R"]
                for p in "sp"
            ])  # fmt: skip

        theirs = -np.log10(power([index[k]], [loading * UM_PER_UG_CM2]) / power([], []))
        assert ours[k] == pytest.approx(theirs, abs=1e-12)


def test_on_a_mirror_a_thin_film_is_near_beers_law():
    """Light passes twice; the film on a dielectric paint sees a tenth more than Beer's law."""
    signal = film_signal(GEL, AXIS, [0.5, 1.0])
    assert signal[1] == pytest.approx(2 * signal[0], rel=1e-2, abs=1e-6)
    assert signal[1][CO] == pytest.approx(1.1 * gel_response(GEL, AXIS)[CO], rel=0.05)


@pytest.mark.parametrize("mode", MODES)
def test_no_film_no_signal_and_thick_films_bend(mode):
    none, thin, thick = film_signal(GEL, AXIS, [0.0, 1.0, 80.0], mode)
    assert (none == 0).all()
    assert abs(thin[CO]) > 1e-5
    if mode.startswith("ATR"):
        assert thick[CO] < 0.9 * 80 * thin[CO]


def test_every_pixel_has_the_signal_of_its_own_film():
    loading = np.random.default_rng(1).gamma(2.0, 10.0, 40)
    loading[0] = 0.0
    layers = film_layers(GEL, AXIS, loading, "ATR, germanium")
    summed = sum(weight[:, None] * shape for weight, shape in layers)
    exact = film_signal(GEL, AXIS, loading, "ATR, germanium")
    assert summed == pytest.approx(exact, abs=0.01 * np.abs(exact).max())
    assert film_layers(GEL, AXIS, np.zeros(3), "ATR, germanium") == []


def test_a_map_takes_the_optics_and_its_truth_stays():
    made = {
        optics: simulate_map(
            shape=(6, 6), wavenumber=AXIS, residue_ug_cm2=4.0, instrument=Instrument(optics=optics)
        )
        for optics in (None, "transflection on gold")
    }
    (additive, truth), (optical, same) = made.values()
    assert (truth["loading_field"] == same["loading_field"]).all()
    more = float((optical - additive).mean(("x", "y"))[CO])
    assert more == pytest.approx(0.1 * 4.0 * gel_response(GEL, AXIS)[CO], rel=0.3)


def test_an_unknown_mode_is_refused_with_the_known_ones():
    with pytest.raises(ContractError, match="transflection on gold"):
        film_signal(GEL, AXIS, 1.0, "transflection on silver")
