"""Tables of text: layouts, marks, encodings, units, and what is refused, with its line."""

from __future__ import annotations

import numpy as np
import openpyxl
import pytest

from residuekit.errors import ReadError, ResiduekitWarning
from residuekit.io import read
from residuekit.labels import assumed
from residuekit.schema import FLAGS, source

TWO = "wavenumber,absorbance\n4000,0.5\n3990,0.25\n3980,0.125\n"


def _read(saved, text, **options):
    return read(saved("t.csv", text), **options)


@pytest.mark.parametrize(
    "text",
    [
        TWO,
        TWO.replace(",", ";"),
        TWO.replace(",", "\t"),
        TWO.replace(",", ";").replace(".", ","),
        TWO.replace("\n", "\r\n"),
        TWO.replace("\n", "\n\n"),
        "# a comment\n#\n" + TWO,
        "\ufeff" + TWO,
        TWO.replace("4000,0.5", '"4000","0.5"'),
        "# wavenumber,absorbance\n" + TWO.split("\n", 1)[1],
        "Panel 4, north side\n\nno. 12\n" + TWO,
        "cm-1,A\n" + TWO.split("\n", 1)[1],
        "Wavenumber [1/cm], Absorbance (1)\n" + TWO.split("\n", 1)[1],
    ],
)
def test_two_columns_are_read_in_every_spelling(saved, text):
    array = _read(saved, text)
    assert array.name == "absorbance"
    np.testing.assert_array_equal(array["wavenumber"], [3980, 3990, 4000])
    np.testing.assert_array_equal(array.values, [[0.125, 0.25, 0.5]])
    assert source(array)["layout"] == "points"
    assert "quantity" not in source(array)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_encodings_are_recognised_and_said(saved, encoding):
    array = _read(saved, "wavenumber,Fläche µ,B\n4000,1,2\n3990,1,2\n".encode(encoding))
    assert array["spectrum"].values.tolist() == ["Fläche µ", "B"]
    assert source(array)["encoding"] == encoding


def test_spectra_side_by_side_keep_their_names_and_gaps(saved):
    array = _read(saved, "wavenumber;T1;R\n4000;0,5;0,1\n3990;0,25;\n")
    assert array["spectrum"].values.tolist() == ["T1", "R"]
    np.testing.assert_array_equal(array["flag"], [0, FLAGS["missing"][0]])
    assert source(array)["decimal"] == ","


def test_a_quantity_that_nothing_names_is_assumed_and_said(saved):
    array = _read(saved, "4000,0.5\n3990,0.25\n")
    assert array.name == "absorbance"
    assert source(array)["quantity"] == "assumed absorbance"
    assert source(array)["wavenumber"] == "assumed cm-1"


@pytest.mark.parametrize(
    ("header", "options", "quantity"),
    [
        ("wavenumber,%T", {}, "transmittance"),
        ("wavenumber,Transmittance [%]", {}, "transmittance"),
        ("wavenumber,R (percent)", {}, "reflectance"),
        ("wavenumber,value", {"quantity": "reflectance", "percent": True}, "reflectance"),
    ],
)
def test_percent_is_divided_by_a_hundred_and_said(saved, header, options, quantity):
    array = _read(saved, f"{header}\n4000,50\n3990,104\n", **options)
    assert array.name == quantity
    np.testing.assert_allclose(array.values, [[1.04, 0.5]], rtol=1e-7)
    assert source(array)["scale"] == "percent, divided by 100"


def test_transmittance_that_must_be_percent_is_divided_with_a_warning(saved):
    with pytest.warns(ResiduekitWarning, match="taken as percent"):
        array = _read(saved, "wavenumber,transmittance\n4000,50\n3990,90\n")
    np.testing.assert_allclose(array.values, [[0.9, 0.5]], rtol=1e-7)


def test_transmittance_that_may_be_percent_is_asked_for(saved):
    text = "wavenumber,transmittance\n4000,0.5\n3990,3\n"
    with pytest.raises(ReadError, match="percent=True or percent=False"):
        _read(saved, text)
    assert _read(saved, text, percent=False).max() == 3


@pytest.mark.parametrize(
    ("header", "options", "axis"),
    [
        ("wavelength (um),A", {}, "2.5,4"),
        ("wavelength (nm),A", {}, "2500,4000"),
        ("x,A", {"x_unit": "um"}, "2.5,4"),
    ],
)
def test_wavelengths_become_wavenumbers(saved, header, options, axis):
    first, last = axis.split(",")
    array = _read(saved, f"{header}\n{first},0.1\n{last},0.2\n", **options)
    np.testing.assert_allclose(array["wavenumber"], [2500, 4000])
    np.testing.assert_allclose(array.values, [[0.2, 0.1]], rtol=1e-6)


