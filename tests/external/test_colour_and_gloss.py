"""CIEDE2000 against published pairs, gloss against Fresnel's formula (shared/checks)."""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pytest

from residuekit.kernels.colour import colour_difference
from residuekit.kernels.reflection import fresnel_reflectance, gloss_units

pytestmark = pytest.mark.source("computed", "", "by the formula")


@pytest.fixture(scope="module")
def values(shared):
    return json.loads((shared / "checks" / "check_values.json").read_text(encoding="utf-8"))


@pytest.mark.source("published", "sharma2005", "11 pairs, second hand")
def test_ciede2000_gives_the_published_pairs(values):
    """Pairs of Sharma, Wu and Dalal, Color Res. Appl. 30 (2005) 21, as public tests quote them."""
    first, second, expected = zip(*values["ciede2000"], strict=True)
    assert len(expected) == 11
    np.testing.assert_allclose(colour_difference(first, second), expected, atol=5e-5)
    np.testing.assert_allclose(colour_difference(second, first), expected, atol=5e-5)


def test_ciede2000_of_a_colour_to_itself_is_zero_grey_and_black_included():
    colours = [(50, 10, -20), (50, 0, 0), (0, 0, 0), (100, 0, 0)]
    np.testing.assert_array_equal(colour_difference(colours, colours), 0)


@pytest.mark.source("computed", "iso2813", "reflectance of black glass of index 1.567")
def test_fresnel_at_the_three_angles_of_iso_2813(values):
    """ISO 2813: black glass of index 1.567 reads 100 GU; reflectances by Fresnel's formula."""
    gloss = values["gloss_fresnel"]
    for angle, expected in gloss["n1.567"].items():
        assert fresnel_reflectance(1.567, float(angle)) == pytest.approx(expected, abs=5e-7)
        assert gloss_units(1.567, float(angle)) == pytest.approx(100)
    for angle, expected in gloss["gu_n1.50"].items():
        assert gloss_units(1.50, float(angle)) == pytest.approx(expected, abs=5e-4)


def test_fresnel_at_normal_incidence_is_the_known_square():
    n = np.linspace(1.3, 2.4, 12)
    np.testing.assert_allclose(fresnel_reflectance(n, 0), ((n - 1) / (n + 1)) ** 2)


def test_colour_science_changes_neither_printing_nor_warnings_of_a_session():
    """It is imported where it is first used; a session of its own shows what that leaves behind."""
    code = (
        "import warnings, numpy as np; before = np.get_printoptions(), list(warnings.filters)\n"
        "from residuekit.kernels.colour import colour_difference\n"
        "colour_difference((50, 0, 0), (50, 1, 0))\n"
        "import sys; assert 'colour' in sys.modules\n"
        "assert before == (np.get_printoptions(), list(warnings.filters))\n"
    )
    found = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=False
    )
    assert found.returncode == 0, found.stderr
