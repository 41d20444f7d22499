"""A folder of one-spectrum files as a map: every order and corner, gaps, wrong counts."""

from __future__ import annotations

import numpy as np
import pytest

from residuekit.errors import ReadError, ResiduekitWarning
from residuekit.io import read
from residuekit.schema import source


def _fill(folder, numbers):
    folder.mkdir(exist_ok=True)
    for n in numbers:
        (folder / f"s{n}.csv").write_text(f"wavenumber,absorbance\n1000,{n / 10}\n1010,0.5\n")
    return folder


@pytest.mark.parametrize(
    ("order", "start", "expected"),
    [
        ("rows", "bottom left", [[1, 2, 3], [4, 5, 6]]),
        ("rows", "top left", [[4, 5, 6], [1, 2, 3]]),
        ("rows", "bottom right", [[3, 2, 1], [6, 5, 4]]),
        ("rows snake", "bottom left", [[1, 2, 3], [6, 5, 4]]),
        ("columns", "bottom left", [[1, 3, 5], [2, 4, 6]]),
        ("columns snake", "top right", [[6, 3, 2], [5, 4, 1]]),
    ],
)
def test_files_are_laid_out_as_stated(tmp_path, order, start, expected):
    folder = _fill(tmp_path / "f", range(1, 7))
    array = read(folder, shape=(2, 3), order=order, start=start, step=5)
    np.testing.assert_allclose(array[..., 0] * 10, expected, rtol=1e-6)
    np.testing.assert_array_equal(array["x"], [0, 5, 10])
    assert source(array)["y order"] == f"{order} from the {start}, as stated"


def test_names_are_ordered_by_their_numbers_and_a_gap_is_a_flagged_pixel(tmp_path):
    folder = _fill(tmp_path / "f", [n for n in range(1, 13) if n != 5])
    (folder / "map.toml").write_text('shape = [3, 4]\norder = "rows"\nstart = "bottom left"\n')
    array = read(folder)
    expected = np.arange(1, 13, dtype=float).reshape(3, 4)
    expected[1, 0] = np.nan
    np.testing.assert_allclose(array[..., 0] * 10, expected, rtol=1e-6)
    assert array["flag"].values[1, 0] == 1
    assert not array["valid"].values[1, 0]
    assert array["x"].attrs["units"] == "pixel"
    assert source(array)["missing pixels"] == "1"


@pytest.mark.parametrize(
    ("numbers", "options", "message"),
    [
        (range(1, 6), {}, "5 files and 0 missing places for a grid of 6"),
        (range(1, 8), {}, "7 files"),
        (range(2, 7), {"missing": [9]}, "places from 1 to 6"),
        (range(1, 7), {"order": "row"}, "did you mean 'rows'"),
        (range(1, 7), {"start": "lower left"}, "one of 'bottom left'"),
        (range(1, 7), {"shape": 6}, "rows and columns"),
        (range(1, 7), {"shape": "23"}, "rows and columns"),
        (range(1, 7), {"shape": (True, 6)}, "rows and columns"),
        (range(1, 7), {"files": "../*"}, "a pattern of names"),
        (range(1, 7), {"files": "*.nc"}, "no file"),
        (range(1, 7), {"step": "five"}, "step='five'"),
    ],
)
def test_what_does_not_fill_the_grid_is_refused(tmp_path, numbers, options, message):
    said = {"shape": (2, 3), "order": "rows", "start": "bottom left", **options}
    with pytest.raises(ReadError, match=message):
        read(_fill(tmp_path / "f", numbers), **said)


def test_a_missing_first_file_is_placed_where_it_is_said_to_be(tmp_path):
    folder = _fill(tmp_path / "f", range(2, 7))
    array = read(folder, shape=(2, 3), order="rows", start="bottom left", missing=[1])
    np.testing.assert_array_equal(np.isnan(array[..., 0]), [[True, False, False], [False] * 3])


def test_a_stray_file_never_takes_the_place_of_a_missing_one(tmp_path):
    folder = _fill(tmp_path / "f", [1, 2, 4, 5, 6])
    said = {"shape": (2, 3), "order": "rows", "start": "bottom left"}
    for name in ("reference.csv", "copy of s2.csv"):
        (folder / name).write_text((folder / "s2.csv").read_text())
        with pytest.raises(ReadError, match="number"):
            read(folder, **said)
        (folder / name).unlink()
    assert source(read(folder, **said))["missing pixels"] == "1"


def test_what_is_noticed_in_many_files_is_told_once(tmp_path):
    folder = _fill(tmp_path / "f", range(1, 7))
    for file in folder.iterdir():
        file.write_text("wavenumber,transmittance\n1000,50\n1010,60\n")
    with pytest.warns(ResiduekitWarning, match="percent.*in 6 of its files") as told:
        read(folder, shape=(2, 3), order="rows", start="bottom left")
    assert len(told) == 1


def test_options_in_toml_that_cannot_be_read_are_named(tmp_path):
    folder = _fill(tmp_path / "f", range(1, 7))
    for content in (b"shape = [2, 3", b"\xff\xfe"):
        (folder / "map.toml").write_bytes(content)
        with pytest.raises(ReadError, match="TOML that cannot be read"):
            read(folder)


def test_files_that_differ_are_refused(tmp_path):
    folder = _fill(tmp_path / "f", range(1, 3))
    said = {"shape": (1, 2), "order": "rows", "start": "bottom left"}
    (folder / "s2.csv").write_text("wavenumber,absorbance\n1000,1\n1011,1\n")
    with pytest.raises(ReadError, match="one axis"):
        read(folder, **said)
    (folder / "s2.csv").write_text("wavenumber,%T\n1000,50\n1010,50\n")
    with pytest.raises(ReadError, match="one quantity"):
        read(folder, **said)
    (folder / "s2.csv").write_text("wavenumber,a,b\n1000,1,1\n1010,1,1\n")
    with pytest.raises(ReadError, match="one spectrum a file"):
        read(folder, **said)