def test_percent_that_may_be_a_fraction_is_told(saved):
    with pytest.warns(ResiduekitWarning, match="at most 0.9: if it is a fraction of 1"):
        array = _read(saved, "wavenumber,%T\n4000,0.5\n3990,0.9\n")
    np.testing.assert_allclose(array.values, [[0.009, 0.005]], rtol=1e-6)
    array = _read(saved, "wavenumber,%T\n4000,0.5\n3990,0.9\n", percent=False)
    np.testing.assert_allclose(array.values, [[0.9, 0.5]], rtol=1e-6)


@pytest.mark.parametrize(
    ("header", "quantity"),
    [("A", "absorbance"), ("F(R)", "kubelka_munk"), ("K-M", "kubelka_munk"),
     ("T,T", "transmittance"), ("log(1/R)", "absorbance"),
     ("R", "reflectance"), ("A,B", "absorbance")],
)  # fmt: skip
def test_words_for_a_quantity_are_known(saved, header, quantity):
    row = ",0.5" * len(header.split(","))
    assert _read(saved, f"wavenumber,{header}\n4000{row}\n3990{row}\n").name == quantity


def test_a_mark_at_the_end_of_each_row_is_no_spectrum(saved):
    array = _read(saved, "wavenumber,A,\n4000,0.5,\n3990,0.4,\n")
    assert array.shape == (1, 2)
    assert array.name == "absorbance"
    assert source(array)["empty last column"] == "left out"
    wide = _read(saved, "x,y,4000,\n0,0,0.5,\n1,0,0.4,\n")
    assert wide.shape == (1, 2, 1)
    assert _read(saved, "wavenumber,A,B\n4000,0.5,\n3990,0.4,\n").shape == (2, 2)


def test_a_line_and_a_column_that_may_both_be_the_axis_are_asked_for(saved):
    rows = "wavenumber,4000,3990,3980\n{},.1,.2,.3\n{},.4,.5,.6\n"
    turned = _read(saved, rows.format(1, 2))
    assert source(turned)["layout"] == "points in rows"
    np.testing.assert_array_equal(turned["wavenumber"], [3980, 3990, 4000])
    with pytest.raises(ReadError, match="may both be wavenumber"):
        _read(saved, rows.format(1000, 1010))
    upright = _read(saved, rows.format(1000, 1010), layout="points")
    np.testing.assert_array_equal(upright["wavenumber"], [1000, 1010])
    named = _read(saved, "wavenumber,2,60,120\n4000,.1,.2,.3\n3990,.4,.5,.6\n")
    np.testing.assert_array_equal(named["wavenumber"], [3990, 4000])


WIDE = "x (mm),y (mm),4000,3990\n0.2,0.1,5,6\n0.1,0.1,1,2\n0.1,0.3,3,4\n0.2,0.2,7,8\n"


def test_a_wide_map_is_turned_upright_and_its_gaps_are_flagged(saved):
    array = _read(saved, WIDE, quantity="absorbance")
    assert array.shape == (3, 2, 2)
    np.testing.assert_allclose(array["y"], [100, 200, 300])
    np.testing.assert_allclose(array["x"], [100, 200])
    np.testing.assert_array_equal(array["wavenumber"], [3990, 4000])
    np.testing.assert_array_equal(array[0, 0], [2, 1])
    np.testing.assert_array_equal(array["valid"], [[True, True], [False, True], [True, False]])
    assert source(array)["missing pixels"] == "2"
    assert array["x"].attrs["units"] == "um"


@pytest.mark.parametrize("order", [1, -1])
def test_a_long_map_is_the_same_in_any_order_of_rows(saved, order):
    rows = [f"{x},{y},{w},{x / 10 + y + w / 1e5}" for y in (0, 1) for x in (0, 1, 2)
            for w in (1000, 1010)]  # fmt: skip
    array = _read(saved, "\n".join(["x,y,wavenumber,absorbance", *rows[::order]]) + "\n")
    assert array.shape == (2, 3, 2)
    assert array["x"].attrs["units"] == "pixel"
    assert source(array)["position unit"] == "assumed pixel"
    expected = array["x"] / 10 + array["y"] + array["wavenumber"] / 1e5
    np.testing.assert_allclose(array, expected.transpose("y", "x", "wavenumber"), rtol=1e-6)


