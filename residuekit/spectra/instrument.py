"""Is this instrument fit to be used? The 100 % line, and band positions against a certificate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..errors import ContractError, Fault, did_you_mean
from ..kernels.bands import noise_of_second_differences
from ..kernels.faults import line_noise
from ..reprs import as_frame, as_html, as_text

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]
MEDIA = ("vacuum", "air")
METHODS = ("extremum", "centroid")
#: How far from its top the feet of a band are looked for, cm-1: less than the 18 between the two
#: neighbours of polystyrene at 1583 and 1601.
_REACH = 15.0


@dataclass(frozen=True)
class LineCheck:
    """The 100 % line: its noise with window and number of points, its level, and what is wrong."""

    rms: float
    peak_to_peak: float
    low: float
    high: float
    n: int
    least: float
    most: float
    failed: str

    def to_frame(self) -> pd.DataFrame:
        """One row."""
        return as_frame([vars(self)])

    def __str__(self) -> str:
        return as_text("100 % line", vars(self))

    def _repr_html_(self) -> str:
        return as_html("100 % line", vars(self))


def check_line(
    array: xr.DataArray,
    *,
    low: float = 2000.0,
    high: float = 2200.0,
    tolerance: float = 0.005,
    most_rms: float = 5e-4,
) -> LineCheck:
    """Check a 100 % line: one background divided by the next, a transmittance near 1.

    Parameters
    ----------
    array : transmittance; of several spectra the worst is told.
    low, high : the window of the noise, cm-1; a straight line is removed in it.
    tolerance : how far from 1 any channel may lie. Common practice, no source: 99.5 to 100.5 %.
    most_rms : the highest RMS noise. Common practice, no source: 0.05 % is 2.17e-4 in absorbance.

    Returns
    -------
    A `LineCheck`; its `failed` is empty for a line that is fit to be used.

    Raises
    ------
    ContractError : another quantity, or fewer than 3 points in the window.

    >>> import residuekit as rk
    >>> axis = np.arange(2000.0, 2202.0, 2.0)
    >>> line = rk.make_points(np.ones(axis.size), axis, quantity="transmittance")
    >>> check_line(line).n, check_line(0.98 * line).failed
    (101, 'the line runs from 0.9800 to 0.9800, beyond 1 +- 0.005')
    """
    array = schema.check(array, quantity="transmittance")
    rows = array.values.reshape(-1, array.shape[-1]).astype(np.float64)
    noise = line_noise(rows, array[schema.WAVENUMBER].values, low, high)
    if noise.n < 3:
        raise ContractError(
            Fault(f"{noise.n} points from {low:g} to {high:g} cm-1", "3 points or more",
                  "low and high inside the measured range")
        )  # fmt: skip
    rms, peak = float(noise.rms.max()), float(noise.peak_to_peak.max())
    least, most = float(rows.min()), float(rows.max())
    wrong = []
    if not (least >= 1 - tolerance and most <= 1 + tolerance):
        wrong.append(f"the line runs from {least:.4f} to {most:.4f}, beyond 1 +- {tolerance:g}")
    if not rms <= most_rms:
        wrong.append(f"RMS noise {rms:.2g} ({noise.n} points) above {most_rms:g}")
    return LineCheck(rms, peak, low, high, noise.n, least, most, "; ".join(wrong))


def air_to_vacuum(wavenumber: npt.ArrayLike) -> Floats:
    """Return the vacuum wavenumbers (cm-1) of wavenumbers in standard air: nu / n.

    n - 1 = 1e-8 (8342.13 + 2406030 / (130 - s^2) + 15997 / (38.9 - s^2)), s in 1/um, at 15 C and
    101325 Pa (Edlen, Metrologia 2, 71, 1966, from memory). Its data end at 2 um; in the mid
    infrared it is an extrapolation, good to about 1e-6 away from the bands of air.

    >>> float(air_to_vacuum(3000.0).round(3))
    2999.182
    """
    values = np.asarray(wavenumber, dtype=np.float64)
    return values / _air_index(values)


def vacuum_to_air(wavenumber: npt.ArrayLike) -> Floats:
    """Return the wavenumbers in standard air (cm-1) of vacuum ones; see `air_to_vacuum`.

    >>> float(vacuum_to_air(3000.0).round(3))
    3000.818
    """
    values = np.asarray(wavenumber, dtype=np.float64)
    return values * _air_index(values)


def _air_index(wavenumber: Floats) -> Floats:
    squared = (wavenumber / 1e4) ** 2
    return 1 + 1e-8 * (8342.13 + 2406030 / (130 - squared) + 15997 / (38.9 - squared))


@dataclass(frozen=True)
class PositionCheck:
    """Bands found against a certificate, cm-1, and the factor that would put the axis right.

    `rows` holds for each band: certified, uncertainty (standard, that is U / k), found,
    standard_error, difference, allowed, within. True wavenumber = `factor` x found, with
    `factor_se` from the scatter of the bands. `failed` is empty when all lie within.
    """

    rows: tuple[dict[str, Any], ...] = field(repr=False)
    factor: float
    factor_se: float
    medium: str
    method: str
    failed: str

    def to_frame(self) -> pd.DataFrame:
        """One row a band."""
        return as_frame(self.rows)

    def _summary(self) -> dict[str, Any]:
        return {name: value for name, value in vars(self).items() if name != "rows"}

    def __str__(self) -> str:
        return f"{self.to_frame().to_string(index=False)}\n{as_text('Axis', self._summary())}"

    def _repr_html_(self) -> str:
        table = str(self.to_frame().to_html(index=False))
        return table + as_html("Axis", self._summary())


def check_positions(
    array: xr.DataArray,
    certificate: Sequence[tuple[float, float]],
    *,
    coverage: float,
    certified_in: str,
    measured_in: str,
    method: str = "extremum",
    search: float = 6.0,
    tolerance: float | None = None,
) -> PositionCheck:
    """Compare band positions with those of a certificate, as typed in from it.

    Parameters
    ----------
    array : one spectrum of the standard film, transmittance or absorbance; of several, the mean.
    certificate : (position, expanded uncertainty) of each band, cm-1.
    coverage : the factor k of the certificate's expanded uncertainty (2 and 4 are both in use).
    certified_in, measured_in : ``vacuum`` or ``air``; the certificate is brought to the measured
        axis by `air_to_vacuum` or `vacuum_to_air`. At 3000 cm-1 they differ by 0.82 cm-1.
    method : as the certificate's table says: ``extremum``, the top of a parabola through the
        channels within 0.15 of the band's depth from it; ``centroid``, the centre of gravity
        of the upper half of the band.
    search : how far from the certified position the band may lie, cm-1.
    tolerance : the largest difference allowed, cm-1; left out, `coverage` times the joint standard
        uncertainty of certificate and position found.

    Returns
    -------
    A `PositionCheck`: a row a band, and the factor that would put the axis right: that of least
    squares through zero, weighted by the uncertainties.

    Raises
    ------
    ContractError : words that are not known, a band outside the axis or without an extremum.

    >>> import residuekit as rk
    >>> axis = np.arange(1570.0, 1631.0)
    >>> film = rk.make_points(np.exp(-(((axis - 1600.4) / 5) ** 2)), axis)
    >>> where = {"certified_in": "air", "measured_in": "air"}
    >>> found = check_positions(film, [(1600.4, 0.3)], coverage=2, **where)
    >>> round(found.rows[0]["found"], 1), found.failed
    (1600.4, '')
    """
    array = schema.check(array, quantity=("transmittance", "absorbance"))
    for name, given, known in (
        ("certified_in", certified_in, MEDIA), ("measured_in", measured_in, MEDIA),
        ("method", method, METHODS),
    ):  # fmt: skip
        if given not in known:
            fault = Fault(f"{name} = {given!r}", " or ".join(known), did_you_mean(given, known))
            raise ContractError(fault)
    axis = array[schema.WAVENUMBER].values
    spectrum = array.values.reshape(-1, axis.size).astype(np.float64).mean(axis=0)
    upward = spectrum if array.name == "absorbance" else -spectrum
    noise = float(noise_of_second_differences(upward[None])[0])
    rows = []
    for position, expanded in certificate:
        wanted = float(_as_measured(position, certified_in, measured_in))
        found, error = _locate(axis, upward, wanted, search, method, noise)
        standard = expanded / coverage
        allowed = coverage * math.hypot(standard, error) if tolerance is None else tolerance
        rows.append(
            {"certified": wanted, "uncertainty": standard, "found": found,
             "standard_error": error, "difference": found - wanted, "allowed": allowed,
             "within": abs(found - wanted) <= allowed}
        )  # fmt: skip
    factor, factor_se = _axis_factor(rows)
    outside = [f"{row['certified']:.1f} by {row['difference']:+.2f}"
               for row in rows if not row["within"]]  # fmt: skip
    failed = f"beyond what is allowed: {', '.join(outside)} cm-1" if outside else ""
    return PositionCheck(tuple(rows), factor, factor_se, measured_in, method, failed)


def _as_measured(position: float, certified_in: str, measured_in: str) -> Any:
    if certified_in == measured_in:
        return position
    return vacuum_to_air(position) if measured_in == "air" else air_to_vacuum(position)


def _locate(
    axis: Floats, upward: Floats, position: float, search: float, method: str, noise: float
) -> tuple[float, float]:
    """The place of the band nearest a position, and its standard error for white noise."""
    near = np.flatnonzero(np.abs(axis - position) <= search)
    if near.size < 3 or near[0] == 0 or near[-1] == axis.size - 1:
        raise ContractError(
            Fault(f"no three channels within {search:g} cm-1 of {position:.1f} cm-1",
                  "certified bands inside the measured range", "leave this band out")
        )  # fmt: skip
    top = int(near[np.argmax(upward[near])])
    if top in (near[0], near[-1]):
        raise ContractError(
            Fault(f"no band within {search:g} cm-1 of {position:.1f} cm-1",
                  "a spectrum of the certified film", "the right file, or a wider search")
        )  # fmt: skip
    reach = np.abs(axis - axis[top]) <= _REACH
    left, right = (
        int(side[np.argmin(upward[side])])
        for side in (np.flatnonzero(reach[: top + 1]), top + np.flatnonzero(reach[top:]))
    )
    depth = upward[top] - max(upward[left], upward[right])
    level = upward[top] - depth * (0.15 if method == "extremum" else 0.5)
    first, last = top, top
    while first > left and (upward[first - 1] >= level or first > top - 1):
        first -= 1
    while last < right and (upward[last + 1] >= level or last < top + 1):
        last += 1
    places, heights = axis[first : last + 1] - axis[top], upward[first : last + 1]
    if method == "centroid":
        weights = np.clip(heights - level, 0.0, None)
        centre = float(weights @ places / weights.sum())
        spread = noise * float(np.linalg.norm(places - centre)) / float(weights.sum())
        return float(axis[top]) + centre, spread
    design = np.vander(places, 3)
    a, b, _ = np.linalg.lstsq(design, heights, rcond=None)[0]
    covariance = noise**2 * np.linalg.inv(design.T @ design)
    vertex = -b / (2 * a)
    slope = np.array([-vertex / a, -1 / (2 * a), 0.0])
    return float(axis[top] + vertex), math.sqrt(float(slope @ covariance @ slope))


def _axis_factor(rows: Sequence[dict[str, Any]]) -> tuple[float, float]:
    true, found, standard, error = (
        np.array([row[name] for row in rows])
        for name in ("certified", "found", "uncertainty", "standard_error")
    )
    weight = 1 / np.maximum(standard**2 + error**2, np.finfo(float).tiny)
    power = float((weight * found**2).sum())
    factor = float((weight * true * found).sum()) / power
    if len(rows) < 2:
        return factor, math.nan
    scatter = float((weight * (true - factor * found) ** 2).sum()) / (len(rows) - 1)
    return factor, math.sqrt(scatter / power)
