"""Scores of labelled arrays, each with its standard error: marker bands and the net signal.

A verdict rests on these linear scores; `band_measures` holds what stands beside them.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..errors import ContractError, Fault
from ..kernels import bands, netsignal
from ..kernels.smooth import even_spacing, savitzky_golay_matrix
from ..markers import Marker, marker_weights, resolve
from .net import net_signal

Floats = npt.NDArray[np.float64]
Marks = Sequence[Marker | str | dict[str, Any]]

NET_UNIT = "reference"


def band_score(array: xr.DataArray, markers: Marks) -> xr.Dataset:
    """Score marker bands in every pixel.

    Each score is an area (A cm-1) or a height (A) over a local straight line, or a
    second-derivative height (A): a linear functional of the spectrum. Its standard error is that
    of white noise, measured in each spectrum from its second differences and carried through the
    weights and through every smoothing step of the array's history; noise correlated between
    channels (zero filling) makes it too small.

    Parameters
    ----------
    array : map or points, after the procedure.
    markers : names, `Marker`s or tables.

    Returns
    -------
    Dataset with `score` and `standard_error`, dims (marker, y, x) or (marker, spectrum), NaN in
    pixels that are not valid, and the coordinates `unit` (marker), `valid`, `flag`. Of a lazy array
    (``residuekit.read(path, lazy=True)``) it is lazy: ``scores.to_netcdf(path)`` then reads, scores
    and writes block by block, in the same memory whatever the size of the map.

    Raises
    ------
    ContractError : not a labelled array.
    MarkerError : unknown markers, windows that leave the axis.

    >>> import residuekit as rk
    >>> axis = np.arange(1000.0, 1200.0, 2.0)
    >>> gel = 0.2 * np.exp(-(((axis - 1092) / 12) ** 2))
    >>> scored = rk.band_score(rk.make_points([gel, 2 * gel], axis), ["pva C-O 1092"])
    >>> scored["score"].values.round(2).tolist(), scored["unit"].values.tolist()
    ([[4.25, 8.51]], ['A cm-1'])
    """
    array = schema.check(array)
    chosen = resolve(markers)
    weights = marker_weights(chosen, array[schema.WAVENUMBER].values)
    names, units = [one.name for one in chosen], [one.unit for one in chosen]
    return _scored(array, weights, names, units)


def net_signal_score(
    array: xr.DataArray,
    references: xr.DataArray | Iterable[xr.DataArray],
    blanks: xr.DataArray | Iterable[xr.DataArray],
    nuisances: npt.ArrayLike | None = None,
) -> xr.Dataset:
    """Score every pixel by the whole spectrum of the gel, in the metric of blank pixels.

    Parameters
    ----------
    array : map or points to be scored.
    references : pure gel (several span what a residue may be made of).
    blanks : maps of the same paint without gel; all after the same procedure and on one axis.
    nuisances : (k, n_wavenumber) further shapes the paint may change by, beside a shift of its
        bands, an offset and a slope.

    Returns
    -------
    Dataset in the form of `band_score` with the one marker ``net signal``; 1 is the amount of the
    reference. Method: `residuekit.kernels.netsignal`.

    Raises
    ------
    ContractError : no blank or reference, axes that differ.

    >>> import residuekit as rk
    >>> axis = np.arange(1000.0, 1200.0, 2.0)
    >>> gel = 0.2 * np.exp(-(((axis - 1092) / 12) ** 2))
    >>> rng = np.random.default_rng(1)
    >>> paint = rk.make_points(1 + 0.002 * rng.normal(size=(50, axis.size)), axis)
    >>> found = rk.net_signal_score(paint + 0.5 * gel, rk.make_points(gel, axis), paint)
    >>> found["score"].values.mean().round(1).item()
    0.5
    """
    return score_by_net(array, net_signal(references, blanks, nuisances))


def score_by_net(array: xr.DataArray, net: netsignal.NetSignal) -> xr.Dataset:
    """Score every pixel by a net signal made once, as `net_signal_score` does.

    Parameters
    ----------
    array : map or points to be scored.
    net : from `net_signal`.

    Returns
    -------
    Dataset as of `net_signal_score`.

    Raises
    ------
    ContractError : another number of channels than the blanks had.

    >>> import residuekit as rk
    >>> m, _ = rk.simulate_map(shape=(4, 4), wavenumber=np.arange(900.0, 1300.0, 8.0), seed=1)
    >>> rk.score_by_net(m, rk.net_signal(m[0], m))["score"].dims
    ('marker', 'y', 'x')
    """
    array = schema.check(array)
    if net.weights.size != array.sizes[schema.WAVENUMBER]:
        raise ContractError(
            Fault(
                f"{array.sizes[schema.WAVENUMBER]} wavenumbers, blanks with {net.weights.size}",
                "one wavenumber axis for maps, blanks and references",
                "the same procedure for all of them",
            )
        )
    return _scored(array, net.weights[None], [schema.NET_SIGNAL], [NET_UNIT])


def _scored(
    array: xr.DataArray, weights: Floats, names: Sequence[str], units: Sequence[str]
) -> xr.Dataset:
    noise, smoothing = noise_of(array)
    gain = bands.standard_error(1.0, weights, smoothing)
    error = noise * xr.DataArray(gain, dims="marker")
    return score_dataset(array, applied(array, weights), error, names, units, "score")


def noise_of(array: xr.DataArray) -> tuple[xr.DataArray, Any]:
    """The white noise of each spectrum before any smoothing, and the matrix of the smoothing."""
    kernel, matrix = _smoothing(array)
    noise = xr.apply_ufunc(
        lambda values: bands.noise_of_second_differences(values, kernel),
        array,
        input_core_dims=[[schema.WAVENUMBER]],
        dask="parallelized",
        output_dtypes=[float],
    )
    return noise, matrix


def applied(array: xr.DataArray, weights: Floats) -> xr.DataArray:
    scores: xr.DataArray = xr.apply_ufunc(
        lambda values: bands.apply_weights(values, weights),
        array,
        input_core_dims=[[schema.WAVENUMBER]],
        output_core_dims=[["marker"]],
        dask="parallelized",
        output_dtypes=[float],
        dask_gufunc_kwargs={"output_sizes": {"marker": len(weights)}},
    )
    return scores


def score_dataset(
    array: xr.DataArray,
    score: xr.DataArray,
    error: xr.DataArray,
    names: Sequence[str],
    units: Sequence[str],
    step: str,
) -> xr.Dataset:
    order = ("marker", *schema.pixel_dims(array))
    valid = array["valid"].variable
    scored = xr.Dataset(
        {
            key: values.variable.transpose(*order).where(valid)  # type: ignore[no-untyped-call]
            for key, values in (("score", score), ("standard_error", error))
        },
        {
            **{key: coord.variable for key, coord in score.coords.items() if key != "marker"},
            "marker": list(names),
            "unit": ("marker", list(units)),
        },
    )
    return described(scored, array, names, step)


def described(
    scored: xr.Dataset, array: xr.DataArray, names: Sequence[str], step: str
) -> xr.Dataset:
    """The same with the state of the pixels, and where it comes from."""
    bare = {name: xr.Variable(one.dims, one.data) for name, one in scored.variables.items()}
    kept = [name for name in ("y", "x", "valid", "flag") if name in array.coords]
    state = {name: array[name].variable for name in kept}
    coords = {name: bare[name] for name in scored.coords} | state
    values = {name: bare[name] for name in scored.data_vars}
    attrs = {
        "technique": array.attrs["technique"],
        "source": array.attrs["source"],
        "history": json.dumps([*schema.history(array), {"step": step, "markers": list(names)}]),
    }
    return xr.Dataset(values, coords, attrs)


def _smoothing(array: xr.DataArray) -> tuple[Floats | None, Any]:
    """The kernel and the matrix of all smoothing in the history; None and None without any."""
    axis = array[schema.WAVENUMBER].values
    kernel: Floats | None = None
    matrix = None
    for step in schema.history(array):
        if step["step"] != "smooth":
            continue
        window, order, derivative = (step[name] for name in ("window", "order", "derivative"))
        one = savitzky_golay_matrix(axis.size, window, order, derivative, even_spacing(axis))
        row = one[[axis.size // 2]].toarray().ravel()
        centre = row[axis.size // 2 - window // 2 : axis.size // 2 + window // 2 + 1]
        kernel = centre if kernel is None else np.convolve(kernel, centre)
        matrix = one if matrix is None else one @ matrix
    return kernel, matrix