def test_a_layout_can_be_stated_where_nothing_names_it(saved):
    text = "0,0,1000,0.1\n0,0,1010,0.2\n1,0,1000,0.3\n1,0,1010,0.4\n"
    with pytest.raises(ReadError, match="layout="):
        _read(saved, text)
    assert _read(saved, text, layout="long map").shape == (1, 2, 2)


@pytest.mark.parametrize(
    "text",
    [
        "Blindprobe\n4000,0\t0,5\n3990,0\t0,25\n",
        "Blindprobe 4, Tafel 4\n4000,0\t0,5\n3990,0\t0,25\n",
        "Blindprobe; 4\n4000,0\t0,5\n3990,0\t0,25\n",
        "Blindprobe 4\n4000, 0.5\n3990, 0.25\n",
    ],
)
def test_a_line_of_text_alone_above_the_numbers_is_a_title(saved, text):
    array = _read(saved, text)
    assert array.values.tolist() == [[0.25, 0.5]]
    assert source(array)["title"] == text.splitlines()[0]
    assert assumed(array) == {"quantity": "absorbance", "wavenumber": "cm-1"}


def test_a_title_in_a_workbook_names_no_column_either(tmp_path):
    book = openpyxl.Workbook()
    for row in (("Blindprobe 4",), (4000, 0.5), (3990, 0.25)):
        book.active.append(row)
    book.save(tmp_path / "t.xlsx")
    array = read(tmp_path / "t.xlsx")
    assert array.values.tolist() == [[0.25, 0.5]]
    assert source(array)["title"] == "Blindprobe 4"


def test_whole_numbers_with_a_space_after_the_comma_are_parted_by_the_comma(saved):
    text = "wavenumber, absorbance\n4000, 2\n3990, 1\n3980, 1\n"
    assert _read(saved, text).values.tolist() == [[1, 1, 2]]


