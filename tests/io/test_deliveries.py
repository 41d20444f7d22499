"""How laboratories export: places in names, units of numbers, axes without a unit, odd suffixes."""

from __future__ import annotations

import io
import re
import zipfile

import numpy as np
import openpyxl
import pytest

from residuekit.errors import ReadError, ResiduekitWarning
from residuekit.io import read
from residuekit.schema import source

AXIS = "1000;{}\n1010;{}\n1020;{}\n"
JCAMP = """##TITLE= invented
##JCAMP-DX= 4.24
##DATA TYPE= INFRARED SPECTRUM
##XUNITS= 1/CM
##YUNITS= ABSORBANCE
##XFACTOR= 1
##YFACTOR= 0.001
##FIRSTX= 1000
##LASTX= 1002
##NPOINTS= 3
##XYDATA= (X++(Y..Y))
1000 100 200 300
##END=
"""


@pytest.mark.parametrize(
    "names",
    [
        ("(0,0)", "(25,0)", "(0,50)", "(25,50)"),
        ("x0 y0", "x25 y0", "x0 y50", "x25 y50"),
        ("pt_x0000_y0000", "pt_x0025_y0000", "pt_x0000_y0050", "pt_x0025_y0050"),
        ("X=0;Y=0", "X=25;Y=0", "X=0;Y=50", "X=25;Y=50"),
        ("x0,0 y0,0", "x25,0 y0,0", "x0,0 y50,0", "x25,0 y50,0"),
    ],
)
def test_a_column_a_pixel_is_a_map_where_the_names_hold_the_places(saved, names):
    head = "wavenumber\t" + "\t".join(names)
    rows = "\n".join(f"{w}\t0.1\t0.2\t0.3\t0.4" for w in (1000, 1010, 1020))
    array = read(saved("map.txt", f"{head}\n{rows}\n"))
    np.testing.assert_allclose(array[..., 0], [[0.1, 0.2], [0.3, 0.4]], rtol=1e-6)
    np.testing.assert_array_equal(array["x"], [0, 25])
    np.testing.assert_array_equal(array["y"], [0, 50])
    assert array["x"].attrs["units"] == "um"
    assert source(array)["position unit"] == "assumed um"


def test_a_row_a_pixel_is_a_map_too_and_stated_points_stay_points(saved):
    path = saved("rows.csv", "sample,1000,1010\nx0_y0,0.1,0.2\nx0_y5,0.3,0.4\n")
    assert read(path).shape == (2, 1, 2)
    assert read(path, layout="points in rows").dims == ("spectrum", "wavenumber")


def test_places_in_mm_and_pixels(saved):
    path = saved("mm.csv", 'wavenumber,"(0, 1 mm)","(2, 1 mm)"\n1000,0.1,0.2\n1010,0.1,0.2\n')
    np.testing.assert_array_equal(read(path)["x"], [0, 2000])
    path = saved("px.csv", "wavenumber,x0 y0,x1 y0\n1000,0.1,0.2\n1010,0.1,0.2\n")
    assert read(path)["x"].attrs["units"] == "pixel"


def test_columns_without_places_are_a_map_by_shape_order_and_start(saved):
    path = saved("plain.csv", "wavenumber,a,b,c,d\n1000,0.1,0.2,0.3,0.4\n1010,0.1,0.2,0.3,0.4\n")
    array = read(path, shape=(2, 2), order="rows", start="top left", step=5)
    np.testing.assert_allclose(array[..., 0], [[0.3, 0.4], [0.1, 0.2]], rtol=1e-6)
    np.testing.assert_array_equal(array["y"], [0, 5])
    with pytest.raises(ReadError, match=re.escape("4 spectra, and shape=(2, 3)")):
        read(path, shape=(2, 3), order="rows", start="top left")


def _named(folder, names):
    folder.mkdir()
    for number, name in enumerate(names, start=1):
        (folder / f"{name}.csv").write_text(f"wavenumber,absorbance\n1000,0.{number}\n1010,0.5\n")
    return folder


def test_single_spectra_named_by_their_place_make_a_map_by_themselves(tmp_path):
    folder = _named(tmp_path / "f", ["pt_x0000_y0000", "pt_x0000_y0200", "pt_x0100_y0000"])
    array = read(folder)
    np.testing.assert_allclose(array[..., 0], [[0.1, 0.3], [0.2, np.nan]], rtol=1e-6)
    np.testing.assert_array_equal(array["y"], [0, 200])


