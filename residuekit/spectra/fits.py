"""Fits of bands: fixed shapes for whole maps, one spectrum in full with its report."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import xarray as xr
from numpy.typing import ArrayLike, NDArray

from .. import schema
from ..errors import ContractError, Fault, ResiduekitWarning, did_you_mean
from ..kernels.band_fits import (
    SHAPE_PARAMETERS,
    Band,
    bounds,
    cramer_rao_heights,
    fit_free_bands,
    fit_shapes,
    over_a_line,
    pseudo_voigt,
)
from ..reprs import as_frame, as_html, as_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Band", "BandFit", "band_heights", "fit_bands", "fit_curve"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class BandFit:
    """Bands found in one spectrum, over an offset and a slope.

    `standard_error` has the same fields as a band: NaN where it could not be estimated, 0 for a
    parameter that was held. `least_error` is the Cramer-Rao bound of each height at the noise the
    fit left. `report` is the full text, with correlations.
    """

    bands: tuple[Band, ...]
    standard_error: tuple[Band, ...]
    least_error: tuple[float, ...]
    noise: float
    fitted: xr.DataArray = field(repr=False)
    report: str = field(repr=False)

    def to_frame(self) -> pd.DataFrame:
        """One row a band."""
        return as_frame(
            {
                **band._asdict(),
                **{f"{name}_error": value for name, value in error._asdict().items()},
                "least_height_error": least,
            }
            for band, error, least in zip(
                self.bands, self.standard_error, self.least_error, strict=True
            )
        )

    def _lines(self) -> dict[str, str]:
        lines = {
            f"{band.centre:.1f} cm-1": f"height {band.height:.4g} ± {error.height:.2g}, "
            f"width {band.width:.4g} cm-1"
            for band, error in zip(self.bands, self.standard_error, strict=True)
        }
        return {**lines, "noise": f"{self.noise:.3g}"}

    def __str__(self) -> str:
        return as_text("Bands", self._lines())

    def _repr_html_(self) -> str:
        return as_html("Bands", self._lines())


def band_heights(
    array: xr.DataArray, bands: Sequence[Band], *, free: Sequence[str] = ()
) -> xr.Dataset:
    """Fit pseudo-Voigt bands over an offset and a slope in every pixel, with fixed shapes or free.

    Fixed shapes are a linear fit, the safe way. What is `free` is searched from `bands` within
    bounds (a centre on the axis, a width up to twice the axis, a Lorentz share from 0 to 1), in
    each pixel the nearest minimum: `residuekit.kernels.band_fits`. Look at single pixels with
    `fit_bands` before a free map is believed.

    Parameters
    ----------
    array : map or points, cropped to the bands with some baseline at both sides.
    bands : shapes from references; start values where free. Their heights are not used.
    free : of `centre`, `width`, `lorentz`, those to be fitted for every band.

    Returns
    -------
    Dataset with `height` and `standard_error` (band, pixel dims), both in the array's unit, and
    the coordinate `centre`; each free parameter and its error are variables too, `centre_error`
    and so on. Standard errors are those of white noise of the size the fit leaves; NaN for a
    parameter that ends at a bound or has no effect.

    Raises
    ------
    ContractError : no band, a band off the axis, bands of one and the same shape, an unknown
        parameter, fewer channels than parameters.

    Warns
    -----
    ResiduekitWarning : free shapes of bands closer than their width, with the Cramer-Rao bound at
        the map's median noise.

    >>> import residuekit as rk
    >>> axis = np.arange(1000.0, 1100.0)
    >>> m = rk.make_points(0.5 * np.exp(-4 * np.log(2) * ((axis - 1050) / 20) ** 2), axis)
    >>> found = rk.band_heights(m, [rk.Band(1.0, 1050.0, 20.0, 0.0)])
    >>> found["height"].values.round(3).tolist()
    [[0.5]]
    """
    array = schema.check(array)
    axis = array[schema.WAVENUMBER].values
    _checked(bands, axis, free)
    n_pixels = int(np.prod(array.shape[:-1]))
    valid = array["valid"].values.ravel()
    spectra = np.asarray(array).reshape(n_pixels, -1)[valid]
    linear = fit_shapes(spectra, over_a_line(axis, bands))
    heights, errors = linear.heights[:, : len(bands)], linear.standard_error[:, : len(bands)]
    if free:
        fit = fit_free_bands(spectra, axis, bands, free)
        heights, errors = fit.bands[..., 0], fit.standard_error[..., 0]
        if len(spectra):
            usual = np.median(linear.heights, axis=0)
            start = [band._replace(height=float(h)) for band, h in zip(bands, usual, strict=False)]
            _warn_if_close(start, axis, float(np.median(fit.noise)), free)
    dims = schema.pixel_dims(array)
    coords = {name: coord for name, coord in array.coords.items() if name != schema.WAVENUMBER}

    def variable(values: Floats, units: str) -> Any:
        whole = np.full((n_pixels, len(bands)), np.nan)
        whole[valid] = values
        return ("band", *dims), whole.T.reshape(len(bands), *array.shape[:-1]), {"units": units}

    made = {
        "height": variable(heights, "A"),
        "standard_error": variable(errors, "A"),
    }
    for name in free:
        place = Band._fields.index(name)
        units = "1" if name == "lorentz" else schema.WAVENUMBER_UNIT
        made[name] = variable(fit.bands[..., place], units)
        made[f"{name}_error"] = variable(fit.standard_error[..., place], units)
    if "centre" not in free:
        places = [float(band.centre) for band in bands]
        coords["centre"] = xr.Variable("band", places, {"units": schema.WAVENUMBER_UNIT})
    return xr.Dataset(made, coords=coords)


def fit_bands(
    spectrum: xr.DataArray, bands: Sequence[Band], *, free: Sequence[str] = ()
) -> BandFit:
    """Fit pseudo-Voigt bands over an offset and a slope to one spectrum, with a full report.

    Heights, offset and slope are always fitted. Bands that lie closer than their width cannot be
    told apart once their shapes are free too: this warns, with the Cramer-Rao bound.

    Parameters
    ----------
    spectrum : one spectrum (`wavenumber`), cropped to the bands with some baseline at both sides.
    bands : start values; shapes from references.
    free : of `centre`, `width`, `lorentz`, those to be fitted for every band.

    Returns
    -------
    A `BandFit`: bands, their standard errors, the fitted spectrum, the full report.

    Raises
    ------
    ContractError : more than one spectrum, missing values, an unknown parameter, a band off the
        axis, fewer channels than parameters.

    Warns
    -----
    ResiduekitWarning : free shapes of bands closer than their width.

    >>> import residuekit as rk
    >>> axis = np.arange(1000.0, 1100.0)
    >>> m = rk.make_points(0.5 * np.exp(-4 * np.log(2) * ((axis - 1050) / 20) ** 2), axis)
    >>> fit = rk.fit_bands(m, [rk.Band(1.0, 1050.0, 20.0, 0.0)])
    >>> round(fit.bands[0].height, 3)
    0.5
    """
    axis, values = _single(spectrum)
    _checked(bands, axis, free)
    linear = fit_shapes(values, over_a_line(axis, bands)).heights[0]
    start = [band._replace(height=float(h)) for band, h in zip(bands, linear, strict=False)]
    middle = float(axis.mean())

    def model(x: Floats, **found: float) -> Floats:
        base = found["offset"] + found["slope"] * (x - middle)
        made: Floats = base + np.sum(
            [pseudo_voigt(x, band) for band in _bands(found, len(bands))], axis=0
        )
        return made

    result = fit_curve(
        model,
        axis,
        values,
        {**_named(start), "offset": linear[-2], "slope": linear[-1]},
        limits={f"{name}_{i}": pair for name, pair in bounds(axis).items()
                for i in range(1, len(bands) + 1)},
        held=[f"{name}_{i}" for name in SHAPE_PARAMETERS if name not in free
              for i in range(1, len(bands) + 1)],
    )  # fmt: skip
    noise = float(np.sqrt(result.redchi))
    least = cramer_rao_heights(axis, start, noise, free=("height", *free), baseline=True)
    if free:
        _warn_if_close(start, axis, noise, free)
    from lmfit import fit_report

    best = result.params.valuesdict()
    errors = {name: _error(parameter) for name, parameter in result.params.items()}
    return BandFit(
        _bands(best, len(bands)),
        _bands(errors, len(bands)),
        tuple(float(bound) for bound in least),
        noise,
        spectrum.squeeze(drop=True).copy(data=model(axis, **best)),
        fit_report(result),
    )


def fit_curve(
    model: Callable[..., ArrayLike],
    x: ArrayLike,
    y: ArrayLike,
    start: Mapping[str, float],
    *,
    limits: Mapping[str, tuple[float, float]] | None = None,
    held: Sequence[str] = (),
) -> Any:
    """Fit `model(x, **parameters)` to y by least squares; returns the result of lmfit.

    A trust-region search with central differences, which keeps two more digits than forward ones
    do; standard errors from the scatter about the fit. `limits` bounds parameters, `held` names
    those that keep their start value.
    """
    from lmfit import Minimizer, Parameters

    parameters = Parameters()
    bounds = limits or {}
    for name, value in start.items():
        low, high = bounds.get(name, (-np.inf, np.inf))
        parameters.add(name, value=float(value), vary=name not in held, min=low, max=high)
    given, measured = np.asarray(x, dtype=float), np.asarray(y, dtype=float)

    def residual(now: Any) -> Floats:
        left: Floats = np.asarray(model(given, **now.valuesdict())) - measured
        return left

    def search(start: Any) -> Any:
        fitter = Minimizer(residual, start, max_nfev=20_000)
        tight = {"ftol": 1e-15, "xtol": 1e-15, "gtol": 1e-15}
        return fitter.least_squares(jac="3-point", x_scale="jac", **tight)

    found = search(parameters)
    return search(_gauss_newton(residual, found)) if found.var_names else found


#: Relative step of a central difference: the cube root of the rounding of a double.
_CENTRAL = float(np.finfo(float).eps) ** (1 / 3)


def _gauss_newton(residual: Callable[[Any], Floats], found: Any) -> Any:
    """Take one full step beyond the point where a sum of squares is flat to its last digit."""
    best = found.params.copy()
    free = [best[name] for name in found.var_names]

    def at(values: Floats) -> Floats:
        for parameter, value in zip(free, values, strict=True):
            parameter.set(value=value)
        return residual(best)

    here = np.array([parameter.value for parameter in free])
    offsets = np.diag(_CENTRAL * np.maximum(np.abs(here), _CENTRAL))
    slopes = np.array([(at(here + one) - at(here - one)) / (2 * one.sum()) for one in offsets]).T
    step = np.linalg.lstsq(slopes, at(here), rcond=None)[0]
    inside = all(p.min < v < p.max for p, v in zip(free, here - step, strict=True))
    closer = inside and np.sum(at(here - step) ** 2) <= np.sum(at(here) ** 2) * (1 + 1e-9)
    at(here - step if closer else here)
    return best


def _error(parameter: Any) -> float:
    if not parameter.vary:
        return 0.0
    return float("nan") if parameter.stderr is None else float(parameter.stderr)


def _named(bands: Sequence[Band]) -> dict[str, float]:
    return {
        f"{name}_{i}": value
        for i, band in enumerate(bands, 1)
        for name, value in band._asdict().items()
    }


def _bands(values: Mapping[str, float], count: int) -> tuple[Band, ...]:
    return tuple(
        Band(*(float(values[f"{name}_{i}"]) for name in Band._fields)) for i in range(1, count + 1)
    )


def _warn_if_close(bands: Sequence[Band], axis: Floats, noise: float, given: Sequence[str]) -> None:
    free, held = (
        cramer_rao_heights(axis, bands, noise, free=names, baseline=True)
        for names in (("height", *given), ("height",))
    )
    order = sorted(range(len(bands)), key=lambda i: bands[i].centre)
    for left, right in pairwise(order):
        distance = bands[right].centre - bands[left].centre
        if distance < max(bands[left].width, bands[right].width):
            warnings.warn(
                f"bands at {bands[left].centre:g} and {bands[right].centre:g} cm-1 are closer than "
                f"their width: with free shapes no fit can know their heights better than "
                f"± {free[left]:.2g} and ± {free[right]:.2g} (Cramer-Rao bound at this noise); "
                f"with shapes fixed from references ± {held[left]:.2g} and ± {held[right]:.2g}",
                ResiduekitWarning,
                stacklevel=3,
            )


def _single(spectrum: xr.DataArray) -> tuple[Floats, Floats]:
    array = spectrum
    if isinstance(spectrum, xr.DataArray) and spectrum.dims == (schema.WAVENUMBER,):
        array = spectrum.drop_vars(["x", "y", "spectrum", "valid", "flag"], errors="ignore")
        array = array.expand_dims("spectrum")
    array = schema.check(array)
    if array.size != array.sizes[schema.WAVENUMBER] or not array["valid"].all():
        raise ContractError(
            Fault(f"{dict(array.sizes)} with {int(array['valid'].sum())} valid",
                  "one valid spectrum",
                  "array.isel(x=0, y=0), or residuekit.band_heights for a whole map")
        )  # fmt: skip
    return array[schema.WAVENUMBER].values, np.asarray(array, dtype=float).ravel()


def _checked(bands: Sequence[Band], axis: Floats, free: Sequence[str]) -> None:
    faults = [
        Fault(f"{band}", f"a centre on the axis ({axis[0]:g} to {axis[-1]:g} cm-1), "
              "a width above 0 and a Lorentz share from 0 to 1",
              "Band(height, centre, width, lorentz)")
        for band in bands
        if not (axis[0] <= band.centre <= axis[-1] and band.width > 0 and 0 <= band.lorentz <= 1)
    ]  # fmt: skip
    if not bands:
        faults = [Fault("no band", "at least one band", "bands=[Band(1.0, 1735.0, 20.0, 0.5)]")]
    faults += [
        Fault(f"the free parameter {name!r}", "one of " + ", ".join(SHAPE_PARAMETERS),
              did_you_mean(str(name), SHAPE_PARAMETERS))
        for name in free
        if name not in SHAPE_PARAMETERS
    ]  # fmt: skip
    count = len(bands) * (1 + len(set(free))) + 2
    if axis.size <= count:
        faults.append(
            Fault(f"{axis.size} channels for {count} parameters", "more channels than parameters",
                  "fit a wider piece of the spectrum")
        )  # fmt: skip
    if faults:
        raise ContractError(faults)
