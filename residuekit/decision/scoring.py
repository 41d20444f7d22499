"""Scores of labelled arrays, each with its standard error: marker bands and the net signal.

A verdict rests on linear scores, `band_score` and `net_signal_score`. Beside it, `band_centroid`
and `band_ratio` are quotients of two, and `bands_together` asks whether several bands of the gel
are there in the gel's own ratio.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..errors import ContractError, Fault, MarkerError
from ..kernels import bands, netsignal
from ..kernels.smooth import even_spacing, savitzky_golay_matrix
from ..markers import Marker, area_and_moment, marker_weights, resolve
from ..spectra.arrays import listed, mean_spectrum, same_axis, valid_spectra
from .net import net_signal

Floats = npt.NDArray[np.float64]
Marks = Sequence[Marker | str | dict[str, Any]]

NET_UNIT = "reference"
#: Strips into which a single blank is cut, so that one part can check the other.
_STRIPS = 5


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
    pixels that are not valid, and the coordinates `unit` (marker), `valid`, `flag`.

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


def band_centroid(array: xr.DataArray, markers: Marks) -> xr.Dataset:
    """Find where each band lies: the centroid over its window, above the local line, cm-1.

    The first moment of the spectrum less the line, over its area; the standard error by
    first-order propagation of the measured noise. NaN where the area lies within three standard
    errors of zero: there is no band to have a place. No linear functional of the spectrum: the
    centroid of a mean is not the mean centroid, and no verdict rests on it.

    Parameters
    ----------
    array : map or points, after the procedure.
    markers : names, `Marker`s or tables.

    Returns
    -------
    Dataset in the form of `band_score`, unit cm-1.

    Raises
    ------
    ContractError, MarkerError : as `band_score`.

    >>> import residuekit as rk
    >>> m, _ = rk.simulate_map(shape=(2, 2), seed=1)
    >>> rk.band_centroid(m, ["pva C-O 1092"])["unit"].item()
    'cm-1'
    """
    array = schema.check(array)
    chosen = resolve(markers)
    areas, moments = area_and_moment(chosen, array[schema.WAVENUMBER].values)
    middles = np.array([(one.low + one.high) / 2 for one in chosen])
    names = [one.name for one in chosen]
    value, error = _quotients(array, moments, areas)
    return _dataset(array, value + xr.DataArray(middles, dims="marker"), error, names,
                    [schema.WAVENUMBER_UNIT] * len(names), "band centroid")  # fmt: skip


def band_ratio(
    array: xr.DataArray, markers: Marks, standard: Marker | str | dict[str, Any]
) -> xr.Dataset:
    """Divide marker bands by the band of an internal standard.

    The standard should be a band the residue does not touch; on one that it does, the ratio hides
    part of the residue. Standard error and NaN as in `band_centroid`, which also says why no
    verdict rests on a ratio.

    Parameters
    ----------
    array : map or points, after the procedure.
    markers : names, `Marker`s or tables.
    standard : the internal standard, of the same unit as every marker.

    Returns
    -------
    Dataset in the form of `band_score`, unit 1.

    Raises
    ------
    MarkerError : unknown markers, windows that leave the axis, a marker of another unit than the
        standard.

    >>> import residuekit as rk
    >>> m, _ = rk.simulate_map(shape=(2, 2), seed=1)
    >>> rk.band_ratio(m, ["pva C-O 1092"], "acetate C=O 1735")["unit"].item()
    '1'
    """
    array = schema.check(array)
    chosen, (base,) = resolve(markers), resolve([standard])
    faults = [
        Fault(f"the marker {one.name!r} in {one.unit} over {base.name!r} in {base.unit}",
              "both in one unit: areas over areas, heights over heights",
              f"measure = {base.measure!r} for an own band in its place")
        for one in chosen if one.unit != base.unit
    ]  # fmt: skip
    if faults:
        raise MarkerError(faults)
    axis = array[schema.WAVENUMBER].values
    tops, bottom = marker_weights(chosen, axis), marker_weights([base], axis)
    names = [one.name for one in chosen]
    value, error = _quotients(array, tops, np.broadcast_to(bottom, tops.shape))
    return _dataset(array, value, error, names, ["1"] * len(names), f"band ratio to {base.name}")


def bands_together(
    array: xr.DataArray,
    reference: xr.DataArray,
    markers: Marks,
    blanks: xr.DataArray | Iterable[xr.DataArray] | None = None,
    *,
    replicates: int = 1,
    alpha: float = 0.05,
) -> xr.Dataset:
    """Ask in each spectrum whether several bands of the gel are there, in the gel's own ratio.

    One amount of the reference is fitted to the band scores; what they leave is held against their
    standard errors (and those of the reference) by chi-square or, with blanks, Hotelling's T^2
    (`residuekit.kernels.bands.common_amount`). A check beside the verdict: it neither decides nor
    has a detection limit, and with weak bands it finds nothing.

    Parameters
    ----------
    array : map or points, after the procedure; a difference where there are no blanks.
    reference : the pure gel, whose mean gives the ratio.
    markers : two bands of it or more.
    blanks : spectra of the paint without gel, each of the kind one of `array` is (pixels for
        pixels, mock-up means for a mock-up mean): their mean is taken off, their covariance is the
        tolerance. Left out, the tolerance is the white noise measured in each spectrum.
    replicates : of how many such spectra each one of `array` is the mean (an arm's mock-ups).
    alpha : level of each band's presence and of the ratio's test.

    Returns
    -------
    Dataset over the pixel dims: `amount` and `standard_error` (in references), `p_value` of the
    ratio, `together`: every band above its decision limit and the ratio not refused. NaN and False
    in pixels that are not valid.

    Raises
    ------
    MarkerError : fewer than two bands, or as in `band_score`.
    ContractError : axes that differ, a reference without one of the bands, blanks too few for a
        covariance.

    >>> import residuekit as rk
    >>> axis = np.arange(1000.0, 1200.0, 2.0)
    >>> gel = 0.2 * (np.exp(-(((axis - 1092) / 12) ** 2)) + np.exp(-(((axis - 1025) / 6) ** 2)))
    >>> noise = 0.001 * np.random.default_rng(1).normal(size=axis.size)
    >>> pure, film = rk.make_points(gel, axis), rk.make_points(0.5 * gel + noise, axis)
    >>> bands = ["pva C-O 1092", {"name": "own band", "low": 1008, "high": 1042}]
    >>> found = rk.bands_together(film, pure, bands)
    >>> found["amount"].values.round(2).tolist(), found["together"].values.tolist()
    ([0.5], [True])
    """
    array, pure = schema.check(array), schema.check(reference)
    chosen = resolve(markers)
    if len(chosen) < 2:
        raise MarkerError(
            Fault(f"{len(chosen)} band", "two bands or more, to have a ratio",
                  "further bands of the gel from residuekit.markers.to_frame()")
        )  # fmt: skip
    axis = array[schema.WAVENUMBER].values
    same_axis(axis, pure[schema.WAVENUMBER].values)
    weights = marker_weights(chosen, axis)
    noise, smoothing = _noise(array)
    before = bands.weights_before(weights, smoothing)
    white = before @ before.T
    ratio, ratio_variance = _reference_scores(pure, chosen, weights)
    offset, nu = np.zeros(len(chosen)), np.inf
    own: Floats | None = None
    if blanks is not None:
        offset, spread, count = _blank_scores(blanks, axis, weights)
        own, nu = spread * (1 / replicates + 1 / count), count - 1.0

    def fitted(scores: Floats, each: Floats) -> tuple[Any, ...]:
        covariance = (each**2)[..., None, None] * white if own is None else own
        found = bands.common_amount(
            scores - offset, covariance, ratio, ratio_variance * white,
            degrees_of_freedom=nu, alpha=alpha,
        )  # fmt: skip
        return (*found[:3], found.present & (found.p_value >= alpha))

    parts = xr.apply_ufunc(
        fitted, _applied(array, weights), noise,
        input_core_dims=[["marker"], []], output_core_dims=[[]] * 4,
        dask="parallelized", output_dtypes=[float, float, float, bool],
    )  # fmt: skip
    amount, error, p_value, together = parts
    numbers = xr.Dataset({"amount": amount, "standard_error": error, "p_value": p_value})
    found = numbers.where(array["valid"]).assign(together=together & array["valid"])
    names = [one.name for one in chosen]
    return _described(found, array, names, f"bands together, alpha {alpha:g}")


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
    noise, smoothing = _noise(array)
    gain = bands.standard_error(1.0, weights, smoothing)
    error = noise * xr.DataArray(gain, dims="marker")
    return _dataset(array, _applied(array, weights), error, names, units, "score")


def _quotients(array: xr.DataArray, tops: Floats, bottoms: Floats) -> Any:
    noise, smoothing = _noise(array)
    before = [bands.weights_before(rows, smoothing) for rows in (tops, bottoms)]
    band = ["marker"]
    return xr.apply_ufunc(
        lambda top, bottom, each: bands.quotient(top, bottom, each, *before),
        _applied(array, tops), _applied(array, bottoms), noise,
        input_core_dims=[band, band, []], output_core_dims=[band, band],
        dask="parallelized", output_dtypes=[float, float],
    )  # fmt: skip


def _noise(array: xr.DataArray) -> tuple[xr.DataArray, Any]:
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


def _applied(array: xr.DataArray, weights: Floats) -> xr.DataArray:
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


def _dataset(
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
    return _described(scored, array, names, step)


def _described(
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


def _reference_scores(
    pure: xr.DataArray, chosen: Sequence[Marker], weights: Floats
) -> tuple[Floats, float]:
    """The band scores of the mean reference, and the variance of its noise in one channel."""
    noise, _ = _noise(pure)
    spectra = noise.values[pure["valid"].values]
    ratio = bands.apply_weights(mean_spectrum(pure), weights)
    faults = [
        Fault(f"a reference whose band {one.name!r} is {value:.3g}", "a band above zero",
              "leave this marker out, or check the reference after the procedure")
        for one, value in zip(chosen, ratio, strict=True) if not value > 0
    ]  # fmt: skip
    if faults:
        raise ContractError(faults)
    return ratio, float(np.mean(spectra**2) / spectra.size)


def _blank_scores(
    blanks: xr.DataArray | Iterable[xr.DataArray], axis: Floats, weights: Floats
) -> tuple[Floats, Floats, int]:
    """Mean (k,) and covariance (k, k) of the blanks' band scores, and their number."""
    paint = listed(blanks, "blanks")
    for one in paint:
        same_axis(axis, one[schema.WAVENUMBER].values)
    scores = np.concatenate([bands.apply_weights(valid_spectra(one), weights) for one in paint])
    if len(scores) < len(weights) + 1:
        raise ContractError(
            Fault(f"{len(scores)} blank spectra for {len(weights)} bands",
                  f"at least {len(weights) + 1}, better many more", "further blanks, fewer bands")
        )  # fmt: skip
    return scores.mean(axis=0), np.cov(scores, rowvar=False), len(scores)


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
