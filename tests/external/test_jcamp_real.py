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
from residuekit.io import describe, read, read_peaks, write
from residuekit.io.jcamp_tables import decode_block
from residuekit.io.jcamp_text import pages, parse
from residuekit.schema import make_points

pytestmark = pytest.mark.source("computed", "mcdonald1988", "one scan in several forms")

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
    return decode_block(path, *pages(path, block)[:1])


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
        ("o06", "XUNITS 'HZ'"),
        ("o09", "XUNITS 'HZ'"),
        ("pktab1", "a table of peaks"),
        ("pktab2", "a table of peaks"),
        ("compound", "blocks 1 and 3 on different axes"),
    ],
)
@pytest.mark.filterwarnings("ignore::residuekit.errors.ResiduekitWarning")
def test_what_is_no_single_infrared_spectrum_is_refused(name, message):
    with pytest.raises(ReadError, match=message):
        read(JCAMP / f"{name}.jdx")


def _plain_decode(lines):
    """Decode ``(X++(Y..Y))`` character by character, from the tables of McDonald and Wilks 1988.

    Written for this test alone, apart from the reader: SQZ @A-I a-i, DIF %J-R j-r, DUP S-Z s.
    """
    squeezed = {**{c: str(i) for i, c in enumerate("@ABCDEFGHI")},
                **{c: f"-{i}" for i, c in enumerate("abcdefghi", 1)}}  # fmt: skip
    difference = {**{c: str(i) for i, c in enumerate("%JKLMNOPQR")},
                  **{c: f"-{i}" for i, c in enumerate("jklmnopqr", 1)}}  # fmt: skip
    repeat = {c: str(i) for i, c in enumerate("STUVWXYZs", 1)}
    ordinates, checked = [], False
    for line in lines:
        numbers: list[tuple[str, str]] = []
        for character in line:
            if character in squeezed:
                numbers.append(("value", squeezed[character]))
            elif character in difference:
                numbers.append(("difference", difference[character]))
            elif character in repeat:
                numbers.append(("repeat", repeat[character]))
            elif character in "+-":
                numbers.append(("value", character))
            elif character.isspace() or character == ",":
                numbers.append(("", ""))
            elif numbers and numbers[-1][0]:
                numbers[-1] = (numbers[-1][0], numbers[-1][1] + character)
            else:
                numbers.append(("value", character))
        numbers = [(kind, text) for kind, text in numbers if kind][1:]
        row: list[float] = []
        last = ("value", 0.0)
        for kind, text in numbers:
            if kind == "repeat":
                for _ in range(int(text) - 1):
                    row.append(row[-1] + (last[1] if last[0] == "difference" else 0))
            else:
                last = (kind, float(text))
                row.append(last[1] + (row[-1] if kind == "difference" else 0))
        ordinates += row[1:] if checked else row
        checked = last[0] == "difference"
    return ordinates


@pytest.mark.parametrize(
    "name",
    ["o02", "o03", "o04", "o05", "o06", "o09", "dupdec1", "dupdec2", "dupinc2", "fixdec1",
     "fixinc2", "pacdec1", "sqzdec1", "sqzdupd1"],
)  # fmt: skip
@pytest.mark.filterwarnings("ignore::residuekit.errors.ResiduekitWarning")
def test_a_second_decoder_written_from_the_standard_finds_the_same_ordinates(name):
    path = JCAMP / f"{name}.jdx"
    (block,) = parse(path, path.read_text(encoding="latin-1"))
    for page in pages(path, block):
        _, ordinates, _ = decode_block(path, page)
        plain = _plain_decode([text for _, text in page.tables[0].rows])
        np.testing.assert_allclose(
            ordinates, np.array(plain) * page.number(path, "YFACTOR"), rtol=1e-14
        )


def test_each_table_of_peaks_has_the_peaks_its_label_counts():
    first, second = read_peaks(JCAMP / "pktab1.jdx"), read_peaks(JCAMP / "pktab2.jdx")
    assert (len(first), len(second)) == (46, 23)
    assert first.loc[first["y"].idxmax(), ["x", "y"]].tolist() == [43, 1000]
    assert second.loc[second["y"].idxmax(), ["x", "y"]].tolist() == [164, 1000]
    assert first["wavenumber"].isna().all()


@pytest.mark.filterwarnings("ignore::residuekit.errors.ResiduekitWarning")
def test_compound_files_are_read_whole_or_block_by_block():
    array = read(JCAMP / "blckpac1.jdx")
    assert array.shape == (5, 176)
    assert (array["wavenumber"][0], array["wavenumber"][-1]) == (1e7 / 700, 1e7 / 350)
    assert [read(JCAMP / "compound.jdx", block=n).shape[1] for n in (1, 3)] == [1976, 3951]


@pytest.mark.parametrize(
    ("name", "low", "high", "position"),
    [
        ("polystyrene_Myers2018", 680, 720, 698.9),
        ("polystyrene_Myers2018", 1590, 1615, 1601.2),
        ("PMMA_Tsuda2018_BB", 1700, 1760, 1733),
    ],
)
def test_bands_of_optical_constants_survive_the_way_through_a_file(
    tmp_path, name, low, high, position
):
    """ASTM E1421 and NIST SRM 1921: polystyrene at 1601 and 699; the PMMA ester at 1733."""
    table = np.genfromtxt(JCAMP.parent / "optical_constants" / f"{name}.csv", delimiter=",",
                          names=True, comments="#")  # fmt: skip
    points = make_points(table["k"], table["wavenumber_cm1"], quantity="absorption_index")
    for suffix in (".csv", ".jdx"):
        array = read(write(points, tmp_path / f"k{suffix}"))
        band = array[0].sel(wavenumber=slice(low, high))
        assert abs(float(band["wavenumber"][band.argmax("wavenumber")]) - position) <= 2