@pytest.mark.parametrize(
    ("text", "options", "line", "message"),
    [
        (TWO + "3970\n", {}, 5, "1 columns"),
        (TWO + "3970,0.1,0.2\n", {}, 5, "3 columns"),
        (TWO + "3970,n.d.\n", {}, 5, "'n.d.' in column 2"),
        (TWO + "3970,1e999\n", {}, 5, "'1e999' in column 2"),
        (TWO + "3970,inf\n", {}, 5, "'inf' in column 2"),
        (TWO + ",0.1\n", {}, 5, "an empty cell"),
        (TWO + "3980,0.1\n", {}, 5, "3980, which stands twice"),
        ("#\n" + TWO + "3985,0.1\n", {}, 6, "3985, which turns back"),
        (TWO + "3970,\0\n", {}, 5, "NUL byte"),
        (TWO + "3970,1e39\n", {}, None, "above 3.4e38"),
        (TWO.replace("4000,0.5", '"4000,0.5'), {}, 1, "closed quotes"),
        (TWO.replace("3990,0.25", '"3990,0.25'), {}, 3, "1 columns"),
        ('"wavenumber,A\n4000,1\n3990,2\n', {}, 1, "closed quotes"),
        ('4000,"' + "9" * 200_000 + "\n", {}, 1, "cannot be split"),
        ("", {}, None, "an empty file"),
        (" \n\n", {}, None, "an empty file"),
        ("# only\n", {}, None, "no numbers"),
        ("wavenumber,absorbance\n", {}, 1, "without numbers"),
        ("one\ntwo\n", {}, 1, "parted by tab"),
        (b"\xff\xfe1\x00,\x00\x35", {}, None, "UTF-16"),
        ("a;b\n4000,5;0.1\n3990,5;0.2\n", {}, 1, "a decimal point and with a decimal comma"),
        ("4000,12,0,5\n3990,25,0,6\n", {}, 1, "whole numbers parted by commas"),
        ("# a title\n4000,5 0,1\n3990,5 0,2\n", {}, 2, "columns parted by spaces"),
        ("a b\n4000   0.1\n3990   0.2\n", {}, 1, "columns parted by spaces"),
        ("4000,5\n3990,6\n", {}, None, "quantity="),
        ("wavenumber,A,B\n4000,50,60\n3990,60,70\n", {}, None, "quantity="),
        ("wavenumber,absorbance,transmittance\n4000,1,.1\n3990,1,.1\n", {}, 1, "one quantity"),
        ("2.5,0.5\n3,0.6\n", {}, None, "x_unit="),
        ("wavelength,A\n2500,0.5\n2600,0.6\n", {}, None, "called 'wavelength'"),
        ("time (s),A\n250,0.5\n260,0.6\n", {}, None, "called 'time \\(s\\)'"),
        ("wavenumber (nm),A\n2500,0.5\n2600,0.6\n", {}, 1, "in nm or um"),
        ("wavelength,A\ncm-1,1\n2500,0.5\n2600,0.6\n", {}, 1, "in nm or um"),
        ("x,y,wavelength,A\n0,0,2500,.1\n0,0,2600,.2\n", {}, None, "called 'wavelength'"),
        ("wavenumber,A\n4.0D3,.1\n3990,.2\n", {}, 2, "'4.0D3' where a row of numbers begins"),
        ("4000?,.1\n3990,.2\n", {}, 1, "'4000\\?' where a row"),
        ("cm-1;A\n4.000,5;0,5\n3.990,5;0,4\n", {}, 3, "'3.990,5' where a row"),
        ("wavenumber,A,T\n4000,.5,.3\n3990,.4,.2\n", {}, 1, "absorbance and transmittance"),
        ("wavelength (nm),A\n-1,0.1\n5,0.2\n", {}, None, "above zero"),
        ("sample,4000,3990,3980\n1,.1,.2,.3\n2,.1,.2,.3\n", {}, 1, "spectra in rows"),
        ("x,y,a,b\n1,1,.1,.2\n", {}, 1, "layout="),
        ("x (um),y (pixel),4000\n1,1,.1\n", {}, 1, "one unit for both"),
        ("x,y,4000\n1,1,.1\n1,1,.2\n", {}, None, "two pixels at one place"),
        ("x,y,4000\n0,0,.1\n1,0,.1\n2.3,1,.2\n", {}, None, "regular grid"),
        ("x,y,wavenumber,A\n0,0,1000,.1\n0,0,1000,.1\n", {}, 3, "stand twice"),
        ("x,y,4000\n1,,.1\n", {}, 2, "an empty cell in column 'y'"),
        ("x,y,4000,4000\n1,1,.1,.2\n", {}, None, "ascending"),
        (TWO, {"layout": "wide"}, None, "did you mean 'wide map'"),
        (TWO, {"layout": "wide map"}, 1, "one called x and one y"),
        (TWO, {"layout": "long map"}, None, "2 columns"),
        (TWO, {"quantity": "absorbence"}, None, "did you mean 'absorbance'"),
        (TWO, {"technique": "art"}, None, "did you mean 'atr'"),
        (TWO, {"x_unit": "THz"}, None, "'cm-1'"),
        (TWO, {"delimiter": "|"}, None, "one of"),
        (TWO, {"percent": True}, None, "absorbance in percent"),
        (TWO, {"percent": "yes"}, None, "True or False"),
        (TWO, {"delimeter": ","}, None, "did you mean 'delimiter'"),
    ],
)
def test_what_cannot_be_read_is_said_with_its_line(saved, text, options, line, message):
    with pytest.raises(ReadError, match=message) as caught:
        _read(saved, text, **options)
    (fault,) = caught.value.faults
    assert fault.file.endswith("t.csv")
    assert fault.line == line


def test_pixels_scattered_off_any_grid_are_refused(saved):
    rows = "".join(f"{3 * i},{5 * i},.1\n" for i in range(40))
    with pytest.raises(ReadError, match="40 pixels on a grid of 40 x 40"):
        _read(saved, "x (um),y (um),4000\n" + rows)


@pytest.mark.parametrize(
    "options",
    [
        {"layout": "long map"},
        {"quantity": "reflectance"},
        {"technique": "reflection"},
        {"percent": True},
    ],
)
def test_a_table_of_ours_that_says_otherwise_than_the_caller_is_refused(
    tmp_path, small_map, options
):
    from residuekit.io import write

    with pytest.raises(ReadError, match="for a file that says"):
        read(write(small_map, tmp_path / "m.csv"), **options)


def test_a_comment_block_of_ours_that_was_changed_is_refused(saved, tmp_path, small_map):
    from residuekit.io import write

    text = write(small_map, tmp_path / "m.csv").read_text()
    for old, new, message in (
        ('# layout: "wide map"\n', "", "layout='None'"),
        ("# history: []", "# history: [", "JSON value"),
        ("# shape: [2, 3, 4]", "# shape: [2, 3, 5]", "cut or changed"),
        ("# flag: [", "# flag: [1, ", "flag list"),
        ('"absorbance"', '"absorbence"', "did you mean 'absorbance'"),
        ("\n11.0,7.5", "\n#11.0,7.5", "'#11.0'"),
    ):
        assert old in text
        with pytest.raises(ReadError, match=message):
            _read(saved, text.replace(old, new))