def test_an_order_that_contradicts_the_names_is_refused_but_not_a_flip(tmp_path):
    names = ["x0_y0", "x0_y2", "x0_y4", "x1_y0", "x1_y2", "x1_y4"]
    folder = _named(tmp_path / "f", names)
    with pytest.raises(ReadError, match="names that say other places"):
        read(folder, shape=(3, 2), order="rows", start="bottom left")
    array = read(folder, shape=(3, 2), order="columns", start="top left")
    np.testing.assert_allclose(array[2, 0, 0], 0.1, rtol=1e-6)


def test_a_table_under_an_unknown_suffix_is_read_where_its_format_is_stated(saved):
    path = saved("paint.asc", "1000\t0.1\n1010\t0.2\n")
    with pytest.raises(ReadError, match="format='table'"):
        read(path)
    assert read(path, format="table").values.tolist() == [[np.float32(0.1), np.float32(0.2)]]
    saved("paint.asc.toml", 'format = "table"\nquantity = "reflectance"\n')
    assert read(path).name == "reflectance"
    with pytest.raises(ReadError, match="did you mean 'table'"):
        read(path, format="tabel")


@pytest.mark.parametrize(
    ("head", "factor"),
    [
        ("wavenumber;absorbance (mAU)", 1e-3),
        ("wavenumber;absorbance\ncm-1;mOD", 1e-3),
        ("wavenumber;absorbance\ncm-1;1e-3", 1e-3),
        ("Wellenzahl;Extinktion [mAU]", 1e-3),
        ("Einheit;mAU", 1e-3),
        ("wavenumber;absorbance", 1),
    ],
)
def test_numbers_counted_in_thousandths_are_read_as_such(saved, head, factor):
    array = read(saved("a.csv", f"{head}\n{AXIS.format(100, 200, 300)}"))
    assert array.name == "absorbance"
    np.testing.assert_allclose(array.values, [np.array([100, 200, 300]) * factor], rtol=1e-6)


def test_columns_counted_in_different_units_are_refused(saved):
    path = saved("a.csv", "wavenumber,absorbance (mAU),absorbance\n1000,1,2\n1010,1,2\n")
    with pytest.raises(ReadError, match="counted in different units"):
        read(path)


@pytest.mark.parametrize(
    ("head", "quantity"),
    [
        ("Probe;T1\nEinheit;%T", "transmittance"),
        ("Wellenzahl;Messwert\nEinheit;%T", "transmittance"),
        ("Ordinate;Transmission in Prozent\nAbszisse;Wellenzahl", "transmittance"),
        ("Ordonnée;transmittance (%)", "transmittance"),
        ("numero d'onda;trasmittanza (%)", "transmittance"),
        ("número de onda;reflectancia (%)", "reflectance"),
        ("Wellenzahl;Reflexionsgrad %", "reflectance"),
        ("nombre d'onde;réflectance (%)", "reflectance"),
        ("Wellenzahlen;Durchlaessigkeit in Prozent", "transmittance"),
        ("Nombres d’onde;transmittance en pourcentage", "transmittance"),
        ("numeri d’onda;trasmittanza percentuale", "transmittance"),
        ("nu\u0301mero de onda;transmitancia (%)", "transmittance"),
        ("Messgröße;Durchlässigkeit %\nWellenzahlen;1", "transmittance"),
        ("Grandeur;transmittance %\nUnité X;cm-1", "transmittance"),
        ("Unità di misura;trasmittanza %", "transmittance"),
        ("Unidad de medida;transmitancia %", "transmittance"),
    ],
)
def test_the_words_of_other_languages_are_understood(saved, head, quantity):
    array = read(saved("a.csv", f"{head}\n{AXIS.format('50,5', '60,5', '70,5')}"))
    assert array.name == quantity
    np.testing.assert_allclose(array.values, [[0.505, 0.605, 0.705]], rtol=1e-6)


@pytest.mark.parametrize(
    "head",
    [
        "Wellenzahlen;Absorbanz", "Wellenzahl;Extinktion", "Einheit;Absorptionsmaß",
        "nombres d´onde;absorbance", "Ordonnée;densité optique", "unité Y;absorbance",
        "numeri d'onda;assorbanza", "Grandezza;assorbanza", "números de onda;absorbancia",
        "Magnitud;absorbancia", "Messgröße;Absorbanz",
    ],
)  # fmt: skip
def test_absorbance_is_understood_in_other_languages(saved, head):
    array = read(saved("a.csv", f"{head}\n{AXIS.format('0,5', '0,6', '0,7')}"))
    assert array.name == "absorbance"
    assert "quantity" not in source(array)


