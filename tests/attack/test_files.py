"""Files that mean harm: nothing but a regular file inside the study is opened, whatever it says."""

from __future__ import annotations

import ast
import os
import shutil
import zipfile

import h5py
import numpy as np
import pytest

from residuekit import io
from residuekit.errors import ReadError, StudyError
from residuekit.io import hdf5, jcamp, opening, text_table, workbook
from residuekit.results import open_run
from residuekit.study import load_manifest
from residuekit.study.inspect import check_folder
from residuekit.viewer.run_maps import arguments_of

posix = pytest.mark.skipif(os.name != "posix", reason="pipes and links of POSIX")
#: Names by which a file is opened; each of them stands in `io/opening.py`, or behind its guard.
OPENERS = {"read_bytes", "read_text", "fromfile", "memmap", "loadtxt", "genfromtxt"}
#: Files of the package itself, and what is written and read again within one run.
OWN = {
    "markers.py",
    "simulate",
    "report",
    "figures",
    "viewer",
    "cache.py",
    "seal.py",
    "template.py",
}


def test_every_reader_asks_the_one_guard(root):
    """No module of `io` or `study` opens a file to read but through `opening`."""
    found = []
    for path in sorted((root / "residuekit").rglob("*.py")):
        place = path.relative_to(root / "residuekit")
        if place.parts[0] not in ("io", "study", "spectra") or place.name in (OWN | {"opening.py"}):
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                continue
            modes = [one.value for one in node.args if isinstance(one, ast.Constant)]
            reads = node.func.attr == "open" and {"rb", "r"} & set(map(str, modes))
            if node.func.attr in OPENERS or reads:
                found.append(f"{place}:{node.lineno}: {ast.unparse(node)[:60]}")
    assert found == []


@posix
@pytest.mark.parametrize("reader", io.READERS, ids=lambda reader: reader.name)
def test_pipes_devices_and_loops_are_refused_by_every_reader(tmp_path, reader):
    calls = [io.read, io.sha256, opening.content]
    if reader.name not in ("TIFF", "flat binary"):  # these ask for what is not stated first
        calls.append(reader.read)
    for suffix in reader.suffixes:
        os.mkfifo(tmp_path / f"pipe{suffix}")
        (tmp_path / f"zero{suffix}").symlink_to("/dev/zero")
        (tmp_path / f"loop{suffix}").symlink_to(f"loop{suffix}")
        for name, words in (("pipe", "a named pipe"), ("zero", "a device"), ("loop", "be opened")):
            for call in calls:
                with pytest.raises(ReadError, match=words):
                    call(tmp_path / f"{name}{suffix}")


@posix
def test_a_pipe_beside_a_file_or_in_a_folder_is_refused(tmp_path):
    (tmp_path / "a.csv").write_text("wavenumber,a\n1000,1\n1001,2\n", encoding="utf-8")
    os.mkfifo(tmp_path / "a.csv.toml")
    with pytest.raises(ReadError, match="a named pipe"):
        io.read(tmp_path / "a.csv", quantity="absorbance")
    store = io.write(
        io.read(_points(tmp_path / "b.csv"), quantity="absorbance"), tmp_path / "b.zarr"
    )
    chunk = next(path for path in store.rglob("0.0"))
    chunk.unlink()
    os.mkfifo(chunk)
    for call in (io.read, io.sha256, io.size_of):
        with pytest.raises(ReadError, match="a named pipe"):
            call(store)
    chunk.unlink()
    chunk.symlink_to(tmp_path / "a.csv")
    with pytest.raises(ReadError, match="a link that leaves its folder"):
        io.read(store)


def _points(path):
    path.write_text("wavenumber,a\n1000,1\n1001,2\n", encoding="utf-8")
    return path


@posix
@pytest.mark.parametrize("name", ["measurements.csv", "study.toml", "data"])
def test_links_out_of_the_study_are_refused(study, tmp_path, name):
    """The table, the settings, and the file that says how a measured one is read."""
    outside = tmp_path / "outside"
    if name == "data":
        path = study.folder / f"{study.rows()[0]['file']}.toml"
        outside.write_text("", encoding="utf-8")
    else:
        path = study.folder / name
        path.rename(outside)
    path.symlink_to(outside)
    with pytest.raises(StudyError, match="leaves the study folder"):
        check_folder(study.folder)
    if name == "data":
        failures = study.run().failures
        assert "leaves the study folder" in failures[study.rows()[0]["file"]]


@posix
def test_a_pipe_in_the_table_or_as_a_run_is_refused(study, finished, tmp_path):
    path = study.folder / study.rows()[0]["file"]
    path.unlink()
    os.mkfifo(path)
    with pytest.raises(StudyError, match="a named pipe"):
        load_manifest(study.folder)
    record = tmp_path / "run" / "provenance.json"
    record.parent.mkdir()
    for part in finished.result.folder.glob("*.*"):
        (record.parent / part.name).write_bytes(part.read_bytes())
    record.unlink()
    os.mkfifo(record)
    with pytest.raises(ReadError, match=r"no provenance\.json"):
        open_run(record.parent)


@posix
def test_score_maps_of_a_run_from_elsewhere_are_opened_by_the_same_guard(finished, tmp_path):
    study = shutil.copytree(finished.study.folder, tmp_path / "study")
    result = open_run(study)
    outside, entry = tmp_path / "outside.nc", result.provenance["maps"][0]
    path = result.folder / entry["map"]
    path.rename(outside)
    path.symlink_to(outside)
    calls = (lambda: result.score_map(path), lambda: arguments_of(result, entry["file"]))
    for call in calls:
        with pytest.raises(ReadError, match="leaves the study folder"):
            call()
    path.unlink()
    os.mkfifo(path)
    for call in calls:
        with pytest.raises(ReadError, match="a named pipe"):
            call()
    path.unlink()
    with h5py.File(path, "w") as file:
        file["score"] = h5py.ExternalLink(str(outside), "score")
    for call in calls:
        with pytest.raises(ReadError, match="a link to the file"):
            call()


