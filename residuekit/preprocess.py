"""Preprocessing of labelled arrays: one function a step, each writes itself into the history.

A step takes a labelled array (`residuekit.schema`) and returns a new one: float32 values, `valid`
and `flag` kept right, the step with all its parameters, defaults too, in the history. A spectrum
with a missing value comes out missing and touches no other. Lazy (dask) arrays stay lazy.

To add a step: write the function here and name it in `STEPS`; a parameter of a new name gets its
rule in `RULES`.
"""

from __future__ import annotations

import inspect
import math
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from .errors import Fault, ProcedureError, did_you_mean
from .kernels import baseline as baselines
from .kernels import normalise as normalisations
from .kernels import smooth as smoothing
from .schema import FLAGS, WAVENUMBER, check, with_step

__all__ = [
    "METHODS",
    "RULES",
    "STEPS",
    "complete_parameters",
    "correct_baseline",
    "crop",
    "normalise",
    "parameter_faults",
    "smooth",
    "to_absorbance",
]

Floats = npt.NDArray[np.float64]
ROWS_AT_ONCE = 2048


def crop(array: xr.DataArray, low: float, high: float) -> xr.DataArray:
    """Keep the channels from `low` to `high` cm-1, ends included.

    A spectrum whose missing values all lie outside becomes valid again.

    Raises
    ------
    ProcedureError : parameters out of range, or no channel between them.
    ContractError : not a labelled array.
    """
    parameters = complete_parameters("crop", {"low": low, "high": high})
    array = check(array)
    axis = array[WAVENUMBER].values
    inside = (axis >= low) & (axis <= high)
    if not inside.any():
        raise ProcedureError(
            Fault(f"no channel from {low:g} to {high:g} cm-1",
                  f"a range that meets the axis, {axis[0]:g} to {axis[-1]:g} cm-1",
                  f"low = {axis[0]:g}, high = {axis[-1]:g}")
        )  # fmt: skip
    first, last = np.flatnonzero(inside)[[0, -1]]
    kept = slice(int(first), int(last) + 1)
    return with_step(array, array.data[..., kept], "crop", parameters, wavenumber=axis[kept])


def to_absorbance(array: xr.DataArray, stray_level: float = 0.0) -> xr.DataArray:
    """Turn transmittance into absorbance, A = -log10 T.

    Where T is at or below `stray_level` (the detector's floor, as a transmittance) the value is
    missing and the spectrum is flagged ``saturated``: crop first to what is needed. An absorbance
    array keeps its values; the same floor, A >= -log10 stray_level, is taken out of it, so one
    procedure serves files of both kinds.

    Raises
    ------
    ProcedureError : stray_level outside 0 to 1.
    ContractError : another quantity than transmittance or absorbance.
    """
    parameters = complete_parameters("to_absorbance", {"stray_level": stray_level})
    array = check(array, quantity=("transmittance", "absorbance"))
    if array.name == "transmittance":
        low = array <= stray_level
        absorbance = _per_spectrum(array, lambda rows: _minus_log10(rows, stray_level))
    else:
        ceiling = -math.log10(stray_level) if stray_level > 0 else math.inf
        low = array >= ceiling
        absorbance = array.where(~low).astype(np.float32)
    saturated = low.any(WAVENUMBER).astype(np.uint16) * np.uint16(FLAGS["saturated"][0])
    flagged = array.assign_coords(flag=array["flag"] | saturated)
    return with_step(flagged, absorbance.data, "to_absorbance", parameters, quantity="absorbance")


def _minus_log10(rows: Floats, stray_level: float) -> Floats:
    usable = np.where(rows > stray_level, rows, np.nan)
    return -np.log10(usable)


def correct_baseline(array: xr.DataArray, method: str = "arpls", **parameters: Any) -> xr.DataArray:
    """Subtract a baseline found for each spectrum.

    Parameters
    ----------
    array : labelled array of absorbance or another quantity that is linear in amount.
    method : one of the following; their functions in `residuekit.kernels.baseline` say more.

        ``arpls`` : smoothness=1e5, tolerance=1e-3, max_iterations=50
        ``asymmetric least squares`` : smoothness=1e6, asymmetry=0.01, tolerance, max_iterations
        ``rubber band`` : none
        ``polynomial`` : order=1
        ``iterated polynomial`` : order=3, tolerance=1e-3, max_iterations=200
        ``two-point`` : left=[low, high], right=[low, high] in cm-1
    parameters : the parameters of the method.

    Raises
    ------
    ProcedureError : an unknown method or parameter, one out of range, or one that the axis cannot
        serve.
    ContractError : not a labelled array.
    """
    complete = complete_parameters("correct_baseline", {"method": method, **parameters})
    array = check(array)
    find = _with_axis("correct_baseline", complete, array)
    values = _per_spectrum(array, lambda rows: rows - find(rows))
    return with_step(array, values.data, "correct_baseline", complete)


