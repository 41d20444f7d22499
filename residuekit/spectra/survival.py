"""What preprocessing may destroy: a gel band of known height, followed through every step.

A band that a procedure eats is missed by every score after it, and no limit computed from processed
blanks shows the loss: they are quieter for the same reason.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..errors import ContractError, Fault, ResiduekitWarning
from ..kernels.bands import noise_of_second_differences
from ..markers import Marker, marker_weights, resolve
from ..reprs import as_frame, rows_html
from ..words.findings import normalised_rise as normalised_rise_words
from .arrays import mean_spectrum
from .parameters import STEPS
from .procedure import Procedure

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]
#: The height of the injected band over the noise of one spectrum: Currie's detection limit,
#: 2 x 1.645, for a well-known blank (Anal. Chem. 40, 586, 1968; alpha = beta = 0.05).
DETECTION = 3.29
#: What must survive. Common practice, no source: a loss of 5 % is below what a calibration by
#: spiked mock-ups can tell.
LEAST = 0.95
#: A step after which the unit is another: the band is injected into its result.
_CONVERSIONS = ("kubelka_munk", "kramers_kronig")


@dataclass(frozen=True)
class Survival:
    """What survives of an injected gel band after each step: a row a marker and step.

    Each row holds marker, number (of the step, from 1), step, share (what has survived up to and
    with this step, the median over the spectra) and kept (by this step alone). `n_spectra` blank
    spectra stand behind it; `least` is the share that was asked for.
    """

    rows: tuple[dict[str, Any], ...] = field(repr=False)
    n_spectra: int
    least: float

    def last(self) -> list[dict[str, Any]]:
        """The row of each marker after all steps."""
        return list({row["marker"]: row for row in self.rows}.values())

    def eaten(self) -> list[dict[str, Any]]:
        """The row of the step that took most, for each marker of which too little survives."""
        worst = []
        for last in self.last():
            if not last["share"] >= self.least:
                rows = [row for row in self.rows if row["marker"] == last["marker"]]
                took = min(rows, key=lambda row: row["kept"])
                worst.append({**took, "survives": last["share"]})
        return worst

    def to_frame(self) -> pd.DataFrame:
        """One row a marker and step."""
        return as_frame(self.rows)

    def __str__(self) -> str:
        said = [
            f"{row['marker']}: {row['survives']:.0%} survives, most is lost in step "
            f"{row['number']}, {row['step']}."
            for row in self.eaten()
        ] or [f"Of every band at least {self.least:.0%} survives."]
        table = [self.to_frame().to_string(index=False)] if self.rows else []
        return "\n".join([*table, *said])

    def _repr_html_(self) -> str:
        return rows_html(f"What survives in {self.n_spectra} blank spectra", self.rows)


def band_survival(
    procedure: Procedure,
    blank: xr.DataArray,
    reference: xr.DataArray,
    markers: Sequence[Marker | str | Mapping[str, Any]],
    *,
    height: float | None = None,
    least: float = LEAST,
    most_spectra: int = 32,
) -> Survival:
    """Inject the gel into raw blank spectra and follow each marker band through the procedure.

    The gel's spectrum g, scaled so that the marker's band has the height of a detection limit, is
    added to the raw spectra y. After each step the marker's score w (its own functional, on the
    axis of the step) is taken of the difference that the injection makes, and of the band as the
    step should leave it:

        share = w'[P(y + g) - P(y)] / w'[ideal],   the median over the spectra.

    P is the procedure so far, so what a baseline bends towards the band, and what a normalisation
    divides out because the residue is part of its norm, are both counted as lost. `ideal` is g:
    cropped and resampled with the spectra, multiplied with them by `correct_atr_depth`, divided by
    each spectrum's own factor before the injection in `normalise` (which is a change of unit, not a
    loss), differentiated by a derivative in `smooth`, and left alone by every other step. Once a
    derivative was taken w is the ideal band itself within the marker's window, less its straight
    line, for the area of a derivative is no measure of it.

    Parameters
    ----------
    procedure : the steps, in their order.
    blank : raw blank map or points, absorbance or transmittance (injected as T 10^-g). Of other
        quantities, and after `kubelka_munk` and `kramers_kronig`, the band is injected into the
        result of the last such step: its shape there is taken to be that of the reference.
    reference : the raw gel on any axis that covers the markers, absorbance or transmittance.
    markers : names, `Marker`s or tables.
    height : of the band, absorbance; left out, 3.29 times the median noise of the spectra.
    least : the share that must survive.
    most_spectra : so many spectra are taken, evenly from the valid ones.

    Returns
    -------
    A `Survival`: a row a marker and step. A marker that the gel does not show (no positive score)
    gets no row.

    Raises
    ------
    ContractError : no valid spectrum. ProcedureError, MarkerError : what does not fit the data.

    >>> import residuekit as rk
    >>> axis = np.arange(900.0, 1300.0, 4.0)
    >>> gel = rk.make_points(np.exp(-(((axis - 1092) / 20) ** 2)), axis)
    >>> paint = rk.make_points(0.001 * np.random.default_rng(1).normal(size=(3, 100)), axis)
    >>> steps = [{"step": "crop", "low": 950, "high": 1250}]
    >>> found = band_survival(rk.Procedure.from_steps(steps), paint, gel, ["pva C-O 1092"])
    >>> round(found.last()[0]["share"], 3), found.eaten()
    (1.0, [])
    """
    start, array = _start(procedure, _sample(blank, most_spectra))
    axis = array[schema.WAVENUMBER].values
    gel = _on_axis(reference, axis)
    chosen = resolve(markers)
    first = _absorbance(array)
    noise = float(np.median(noise_of_second_differences(first)))
    rows: list[dict[str, Any]] = []
    for marker, weights in zip(chosen, marker_weights(chosen, axis), strict=True):
        top = _height(marker, axis, gel)
        if not (weights @ gel > 0 and top > 0):
            continue
        band = gel * ((DETECTION * noise if height is None else height) / top)
        rows += _follow(procedure, start, array, band, marker)
    return Survival(tuple(rows), first.shape[0], least)


def _sample(blank: xr.DataArray, most: int) -> xr.DataArray:
    """Some of the valid spectra, as points."""
    blank = schema.check(blank)
    spectra = blank.values.reshape(-1, blank.shape[-1])[blank["valid"].values.ravel()]
    if not len(spectra):
        raise ContractError(
            Fault("a blank without a valid spectrum", "at least one", "another blank")
        )
    chosen = spectra[np.unique(np.linspace(0, len(spectra) - 1, most).astype(int))]
    return schema.make_points(
        chosen, blank[schema.WAVENUMBER].values, quantity=str(blank.name),
        technique=blank.attrs["technique"],
    )  # fmt: skip


def _start(procedure: Procedure, array: xr.DataArray) -> tuple[int, xr.DataArray]:
    """The number of steps that come before the injection, and what they make of the spectra."""
    start = max(
        (k for k, (name, _) in enumerate(procedure.steps, 1) if name in _CONVERSIONS), default=0
    )
    for name, parameters in procedure.steps[:start]:
        array = STEPS[name](array, **parameters)
    return start, array


def _absorbance(array: xr.DataArray) -> Floats:
    values = array.values.reshape(-1, array.shape[-1]).astype(np.float64)
    return -np.log10(np.maximum(values, 1e-6)) if array.name == "transmittance" else values


def _on_axis(reference: xr.DataArray, axis: Floats) -> Floats:
    """The gel's mean absorbance on an axis, level beyond its own ends."""
    array = schema.check(reference)
    gel = mean_spectrum(array)
    if array.name == "transmittance":
        gel = -np.log10(np.maximum(gel, 1e-6))
    return np.interp(axis, array[schema.WAVENUMBER].values, gel)


