"""Measures of bands that no verdict rests on: place, ratio, and whether several stand together.

`band_centroid` and `band_ratio` are quotients of two linear scores; `bands_together` asks whether
several bands of the gel are there in the gel's own ratio.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..errors import ContractError, Fault, MarkerError
from ..kernels import bands
from ..markers import Marker, area_and_moment, marker_weights, resolve
from ..spectra.arrays import listed, mean_spectrum, same_axis, valid_spectra
from .score_maps import Marks, applied, described, noise_of, score_dataset

Floats = npt.NDArray[np.float64]


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
    >>> axis = np.arange(1000.0, 1200.0, 2.0)
    >>> gel = 0.2 * np.exp(-(((axis - 1092) / 12) ** 2))
    >>> found = rk.band_centroid(rk.make_points(gel, axis), ["pva C-O 1092"])
    >>> found["score"].values.round(1).tolist()
    [[1092.0]]
    """
    array = schema.check(array)
    chosen = resolve(markers)
    areas, moments = area_and_moment(chosen, array[schema.WAVENUMBER].values)
    middles = np.array([(one.low + one.high) / 2 for one in chosen])
    names = [one.name for one in chosen]
    value, error = _quotients(array, moments, areas)
    return score_dataset(array, value + xr.DataArray(middles, dims="marker"), error, names,
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
    >>> axis = np.arange(1000.0, 1200.0, 2.0)
    >>> gel = 0.2 * (np.exp(-(((axis - 1092) / 12) ** 2)) + np.exp(-(((axis - 1025) / 6) ** 2)))
    >>> paint = {"name": "own standard", "low": 1008, "high": 1042}
    >>> found = rk.band_ratio(rk.make_points(gel, axis), ["pva C-O 1092"], paint)
    >>> found["score"].values.round(1).tolist()
    [[2.0]]
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
    return score_dataset(
        array, value, error, names, ["1"] * len(names), f"band ratio to {base.name}"
    )


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
    noise, smoothing = noise_of(array)
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
        fitted, applied(array, weights), noise,
        input_core_dims=[["marker"], []], output_core_dims=[[]] * 4,
        dask="parallelized", output_dtypes=[float, float, float, bool],
    )  # fmt: skip
    amount, error, p_value, together = parts
    numbers = xr.Dataset({"amount": amount, "standard_error": error, "p_value": p_value})
    found = numbers.where(array["valid"]).assign(together=together & array["valid"])
    names = [one.name for one in chosen]
    return described(found, array, names, f"bands together, alpha {alpha:g}")


def _quotients(array: xr.DataArray, tops: Floats, bottoms: Floats) -> Any:
    noise, smoothing = noise_of(array)
    before = [bands.weights_before(rows, smoothing) for rows in (tops, bottoms)]
    band = ["marker"]
    return xr.apply_ufunc(
        lambda top, bottom, each: bands.quotient(top, bottom, each, *before),
        applied(array, tops), applied(array, bottoms), noise,
        input_core_dims=[band, band, []], output_core_dims=[band, band],
        dask="parallelized", output_dtypes=[float, float],
    )  # fmt: skip


def _reference_scores(
    pure: xr.DataArray, chosen: Sequence[Marker], weights: Floats
) -> tuple[Floats, float]:
    """The band scores of the mean reference, and the variance of its noise in one channel."""
    noise, _ = noise_of(pure)
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
