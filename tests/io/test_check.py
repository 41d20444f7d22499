"""`residuekit check` on folders: spectra are described, a study or a run stays what it is."""

from __future__ import annotations

import hashlib

import pytest

from residuekit.cli import main
from residuekit.io import sha256, write
from residuekit.schema import make_map


def _checked(path, capsys):
    code = main(["check", str(path)])
    return code, "".join(capsys.readouterr())


def test_a_zarr_store_is_described(tmp_path, small_map, capsys):
    code, said = _checked(write(small_map, tmp_path / "m.zarr"), capsys)
    assert code == 0
    assert "format           Zarr" in said
    assert "2 rows (y) x 3 columns (x)" in said


def test_a_zarr_store_of_format_3_and_of_any_name_is_described(tmp_path, capsys):
    zarr = pytest.importorskip("zarr")
    group = zarr.open_group(tmp_path / "store", mode="w", zarr_format=3)
    data = make_map([[[0.1, 0.2]]], [1000, 1010])
    for name, values, dims in (
        ("absorbance", data.values, ("y", "x", "wavenumber")),
        ("wavenumber", data["wavenumber"].values, ("wavenumber",)),
    ):
        group.create_array(name, data=values, dimension_names=dims).attrs["units"] = "cm-1"
    code, said = _checked(tmp_path / "store", capsys)
    assert code == 0
    assert "1000 to 1010 cm-1" in said


def _pixels(folder):
    folder.mkdir()
    for number in range(1, 5):
        text = f"wavenumber,absorbance\n1000,{number / 10}\n1010,0.5\n"
        (folder / f"p{number}.csv").write_text(text)
    return folder


def test_a_folder_map_is_described(tmp_path, capsys):
    folder = _pixels(tmp_path / "pixels")
    (folder / "map.toml").write_text('shape = [2, 2]\norder = "rows"\nstart = "top left"\n')
    code, said = _checked(folder, capsys)
    assert code == 0
    assert "map of one-spectrum files" in said
    assert "rows from the top left, as stated" in said


def test_a_folder_of_spectra_that_says_nothing_of_its_grid_is_asked_for_it(tmp_path, capsys):
    code, said = _checked(_pixels(tmp_path / "pixels"), capsys)
    assert code == 1
    assert "map.toml" in said
    assert "the corner where they start" in said


def test_a_folder_that_is_nothing_is_told_all_it_could_be(tmp_path, capsys):
    (tmp_path / "notes.md").write_text("notes")
    code, said = _checked(tmp_path, capsys)
    assert code == 1
    for name in ("study.toml", "measurements.csv", "provenance.json", "zarr.json", ".zgroup",
                 ".zarray", "map.toml"):  # fmt: skip
        assert name in said
    assert [path.name for path in tmp_path.iterdir()] == ["notes.md"]


@pytest.mark.parametrize("mark", ["study.toml", "measurements.csv"])
def test_a_folder_with_one_file_of_a_study_is_a_study(tmp_path, capsys, mark):
    folder = _pixels(tmp_path / "pixels")
    (folder / mark).touch()
    code, said = _checked(folder, capsys)
    assert code == 1
    other = {"study.toml": "measurements.csv", "measurements.csv": "study.toml"}[mark]
    assert f"no {other}" in said


def test_the_checksum_of_a_folder_is_that_of_its_names_and_contents(tmp_path, small_map):
    folder = _pixels(tmp_path / "pixels")
    (folder / "below").mkdir()
    (folder / "below" / "a.txt").write_text("a")
    names = ["below/a.txt", *(f"p{n}.csv" for n in range(1, 5))]
    lines = [f"{hashlib.sha256((folder / n).read_bytes()).hexdigest()}  {n}\n" for n in names]
    before = sha256(folder)
    assert before == hashlib.sha256("".join(lines).encode()).hexdigest()
    (folder / "p1.csv").rename(folder / "p9.csv")
    assert sha256(folder) != before
    (folder / "p9.csv").rename(folder / "p1.csv")
    assert sha256(folder) == before
    store = write(small_map, tmp_path / "m.zarr")
    assert sha256(store) == sha256(write(small_map, tmp_path / "n.zarr"))
