"""Writing and reading back is the identity; a failed write leaves nothing behind."""

from __future__ import annotations

import json
import warnings
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from residuekit.errors import ReadError, WriteError
from residuekit.io import read, write
from residuekit.labels import marked
from residuekit.schema import FLAGS, check, make_map, make_points, source


def _axis(size: int) -> st.SearchStrategy[np.ndarray]:
    steps = hnp.arrays(float, size, elements=st.floats(1e-3, 50))
    return st.builds(lambda start, step: start + np.cumsum(step), st.floats(300, 4000), steps)


@st.composite
def labelled_arrays(draw: st.DrawFn, kind: str) -> xr.DataArray:
    """Any labelled array: shapes, steps, descending axes, NaN, flags, units, names."""
    shape = draw(hnp.array_shapes(min_dims=3, max_dims=3, min_side=1, max_side=4))
    if kind == "points":
        shape = (shape[0], shape[2] + 1)
    numbers = st.one_of(st.floats(-2, 6, width=32), st.just(np.nan), st.floats(width=32,
                        allow_nan=False, allow_infinity=False))  # fmt: skip
    values = draw(hnp.arrays(np.float32, shape, elements=numbers))
    axis = draw(_axis(shape[-1]))
    if draw(st.booleans()):
        axis = axis[::-1]
    options = {
        "quantity": draw(st.sampled_from(["absorbance", "transmittance", "kubelka_munk"])),
        "technique": draw(st.sampled_from(["atr", "unknown"])),
        "source": {"file": "Überzug.csv"},
    }
    if kind == "points":
        text = st.text(
            st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=6
        )
        names = draw(st.one_of(st.none(), st.lists(text, min_size=shape[0], max_size=shape[0])))
        array = make_points(values, axis, names, **options)
    elif draw(st.booleans()):
        array = make_map(values, axis, **options)
    else:
        array = make_map(values, axis, draw(_axis(shape[1])), draw(_axis(shape[0])), **options)
    if draw(st.booleans()):
        flag = array["flag"] | np.uint16(FLAGS["contact"][0])
        array = array.assign_coords(flag=(flag.dims, flag.values, array["flag"].attrs))
        array["valid"].values[(0,) * array["valid"].ndim] = False
    array.attrs["history"] = '[{"step": "crop", "low": 800.5, "unit": "µm"}]'
    return check(array)


def assert_same(read: xr.DataArray, written: xr.DataArray) -> None:
    """The contract of writing and reading back: everything but where the array came from."""
    np.testing.assert_array_equal(read.values, written.values)
    xr.testing.assert_allclose(read, written, rtol=1e-15 if source(read)["reader"] == "XLSX" else 0)
    assert read.dtype == np.float32
    assert read.name == written.name
    for name in ("units", "technique", "history"):
        assert read.attrs[name] == written.attrs[name]
    for dim in ("x", "y", "wavenumber"):
        if dim in written.coords:
            assert read[dim].attrs["units"] == written[dim].attrs["units"]
            assert read[dim].dtype == np.float64
    np.testing.assert_array_equal(read["flag"].values, written["flag"].values)
    np.testing.assert_array_equal(read["valid"].values, written["valid"].values)
    assert read["flag"].dtype == np.uint16
    assert read["valid"].dtype == np.bool_
    assert read["flag"].attrs["flag_meanings"] == written["flag"].attrs["flag_meanings"]


