"""Scores of labelled arrays, each with its standard error: marker bands and the net signal."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from . import schema
from .errors import ContractError, Fault
from .kernels import bands, netsignal
from .kernels.smooth import even_spacing, savitzky_golay_matrix
from .markers import Marker, marker_weights, resolve

Floats = npt.NDArray[np.float64]

NET_UNIT = "reference"
#: Strips into which a single blank is cut, so that one part can check the other.
_STRIPS = 5


def band_score(array: xr.DataArray, markers: Sequence[Marker | str | dict[str, Any]]) -> xr.Dataset:
    """Score marker bands in every pixel.

    Each score is an area (A cm-1) or a height (A) over a local straight line: a linear functional
    of the spectrum. Its standard error is that of white noise, measured in each spectrum from its
    second differences and carried through the weights and through every smoothing step of the
    array's history; noise correlated between channels (zero filling) makes it too small.

    Parameters
    ----------
    array : map or points, after the procedure. markers : names, `Marker`s or tables.

    Returns
    -------
    Dataset with `score` and `standard_error`, dims (marker, y, x) or (marker, spectrum), NaN in
    pixels that are not valid, and the coordinates `unit` (marker), `valid`, `flag`.

    Raises
    ------
    MarkerError : unknown markers, windows that leave the axis.
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
    array : what is scored; references : pure gel (several span what a residue may be made of);
        blanks : maps of the same paint without gel; all after the same procedure and on one axis.
    nuisances : (k, n_wavenumber) further shapes the paint may change by, beside a shift of its
        bands, an offset and a slope.

    Returns
    -------
    Dataset in the form of `band_score` with the one marker ``net signal``; 1 is the amount of the
    reference. Method: `residuekit.kernels.netsignal`.
    """
    array = schema.check(array)
    net = net_signal(references, blanks, nuisances)
    if net.weights.size != array.sizes[schema.WAVENUMBER]:
        raise ContractError(
            Fault(
                f"{array.sizes[schema.WAVENUMBER]} wavenumbers, blanks with {net.weights.size}",
                "one wavenumber axis for maps, blanks and references",
                "the same procedure for all of them",
            )
        )
    return _scored(array, net.weights[None], [schema.NET_SIGNAL], [NET_UNIT])


def net_signal(
    references: xr.DataArray | Iterable[xr.DataArray],
    blanks: xr.DataArray | Iterable[xr.DataArray],
    nuisances: npt.ArrayLike | None = None,
) -> netsignal.NetSignal:
    """Make the weights of the net signal from labelled arrays (see `net_signal_score`)."""
    gel, paint = _arrays(references, "references"), _arrays(blanks, "blanks")
    axis = paint[0][schema.WAVENUMBER].values
    for other in (*gel, *paint):
        same_axis(axis, other[schema.WAVENUMBER].values)
    scatters = [netsignal.scatter(valid_spectra(blank)) for blank in paint]
    if len(scatters) == 1:
        strips = np.array_split(valid_spectra(paint[0]), _STRIPS)
        scatters = [netsignal.scatter(strip) for strip in strips]
    spectra = [mean_spectrum(reference) for reference in gel]
    return net_from_scatters(scatters, spectra, axis, nuisances)


def net_from_scatters(
    scatters: Sequence[netsignal.Scatter],
    references: Sequence[npt.ArrayLike],
    wavenumber: npt.ArrayLike,
    nuisances: npt.ArrayLike | None = None,
) -> netsignal.NetSignal:
    """Make the net signal from what a pass over the blanks has kept of each map."""
    pooled = netsignal.pool(scatters)
    shapes = netsignal.common_nuisances(wavenumber, pooled.mean)
    if nuisances is not None:
        shapes = np.vstack([shapes, np.atleast_2d(nuisances)])
    metric = netsignal.blank_metric(pooled, shapes)
    return netsignal.net_signal(np.array(references, dtype=float), metric)


def _scored(
    array: xr.DataArray, weights: Floats, names: Sequence[str], units: Sequence[str]
) -> xr.Dataset:
    kernel, matrix = _smoothing(array)
    spectrum_axis = [schema.WAVENUMBER]
    noise = xr.apply_ufunc(
        lambda values: bands.noise_of_second_differences(values, kernel),
        array,
        input_core_dims=[spectrum_axis],
        dask="parallelized",
        output_dtypes=[float],
    )
    score = xr.apply_ufunc(
        lambda values: bands.apply_weights(values, weights),
        array,
        input_core_dims=[spectrum_axis],
        output_core_dims=[["marker"]],
        dask="parallelized",
        output_dtypes=[float],
        dask_gufunc_kwargs={"output_sizes": {"marker": len(names)}},
    )
    gain = bands.standard_error(1.0, weights, matrix)
    error = noise * xr.DataArray(gain, dims="marker")
    order = ("marker", *schema.pixel_dims(array))
    scored = xr.Dataset(
        {"score": score.transpose(*order), "standard_error": error.transpose(*order)}
    ).where(array["valid"])
    scored = scored.drop_attrs().assign_coords(
        marker=list(names), unit=("marker", list(units)), valid=array["valid"], flag=array["flag"]
    )
    scored.attrs = {
        "technique": array.attrs["technique"],
        "source": array.attrs["source"],
        "history": json.dumps([*schema.history(array), {"step": "score", "markers": list(names)}]),
    }
    return scored


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


def valid_spectra(array: xr.DataArray) -> npt.NDArray[np.floating[Any]]:
    """The spectra of the valid pixels, (n_pixels, n_wavenumber)."""
    array = schema.check(array)
    spectra: npt.NDArray[np.floating[Any]] = array.values[array["valid"].values]
    return spectra


def mean_spectrum(array: xr.DataArray) -> Floats:
    """The mean spectrum (n_wavenumber,) of the valid pixels, summed in float64."""
    spectra = valid_spectra(array)
    if not len(spectra):
        raise ContractError(
            Fault("no valid pixel", "at least one pixel that is fit to be used",
                  "residuekit.check_quality(array) says why each pixel was left out")
        )  # fmt: skip
    mean: Floats = spectra.mean(axis=0, dtype=np.float64)
    return mean


def same_axis(wanted: Floats, found: Floats, tolerance: float = 0.01) -> None:
    """Raise a ContractError unless two axes agree to `tolerance` cm-1."""
    if wanted.shape == found.shape and np.abs(wanted - found).max() <= tolerance:
        return
    first, second = (f"{a.size} points from {a[0]:g} to {a[-1]:g}" for a in (wanted, found))
    raise ContractError(
        Fault(f"a wavenumber axis of {second} cm-1", f"the axis of the others: {first} cm-1",
              "measure on one grid; nothing is interpolated in silence")
    )  # fmt: skip


def _arrays(given: xr.DataArray | Iterable[xr.DataArray], name: str) -> list[xr.DataArray]:
    arrays = [given] if isinstance(given, xr.DataArray) else list(given)
    if not arrays:
        raise ContractError(Fault(f"no {name}", "at least one labelled array", f"{name}=[...]"))
    return [schema.check(array) for array in arrays]