def _spectra(path, padding=0, **how):
    with h5py.File(path, "w") as file:
        for number in range(padding):
            file.create_group(f"a{number}")
        file["wavenumber"] = np.arange(1000.0, 1006.0)
        file["wavenumber"].attrs["units"] = "cm-1"
        file["wavenumber"].make_scale()
        file.create_dataset("absorbance", (4, 6), "f8", **how)
        file["absorbance"].dims[1].attach_scale(file["wavenumber"])
        file["absorbance"].dims[0].label = "spectrum"


@pytest.mark.parametrize("padding", [0, 40])
def test_storage_in_other_files_is_refused_behind_any_padding(tmp_path, monkeypatch, padding):
    monkeypatch.setattr(hdf5, "MOST_LINKS", 20)
    (tmp_path / "secret").write_bytes(bytes(192))
    path = tmp_path / "a.nc"
    _spectra(path, padding, external=[(str(tmp_path / "secret"), 0, 192)])
    with pytest.raises(ReadError, match="more than 20 objects" if padding else "another file"):
        io.read(path)
    _spectra(path, padding)
    with h5py.File(path, "a") as file:
        file["far"] = h5py.ExternalLink("secret", "/")
    with pytest.raises(ReadError, match="more than 20 objects" if padding else "a link to the fi"):
        io.read(path)


def test_a_walk_through_nested_groups_meets_each_once_and_ends(tmp_path, monkeypatch):
    path = tmp_path / "a.nc"
    _spectra(path)
    with h5py.File(path, "a") as file:
        group = file
        for _ in range(1000):
            group = group.create_group("g")
        group["again"] = file
    with pytest.raises(ReadError, match="64 groups in one another"):
        io.read(path)
    monkeypatch.setattr(hdf5, "_MOST_DEPTH", 2000)
    met = []
    count = h5py.Group.__getitem__
    monkeypatch.setattr(h5py.Group, "__getitem__", lambda *a: met.append(a[1]) or count(*a))
    hdf5.guard(path)
    assert len(met) < 1100


def test_many_texts_that_are_one_long_text_are_refused(tmp_path):
    path = tmp_path / "a.nc"
    n = 20_000
    with h5py.File(path, "w") as file:
        texts = file.create_dataset("spectrum", (n,), h5py.string_dtype())
        texts[0] = "x" * 60_000
        at = texts.id.get_offset()
    data = bytearray(path.read_bytes())
    data[at : at + 16 * n] = data[at : at + 16] * n
    path.write_bytes(data)
    with pytest.raises(ReadError, match="MB declared in a file"):
        hdf5.guard(path)


def test_declared_sizes_are_refused_before_they_are_reserved(tmp_path):
    path = tmp_path / "a.nc"
    with h5py.File(path, "w") as file:
        file.create_dataset("absorbance", (40_000, 40_000), "f8", chunks=(64, 64))
    with pytest.raises(ReadError, match="12207 MB declared"):
        io.read(path)
    (tmp_path / "a.raw").write_bytes(bytes(100))
    with pytest.raises(ReadError, match="100 bytes"):
        io.read(tmp_path / "a.raw", shape=(10**4, 10**4, 10**4), dtype="float64",
                byte_order="little", interleave="bsq", first_row="top",
                quantity="absorbance", wavenumber=[1000.0])  # fmt: skip


def test_counts_beyond_what_a_format_may_hold_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(text_table, "_MOST_COLUMNS", 4)
    wide = tmp_path / "wide.csv"
    wide.write_text("wavenumber,a,b,c,d\n1000,1,2,3,4\n1001,1,2,3,4\n", encoding="utf-8")
    with pytest.raises(ReadError, match="5 columns"):
        io.read(wide, quantity="absorbance")
    monkeypatch.setattr(jcamp, "_MOST_BLOCKS", 2)
    array = io.read(_points(tmp_path / "b.csv"), quantity="absorbance")
    blocks = io.write(array.isel(spectrum=[0, 0]), tmp_path / "b.jdx")
    with pytest.raises(ReadError, match="3 blocks and pages"):
        io.read(blocks)
    book = io.write(array, tmp_path / "b.xlsx")
    assert io.read(book).shape == (1, 2)
    for name, least, most in (("MOST_CELLS", 6, 20), ("_MOST_TAGS", 10, 10**4),
                              ("_MOST_OTHER_TAGS", 10, 10**4)):  # fmt: skip
        monkeypatch.setattr(workbook, name, least)
        workbook._parsed.cache_clear()
        with pytest.raises(ReadError, match="more than a workbook of"):
            io.read(book)
        monkeypatch.setattr(workbook, name, most)
    assert io.read(book).shape == (1, 2)


def test_a_workbook_that_unpacks_to_more_than_it_can_hold_is_refused(tmp_path):
    book = tmp_path / "a.xlsx"
    with zipfile.ZipFile(book, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", " " * 2**27)
    with pytest.raises(ReadError, match="128 MB declared"):
        io.read(book)


@pytest.mark.parametrize("lowest", [-5.0, 0.0])
@pytest.mark.parametrize("suffix", [".nc", ".csv", ".jdx", ".zarr", ".xlsx"])
def test_wavenumbers_that_are_not_above_zero_are_refused(tmp_path, suffix, lowest):
    from residuekit.schema import make_points

    path = io.write(make_points(np.ones((1, 4)), lowest + np.arange(4.0)), tmp_path / f"a{suffix}")
    with pytest.raises(ReadError, match="a wavenumber of"):
        io.read(path)