def _height(marker: Marker, axis: Floats, gel: Floats) -> float:
    """The height of the gel's band over the line between the ends of the marker's window."""
    inside = (axis >= marker.low) & (axis <= marker.high)
    line = np.interp(axis[inside], [marker.low, marker.high],
                     np.interp([marker.low, marker.high], axis, gel))  # fmt: skip
    return float((gel[inside] - line).max())


def _follow(
    procedure: Procedure, start: int, array: xr.DataArray, band: Floats, marker: Marker
) -> list[dict[str, Any]]:
    without, injected = array, _inject(array, band)
    ideal = np.broadcast_to(band, array.shape)
    rows: list[dict[str, Any]] = []
    before, derivative = 1.0, False
    for number, (name, parameters) in enumerate(procedure.steps[start:], start=start + 1):
        after = STEPS[name](without, **parameters)
        injected = STEPS[name](injected, **parameters)
        ideal = _ideal(name, parameters, without, after, ideal)
        derivative |= parameters.get("derivative", 0) > 0
        difference = injected.values.astype(np.float64) - after.values
        share = _share(marker, after[schema.WAVENUMBER].values, difference, ideal, derivative)
        rows.append(
            {"marker": marker.name, "number": number, "step": name, "share": share,
             "kept": share / before if before > 0 else 0.0}
        )  # fmt: skip
        without, before = after, share
    return rows


