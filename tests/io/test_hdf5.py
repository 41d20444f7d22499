"""HDF5 by paths, NeXus by its signposts, nothing in another file opened; lazy opening."""

from __future__ import annotations

import h5py
import numpy as np
import pytest

from residuekit.errors import ReadError
from residuekit.io import read, write
from residuekit.schema import source

AXIS = np.array([1000.0, 1010.0, 1020.0, 1030.0])
VALUES = np.arange(24, dtype=np.float32).reshape(2, 3, 4) / 10
PATHS = {
    "dataset": "entry/data/cube",
    "dims": ("y", "x", "wavenumber"),
    "wavenumber": "entry/data/nu",
    "quantity": "absorbance",
}


@pytest.fixture
def book(tmp_path):
    """A NeXus file by the definition of NXdata (manual.nexusformat.org, NXdata: signal, axes)."""
    path = tmp_path / "m.nxs"
    with h5py.File(path, "w") as file:
        file.attrs["default"] = "entry"
        entry = file.create_group("entry")
        entry.attrs.update({"NX_class": "NXentry", "default": "data"})
        data = entry.create_group("data")
        data.attrs.update({"NX_class": "NXdata", "signal": "cube", "axes": ["y", "x", "nu"]})
        data["cube"] = VALUES[::-1]
        data["cube"].attrs["long_name"] = "Absorbance"
        for name, axis, unit in (("y", [2.0, 0], "um"), ("x", [0, 5.0, 10], "um"),
                                 ("nu", AXIS, "1/cm")):  # fmt: skip
            data[name] = axis
            data[name].attrs["units"] = unit
    return path


def test_the_default_plot_of_a_nexus_file_comes_out_upright(book):
    array = read(book)
    np.testing.assert_allclose(array, VALUES, rtol=1e-6)
    np.testing.assert_array_equal(array["y"], [0, 2])
    assert (array.name, source(array)["reader"]) == ("absorbance", "HDF5")


def test_a_dataset_is_read_by_its_path(book):
    array = read(book, x="entry/data/x", y="entry/data/y", **PATHS)
    np.testing.assert_allclose(array, VALUES, rtol=1e-6)
    with pytest.raises(ReadError, match="one of entry/data/cube"):
        read(book, **{**PATHS, "dataset": "entry/cube"})
    with pytest.raises(ReadError, match="for a dataset of shape"):
        read(book, **{**PATHS, "dims": ("x", "wavenumber")})
    with pytest.raises(ReadError, match="no path of the wavenumbers"):
        read(book, **{**PATHS, "wavenumber": None})
    with pytest.raises(ReadError, match=r"of shape \(3,\)"):
        read(book, **{**PATHS, "wavenumber": "entry/data/x"})


def test_indices_that_contradict_the_order_of_the_axes_are_refused(book):
    with h5py.File(book, "r+") as file:
        file["entry/data"].attrs["y_indices"] = [0]
    assert read(book).shape == (2, 3, 4)
    with h5py.File(book, "r+") as file:
        file["entry/data"].attrs["y_indices"] = 1
    with pytest.raises(ReadError, match="y_indices"):
        read(book)


def test_a_store_of_ours_that_lost_a_chunk_is_refused(tmp_path, small_map):
    path = write(small_map, tmp_path / "m.zarr")
    (path / "absorbance" / "0.0.0").unlink()
    with pytest.raises(ReadError, match="marked valid and hold no number"):
        read(path)


def test_a_file_without_signposts_asks_for_paths(tmp_path):
    with h5py.File(tmp_path / "m.h5", "w") as file:
        file["a/b"] = VALUES
    with pytest.raises(ReadError, match="no NXdata group"):
        read(tmp_path / "m.h5")


def test_links_and_storage_in_other_files_are_refused(tmp_path, book):
    for suffix in (".h5", ".nc"):
        with h5py.File(tmp_path / f"l{suffix}", "w") as file:
            file["cube"] = h5py.ExternalLink(str(book), "/entry/data/cube")
        with pytest.raises(ReadError, match="a link to the file"):
            read(tmp_path / f"l{suffix}")
    with h5py.File(tmp_path / "e.h5", "w") as file:
        file.create_dataset("cube", (4,), "f4", external=[(str(tmp_path / "raw"), 0, 16)])
    with pytest.raises(ReadError, match="kept in another file"):
        read(tmp_path / "e.h5", **{**PATHS, "dataset": "cube"})


def test_a_huge_declared_size_is_refused(tmp_path):
    for suffix in (".h5", ".nc"):
        with h5py.File(tmp_path / f"h{suffix}", "w") as file:
            file.create_dataset("absorbance", (10**5, 10**5, 100), "f4", chunks=(1, 1, 100))
        with pytest.raises(ReadError, match="MB declared in a file"):
            read(tmp_path / f"h{suffix}")


@pytest.mark.parametrize("name", ["m.nc", "m.zarr"])
def test_a_lazily_opened_map_holds_the_same_numbers(tmp_path, small_map, name):
    path = write(small_map, tmp_path / name)
    lazy = read(path, lazy=True)
    assert hasattr(lazy.data, "dask")
    assert lazy.data.chunksize == (2, 3, 4)
    assert source(lazy)["opened"] == "lazily"
    assert lazy.equals(read(path))
    assert write(lazy, tmp_path / f"again-{name}").exists()


def test_a_foreign_zarr_store_is_read_and_a_damaged_one_refused(tmp_path):
    zarr = pytest.importorskip("zarr")
    path = tmp_path / "m.zarr"
    group = zarr.open_group(path, mode="w", zarr_format=3)
    for name, data, dims, units in (
        ("absorbance", VALUES, ("row", "col", "wn"), "1"), ("wn", AXIS, ("wn",), "cm-1"),
        ("row", np.array([0.0, 2]), ("row",), "um"),
        ("col", np.array([0.0, 5, 10]), ("col",), "um"),
    ):  # fmt: skip
        array = group.create_array(name, data=data, dimension_names=dims)
        array.attrs["units"] = units
    np.testing.assert_allclose(read(path), VALUES, rtol=1e-6)
    (path / "absorbance" / "zarr.json").write_text("{")
    with pytest.raises(ReadError, match="damaged"):
        read(path)