QUIET = settings(
    max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@QUIET
@given(
    labelled_arrays("points"),
    st.sampled_from(["p.csv", "p.tsv", "p.nc", "p.jdx", "p.xlsx", "p.zarr"]),
)
def test_points_come_back_as_they_were_written(tmp_path, array, name):
    assert_same(read(write(array, tmp_path / name)), array)


@QUIET
@given(
    labelled_arrays("map"),
    st.sampled_from(
        [("m.nc", {}), ("m.zarr", {}), ("m.jdx", {}),
         *((name, {"layout": layout}) for name in ("m.csv", "m.xlsx")
           for layout in ("wide map", "long map"))]
    ),
)  # fmt: skip
def test_maps_come_back_as_they_were_written(tmp_path, array, form):
    name, options = form
    assert_same(read(write(array, tmp_path / name, **options)), array)


@QUIET
@given(
    hnp.arrays(
        np.float32, (2, 3, 7), elements=st.one_of(st.floats(-2, 6, width=32), st.just(np.nan))
    ),
    st.floats(0.1, 20),
    st.sampled_from(["affn", "difdup"]),
)
def test_an_even_axis_comes_back_within_the_stated_rounding(tmp_path, values, step, form):
    """AFFN keeps ordinates exactly; DIFDUP to half of max |y| / 2**24, and float32 rounds again."""
    array = make_map(values, 700 + step * np.arange(7), [0, 2, 4], [0, 2])
    back = read(write(array, tmp_path / "m.jdx", form=form))
    np.testing.assert_allclose(back["wavenumber"], array["wavenumber"], atol=1e-6 * step, rtol=0)
    np.testing.assert_array_equal(back["valid"], array["valid"])
    if form == "affn":
        np.testing.assert_array_equal(back.values, values)
        return
    largest = np.nanmax(np.abs(np.where(np.isnan(values), 0, values)), axis=-1, keepdims=True)
    off = np.abs(back.values.astype(float) - values)
    assert np.all(np.isnan(values) | (off <= largest * (2.0**-25 + 2.0**-24)))


def test_difdup_refuses_an_uneven_axis(tmp_path, small_map):
    with pytest.raises(WriteError, match="form='affn'"):
        write(small_map, tmp_path / "m.jdx", form="difdup")
    with pytest.raises(WriteError, match="did you mean 'affn'"):
        write(small_map, tmp_path / "m.jdx", form="afn")


def test_the_source_of_a_rewritten_file_keeps_where_the_data_came_from(tmp_path, small_map):
    for name in ("m.nc", "m.csv", "m.jdx", "m.xlsx", "m.zarr"):
        found = source(read(write(small_map, tmp_path / name)))
        assert found["file"] == name
        assert len(found["sha256"]) == 64
        assert found["origin"] == {"made": "here"}


def test_a_written_map_is_plain_netcdf_with_cf_flags(tmp_path, small_map):
    import h5py

    with h5py.File(write(small_map, tmp_path / "m.nc")) as file:
        assert file["absorbance"].dtype == np.float32
        assert file["absorbance"].compression is None
        assert file["flag"].attrs["flag_meanings"].split()[0] == "missing"
        assert file["flag"].attrs["flag_masks"][0] == 1
        np.testing.assert_array_equal(file["absorbance"][:], small_map.values)


def test_double_precision_is_stored_as_float32(tmp_path, small_map):
    for name in ("m.nc", "m.csv"):
        assert_same(read(write(marked(small_map.astype("float64")), tmp_path / name)), small_map)


def test_a_table_has_the_shortest_digits(tmp_path, small_map):
    lines = write(small_map, tmp_path / "m.csv").read_text().splitlines()
    assert "0.0,2.0,0.0,0.1,0.2,0.3" in lines
    assert "11.0,7.5,,2.1,2.2,2.3" in lines


@pytest.mark.parametrize("name", ["m.nc", "m.csv", "m.jdx", "m.xlsx", "m.zarr"])
def test_writing_over_a_file_replaces_it_whole(tmp_path, small_map, name):
    write(small_map, tmp_path / name)
    array = read(tmp_path / name)
    assert_same(read(write(array, tmp_path / name)), small_map)
    assert [path.name for path in tmp_path.iterdir()] == [name]


@pytest.mark.parametrize("name", ["m.nc", "m.csv"])
def test_a_failed_write_keeps_the_old_file_and_leaves_no_other(tmp_path, small_map, name):
    before = write(small_map, tmp_path / name).read_bytes()
    bad = small_map.copy()
    bad.attrs["operator"] = {"no": "dict fits"}
    with pytest.raises(WriteError, match=r"cannot be written|operator"):
        write(bad, tmp_path / name)
    assert (tmp_path / name).read_bytes() == before
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_a_table_refuses_what_it_would_lose(tmp_path, small_map):
    with pytest.raises(WriteError, match=r"mockup.*write NetCDF"):
        write(small_map.assign_coords(mockup="T1"), tmp_path / "m.csv")
    path = write(small_map.assign_coords(mockup="T1"), tmp_path / "m.nc")
    assert read(path)["mockup"].item() == "T1"


@pytest.mark.parametrize(
    ("name", "options", "message"),
    [
        ("m.xyz", {}, "'.xyz'.*one of .nc"),
        ("m.csv", {"layout": "wide"}, "did you mean 'wide map'"),
        ("m.csv", {"layout": "points"}, "wide map or long map"),
        ("m.csv", {"layuot": "wide map"}, "did you mean 'layout'"),
        ("m.nc", {"layout": "wide map"}, "leave it out"),
        ("absent/m.csv", {}, "existing, writable folder"),
        ("absent/m.nc", {}, "existing, writable folder"),
    ],
)
def test_what_cannot_be_written_is_said(tmp_path, small_map, name, options, message):
    with pytest.raises(WriteError, match=message):
        write(small_map, tmp_path / name, **options)
    assert not list(tmp_path.iterdir())


def test_an_array_that_breaks_the_contract_is_not_written(tmp_path, small_map):
    with pytest.raises(WriteError, match="the quantity 'something'"):
        write(small_map.rename("something"), tmp_path / "m.nc")
    with pytest.raises(WriteError, match="infinite or above"):
        write(small_map.astype("float64") * 1e300, tmp_path / "m.csv")


def _mutated(data: bytes, cuts: list[tuple[str, float, int]]) -> bytes:
    for kind, where, value in cuts:
        place = int(where * len(data))
        if kind == "cut":
            data = data[:place]
        elif kind == "flip":
            data = data[:place] + bytes([value]) + data[place + 1 :]
        elif kind == "insert":
            data = data[:place] + bytes([value]) * 3 + data[place:]
        else:
            start = data.rfind(b"\n", 0, place) + 1
            end = data.find(b"\n", place) + 1 or len(data)
            data = data[:end] + data[start:end] + data[end:]
    return data


MUTATIONS = st.lists(
    st.tuples(
        st.sampled_from(["cut", "flip", "insert", "double a line"]),
        st.floats(0, 1, exclude_max=True),
        st.integers(0, 255),
    ),
    min_size=1,
    max_size=3,
)
JCAMP = Path(__file__).resolve().parents[2] / "shared" / "data" / "jcamp"


@settings(QUIET, max_examples=100)
@given(st.sampled_from(["wide map", "long map", "points", "plain"]), MUTATIONS)
def test_a_damaged_table_gives_an_array_or_a_read_error(
    tmp_path, small_map, small_points, layout, cuts
):
    path = tmp_path / "t.csv"
    if layout == "plain":
        path.write_text("wavenumber;A;B\n4000;0,5;0,1\n3990;0,25;\n3980;1e-3;0,3\n")
    else:
        write(small_points if layout == "points" else small_map, path, layout=layout)
    path.write_bytes(_mutated(path.read_bytes(), cuts))
    _array_or_read_error(path)


@settings(QUIET, max_examples=150)
@given(st.sampled_from(["fixinc2", "xyinc1", "dupinc2", "pacdec1", "sqzdupd1", "o09"]), MUTATIONS)
def test_a_damaged_jcamp_file_gives_an_array_or_a_read_error(tmp_path, name, cuts):
    path = tmp_path / "t.jdx"
    path.write_bytes(_mutated((JCAMP / f"{name}.jdx").read_bytes(), cuts))
    _array_or_read_error(path)


def _array_or_read_error(path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            array = read(path)
        except ReadError as error:
            assert all(fault.file for fault in error.faults)  # noqa: PT017
        else:
            assert json.loads(array.attrs["source"])["file"] == path.name


@pytest.mark.parametrize("layout", ["wide map", "long map"])
def test_a_table_of_ours_cut_anywhere_is_refused(tmp_path, small_map, layout):
    path = tmp_path / "m.csv"
    whole = write(small_map, path, layout=layout).read_bytes()
    for size in range(len(whole) - 1):
        path.write_bytes(whole[:size])
        with pytest.raises(ReadError):
            read(path)


def test_damaged_netcdf_is_a_read_error(tmp_path, small_map):
    path = tmp_path / "m.nc"
    whole = write(small_map, path).read_bytes()
    for size in (8, 100, len(whole) // 2, len(whole) - 10):
        path.write_bytes(whole[:size])
        with pytest.raises(ReadError, match="damaged"):
            read(path)