def _inject(array: xr.DataArray, band: Floats) -> xr.DataArray:
    values = array.values.astype(np.float64)
    new = values * 10**-band if array.name == "transmittance" else values + band
    return schema.marked(array.copy(data=new))


def _ideal(
    name: str,
    parameters: Mapping[str, Any],
    before: xr.DataArray,
    after: xr.DataArray,
    ideal: Floats,
) -> Floats:
    """The band as the step should leave it, (n_spectra, n_channels)."""
    old, new = (one[schema.WAVENUMBER].values for one in (before, after))
    if name in ("crop", "resample"):
        moved: Floats = np.stack([np.interp(new, old, row) for row in ideal])
        return moved
    if name == "correct_atr_depth":
        ideal = ideal * (new / parameters["reference"])
    if name == "normalise":
        factor = before.values.std(axis=-1, dtype=float) / after.values.std(axis=-1, dtype=float)
        ideal = ideal / factor[:, None]
    if name == "correct_scatter":
        spreads = [_without_polynomial(one, parameters["order"]).std(axis=-1)
                   for one in (before, after)]  # fmt: skip
        ideal = ideal * (spreads[1] / spreads[0])[:, None]
    for _ in range(parameters.get("derivative", 0)):
        ideal = np.gradient(ideal, new, axis=-1)
    return ideal


def _without_polynomial(array: xr.DataArray, order: int) -> Floats:
    axis = array[schema.WAVENUMBER].values
    frame = np.linalg.qr(np.vander((axis - axis.mean()) / np.ptp(axis), order + 1))[0]
    values = array.values.astype(np.float64)
    rest: Floats = values - (values @ frame) @ frame.T
    return rest


def _share(
    marker: Marker, axis: Floats, difference: Floats, ideal: Floats, derivative: bool
) -> float:
    if derivative:
        inside = (axis >= marker.low) & (axis <= marker.high)
        line = np.linalg.qr(np.vander(axis[inside] - axis[inside].mean(), 2))[0]
        shape = ideal[:, inside] - (ideal[:, inside] @ line) @ line.T
        left = np.vecdot(difference[:, inside], shape) / np.vecdot(ideal[:, inside], shape)
    else:
        weights = marker_weights([marker], axis)[0]
        left = (difference @ weights) / (ideal @ weights)
    finite = left[np.isfinite(left)]
    return float(np.median(finite)) if finite.size else 0.0


def normalised_rise(
    paint: tuple[float, float], gel: tuple[float, float], *, tolerated: float = 0.1
) -> tuple[float, float]:
    """Give the true rise of a marker by gel, and what is left of it after normalisation on a band.

    Parameters
    ----------
    paint, gel : absorbance of the paint, and of the gel on it, at (marker band, normalising band).
    tolerated : the share of the rise that may be lost without a ResiduekitWarning.

    Apparent rise = (1 + gel_m / paint_m) / (1 + gel_n / paint_n) - 1.

    Returns
    -------
    The true rise and the apparent one, as shares of the paint's own ratio.

    >>> [round(rise, 3) for rise in normalised_rise((0.20, 0.60), (0.02, 0.0))]
    [0.1, 0.1]
    """
    if not min(paint) > 0 or not gel[0] > 0:
        raise ContractError(
            Fault(f"paint={paint}, gel={gel}", "paint above 0 at both bands, gel at the marker",
                  "other bands")
        )  # fmt: skip
    true = gel[0] / paint[0]
    apparent = (1 + true) / (1 + gel[1] / paint[1]) - 1
    if apparent < (1 - tolerated) * true:
        warnings.warn(
            normalised_rise_words(true, apparent),
            ResiduekitWarning,
            stacklevel=2,
        )
    return true, apparent
