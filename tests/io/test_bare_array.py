"""Bare arrays: what such a file cannot say is asked for, and the map comes out upright."""

from __future__ import annotations

import zipfile

import numpy as np
import pytest
from PIL import Image

from residuekit.errors import ReadError
from residuekit.io import read, sha256
from residuekit.schema import source

AXIS = [1000.0, 1010.0, 1020.0, 1030.0]
VALUES = np.arange(24, dtype=np.float32).reshape(2, 3, 4) / 10
SAID = {"wavenumber": AXIS, "quantity": "absorbance", "first_row": "bottom", "step": (5, 2)}


def _assert_upright(array):
    np.testing.assert_allclose(array.values, VALUES, rtol=1e-6)
    np.testing.assert_array_equal(array["wavenumber"], AXIS)
    np.testing.assert_array_equal(array["x"], [0, 5, 10])
    np.testing.assert_array_equal(array["y"], [0, 2])


@pytest.mark.parametrize("order", ["C", "F"])
@pytest.mark.parametrize("dtype", ["f4", "f8", ">f4"])
def test_npy_in_any_order_of_dims_and_bytes(tmp_path, order, dtype):
    path = tmp_path / "m.npy"
    np.save(path, np.asarray(VALUES.transpose(2, 0, 1), dtype, order=order))
    _assert_upright(read(path, dims=("wavenumber", "y", "x"), **SAID))


def test_npz_may_hold_its_axis_and_asks_which_array(tmp_path):
    path = tmp_path / "m.npz"
    np.savez(path, cube=VALUES, wavenumber=AXIS, mask=np.ones((2, 3)))
    said = {**SAID, "wavenumber": None, "dims": ("y", "x", "wavenumber")}
    with pytest.raises(ReadError, match="among cube, mask"):
        read(path, **said)
    _assert_upright(read(path, dataset="cube", **said))


def test_a_toml_file_beside_may_hold_the_options(tmp_path):
    np.save(tmp_path / "m.npy", VALUES[::-1])
    (tmp_path / "w.txt").write_text("1000\n1010\n1020\n1030\n")
    (tmp_path / "m.npy.toml").write_text(
        'dims = ["y", "x", "wavenumber"]\nwavenumber = "w.txt"\nquantity = "absorbance"\n'
        'first_row = "top"\nstep = [5, 2]\n'
    )
    array = read(tmp_path / "m.npy")
    _assert_upright(array)
    assert source(array)["y order"] == "the first row lies at the top, as stated"
    for name in ("m.npy.toml", "w.txt"):
        before = sha256(tmp_path / "m.npy")
        assert source(read(tmp_path / "m.npy"))["sha256"] == before
        (tmp_path / name).write_text((tmp_path / name).read_text() + "\n")
        assert sha256(tmp_path / "m.npy") != before
    (tmp_path / "m.npy.toml").write_text("stepp = 5\n")
    with pytest.raises(ReadError, match="did you mean 'step'"):
        read(tmp_path / "m.npy")


@pytest.mark.parametrize(
    ("interleave", "order"), [("bsq", (2, 0, 1)), ("bil", (0, 2, 1)), ("bip", (0, 1, 2))]
)
@pytest.mark.parametrize("byte_order", ["little", "big"])
def test_flat_binary_in_each_interleave_and_byte_order(saved, interleave, order, byte_order):
    kind = ("<" if byte_order == "little" else ">") + "f4"
    data = b"head" + VALUES.transpose(order).astype(kind).tobytes()
    path = saved("m.raw", data)
    said = {"shape": (2, 3, 4), "dtype": "float32", "byte_order": byte_order, "offset": 4}
    _assert_upright(read(path, interleave=interleave, **said, **SAID))
    with pytest.raises(ReadError, match="101 bytes"):
        read(path, interleave=interleave, **{**said, "offset": 5}, **SAID)
    with pytest.raises(ReadError, match="did you mean 'bil'"):
        read(path, interleave="bill", **said, **SAID)
    with pytest.raises(ReadError, match="3 whole numbers from 1"):
        read(path, interleave="bip", **{**said, "shape": (2, -3, 4)}, **SAID)


