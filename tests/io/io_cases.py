"""Arrays and files the tests of the formats share."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import xarray as xr
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from residuekit.schema import FLAGS, check, make_map, make_points


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
    xr.testing.assert_equal(read, written)
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


def saved(path: Path, text: str | bytes) -> Path:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path