def test_reflectance_over_an_axis_that_may_be_nm_is_asked_for(saved):
    rows = "".join(f"{n},0.5\n" for n in range(1000, 2500, 5))
    path = saved("nir.csv", f"x,reflectance\n{rows}")
    with pytest.raises(ReadError, match=r"may as well|x_unit='nm', which it looks like"):
        read(path)
    array = read(path, x_unit="nm")
    np.testing.assert_allclose(array["wavenumber"].values[[0, -1]], [1e7 / 2495, 1e4])
    with pytest.warns(ResiduekitWarning, match="taken for cm-1: if it is nm, x_unit='nm'"):
        read(saved("other.csv", f"x,absorbance\n{rows}"))


def test_an_axis_in_um_without_a_unit_is_asked_for_with_what_it_looks_like(saved):
    with pytest.raises(ReadError, match="x_unit='um', which the numbers look like"):
        read(saved("um.csv", "2.5,0.1\n10,0.2\n25,0.3\n"))


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("YFACTOR= 0.001", "YFACTOR= 0", "line 7: found ##YFACTOR= 0"),
        ("XFACTOR= 1", "XFACTOR= 0", "line 6: found ##XFACTOR= 0"),
        ("INFRARED SPECTRUM", "INFRARED INTERFEROGRAM", "line 3: found DATA TYPE"),
    ],
)
def test_a_jcamp_file_whose_numbers_would_be_lost_is_refused(saved, old, new, message):
    with pytest.raises(ReadError, match=re.escape(message)):
        read(saved("a.jdx", JCAMP.replace(old, new)))


def test_jcamp_units_of_thousandths(saved):
    array = read(saved("a.jdx", JCAMP.replace("ABSORBANCE", "mOD")))
    np.testing.assert_allclose(array.values, [[1e-4, 2e-4, 3e-4]], rtol=1e-6)


def test_a_label_that_a_table_does_not_need_may_be_damaged(saved):
    text = JCAMP.replace("##NPOINTS", "##DELTAX= 1 .0\n##MAXY= 0. 3\n##NPOINTS")
    with pytest.warns(ResiduekitWarning, match="is no number, and not needed") as told:
        array = read(saved("a.jdx", text))
    assert {str(one.message).split("##")[1][:6] for one in told} == {"DELTAX", "MAXY= "}
    assert array.sizes["wavenumber"] == 3


def test_an_interferogram_in_a_table_is_refused(saved):
    with pytest.raises(ReadError, match="an interferogram"):
        read(saved("i.csv", "wavenumber,interferogram\n1000,1\n1010,2\n"))


def test_one_doubled_channel_of_many_is_told_and_several_are_refused(saved):
    axis = [*range(1000, 1100), 1099, *range(1100, 1120)]
    rows = "".join(f"{n},{0.1 if k == 100 else 0.3}\n" for k, n in enumerate(axis))
    with pytest.warns(ResiduekitWarning, match="1 of 121 channels given twice .the first at 1099"):
        array = read(saved("gas.csv", f"wavenumber,absorbance\n{rows}"))
    assert array.sizes["wavenumber"] == 120
    np.testing.assert_allclose(array.sel(wavenumber=1099), [0.2], rtol=1e-6)
    with pytest.raises(ReadError, match="stands twice"):
        read(saved("few.csv", "wavenumber,absorbance\n1000,1\n1010,2\n1010,3\n"))
    pairs = " ".join(f"{n},0.5" for n in axis)
    pairs = JCAMP.split("##FIRSTX")[0] + f"##XYPOINTS= (XY..XY)\n{pairs}\n##END=\n"
    with pytest.warns(ResiduekitWarning, match="given twice"):
        assert read(saved("gas.jdx", pairs)).sizes["wavenumber"] == 120


def test_a_sheet_whose_rows_stand_out_of_order_is_refused(tmp_path):
    book = openpyxl.Workbook()
    for row in (["wavenumber", "absorbance"], *([1000 + n, 0.1] for n in range(9))):
        book.active.append(row)
    made = io.BytesIO()
    book.save(made)
    path = tmp_path / "turned.xlsx"
    with zipfile.ZipFile(made) as old, zipfile.ZipFile(path, "w") as new:
        for name in old.namelist():
            text = old.read(name)
            if "worksheets/" in name:
                rows = re.findall(rb"<row .*?</row>", text, re.DOTALL)
                text = text.replace(b"".join(rows), b"".join([rows[0], rows[-1], *rows[1:-1]]))
            new.writestr(name, text)
    with pytest.raises(ReadError, match="row 2 below row 10"):
        read(path)
