"""What a file of our own says beside its numbers: names, history, flags, where it came from."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import Fault, WriteError
from ..schema import history, source
from .opening import refuse
from .options import Options, kept

_KEPT = {"units", "technique", "source", "history"}
_NEEDED = {"quantity": str, "technique": str, "shape": list, "source": dict, "history": list}


def state_of(array: xr.DataArray, path: Path) -> dict[str, Any]:
    """Return what numbers alone do not keep of an array, as JSON values.

    Raises
    ------
    WriteError : coordinates or attributes that no text form keeps.
    """
    lost = [str(name) for name in array.coords if name not in {*array.dims, "valid", "flag"}]
    lost += [str(name) for name in array.attrs if name not in _KEPT]
    if lost:
        raise WriteError(
            Fault(f"the coordinates or attributes {', '.join(lost)}", "what this format can keep",
                  "write NetCDF, or drop them first", str(path))
        )  # fmt: skip
    flag, valid = array["flag"].values.ravel(), array["valid"].values.ravel()
    state = {
        "quantity": str(array.name),
        "units": "1",
        "technique": array.attrs["technique"],
        "shape": list(array.shape),
        "source": source(array),
        "history": history(array),
    }
    if "spectrum" in array.coords:
        state["spectrum"] = array["spectrum"].values.tolist()
    if flag.any() or not valid.all():
        state |= {"flag": flag.tolist(), "valid": valid.tolist()}
    return state


def as_kept(path: Path, state: Mapping[str, Any], options: Options) -> Options:
    """Return the options with the quantity and technique a file of our own states.

    Raises
    ------
    ReadError : a state that is not whole, or options that contradict it.
    """
    wrong = [key for key, kind in _NEEDED.items() if not isinstance(state.get(key), kind)]
    if wrong:
        raise refuse(path, f"a file of our own without {', '.join(wrong)}",
                     f"all of {', '.join(_NEEDED)}", "write the file again", 1)  # fmt: skip
    said = {"quantity": state["quantity"], "technique": state["technique"], "percent": False}
    return kept(path, options, **said)


def as_stated(path: Path, array: xr.DataArray, state: Mapping[str, Any]) -> xr.DataArray:
    """Return the array with the names, history and flags a file of our own states.

    Raises
    ------
    ReadError : another shape, or lists that do not fit it.
    """
    if list(array.shape) != state["shape"]:
        raise refuse(path, f"an array of {list(array.shape)}", f"the shape {state['shape']} it "
                     "states", "copy it again: it was cut or changed")  # fmt: skip
    if array.dims[0] == "spectrum":
        array = array.drop_vars("spectrum") if "spectrum" not in state else array
        names = state.get("spectrum")
        if isinstance(names, list):
            if len(names) != array.sizes["spectrum"]:
                raise refuse(path, f"{len(names)} names", f"{array.sizes['spectrum']} names",
                             "write the file again")  # fmt: skip
            array = array.assign_coords(spectrum=_names(path, names))
    array.attrs["history"] = json.dumps(state["history"], ensure_ascii=False)
    return _with_flags(path, array, state)


def _names(path: Path, names: list[Any]) -> Any:
    kinds = {type(name) for name in names}
    if not (kinds <= {int, float} or kinds == {str}):
        raise refuse(path, "names of spectra of mixed kinds", "all text or all numbers",
                     "write the file again")  # fmt: skip
    return np.asarray(names)


def _with_flags(path: Path, array: xr.DataArray, state: Mapping[str, Any]) -> xr.DataArray:
    shape, dims = array["flag"].shape, array["flag"].dims
    for name, dtype in (("valid", np.bool_), ("flag", np.uint16)):
        if name not in state:
            continue
        try:
            values = np.asarray(state[name], dtype=dtype).reshape(shape)
        except (ValueError, TypeError, OverflowError) as error:
            raise refuse(path, f"a {name} list that does not fit {shape} pixels",
                         "one number a pixel", "write the file again") from error  # fmt: skip
        array = array.assign_coords({name: (dims, values, array[name].attrs)})
    return array