def normalise(array: xr.DataArray, method: str = "vector", **parameters: Any) -> xr.DataArray:
    """Divide each spectrum by a factor of its own.

    A residue is part of what it divides by: the factor should come from a band of the paint alone,
    and a verdict should stand under two normalisations. A spectrum without a factor above 0 (flat,
    empty) becomes missing.

    Parameters
    ----------
    array : labelled array.
    method : one of the following; their functions in `residuekit.kernels.normalise` say more.

        ``vector``, ``snv``, ``area`` : low=None, high=None, the part the factor is taken from
        ``internal standard`` : low, high, measure="area" or "height"
    parameters : the parameters of the method.

    Raises
    ------
    ProcedureError : an unknown method or parameter, or one out of range or outside the axis.
    ContractError : not a labelled array.
    """
    complete = complete_parameters("normalise", {"method": method, **parameters})
    array = check(array)
    divide = _with_axis("normalise", complete, array)
    values = _per_spectrum(array, lambda rows: divide(rows)[0])
    return with_step(array, values.data, "normalise", complete)


def smooth(
    array: xr.DataArray, window: int = 9, order: int = 2, derivative: int = 0
) -> xr.DataArray:
    """Smooth or differentiate by Savitzky & Golay (1964): `residuekit.kernels.smooth`.

    The derivative is in the array's unit per (cm-1)^derivative. The axis must be even: no step may
    differ from the mean step by more than 1 %.

    Raises
    ------
    ProcedureError : a parameter out of range, fewer channels than the window, an uneven axis.
    ContractError : not a labelled array.
    """
    given = {"window": window, "order": order, "derivative": derivative}
    parameters = complete_parameters("smooth", given)
    array = check(array)
    spacing = smoothing.even_spacing(array[WAVENUMBER].values)
    values = _per_spectrum(
        array, lambda rows: smoothing.savitzky_golay(rows, spacing, **parameters)
    )
    return with_step(array, values.data, "smooth", parameters)


def _with_axis(step: str, complete: Mapping[str, Any], array: xr.DataArray) -> Callable[..., Any]:
    """Bind a method's kernel to its parameters, and to the axis if it asks for one."""
    kernel = METHODS[step][complete["method"]]
    bound = {name: value for name, value in complete.items() if name != "method"}
    if WAVENUMBER in inspect.signature(kernel).parameters:
        bound[WAVENUMBER] = array[WAVENUMBER].values
    return lambda rows: kernel(rows, **bound)


def _per_spectrum(array: xr.DataArray, compute: Callable[[Floats], Floats]) -> xr.DataArray:
    """Run a kernel over blocks of whole spectra; float64 inside, float32 out, lazy if lazy.

    One spectrum of zeros goes first, so that a kernel that cannot serve this axis says so now.
    """
    compute(np.zeros((1, array.sizes[WAVENUMBER])))

    def blockwise(values: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
        rows = values.reshape(-1, values.shape[-1])
        result = np.empty(rows.shape, dtype=np.float32)
        for start in range(0, rows.shape[0], ROWS_AT_ONCE):
            part = slice(start, start + ROWS_AT_ONCE)
            result[part] = compute(rows[part].astype(np.float64))
        return result.reshape(values.shape)

    lazy = array.chunks is not None
    whole = array.chunk({WAVENUMBER: -1}) if lazy else array
    result: xr.DataArray = xr.apply_ufunc(
        blockwise,
        whole,
        input_core_dims=[[WAVENUMBER]],
        output_core_dims=[[WAVENUMBER]],
        dask="parallelized",
        output_dtypes=[np.float32],
    )
    return result


#: The steps a procedure may name. A new step is one more function and one more name here.
STEPS: dict[str, Callable[..., xr.DataArray]] = {
    step.__name__: step for step in (crop, to_absorbance, correct_baseline, normalise, smooth)
}

#: The methods of the steps that have some; their keyword-only parameters are the user's.
METHODS: dict[str, dict[str, Callable[..., Any]]] = {
    "correct_baseline": {
        "arpls": baselines.arpls,
        "asymmetric least squares": baselines.asymmetric_least_squares,
        "rubber band": baselines.rubber_band,
        "polynomial": baselines.polynomial,
        "iterated polynomial": baselines.iterated_polynomial,
        "two-point": baselines.two_point,
    },
    "normalise": {
        "vector": normalisations.vector,
        "snv": normalisations.snv,
        "area": normalisations.area,
        "internal standard": normalisations.internal_standard,
    },
}


class Rule(NamedTuple):
    """What a parameter must be, in words; an example; and the test."""

    words: str
    example: str
    holds: Callable[[Any], bool]


def _number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)


def _whole(value: Any, lowest: int, highest: float = math.inf) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and lowest <= value <= highest


def _interval(value: Any) -> bool:
    pair = isinstance(value, list) and len(value) == 2 and all(map(_number, value))
    return pair and 0 <= value[0] < value[1]


_WAVENUMBER = Rule("a wavenumber in cm-1", "1000", lambda v: _number(v) and v >= 0)
_INTERVAL = Rule("[low, high] in cm-1, low below high", "[1690, 1700]", _interval)
_POSITIVE = "a number above 0"

