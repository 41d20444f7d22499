"""Corrections of the measurement: vapour, gas bands, spikes, a common axis."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from ..errors import Fault, ProcedureError
from ..kernels.faults import find_spikes, without_spikes
from ..kernels.resample import resampling_matrix
from ..kernels.vapour import TAPS
from ..kernels.vapour import subtract_vapour as _subtract
from ..schema import FLAGS, WAVENUMBER, check, with_step
from .by_block import Floats, per_spectrum
from .parameters import complete_parameters, step
from .step_files import stamps


@step
def bridge(
    array: xr.DataArray, low: float = 2280.0, high: float = 2390.0, side: int = 3
) -> xr.DataArray:
    """Draw a straight line over a range that must never be used, carbon dioxide by default.

    The line joins the means of the `side` channels on either side of `low` to `high` (cm-1), so the
    range adds nothing to a baseline or a norm. No marker may lie in it. One bad channel is bridged
    with ``side=1``. An array that has no channel there is left as it is.

    Parameters
    ----------
    array : map or points.
    low, high : the range, cm-1.
    side : channels on either side.

    Returns
    -------
    The array with a straight line in the range.

    Raises
    ------
    ProcedureError : parameters out of range, or fewer channels on a side.
    ContractError : not a labelled array.

    >>> import residuekit as rk
    >>> m = rk.make_points([1, 1, 1, 9, 2, 2, 2], [2270, 2274, 2278, 2330, 2394, 2398, 2402])
    >>> 1 < rk.bridge(m).values[0, 3] < 2
    np.True_
    """
    parameters = complete_parameters("bridge", {"low": low, "high": high, "side": side})
    array = check(array)
    axis = array[WAVENUMBER].values
    inside = (axis >= low) & (axis <= high)
    if not inside.any():
        return with_step(array, array.data, "bridge", parameters)
    first, last = np.flatnonzero(inside)[[0, -1]]
    if first < side or last >= axis.size - side:
        raise ProcedureError(
            Fault(f"the range {low:g} to {high:g} cm-1 on an axis of {axis[0]:g} to {axis[-1]:g}",
                  f"{side} channels on either side of it", "a crop that leaves the range out")
        )  # fmt: skip
    before, after = slice(first - side, first), slice(last + 1, last + 1 + side)
    start, end = axis[before].mean(), axis[after].mean()
    share = (axis[inside] - start) / (end - start)

    def join(rows: Floats) -> Floats:
        ends = [rows[:, part].mean(axis=1, keepdims=True) for part in (before, after)]
        joined = rows.copy()
        joined[:, inside] = ends[0] + (ends[1] - ends[0]) * share
        return joined

    # A missing value inside the range keeps its pixel missing, as in every other step.
    values = per_spectrum(array, lambda rows: np.where(_whole(rows), join(rows), np.nan))
    return with_step(array, values.data, "bridge", parameters)


def _whole(rows: Floats) -> Any:
    return np.isfinite(rows).all(axis=1, keepdims=True)


@step
def despike(array: xr.DataArray, threshold: float = 8.0) -> xr.DataArray:
    """Replace single-channel spikes by what their neighbours say.

    What a spike is: `residuekit.kernels.faults.find_spikes`, with `threshold` times the local
    noise. The flag ``spike`` is taken off where one was replaced, and a pixel that was invalid for
    that alone is valid again. Bands must be at least two channels wide at half height.

    Parameters
    ----------
    array : map or points.
    threshold : how many times the local noise a spike stands above its neighbours.

    Returns
    -------
    The array without the spikes.

    Raises
    ------
    ProcedureError : threshold not above 0.
    ContractError : not a labelled array.

    >>> import residuekit as rk
    >>> values = 0.001 * np.random.default_rng(1).normal(size=60)
    >>> values[30] = 1.0
    >>> m = rk.make_points(values, 1000.0 + 4 * np.arange(60))
    >>> float(abs(rk.despike(m)).max()) < 0.01
    True
    """
    parameters = complete_parameters("despike", {"threshold": threshold})
    array = check(array)
    spike = np.uint16(FLAGS["spike"][0])

    def mend(rows: Floats) -> Floats:
        return np.where(_whole(rows), without_spikes(rows, threshold)[0], np.nan)

    values = per_spectrum(array, mend)
    hit = xr.apply_ufunc(
        lambda block: (
            find_spikes(block.reshape(-1, block.shape[-1]), threshold)
            .any(axis=1)
            .reshape(block.shape[:-1])
        ),
        array.chunk({WAVENUMBER: -1}) if array.chunks is not None else array,
        input_core_dims=[[WAVENUMBER]],
        dask="parallelized",
        output_dtypes=[bool],
    )
    mended = hit & ((array["flag"] & spike) > 0)
    alone = mended & (array["flag"] == spike)
    cleared = array.assign_coords(
        flag=(array["flag"] & ~(mended.astype(np.uint16) * spike)).drop_attrs(),
        valid=array["valid"] | alone,
    )
    return with_step(cleared, values.data, "despike", parameters)


@step
def subtract_vapour(
    array: xr.DataArray,
    file: str,
    fit_low: float = 1800.0,
    fit_high: float = 1900.0,
    low: float = 1300.0,
    high: float = 2000.0,
    sha256: str = "",
) -> xr.DataArray:
    """Take off the lines of a measured vapour spectrum, fitted to each spectrum.

    Scale, shift and resolution are fitted between `fit_low` and `fit_high`, where paint is silent,
    and the vapour is taken off from `low` to `high`, as far as the axis goes (all cm-1): see
    `residuekit.kernels.vapour`. A spectrum without visible vapour is left as it is.

    Parameters
    ----------
    array : absorbance.
    file : path of one spectrum of vapour, absorbance or transmittance, measured as the map was; of
        several spectra the mean.
    fit_low, fit_high : the range of the fit, cm-1.
    low, high : the range in which vapour is taken off, cm-1.
    sha256 : if given, what the file must be.

    Returns
    -------
    The array without the lines of the vapour.

    Raises
    ------
    ProcedureError : the file cannot be read, is another than `sha256` says, or does not cover
        the ranges; fewer than 12 channels to fit in.
    ContractError : another quantity than absorbance.

    >>> import residuekit as rk
    >>> rk.subtract_vapour(rk.make_points([0.1, 0.2], [1800, 1900]), "no such file.csv")
    Traceback (most recent call last):
    ...
    residuekit.errors.ProcedureError: no such file.csv: found ...
    """
    given = {"file": str(file), "fit_low": fit_low, "fit_high": fit_high, "low": low, "high": high}
    parameters = complete_parameters("subtract_vapour", {**given, "sha256": sha256})
    array = check(array, quantity="absorbance")
    axis = array[WAVENUMBER].values
    low, high = max(low, float(axis[0])), min(high, float(axis[-1]))
    margin = (max(TAPS) // 2 + 1) * float(np.median(np.diff(axis)))
    curve = _curve(Path(file), sha256, min(low, fit_low) - margin, max(high, fit_high) + margin)
    values = per_spectrum(
        array,
        lambda rows: _subtract(rows, axis, curve, fit=(fit_low, fit_high), within=(low, high)),
    )
    return with_step(array, values.data, "subtract_vapour", parameters)


def _curve(file: Path, sha256: str, low: float, high: float) -> Any:
    """Return the mean spectrum of a file as a function of the wavenumber."""
    from scipy.interpolate import make_interp_spline

    from .. import io
    from .steps import to_absorbance

    stamps([str(file)], [sha256] if sha256 else [])
    vapour = to_absorbance(io.read(file))
    axis = vapour[WAVENUMBER].values
    if axis[0] > low or axis[-1] < high:
        raise ProcedureError(
            Fault(f"vapour from {axis[0]:g} to {axis[-1]:g} cm-1", f"at least {low:g} to {high:g}",
                  f"low = {axis[0]:g}, high = {axis[-1]:g}, or a longer spectrum", str(file))
        )  # fmt: skip
    mean = vapour.values.reshape(-1, axis.size).astype(np.float64).mean(axis=0)
    return make_interp_spline(axis, mean, k=3)


@step
def resample(
    array: xr.DataArray, spacing: float, low: float | None = None, high: float | None = None
) -> xr.DataArray:
    """Bring the spectra to an axis from `low` by `spacing` up to `high` at most, cm-1.

    Left out, low and high are the first and last multiple of `spacing` inside the axis, so that
    arrays with different axes meet. Band-limited where the new axis is coarser: see
    `residuekit.kernels.resample`. Mixed axes belong on the coarser one: on a finer axis noise is
    correlated and standard errors come out too small.

    Parameters
    ----------
    array : map or points.
    spacing : of the new axis, cm-1.
    low, high : its ends, cm-1.

    Returns
    -------
    The array on the new axis.

    Raises
    ------
    ProcedureError : parameters out of range, low or high outside the axis, too few channels.
    ContractError : not a labelled array.

    >>> import residuekit as rk
    >>> m = rk.make_points(np.ones(11), 1001.0 + 2 * np.arange(11))
    >>> rk.resample(m, 4)["wavenumber"].values.tolist()
    [1004.0, 1008.0, 1012.0, 1016.0, 1020.0]
    """
    given = {"spacing": spacing, "low": low, "high": high}
    parameters = complete_parameters("resample", given)
    array = check(array)
    old = array[WAVENUMBER].values
    first = np.ceil(old[0] / spacing) * spacing if low is None else low
    last = np.floor(old[-1] / spacing) * spacing if high is None else high
    count = int(np.floor((last - first) / spacing + 1e-9)) + 1
    new = first + spacing * np.arange(max(count, 0))
    matrix = resampling_matrix(old, new)
    values = per_spectrum(array, lambda rows: rows @ matrix.T, new.size)
    return with_step(array, values.data, "resample", parameters, wavenumber=new)
