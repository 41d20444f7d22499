"""A reference that lacks a band, or that the spiked mock-ups do not look like, is said."""

from __future__ import annotations

import numpy as np
import pytest

from residuekit.decision.reference_check import explained_share, reference_notes
from residuekit.markers import Marker

AXIS = np.arange(900.0, 1850.0, 4.0)
CARBONYL = Marker("own C=O 1735", 1690, 1780)


def band(position, width=15.0):
    return np.exp(-(((AXIS - position) / width) ** 2))


PAINT = 0.4 + band(1150, 80) + 0.8 * band(1730, 25)
ALCOHOL = band(1092, 25) + 0.5 * band(1425, 25)
WHOLE = ALCOHOL + 0.6 * band(1735)


def mockups(rng, count, added=0.0, noise=1e-3):
    thickness = 1 + 0.01 * rng.standard_normal((count, 1))
    return PAINT * thickness + added + noise * rng.standard_normal((count, AXIS.size))


def codes(references, spiked):
    rng = np.random.default_rng(1)
    blanks, none = mockups(rng, 6), np.empty((0, AXIS.size))
    loaded = none if spiked is None else mockups(rng, 4, spiked)
    notes = reference_notes(AXIS, np.atleast_2d(references), [CARBONYL], blanks, loaded)
    return [note.code for note in notes]


def test_a_reference_without_the_band_of_a_marker_is_said():
    assert codes(ALCOHOL, None) == ["reference-lacks-band"]
    assert codes(WHOLE, None) == []
    assert codes([ALCOHOL, WHOLE], None) == []
    assert codes(ALCOHOL + 0.015 * band(1735), None) == ["reference-lacks-band"]


def test_spiked_mockups_of_another_spectrum_are_said_and_those_of_the_reference_are_not():
    assert codes(WHOLE, 0.05 * WHOLE) == []
    assert codes(WHOLE, 0.05 * band(1260, 30)) == ["reference-unlike-spikes"]
    assert codes(WHOLE, 0.05 * np.interp(AXIS - 3, AXIS, WHOLE)) == []


def test_what_is_no_more_than_blanks_differ_by_is_not_compared():
    assert codes(WHOLE, 1e-4 * band(1260, 30)) == []
    rng = np.random.default_rng(2)
    assert explained_share(AXIS, WHOLE[None], mockups(rng, 2), mockups(rng, 2, WHOLE)) is None


@pytest.mark.parametrize("seed", range(3))
def test_the_share_is_what_the_reference_explains_beyond_paint_and_line(seed):
    """Half of the squares another band's: near 0.5."""
    rng = np.random.default_rng(seed)
    both = band(1092, 20) + band(1500, 20)
    share = explained_share(AXIS, band(1092, 20)[None], mockups(rng, 6), mockups(rng, 6, both))
    assert share == pytest.approx(0.5, abs=0.1)