#: One rule for each parameter name, whichever step or method it belongs to.
RULES: dict[str, Rule] = {
    "low": _WAVENUMBER,
    "high": _WAVENUMBER,
    "left": _INTERVAL,
    "right": _INTERVAL,
    "stray_level": Rule("a transmittance from 0 to below 1", "0.001",
                        lambda v: _number(v) and 0 <= v < 1),
    "smoothness": Rule(_POSITIVE, "1e6", lambda v: _number(v) and v > 0),
    "asymmetry": Rule("a number between 0 and 1", "0.01", lambda v: _number(v) and 0 < v < 1),
    "tolerance": Rule(_POSITIVE, "1e-3", lambda v: _number(v) and v > 0),
    "max_iterations": Rule("a whole number from 1", "50", lambda v: _whole(v, 1)),
    "order": Rule("a whole number from 0 to 20", "2", lambda v: _whole(v, 0, 20)),
    "window": Rule("an odd whole number from 3", "9", lambda v: _whole(v, 3) and v % 2 == 1),
    "derivative": Rule("0, 1 or 2", "0", lambda v: _whole(v, 0, 2)),
    "measure": Rule("'area' or 'height'", '"area"', lambda v: v in ("area", "height")),
}  # fmt: skip


def parameter_faults(step: Any, given: Mapping[str, Any]) -> list[Fault]:
    """Return all that is wrong with a step and its parameters, without any data.

    >>> for fault in parameter_faults("smooth", {"windw": 9, "order": -1}):
    ...     print(fault)
    found smooth with 'windw'; needed parameters among window, order, derivative;
    to mend it: did you mean 'window'?
    found smooth with order = -1; needed a whole number from 0 to 20; to mend it: order = 2
    """
    if step not in STEPS:
        needed = f"one of {', '.join(STEPS)}"
        return [Fault(f"a step {step!r}", needed, did_you_mean(str(step), STEPS))]
    methods = METHODS.get(step, {})
    method = given.get("method")
    if methods and "method" in given and method not in list(methods):
        needed = f"one of {', '.join(methods)}"
        fix = did_you_mean(str(method), methods)
        return [Fault(f"{step} with method = {method!r}", needed, fix)]
    known = _known_parameters(step, given)
    listed = ", ".join(known) or "none"
    faults = [
        Fault(f"{_named(step, given)} with {name!r}", f"parameters among {listed}",
              did_you_mean(name, known))
        for name in given
        if name not in known
    ]  # fmt: skip
    values = {name: _plain(given.get(name, default)) for name, default in known.items()}
    for name, value in values.items():
        if name == "method" or (value is None and known[name] is None):
            continue
        rule = RULES[name]
        if not rule.holds(value):
            found = f"without {name}" if value is _ABSENT else f"with {name} = {value!r}"
            fix = f"{name} = {rule.example}"
            faults.append(Fault(f"{_named(step, given)} {found}", rule.words, fix))
    return faults or _relation_faults(step, values)


_ABSENT = inspect.Parameter.empty


def _known_parameters(step: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """Return each parameter that the step, with its method, takes, and its default."""
    taken = list(inspect.signature(STEPS[step]).parameters.values())[1:]
    taken = [p for p in taken if p.kind is not p.VAR_KEYWORD]
    if step in METHODS:
        kernel = METHODS[step][given.get("method", taken[0].default)]
        options = inspect.signature(kernel).parameters.values()
        taken += [p for p in options if p.kind is p.KEYWORD_ONLY]
    return {p.name: p.default for p in taken}


def _named(step: str, given: Mapping[str, Any]) -> str:
    return f"{step} by {given['method']}" if "method" in given else step


def _plain(value: Any) -> Any:
    """Return numpy numbers and sequences as what JSON and TOML can hold."""
    if isinstance(value, (tuple, list, np.ndarray)):
        return [_plain(item) for item in value]
    return value.item() if isinstance(value, np.generic) else value


def _relation_faults(step: str, values: Mapping[str, Any]) -> list[Fault]:
    low, high = values.get("low"), values.get("high")
    if low is not None and high is not None and low >= high:
        found = f"{step} with low = {low:g} and high = {high:g}"
        return [Fault(found, "low below high", f"low = {high:g}, high = {low:g}")]
    if "window" in values and not values["derivative"] <= values["order"] < values["window"]:
        found = ", ".join(f"{name} = {value}" for name, value in values.items())
        needed = "derivative at most order, order below window"
        return [Fault(f"{step} with {found}", needed, "window = 9, order = 2, derivative = 0")]
    return []


def complete_parameters(step: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """Return all parameters of a step, defaults too, as plain numbers, texts and lists.

    Raises `ProcedureError` with every fault of `parameter_faults`.

    >>> complete_parameters("correct_baseline", {"method": "polynomial"})
    {'method': 'polynomial', 'order': 1}
    """
    faults = parameter_faults(step, given)
    if faults:
        raise ProcedureError(faults)
    known = _known_parameters(step, given)
    return {name: _plain(given.get(name, default)) for name, default in known.items()}
