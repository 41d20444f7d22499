"""JCAMP-DX files of the standard's public test set, against each other and their own labels.

Source: data folder of the source archive of the PyPI package jcamp 1.3.2 (MIT; the files declare
themselves public domain); shared/data/SOURCES.md says what is known of each.
"""

from __future__ import annotations

import re
import warnings
from pathlib import Path

import numpy as np
import pytest

from residuekit.errors import ReadError, ResiduekitWarning
from residuekit.io import describe, read
from residuekit.io.jcampdx import _evenly_spaced, parse

JCAMP = Path(__file__).resolve().parents[2] / "shared" / "data" / "jcamp"


def test_absorbance_and_transmittance_of_one_indene_scan_agree_to_5e5():
    absorbance = read(JCAMP / "fixinc2.jdx")
    transmittance = read(JCAMP / "xyinc1.jdx")
    assert (absorbance.name, transmittance.name) == ("absorbance", "transmittance")
    np.testing.assert_array_equal(absorbance["wavenumber"], transmittance["wavenumber"])
    a, t = absorbance.values[0].astype(float), transmittance.values[0].astype(float)
    low = a < 1.5
    assert low.sum() > 3000
    assert np.abs(a + np.log10(np.where(low, t, 1)))[low].max() <= 5.0e-5


def _ordinates(name):
    path = JCAMP / f"{name}.jdx"
    (block,) = parse(path, path.read_text(encoding="latin-1"))
    return _evenly_spaced(path, block)


@pytest.mark.filterwarnings("ignore:o0.*the abscissa is up to")
def test_one_spectrum_in_five_encodings_decodes_to_the_same_numbers():
    axis, plain, form = _ordinates("o01")
    assert (plain.size, form) == (8192, "AFFN")
    forms = set()
    for name in ("o02", "o03", "o04", "o05"):
        other_axis, ordinates, form = _ordinates(name)
        forms.add(form)
        np.testing.assert_array_equal(ordinates, plain)
        np.testing.assert_array_equal(other_axis, axis)
    assert len(forms) == 4


@pytest.mark.parametrize(
    ("name", "form"),
    [
        ("dupdec1", "DIF + DUP + SQZ"),
        ("dupdec2", "DIF + DUP + SQZ"),
        ("dupinc2", "DIF + DUP + SQZ"),
        ("fixdec1", "AFFN + PAC"),
        ("fixinc2", "AFFN"),
        ("pacdec1", "AFFN + PAC"),
        ("sqzdupd1", "DUP + SQZ"),
        ("xyinc1", "AFFN"),
    ],
)
def test_infrared_files_have_the_points_and_ends_their_labels_declare(name, form):
    path = JCAMP / f"{name}.jdx"
    text = path.read_text(encoding="latin-1")
    label = {word: float(re.search(rf"##{word}=\s*(\S+)", text)[1])
             for word in ("NPOINTS", "FIRSTX", "LASTX", "FIRSTY")}  # fmt: skip
    found = describe(path)
    assert found.recognised["form"] == form
    assert found.n_wavenumbers == label["NPOINTS"]
    assert {found.first, found.last} == {label["FIRSTX"], label["LASTX"]}
    assert not [text for text in found.warnings if "FIRSTY" in text]
    scale = 100 if "scale" in found.recognised else 1
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResiduekitWarning)
        array = read(path)
    first = array[0, 0 if label["FIRSTX"] < label["LASTX"] else -1]
    np.testing.assert_allclose(first * scale, label["FIRSTY"], rtol=1e-4)


def test_percent_extremes_of_a_fraction_are_told():
    """dupdec2 states FIRSTY as a fraction and MAXY and MINY in percent."""
    with pytest.warns(ResiduekitWarning) as told:
        array = read(JCAMP / "dupdec2.jdx")
    assert [str(warning.message).split(": ")[1].split(",")[0] for warning in told] == [
        "MAXY 79.17",
        "MINY 0.19",
    ]
    np.testing.assert_allclose(array.max(), 0.7917, rtol=1e-6)


def test_squeezed_ordinates_on_a_scaled_axis_agree_with_their_labels():
    axis, ordinates, form = _ordinates("sqzdec1")
    assert (ordinates.size, form) == (16384, "SQZ")
    assert (axis[0], axis[-1], ordinates[0]) == (24038.5, 0, 2259260)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("o01", "XUNITS 'HZ'"),
        ("o06", "NTUPLES"),
        ("o09", "NTUPLES"),
        ("pktab1", "a table of peaks"),
        ("pktab2", "a table of peaks"),
        ("compound", "LINK"),
        ("blckpac1", "LINK"),
    ],
)
@pytest.mark.filterwarnings("ignore:o01.*the abscissa is up to")
def test_what_is_no_single_infrared_spectrum_is_refused(name, message):
    with pytest.raises(ReadError, match=message):
        read(JCAMP / f"{name}.jdx")
