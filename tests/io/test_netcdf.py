"""NetCDF of other people: names, order, units; what is ambiguous is asked for."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
import xarray as xr

from residuekit.errors import ReadError, ResiduekitWarning
from residuekit.io import read
from residuekit.schema import check, source

AXIS = np.array([1000.0, 1010.0, 1020.0, 1030.0])
VALUES = np.arange(24, dtype=float).reshape(2, 3, 4) / 10


def _dataset(**replaced):
    given = {
        "data": VALUES,
        "dims": ("y", "x", "wavenumber"),
        "axis": AXIS,
        "units": "cm-1",
        "y": [0.0, 10.0],
        "name": "absorbance",
    } | replaced
    y, x, axis = given["dims"]
    coords = {
        axis: (axis, given["axis"], {"units": given["units"]}),
        y: (y, given["y"], {"units": "um"}),
        x: (x, [0.0, 5.0, 10.0], {"units": "um"}),
    }
    return xr.Dataset({given["name"]: (given["dims"], given["data"])}, coords)


def _saved(tmp_path, dataset, engine="h5netcdf"):
    path = tmp_path / "foreign.nc"
    dataset.to_netcdf(path, engine=engine)
    return path


def _assert_upright(array):
    check(array)
    np.testing.assert_allclose(array.values, VALUES, rtol=1e-6)
    np.testing.assert_allclose(array["wavenumber"], AXIS)
    np.testing.assert_allclose(array["y"], [0, 10])
    assert array.dtype == np.float32


@pytest.mark.parametrize(
    "dataset",
    [
        _dataset(),
        _dataset(dims=("row", "col", "wn")),
        _dataset(dims=("Y", "X", "Wavenumbers"), units="1/cm"),
        _dataset(axis=1e4 / AXIS, units="um", dims=("y", "x", "wavelength")),
        _dataset(data=VALUES[::-1], y=[10.0, 0.0]),
        _dataset(data=VALUES[..., ::-1], axis=AXIS[::-1]),
        _dataset().transpose("wavenumber", "x", "y"),
        _dataset(name="A"),
        _dataset().assign(visible=(("y", "x"), np.ones((2, 3)))),
    ],
)
def test_maps_of_any_order_come_out_upright(tmp_path, dataset):
    _assert_upright(read(_saved(tmp_path, dataset)))


def test_classic_netcdf_is_read_too(tmp_path):
    _assert_upright(read(_saved(tmp_path, _dataset(), engine="scipy")))


def test_positions_in_millimetres_become_micrometres(tmp_path):
    dataset = _dataset(y=[0.0, 0.01])
    dataset["y"].attrs["units"] = "mm"
    _assert_upright(read(_saved(tmp_path, dataset)))


def test_a_map_without_positions_is_counted_in_pixels_and_its_order_is_told(tmp_path):
    path = _saved(tmp_path, _dataset().drop_vars(["x", "y"]))
    with pytest.warns(ResiduekitWarning, match="row 0 of the file is taken as the lowest y"):
        array = read(path)
    assert array["x"].attrs["units"] == "pixel"
    np.testing.assert_array_equal(array["y"], [0, 1])


def test_dimensions_no_name_tells_apart_can_be_stated(tmp_path):
    path = _saved(tmp_path, _dataset(dims=("p", "q", "band")))
    _assert_upright(read(path, dims={"y": "p", "x": "q", "wavenumber": "band"}))
    path = _saved(tmp_path, _dataset(dims=("p", "q", "wavenumber")))
    with pytest.raises(ReadError, match="pixel dimensions"):
        read(path)
    with pytest.raises(ReadError, match="some of spectrum, y, x, wavenumber"):
        read(path, dims={"Y": "p", "x": "q"})


def test_single_spectra_and_rows_of_them_are_points(tmp_path):
    coords = {"wavenumber": ("wavenumber", AXIS, {"units": "cm-1"}), "sample": ["a", "b"]}
    table = xr.Dataset({"absorbance": (("sample", "wavenumber"), VALUES[0, :2])}, coords)
    array = read(_saved(tmp_path, table))
    assert array["spectrum"].values.tolist() == ["a", "b"]
    array = read(_saved(tmp_path, table.isel(sample=0, drop=True)))
    assert array.shape == (1, 4)


def test_percent_is_said_by_the_units(tmp_path):
    dataset = _dataset(name="transmittance", data=VALUES * 40)
    dataset["transmittance"].attrs["units"] = "%"
    array = read(_saved(tmp_path, dataset))
    np.testing.assert_allclose(array.values, VALUES * 0.4, rtol=1e-6)
    assert source(array)["scale"] == "percent, divided by 100"


def test_one_of_several_variables_can_be_named(tmp_path):
    dataset = _dataset().assign(reflectance=_dataset()["absorbance"] / 10)
    path = _saved(tmp_path, dataset)
    with pytest.raises(ReadError, match="variable='absorbance' or variable='reflectance'"):
        read(path)
    _assert_upright(read(path, variable="absorbance"))
    with pytest.raises(ReadError, match="variable='absorbence'"):
        read(path, variable="absorbence")


@pytest.mark.parametrize(
    ("dataset", "message"),
    [
        (_dataset(units="THz"), "units cm-1, nm or um"),
        (_dataset(units="nm"), "'wavenumber' with units 'nm'"),
        (_dataset(dims=("y", "x", "wavelength")), "'wavelength' with units 'cm-1'"),
        (_dataset(units="", dims=("y", "x", "wavelength")), "units cm-1, nm or um"),
        (_dataset(name="counts"), "quantity="),
        (_dataset(axis=AXIS[[0, 2, 1, 3]]), "ascending"),
        (_dataset(y=[0.0, 0.0]), "ascending"),
        (_dataset(data=VALUES * 1e300), r"above 3\.4e38"),
        (_dataset(dims=("y", "x", "time")).drop_vars("time"), "a dimension of wavenumbers"),
        (xr.Dataset(), "nothing"),
        (_dataset().assign_coords(y=("y", [0.0, 10.0], {"units": "furlong"})), "um, mm or pixel"),
        (_dataset().drop_vars("y"), "the other in pixels"),
    ],
)
def test_what_is_ambiguous_or_wrong_is_asked_for(tmp_path, dataset, message):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResiduekitWarning)
        with pytest.raises(ReadError, match=message) as caught:
            read(_saved(tmp_path, dataset))
    assert caught.value.faults[0].file.endswith("foreign.nc")


def test_a_file_of_ours_that_says_otherwise_than_the_caller_is_refused(tmp_path, small_map):
    from residuekit.io import write

    path = write(small_map, tmp_path / "m.nc")
    assert read(path, quantity="absorbance", technique="atr").name == "absorbance"
    with pytest.raises(ReadError, match="quantity='reflectance' for a file that says 'absorbance'"):
        read(path, quantity="reflectance")
