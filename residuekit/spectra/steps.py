"""The steps of every day: crop, absorbance, baseline, normalisation, smoothing."""

from __future__ import annotations

import inspect
import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import xarray as xr

from ..errors import Fault, ProcedureError
from ..kernels import smooth as smoothing
from ..schema import FLAGS, WAVENUMBER, check, with_step
from .by_block import Floats, per_spectrum
from .parameters import METHODS, complete_parameters, step


@step
def crop(array: xr.DataArray, low: float, high: float) -> xr.DataArray:
    """Keep the channels from `low` to `high` cm-1, ends included.

    A spectrum whose missing values all lie outside becomes valid again.

    Parameters
    ----------
    array : map or points.
    low, high : the ends, cm-1.

    Returns
    -------
    The array with the channels in between.

    Raises
    ------
    ProcedureError : parameters out of range, or no channel between them.
    ContractError : not a labelled array.

    >>> import residuekit as rk
    >>> m = rk.make_points([0.1, 0.2, 0.3, 0.4], [1000, 1010, 1020, 1030])
    >>> rk.crop(m, 1005, 1025)["wavenumber"].values.tolist()
    [1010.0, 1020.0]
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


@step
def to_absorbance(array: xr.DataArray, stray_level: float = 0.0) -> xr.DataArray:
    """Turn transmittance into absorbance, A = -log10 T.

    Where T is at or below `stray_level` (the detector's floor, as a transmittance) the value is
    missing and the spectrum is flagged ``saturated``: crop first to what is needed. An absorbance
    array keeps its values; the same floor, A >= -log10 stray_level, is taken out of it, so one
    procedure serves files of both kinds.

    Parameters
    ----------
    array : map or points, transmittance or absorbance.
    stray_level : the floor of the detector, as a transmittance from 0 to below 1.

    Returns
    -------
    The absorbance, same axis and pixels.

    Raises
    ------
    ProcedureError : stray_level outside 0 to 1.
    ContractError : another quantity than transmittance or absorbance.

    >>> import residuekit as rk
    >>> m = rk.make_points([0.1, 0.01], [1000, 1010], quantity="transmittance")
    >>> a = rk.to_absorbance(m)
    >>> a.name, a.values.round(3).tolist()
    ('absorbance', [[1.0, 2.0]])
    """
    parameters = complete_parameters("to_absorbance", {"stray_level": stray_level})
    array = check(array, quantity=("transmittance", "absorbance"))
    if array.name == "transmittance":
        low = array <= stray_level
        absorbance = per_spectrum(array, lambda rows: _minus_log10(rows, stray_level))
    else:
        ceiling = -math.log10(stray_level) if stray_level > 0 else math.inf
        low = array >= ceiling
        absorbance = array.where(~low).astype(np.float32)
    saturated = low.any(WAVENUMBER).astype(np.uint16) * np.uint16(FLAGS["saturated"][0])
    flagged = array.assign_coords(flag=array["flag"] | saturated)
    return with_step(flagged, absorbance.data, "to_absorbance", parameters, quantity="absorbance")


def _minus_log10(rows: Floats, stray_level: float) -> Floats:
    usable = np.where(rows > stray_level, rows.astype(np.float64), np.nan)
    return -np.log10(usable)


@step
def correct_baseline(array: xr.DataArray, method: str = "arpls", **parameters: Any) -> xr.DataArray:
    """Subtract a baseline found for each spectrum.

    Parameters
    ----------
    array : labelled array of absorbance or another quantity that is linear in amount.
    method : one of the following; their functions in `residuekit.kernels.baselines` say more.

        ``arpls`` : smoothness=1e5, tolerance=1e-3, max_iterations=50
        ``asymmetric least squares`` : smoothness=1e6, asymmetry=0.01, tolerance, max_iterations
        ``rubber band`` : none
        ``polynomial`` : order=1
        ``iterated polynomial`` : order=3, tolerance=1e-3, max_iterations=200
        ``snip`` : half_window=40
        ``two-point`` : left=[low, high], right=[low, high] in cm-1
    parameters : the parameters of the method.

    Returns
    -------
    The array less its baselines.

    Raises
    ------
    ProcedureError : an unknown method or parameter, one out of range, or one that the axis cannot
        serve.
    ContractError : not a labelled array.

    >>> import residuekit as rk
    >>> m = rk.make_points([1.0, 2.0, 7.0, 4.0, 5.0], [1000, 1010, 1020, 1030, 1040])
    >>> rk.correct_baseline(m, "rubber band").values.round(3).tolist()
    [[0.0, 0.0, 4.0, 0.0, 0.0]]
    """
    complete = complete_parameters("correct_baseline", {"method": method, **parameters})
    array = check(array)
    find = _with_axis("correct_baseline", complete, array)
    values = per_spectrum(array, lambda rows: rows - find(rows))
    return with_step(array, values.data, "correct_baseline", complete)


@step
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

    Returns
    -------
    The array, each spectrum over its own factor.

    Raises
    ------
    ProcedureError : an unknown method or parameter, or one out of range or outside the axis.
    ContractError : not a labelled array.

    >>> import residuekit as rk
    >>> m = rk.make_points([3.0, 4.0], [1000, 1010])
    >>> rk.normalise(m, "vector").values.round(3).tolist()
    [[0.6000000238418579, 0.800000011920929]]
    """
    complete = complete_parameters("normalise", {"method": method, **parameters})
    array = check(array)
    divide = _with_axis("normalise", complete, array)
    values = per_spectrum(array, lambda rows: divide(rows)[0])
    return with_step(array, values.data, "normalise", complete)


@step
def smooth(
    array: xr.DataArray, window: int = 9, order: int = 2, derivative: int = 0
) -> xr.DataArray:
    """Smooth or differentiate by Savitzky & Golay (1964): `residuekit.kernels.smooth`.

    The derivative is in the array's unit per (cm-1)^derivative. The axis must be even: no step may
    differ from the mean step by more than 1 %.

    Parameters
    ----------
    array : map or points.
    window : channels, odd, 3 or more.
    order : of the polynomial, below `window`.
    derivative : 0, 1 or 2, at most `order`.

    Returns
    -------
    The smoothed array, or its derivative.

    Raises
    ------
    ProcedureError : a parameter out of range, fewer channels than the window, an uneven axis.
    ContractError : not a labelled array.

    >>> import residuekit as rk
    >>> m = rk.make_points([0.0, 0.0, 3.0, 0.0, 0.0], [1000, 1010, 1020, 1030, 1040])
    >>> rk.smooth(m, window=3, order=0).values[0, 1:4].tolist()
    [1.0, 1.0, 1.0]
    """
    given = {"window": window, "order": order, "derivative": derivative}
    parameters = complete_parameters("smooth", given)
    array = check(array)
    spacing = smoothing.even_spacing(array[WAVENUMBER].values)
    values = per_spectrum(array, lambda rows: smoothing.savitzky_golay(rows, spacing, **parameters))
    return with_step(array, values.data, "smooth", parameters)


def _with_axis(name: str, complete: Mapping[str, Any], array: xr.DataArray) -> Callable[..., Any]:
    """Bind a method's kernel to its parameters, and to the axis if it asks for one."""
    kernel = METHODS[name][complete["method"]]
    bound = {key: value for key, value in complete.items() if key != "method"}
    if WAVENUMBER in inspect.signature(kernel).parameters:
        bound[WAVENUMBER] = array[WAVENUMBER].values
    return lambda rows: kernel(rows, **bound)