def test_a_tiff_of_one_page_a_wavenumber(tmp_path):
    pages = [Image.fromarray(VALUES[::-1, :, i]) for i in range(4)]
    path = tmp_path / "m.tif"
    pages[0].save(path, save_all=True, append_images=pages[1:])
    _assert_upright(read(path, **{**SAID, "first_row": "top"}))
    with pytest.raises(ReadError, match="more than 3 pages"):
        read(path, **{**SAID, "wavenumber": AXIS[:3]})
    with pytest.raises(ReadError, match="4 pages for 5 wavenumbers"):
        read(path, **{**SAID, "wavenumber": [*AXIS, 1040]})


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"first_row": None}, "no first_row; needed one of 'bottom', 'top'; .* first_row='bottom'"),
        ({"quantity": None}, "quantity='absorbance'"),
        ({"wavenumber": None}, "no wavenumbers"),
        ({"wavenumber": AXIS[:3]}, "3 wavenumbers for an array"),
        ({"wavenumber": ["a"]}, "no numbers"),
        ({"wavenumber": "absent.txt"}, "no such file"),
        ({"wavenumber": "../w.txt"}, "beside this one"),
        ({"step": -1}, "step=-1"),
        ({"x_unit": "THz"}, "'cm-1', 'nm', 'um'"),
        ({"dims": ("x", "y")}, "dims="),
        ({"dims": 5}, "dims=5"),
        ({"dims": ("y", 1, "x")}, "dims="),
    ],
)
def test_what_is_not_stated_is_asked_for(tmp_path, changed, message):
    np.save(tmp_path / "m.npy", VALUES)
    with pytest.raises(ReadError, match=message):
        read(tmp_path / "m.npy", **{"dims": ("y", "x", "wavenumber"), **SAID, **changed})


def test_pickles_and_false_sizes_are_refused(tmp_path):
    np.save(tmp_path / "o.npy", np.array([{"a": 1}]), allow_pickle=True)
    with pytest.raises(ReadError, match="no objects"):
        read(tmp_path / "o.npy", **SAID)
    np.save(tmp_path / "m.npy", VALUES)
    data = (tmp_path / "m.npy").read_bytes()
    (tmp_path / "m.npy").write_bytes(data.replace(b"(2, 3, 4), ", b"(9999999,),"))
    with pytest.raises(ReadError, match="39999996 bytes"):
        read(tmp_path / "m.npy", **SAID)


def test_a_zip_bomb_is_refused_unopened(tmp_path):
    for name in ("b.npz", "b.xlsx"):
        with zipfile.ZipFile(tmp_path / name, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr("[Content_Types].xml", bytes(300 * 2**20))
        with pytest.raises(ReadError, match="300 MB"):
            read(tmp_path / name)


def test_an_infinite_number_is_refused(tmp_path):
    values = VALUES.copy()
    values[0, 0, 0] = np.inf
    np.save(tmp_path / "m.npy", values)
    with pytest.raises(ReadError, match="infinite or above"):
        read(tmp_path / "m.npy", dims=("y", "x", "wavenumber"), **SAID)


@pytest.mark.parametrize("orientation", [2, 3, 4, 5, 6, 7, 8])
def test_a_tiff_that_lies_otherwise_than_it_is_stored_is_refused(tmp_path, orientation):
    Image.fromarray(VALUES[..., 0]).save(tmp_path / "m.tif", tiffinfo={274: orientation})
    with pytest.raises(ReadError, match=f"the orientation {orientation}"):
        read(tmp_path / "m.tif", **{**SAID, "wavenumber": [1000.0]})


def test_transmittance_above_one_is_kept_and_flagged(tmp_path):
    np.save(tmp_path / "m.npy", VALUES)
    said = {**SAID, "quantity": "transmittance", "percent": False}
    array = read(tmp_path / "m.npy", dims=("y", "x", "wavenumber"), **said)
    assert array.values.max() == VALUES.max()
    assert array["flag"].values.tolist() == [[0, 0, 1024], [1024, 1024, 1024]]
    assert array["valid"].all()
