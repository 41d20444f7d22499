"""JCAMP-DX: the two plain tables, the number forms, units, checks, refusals with their line."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from residuekit.errors import ReadError, ResiduekitWarning
from residuekit.io import read, read_peaks
from residuekit.io.jcamp_digits import BadNumberError, decode
from residuekit.schema import source

HEAD = """##TITLE= a test
##JCAMP-DX= 4.24 $$ written by hand
##DATA TYPE= INFRARED SPECTRUM
##XUNITS= 1/CM
##YUNITS= ABSORBANCE
##XFACTOR= 1
##YFACTOR= 0.001
##FIRSTX= 400
##LASTX= 406
##NPOINTS= 7
##FIRSTY= 0.1
"""
TABLE = "##XYDATA= (X++(Y..Y))\n400 100 110 120\n403 130 140 150\n406 160\n##END=\n"
WHOLE = HEAD + TABLE


def _read(saved, text, **options):
    return read(saved("t.jdx", text), **options)


def _assert_ramp(array):
    np.testing.assert_allclose(array["wavenumber"], np.arange(400, 407))
    np.testing.assert_allclose(array.values, [np.arange(10, 17) / 100], rtol=1e-6)


@pytest.mark.parametrize(
    "text",
    [
        WHOLE,
        WHOLE.replace("\n", "\r\n"),
        WHOLE.replace("##DATA TYPE", "## data_type ").replace("FIRSTX", "First-X"),
        WHOLE.replace("406 160", "$$ a comment\n406 160 $$ last"),
        WHOLE.replace("##TITLE", "$$ by hand\n\n##TITLE") + "\x1a",
        WHOLE.replace("##XUNITS", "##DataClass= ##XYDATA=\n##XUNITS"),
        HEAD + TABLE.replace("100 110 120", "100,110,120"),
        HEAD + "##XYDATA=(X++(Y..Y))\n400+100+110+120+130+140+150+160\n##END=\n",
        HEAD + "##XYDATA=(X++(Y..Y))\n400A00A10A20A30\n404A40A50A60\n##END=\n",
        HEAD + "##XYDATA=(X++(Y..Y))\n400A00J0J0J0\n403A30J0J0J0\n406A60\n##END=\n",
        HEAD + "##XYDATA=(X++(Y..Y))\n400A00J0X\n406A60\n##END=\n",
        HEAD + "##XYPOINTS=(XY..XY)\n400,100 401,110; 402,120\n403 130 404 1.4E2\n"
        "405,150 406,1.6E+02\n##END=\n",
        HEAD.replace("##LASTX= 406", "##LASTX= 400").replace("##FIRSTX= 400", "##FIRSTX= 406")
        .replace("FIRSTY= 0.1", "FIRSTY= 0.16")
        + "##XYDATA=(X++(Y..Y))\n406 160 150 140 130\n402 120 110 100\n##END=\n",
    ],
)  # fmt: skip
def test_one_spectrum_is_the_same_in_every_spelling_and_form(saved, text):
    array = _read(saved, text)
    _assert_ramp(array)
    assert array.name == "absorbance"


def test_the_forms_and_the_table_are_said(saved):
    found = source(_read(saved, WHOLE))
    assert found["form"] == "AFFN"
    assert found["layout"] == "XYDATA (X++(Y..Y))"
    assert found["title"] == "a test"


@pytest.mark.parametrize(
    ("line", "ordinates"),
    [
        ("0 1 -2 +3 4.5 1E-2", [1, -2, 3, 4.5, 0.01]),
        ("0+1-2+3", [1, -2, 3]),
        ("0@A2b3", [0, 12, -23]),
        ("0A0%Jj1R", [10, 10, 11, 0, 9]),
        ("0A0T", [10, 10]),
        ("0A0JU", [10, 11, 12, 13]),
        ("0@S2", [0] * 12),
        ("0 1 ? 3", [1, np.nan, 3]),
    ],
)
@pytest.mark.source("from memory", "mcdonald1988", "pseudo-digits")
def test_each_form_decodes_by_the_tables_of_the_standard(line, ordinates):
    """Pseudo-digits: McDonald and Wilks, Appl. Spectrosc. 42 (1988) 151, tables of section 5."""
    for compiled in (False, True):
        np.testing.assert_array_equal(decode(line, compiled=compiled).y, ordinates)


@pytest.mark.parametrize("compiled", [False, True])
@pytest.mark.parametrize(
    "line",
    [
        "0 1 2x",
        "J1",
        "0J1",
        "0T",
        "0 1 .",
        "0A0Z99999999999",
        "0A0T1.5",
        "0A0J\n1A2",
        "0 1+",
        "? 1",
    ],
)
def test_a_line_of_no_form_is_refused(line, compiled):
    with pytest.raises(BadNumberError):
        decode(line, compiled=compiled)


@pytest.mark.parametrize(
    ("unit", "axis", "expected"),
    [
        ("MICROMETERS", (2.5, 4.0), (2500, 4000)),
        ("NANOMETERS", (2500, 4000), (2500, 4000)),
        ("1/cm", (2500, 4000), (2500, 4000)),
    ],
)
def test_axis_units_are_converted(saved, unit, axis, expected):
    text = (
        WHOLE.replace("1/CM", unit)
        .replace("= 400", f"= {axis[0]}")
        .replace("= 406", f"= {axis[1]}")
        .replace("NPOINTS= 7", "NPOINTS= 2")
    )
    head = text[: text.index("##XYDATA")]
    table = f"##XYDATA=(X++(Y..Y))\n{axis[0]} 100\n{axis[1]} 200\n##END=\n"
    array = _read(saved, head + table)
    np.testing.assert_allclose(array["wavenumber"], expected)


@pytest.mark.parametrize(
    ("unit", "quantity", "first"),
    [
        ("%T", "transmittance", 0.001),
        ("TRANSMITTANCE", "transmittance", 0.1),
        ("REFLECTANCE", "reflectance", 0.1),
        ("% REFLECTANCE", "reflectance", 0.001),
        ("KUBELKA-MUNK", "kubelka_munk", 0.1),
        ("LOG(1/R)", "absorbance", 0.1),
        ("A", "absorbance", 0.1),
    ],
)
@pytest.mark.filterwarnings("ignore:.*in percent, but at most")
def test_quantities_are_recognised(saved, unit, quantity, first):
    array = _read(saved, WHOLE.replace("ABSORBANCE", unit))
    assert array.name == quantity
    np.testing.assert_allclose(array[0, 0], first, rtol=1e-6)


def test_a_quantity_that_is_not_known_can_be_stated(saved):
    text = WHOLE.replace("ABSORBANCE", "ARBITRARY UNITS")
    with pytest.raises(ReadError, match="quantity='absorbance'"):
        _read(saved, text)
    assert _read(saved, text, quantity="absorbance", technique="atr").technique == "atr"


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("FIRSTY= 0.1", "FIRSTY= 0.2", r"line 11: FIRSTY 0.2, but 0.1"),
        ("NPOINTS= 7", "NPOINTS= 8", r"line 10: NPOINTS 8, but 7 points"),
        ("##NPOINTS", "##DELTAX= 2\n##NPOINTS", r"line 10: DELTAX 2, but 1"),
        ("##NPOINTS", "##MAXY= 0.3\n##NPOINTS", r"line 10: MAXY 0.3, but 0.16"),
        ("\n403 ", "\n403.3 ", r"line 14: the abscissa is up to 0.3 off"),
    ],
)
def test_a_label_at_odds_is_told_with_line_and_size(saved, old, new, message):
    assert old in WHOLE
    with pytest.warns(ResiduekitWarning, match=message):
        _assert_ramp(_read(saved, WHOLE.replace(old, new)))


@pytest.mark.parametrize(
    ("old", "new", "line", "message"),
    [
        ("\n406 160\n", "\n", 14, "off the axis.*NPOINTS 7, but 6"),
        (" 110 120", " 110", 14, "off the axis"),
        ("\n403 130 140 150\n", "\n403 130 140 150\n403 130 140 150\n", 14, "off the axis"),
        ("\n403 ", "\n404 ", 14, "off the axis"),
        ("##END=\n", "", 15, "no ##END="),
        ("150\n406 160", "15x\n406 160", 14, "'x'"),
        ("LASTX= 406", "LASTX= abc", 9, "a finite number"),
        ("LASTX= 406", "LASTX= 1e999", 9, "a finite number"),
        ("##LASTX= 406\n", "", 1, "no ##LASTX="),
        ("##LASTX= 406\n", "##LASTX= 406\n##YFACTOR= 1\n", 10, "YFACTOR= 1, and above 0.001"),
        ("##XUNITS= 1/CM", "##XUNITS= HZ", 4, "XUNITS 'HZ'"),
        ("##XUNITS= 1/CM\n", "", 1, "no ##XUNITS="),
        ("ABSORBANCE", "COUNTS", 5, "YUNITS 'COUNTS'"),
        ("(X++(Y..Y))", "(X++(R..R))", 12, r"\(XY..XY\)"),
        ("##XYDATA= (X++(Y..Y))", "##PEAK TABLE= (XY..XY)", 12, "a table of peaks"),
        ("##XUNITS", "##NTUPLES= X\n##XUNITS", 13, "##SYMBOL="),
        ("##END=\n", "##END=\n" + WHOLE.replace("ABSORBANCE", "%T"), 17, "block=1 or block=2"),
        ("##END=\n", "##END=\n" + WHOLE.replace("LASTX= 406", "LASTX= 403.5")
         .replace("\n403 ", "\n401.75 ").replace("\n406 ", "\n403.5 "), 17, "different axes"),
        ("##END=", "##XYPOINTS= (XY..XY)\n1,2\n##END=", 1, "2 tables"),
        ("##JCAMP-DX= 4.24", "##JCAMP", 2, "a label"),
        ("\n400 100 110 120\n403 130 140 150\n406 160", "", 1, "no table of numbers"),
        ("\n400 100 110 120\n403 130 140 150\n406 160", "\n400 100", 12, "1 points"),
        ("406 160", "406 160\0", 15, "NUL"),
        ("100 110 120\n403 130 140 150\n406 160", "? ? ? ? ? ? ?", None, "no ordinate"),
        ("403 130 140 150", "403 130 140J0\n405A51", 15, "the check of the DIF form"),
        ("YFACTOR= 0.001", "YFACTOR= 1E300", None, "above 3.4e38"),
    ],
)  # fmt: skip
@pytest.mark.filterwarnings("ignore:.*in percent, but at most")
def test_numbers_that_contradict_the_labels_are_refused(saved, old, new, line, message):
    assert old in WHOLE
    text = WHOLE.replace(old, new).replace("##FIRSTY= 0.1\n", "$$\n" if "1E300" in new else
                                           "##FIRSTY= 0.1\n")  # fmt: skip
    with pytest.raises(ReadError, match=message) as caught:
        _read(saved, text)
    assert caught.value.faults[0].line == line


@pytest.mark.parametrize(
    ("pairs", "message"),
    [
        ("400 100 401 110 402", "5 numbers"),
        ("400 100 401 1x0", "'1x0'"),
        ("400 100 401 110", "NPOINTS 7, but 2 points"),
        ("400 100 401 110 401 120 403 1 404 1 405 1 406 1", "ascending"),
    ],
)
@pytest.mark.filterwarnings("ignore::residuekit.errors.ResiduekitWarning")
def test_pairs_that_do_not_fit_are_refused(saved, pairs, message):
    with pytest.raises(ReadError, match=message):
        _read(saved, HEAD + f"##XYPOINTS= (XY..XY)\n{pairs}\n##END=\n")


POSITIONS = "##$X POSITION= {x} um\n##$Y POSITION= {y} um\n##XUNITS"


def _compound(*blocks):
    link = f"##TITLE= all\n##JCAMP-DX= 4.24\n##DATA TYPE= LINK\n##BLOCKS= {len(blocks)}\n"
    return link + "".join(blocks) + "##END=\n"


def test_a_compound_file_gives_points_named_by_their_titles(saved):
    array = _read(saved, _compound(WHOLE, WHOLE.replace("a test", "another")))
    assert array["spectrum"].values.tolist() == ["a test", "another"]
    np.testing.assert_array_equal(array[0], array[1])
    assert source(array)["blocks"] == "2 of 3 blocks"


def test_one_block_of_a_compound_file_can_be_chosen(saved):
    text = _compound(WHOLE, WHOLE.replace("0.001", "0.002").replace("FIRSTY= 0.1", "FIRSTY= 0.2"))
    np.testing.assert_allclose(_read(saved, text, block=2)[0, 0], 0.2, rtol=1e-6)
    with pytest.raises(ReadError, match="a number from 1 to 2"):
        _read(saved, text, block=3)


def test_blocks_with_positions_become_an_upright_map_with_flagged_gaps(saved):
    blocks = [
        WHOLE.replace("##XUNITS", POSITIONS.format(x=x, y=y))
        .replace("YFACTOR= 0.001", f"YFACTOR= {factor}").replace("FIRSTY= 0.1", f"FIRSTY= {first}")
        for x, y, factor, first in ((10, 20, 0.001, 0.1), (0, 0, 0.002, 0.2), (10, 0, 0.003, 0.3))
    ]  # fmt: skip
    array = _read(saved, _compound(*blocks))
    assert array.dims == ("y", "x", "wavenumber")
    np.testing.assert_allclose(array[..., 0], [[0.2, 0.3], [np.nan, 0.1]], rtol=1e-6)
    np.testing.assert_array_equal(array["y"], [0, 20])
    assert array["x"].attrs["units"] == "um"
    assert array["flag"].values.tolist() == [[0, 0], [1, 0]]
    with pytest.raises(ReadError, match="without positions"):
        _read(saved, _compound(blocks[0], WHOLE))


def test_a_wrong_number_of_blocks_is_told_and_a_cut_compound_file_refused(saved):
    text = _compound(WHOLE, WHOLE)
    with pytest.warns(ResiduekitWarning, match="BLOCKS 7, but 2 blocks"):
        _read(saved, text.replace("BLOCKS= 2", "BLOCKS= 7"))
    with pytest.raises(ReadError, match="END= of the LINK"):
        _read(saved, text[: -len("##END=\n")])


NTUPLES = """##TITLE= a series
##JCAMP-DX= 5.01
##DATA TYPE= INFRARED SPECTRUM
##NTUPLES= INFRARED SPECTRUM
##VAR_NAME= WAVENUMBER, ABSORBANCE, TIME
##SYMBOL= X, Y, T
##VAR_TYPE= INDEPENDENT, DEPENDENT, PAGE
##VAR_FORM= AFFN, ASDF, AFFN
##VAR_DIM= 3, 3, 2
##UNITS= 1/CM, ABSORBANCE, SECONDS
##FIRST= 400, 0.1, 0
##LAST= 402, 0.3, 60
##FACTOR= 1, 0.01, 1
##PAGE= T=0
##DATA TABLE= (X++(Y..Y)), XYDATA
400A0J0J0
402C0
##PAGE= T=60
##DATA TABLE= (X++(Y..Y)), XYDATA
400 40 50 60
##END NTUPLES= INFRARED SPECTRUM
##END=
"""


@pytest.mark.source("from memory", "lampen1994", "the layout of NTUPLES")
def test_the_pages_of_ntuples_are_spectra(saved):
    """The layout of variables in columns: Lampen and others, Appl. Spectrosc. 48 (1994) 1545."""
    array = _read(saved, NTUPLES)
    np.testing.assert_allclose(array, [[0.1, 0.2, 0.3], [0.4, 0.5, 0.6]], rtol=1e-6)
    np.testing.assert_array_equal(array["wavenumber"], [400, 401, 402])
    assert array["spectrum"].values.tolist() == ["a series, T=0", "a series, T=60"]
    assert _read(saved, NTUPLES, block=2).shape == (1, 3)


PEAKS = """##TITLE= bands
##XUNITS= MICROMETERS
##YUNITS= ABSORBANCE
##NPOINTS= 2
##PEAK TABLE= (XY..XY)
5, 0.5 10, 0.25
##END=
"""


def test_a_table_of_peaks_is_a_table(saved):
    frame = read_peaks(saved("p.jdx", PEAKS))
    assert frame["wavenumber"].tolist() == [2000, 1000]
    assert frame["y"].tolist() == [0.5, 0.25]
    text = PEAKS.replace("PEAK TABLE= (XY..XY)", "PEAK ASSIGNMENTS= (XYA)").replace(
        "5, 0.5 10, 0.25", "(5, 0.5, <C=O stretch>) (10, 0.25, <C-O>)"
    )
    assert read_peaks(saved("a.jdx", text))["assignment"].tolist() == ["C=O stretch", "C-O"]
    with pytest.raises(ReadError, match="read_peaks"):
        _read(saved, PEAKS)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("##NPOINTS= 2", "##NPOINTS= 3", "NPOINTS 3, but 2 peaks"),
        ("(XY..XY)", "(XZ..XZ)", "one of"),
        ("10, 0.25", "10", "3 numbers"),
        ("##END=\n", "", "may be cut"),
        ("##PEAK TABLE", "##XYPOINTS", "no table of peaks"),
    ],
)
def test_a_damaged_table_of_peaks_is_refused(saved, old, new, message):
    with pytest.raises(ReadError, match=message):
        read_peaks(saved("p.jdx", PEAKS.replace(old, new)))


TOKEN = re.compile(
    r"[ ,;]*([+-]?(?:\d+\.?\d*|\.\d+)(?:[Ee][+-]\d{1,3}(?!\d))?|[@A-Ia-i%J-Rj-rS-Zs]\d*\.?\d*|\?)"
)


def _plainly(lines):
    """Ordinates, abscissae and first indices by the words of the standard; None where refused."""
    signed = {"@": 0.0, "%": 0.0}
    for first, forms in ((1, "AJS"), (-1, "aj")):
        signed |= {chr(ord(c) + i): first * (i + 1.0) for c in forms for i in range(9 - (c == "S"))}
    signed["s"] = 9.0
    y, x, index, check = [], [], [], False
    for line in lines:
        words, at, line = [], 0, line.rstrip(" ,;")
        while at < len(line):
            if not (found := TOKEN.match(line, at)):
                return None
            words.append(found[1])
            at = found.end()
        step, first = None, True
        for place, word in enumerate(words):
            lead = signed.get(word[0])
            number = float(word.replace("?", "nan")) if lead is None else (
                float(f"{abs(lead):.0f}{word[1:]}") * (-1 if word[0].islower() else 1))  # fmt: skip
            if place == 0:
                if word[0] in "?%" or word[0].upper() in "JKLMNOPQRSTUVWXYZ":
                    return None
                x.append(number)
                index.append(len(y))
                continue
            if word[0] in "STUVWXYZs":
                if first or "." in word:
                    return None
                for _ in range(int(abs(number)) - 1):
                    y.append(y[-1] + (step or 0))
                continue
            difference = word[0] == "%" or word[0].upper() in "JKLMNOPQR"
            if difference and first:
                return None
            step = number if difference else None
            number = y[-1] + number if difference else number
            if first and check:
                if number != y[-1]:
                    return None
                index[-1] -= 1
            else:
                y.append(number)
            first = False
        check = step is not None
    return y, x, index


WORDS = ("A", "b12", "@", "J", "%", "j3", "T", "S2", "s", " 12", "-4", "+3", "1.25E-3", "A1.5",
         " ?", ";", " 12345678901234567890", " 0.5", "J0000000000000001", "T1.5", "E+0123", "x",
         "\n7", "\n@2")  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.lists(st.sampled_from(WORDS), max_size=14), st.booleans())
def test_tables_decode_as_by_the_words_of_the_standard(words, compiled):
    """Any sequence of forms, as it stands and compiled, against a decoder written apart."""
    text = "400.5 3" + "".join(words)
    expected = _plainly(text.split("\n"))
    try:
        found = decode(text, compiled=compiled)
    except BadNumberError:
        assert expected is None
        return
    assert expected is not None
    for name, numbers in zip(("y", "x", "index"), expected, strict=True):
        np.testing.assert_array_equal(getattr(found, name), numbers)