def test_a_row_of_units_below_the_header_is_understood(saved):
    array = _read(saved, "wavelength;s1;s2\nµm;%T;%T\n5;50;60\n10;70;80\n")
    assert array.name == "transmittance"
    np.testing.assert_array_equal(array["wavenumber"], [1000, 2000])
    np.testing.assert_allclose(array, [[0.7, 0.5], [0.8, 0.6]], rtol=1e-6)
    wide = _read(saved, "x,y,4000,3990\nmm,mm,cm-1,cm-1\n0.1,0.2,.1,.2\n", quantity="absorbance")
    assert (wide["x"].item(), wide["x"].attrs["units"]) == (100, "um")


def test_spectra_in_rows_that_open_with_names_are_recognised(saved):
    array = _read(saved, 'sample,4000,3990,3980\na,.1,.2,.3\n"b, 2",.4,,.6\n')
    assert array["spectrum"].values.tolist() == ["a", "b, 2"]
    np.testing.assert_allclose(array, [[0.3, 0.2, 0.1], [0.6, np.nan, 0.4]], rtol=1e-6)
    assert source(array)["layout"] == "points in rows"
    named = _read(saved, "sample,4000,3990\n1,.1,.2\n2,.1,.2\n", layout="points in rows")
    assert named["spectrum"].values.tolist() == [1, 2]


@pytest.fixture(scope="module")
def large():
    """A wide map of 400 pixels and 700 wavenumbers, and its table of more than 2 MB."""
    values = np.random.default_rng(3).random((20, 20, 700), dtype=np.float32)
    header = "x (µm),y (µm)," + ",".join(str(900 + n) for n in range(700))
    rows = [f"{x},{y}," + ",".join(values[y, x].astype(str)) for y in range(20) for x in range(20)]
    return values, "\n".join([header, *rows]) + "\n"


@pytest.mark.parametrize(
    "spelt",
    [
        lambda text: text,
        lambda text: text.replace("\n", "\r\n"),
        lambda text: text.rstrip("\n"),
        lambda text: text.replace("\n7,", "\n\n7,", 1),
        lambda text: text.replace("\n7,", '\n"7",', 1),
        lambda text: "\ufeff" + text,
        lambda text: text.replace(",", ";").replace(".", ","),
        lambda text: "# " + "a long comment " * 20_000 + "\n" + text,
    ],
)
@pytest.mark.parametrize("encoding", ["utf-8", "latin-1", "utf-16"])
def test_a_large_table_is_the_same_in_every_spelling(saved, large, spelt, encoding):
    values, text = large
    text = spelt(text)
    if encoding != "utf-8":
        text = text.removeprefix("\ufeff")
    array = read(saved("m.csv", text.encode(encoding)))
    np.testing.assert_array_equal(array, values)
    assert array["x"].attrs["units"] == "um"


@pytest.mark.parametrize(
    ("new", "message"),
    [
        ("\n7,,", "703 columns"),
        ("\n7\n", "1 columns"),
        ("\n7,x", "'x[0-9]+' in column 2"),
        ("\n7,NULL,", "703 columns"),
        ("\n#7,", "'#7' in column 1"),
        ("\n7,\0", "NUL byte"),
    ],
)
@pytest.mark.parametrize("place", ["first", "last"])
def test_a_large_table_has_the_faults_of_a_small_one(saved, large, new, message, place):
    _, text = large
    at = (text.index if place == "first" else text.rindex)("\n7,")
    path = saved("m.csv", text[:at] + new + text[at + 3 :])
    with pytest.raises(ReadError, match=message) as caught:
        read(path, quantity="absorbance")
    assert caught.value.faults[0].line == text[:at].count("\n") + 2


@pytest.mark.parametrize("cell", ["NULL", "#N/A", "1_000", "0x1F", "True", "1 2"])
def test_only_the_words_for_a_missing_number_are_missing_numbers(saved, cell):
    assert np.isnan(_read(saved, TWO + "3970,n/a\n")[0, 0])
    with pytest.raises(ReadError, match="in column 2"):
        _read(saved, TWO + f"3970,{cell}\n")
