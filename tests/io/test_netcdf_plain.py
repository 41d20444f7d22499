"""NetCDF 4 written and read without xarray's own way: what xarray reads of it is the same."""

import h5py
import numpy as np
import pytest
import xarray as xr

import residuekit as rk
from residuekit.errors import ReadError
from residuekit.io import netcdf
from residuekit.io.netcdf_plain import plain_bytes, plain_dataset


def made_map():
    values = np.random.default_rng(4).normal(size=(3, 4, 9)).astype(np.float32)
    values[0, 1] = np.nan
    x, y = np.arange(4) * 5.0, np.arange(3) * 5.0
    made = rk.make_map(values, np.arange(1000.0, 1009.0), x=x, y=y)
    valid = made["valid"].copy(data=np.isfinite(values).all(axis=-1))
    return made.assign_coords(valid=valid)


def scored():
    made = made_map()
    return xr.Dataset(
        {"score": (("marker", "y", "x"), np.ones((2, 3, 4), np.float32))},
        coords={
            **{name: made[name] for name in ("y", "x", "valid", "flag")},
            "marker": ["net signal", "band: Öl 1735"],
            "unit": ("marker", ["ug cm-2", "A"]),
            "pixel_limit": ("marker", [1.5, np.nan]),
        },
        attrs={"file": "data/a.nc", "ageing_h": 0.0, "dose": float("nan"), "paint": "weiß", "n": 3},
    )


def bare():
    return xr.Dataset({"spectrum": (("row", "wavenumber"), np.ones((2, 3)))},
                      coords={"wavenumber": [1.0, 2.0, 3.0]})  # fmt: skip


@pytest.mark.parametrize(
    "dataset",
    [made_map().to_dataset(), rk.make_points(np.ones((2, 5)), range(1000, 1005)).to_dataset(),
     rk.make_points(np.ones((2, 5)), range(1000, 1005), ["gel", "paint"]).to_dataset(), scored(),
     bare()],
    ids=["map", "points", "named points", "scores", "a dimension without a coordinate"],
)  # fmt: skip
def test_what_is_written_is_what_xarray_reads(dataset, tmp_path):
    path = tmp_path / "own.nc"
    netcdf.write_own(dataset, path)
    with xr.open_dataset(path, engine="h5netcdf") as opened:
        xr.testing.assert_identical(opened.load(), dataset)
    xr.testing.assert_identical(netcdf.load_own(path), dataset)
    assert plain_bytes(dataset) == path.read_bytes()


@pytest.mark.parametrize("dataset", [made_map().to_dataset(), scored(), bare()])
def test_what_xarray_writes_is_read_without_it(dataset, tmp_path, monkeypatch):
    path = tmp_path / "by-xarray.nc"
    dataset.to_netcdf(path, engine="h5netcdf")
    monkeypatch.setattr(xr, "open_dataset", None)
    monkeypatch.setattr(xr, "load_dataset", None)
    xr.testing.assert_identical(netcdf.load_own(path), dataset)


def with_lists(dataset):
    return dataset.assign_attrs(words=["a", "ö"], numbers=[1.5, 2.0], flag=np.bool_(True), none="")


@pytest.mark.parametrize("dataset", [with_lists(scored()), made_map().to_dataset()])
def test_what_stands_under_two_names_or_in_lists_goes_through_xarray(dataset, tmp_path):
    path = tmp_path / "own.nc"
    netcdf.write_own(dataset, path)
    name = next(iter(dataset.data_vars))
    with h5py.File(path, "a") as book:
        book["twice"] = book[name]
    assert plain_dataset(path) is None
    xr.testing.assert_identical(netcdf.load_own(path).drop_vars("twice"), dataset)


@pytest.mark.parametrize("place", [(0, 0, 0), (20, 20, 20), (-1, -1, -1)])
@pytest.mark.parametrize("value", [np.inf, -np.inf, np.nan])
def test_a_large_map_is_looked_through_as_it_is_read(value, place, tmp_path):
    """In three blocks; an infinite number is refused, a missing one is not."""
    values = np.random.default_rng(5).normal(size=(40, 40, 900)).astype(np.float32)
    made = rk.make_map(values, np.arange(1000.0, 1900.0))
    path = rk.write(made, tmp_path / "large.nc")
    assert plain_dataset(path)["absorbance"].encoding["finite"] is True
    np.testing.assert_array_equal(rk.read(path), values)
    values[place] = value
    with h5py.File(path, "a") as book:
        book["absorbance"][place] = value
    if np.isnan(value):
        np.testing.assert_array_equal(rk.read(path), values)
        return
    with pytest.raises(ReadError, match="infinite"):
        rk.read(path)


@pytest.mark.parametrize(
    ("name", "value", "match"),
    [("add_offset", np.float32(np.inf), "infinite"),
     ("missing_value", np.float32(0.25), "marked valid and hold no number")],
)  # fmt: skip
def test_what_attributes_make_of_a_large_map_is_looked_at_too(name, value, match, tmp_path):
    """Its numbers as they stand in the file are finite and complete."""
    values = np.random.default_rng(5).normal(size=(40, 40, 900)).astype(np.float32)
    values[7, 7] = 0.25
    path = rk.write(rk.make_map(values, np.arange(1000.0, 1900.0)), tmp_path / "large.nc")
    assert plain_dataset(path)["absorbance"].encoding["complete"] is True
    with h5py.File(path, "a") as book:
        book["absorbance"].attrs[name] = value
    with pytest.raises(ReadError, match=match):
        rk.read(path)


def test_a_large_map_of_which_a_pixel_was_lost_is_refused(tmp_path):
    values = np.ones((40, 40, 900), np.float32)
    path = rk.write(rk.make_map(values, np.arange(1000.0, 1900.0)), tmp_path / "large.nc")
    with h5py.File(path, "a") as book:
        book["absorbance"][7, 7] = np.nan
    with pytest.raises(ReadError, match="marked valid and hold no number"):
        rk.read(path)


def test_a_large_map_that_is_cut_is_refused(tmp_path):
    values = np.ones((40, 40, 900), np.float32)
    path = rk.write(rk.make_map(values, np.arange(1000.0, 1900.0)), tmp_path / "large.nc")
    path.write_bytes(path.read_bytes()[:-300_000])
    with pytest.raises(ReadError):
        rk.read(path)
    with pytest.raises(ReadError):
        netcdf.load_own(path)


def test_chunks_that_cannot_be_unpacked_are_refused(tmp_path):
    array = made_map()
    array.encoding = {"zlib": True, "chunksizes": (3, 4, 9)}
    path = tmp_path / "packed.nc"
    array.to_dataset().to_netcdf(path, engine="h5netcdf")
    with h5py.File(path) as book:
        chunk = book["absorbance"].id.get_chunk_info(0)
    data = bytearray(path.read_bytes())
    data[chunk.byte_offset : chunk.byte_offset + chunk.size] = bytes(chunk.size)
    path.write_bytes(data)
    assert plain_dataset(path) is None
    for load in (rk.read, netcdf.load_own):
        with pytest.raises(ReadError, match="damaged"):
            load(path)


def test_another_form_goes_through_xarray(tmp_path):
    """A dimension that may grow is one."""
    path = tmp_path / "grows.nc"
    made_map().to_dataset().to_netcdf(path, engine="h5netcdf", unlimited_dims=["y"])
    xr.testing.assert_identical(netcdf.load_own(path), made_map().to_dataset())
