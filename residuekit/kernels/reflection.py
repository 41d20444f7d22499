"""Optics of the measurement: evanescent fields, diffuse and specular reflection.

Wavenumbers in cm-1, lengths in um, angles in degrees; blocks of spectra are (n_spectra, n_channels)
and come back as float64. n1 is the index of the ATR crystal, n2 that of the sample.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..errors import Fault, ProcedureError
from .smooth import even_spacing

__all__ = [
    "OpticalConstants",
    "effective_thickness",
    "film_fraction",
    "fresnel_reflectance",
    "gloss_units",
    "index_from_absorption",
    "kramers_kronig",
    "kubelka_munk",
    "penetration_depth",
]

Floats = npt.NDArray[np.float64]
UM_PER_CM = 1e4
#: The refractive index of the black glass that reads 100 GU (ISO 2813), at 587.6 nm.
GLOSS_STANDARD_INDEX = 1.567
#: exp(-Euler's constant)/2: where, in channels, the sum over every second channel next to an end
#: leaves off: sum of 2/k over odd k < 2m is ln m + 0.5772 + 2 ln 2.
_END = 0.2807


def penetration_depth(
    wavenumber: npt.ArrayLike, n1: float = 2.4, n2: float = 1.5, angle: float = 45.0
) -> Floats:
    """Return the depth in um at which the evanescent field has fallen to 1/e.

    dp = lambda / (2 pi n1 sqrt(sin^2 angle - (n2/n1)^2)); Harrick, Internal Reflection
    Spectroscopy (1967), from memory. Valid where n2 does not absorb strongly. Raises
    `ProcedureError` where there is no total reflection, n2 >= n1 sin(angle).

    >>> float(penetration_depth(1000.0).round(3))
    2.005
    """
    root = _total_reflection(n1, n2, angle)
    return UM_PER_CM / (2 * np.pi * n1 * root * np.asarray(wavenumber, dtype=np.float64))


def effective_thickness(
    wavenumber: npt.ArrayLike, n1: float = 2.4, n2: float = 1.5, angle: float = 45.0
) -> Floats:
    """Return the path in um that would absorb as much in transmission; unpolarised, thick sample.

    With n = n2/n1, s = sin(angle), c = cos(angle) and lambda1 = lambda/n1 (Harrick 1967, from
    memory), per reflection: across the plane of incidence
    lambda1 n c / (pi (1 - n^2) sqrt(s^2 - n^2)); in the plane that times
    (2 s^2 - n^2) / ((1 + n^2) s^2 - n^2). The result is their mean. Valid for weak absorption and
    a sample thicker than some dp. Raises as `penetration_depth`.

    >>> [float(effective_thickness(1000.0, n1).round(3)) for n1 in (2.4, 4.0)]
    [4.363, 0.614]
    """
    root = _total_reflection(n1, n2, angle)
    n, s = n2 / n1, math.sin(math.radians(angle))
    across = n * math.cos(math.radians(angle)) / (np.pi * n1 * (1 - n**2) * root)
    along = across * (2 * s**2 - n**2) / ((1 + n**2) * s**2 - n**2)
    return UM_PER_CM * (across + along) / 2 / np.asarray(wavenumber, dtype=np.float64)


def _total_reflection(n1: float, n2: float, angle: float) -> float:
    inside = math.sin(math.radians(angle)) ** 2 - (n2 / n1) ** 2
    if not inside > 0:
        critical = math.sin(math.radians(angle)) * n1
        raise ProcedureError(
            Fault(f"no total reflection: sample index {n2:g}, crystal {n1:g}, {angle:g} degrees",
                  f"a sample index below {critical:.4g}",
                  "a crystal of higher index, or a larger angle of incidence")
        )  # fmt: skip
    return math.sqrt(inside)


def film_fraction(thickness_um: npt.ArrayLike, depth_um: npt.ArrayLike) -> Floats:
    """Return what share of its bulk signal a film on the crystal gives, 1 - exp(-2 t / dp).

    The field's intensity falls by exp(-2 z / dp) (Harrick 1967, from memory).

    >>> float(film_fraction(0.01, penetration_depth(1090.0)).round(4))
    0.0108
    """
    return -np.expm1(-2 * np.asarray(thickness_um) / np.asarray(depth_um, dtype=np.float64))


def kubelka_munk(reflectance: npt.ArrayLike) -> Floats:
    """Return F = (1 - R)^2 / (2 R) of diffuse reflectance (Kubelka & Munk 1931, from memory).

    Linear in amount for an optically thick, diffusely scattering, weakly absorbing sample without
    specular reflection. NaN where R is not above 0.

    >>> kubelka_munk([0.5, 0.1])
    array([0.25, 4.05])
    """
    values = np.asarray(reflectance, dtype=np.float64)
    usable = np.where(values > 0, values, np.nan)
    values = (1 - usable) ** 2 / (2 * usable)
    return np.asarray(values)


def fresnel_reflectance(n: npt.ArrayLike, angle: float) -> Floats:
    """Return what a smooth surface of index n reflects of unpolarised light, no absorption.

    `angle` is that of incidence in air, degrees; Fresnel's equations.
    """
    index, theta = np.asarray(n, dtype=np.float64), math.radians(angle)
    inside = np.sqrt(index**2 - math.sin(theta) ** 2)
    across = (math.cos(theta) - inside) / (math.cos(theta) + inside)
    along = (index**2 * math.cos(theta) - inside) / (index**2 * math.cos(theta) + inside)
    return np.asarray((across**2 + along**2) / 2)


def gloss_units(n: npt.ArrayLike, angle: float) -> Floats:
    """Return the gloss in GU of a smooth surface of index n: 100 for the black glass of ISO 2813.

    >>> [float(gloss_units(1.50, angle).round(2)) for angle in (20, 60, 85)]
    [82.05, 89.14, 98.97]
    """
    standard = fresnel_reflectance(GLOSS_STANDARD_INDEX, angle)
    return np.asarray(100 * fresnel_reflectance(n, angle) / standard)


class OpticalConstants(NamedTuple):
    """Refractive index n and absorption index k of each spectrum, both (n_spectra, n_channels)."""

    n: Floats
    k: Floats


def kramers_kronig(reflectance: npt.ArrayLike, wavenumber: npt.ArrayLike) -> OpticalConstants:
    """Turn specular reflectance at normal incidence into n and k.

    theta_i = -(2 nu_i / pi) P int ln sqrt(R) / (nu^2 - nu_i^2) dnu by Maclaurin's method (Ohta &
    Ishida, Appl. Spectrosc. 42, 952, 1988): the sum over the channels of opposite parity, each of
    weight 2h. Beyond the ends R goes on as a constant, which adds
    -(1/2 pi) [ln R_hi ln((H + nu)/(H - nu)) - ln R_lo ln((nu + L)/(nu - L))], H and L where the sum
    of the channel ends. Then
    D = 1 + R - 2 sqrt(R) cos theta, n = (1 - R)/D, k = 2 sqrt(R) sin(theta)/D.

    Valid for a thick, smooth, homogeneous sample near normal incidence whose R is that against a
    perfect mirror, and for an axis from 0 up that leaves no strong band outside: light that was
    scattered, or came back from below, breaks the relation. NaN where R is not between 0 and 1.

    Raises `ProcedureError` for an uneven axis, fewer than 4 channels, or one that reaches 0.
    """
    rows, axis = np.asarray(reflectance, dtype=np.float64), np.asarray(wavenumber, np.float64)
    usable = np.all((rows > 0) & (rows < 1), axis=1, keepdims=True)
    log_r = np.log(np.where(usable, rows, 0.5))
    spacing = _transform_spacing(axis)
    theta = log_r @ _maclaurin(axis, spacing).T + _wings(log_r, axis, spacing)
    root = np.sqrt(np.where(usable, rows, np.nan))
    divisor = 1 + root**2 - 2 * root * np.cos(theta)
    return OpticalConstants((1 - root**2) / divisor, 2 * root * np.sin(theta) / divisor)


def _transform_spacing(axis: Floats) -> float:
    spacing = even_spacing(axis)
    if axis.size < 4 or axis[0] <= spacing / 2:
        raise ProcedureError(
            Fault(f"{axis.size} channels from {axis[0]:g} cm-1", "4 channels or more above 0 cm-1",
                  "a crop to the measured range")
        )  # fmt: skip
    return spacing


def _maclaurin(axis: Floats, spacing: float) -> Floats:
    """The (n, n) weights of ln R in theta; channels of equal parity do not meet."""
    squares = axis**2
    opposite = (np.subtract.outer(np.arange(axis.size), np.arange(axis.size)) % 2) == 1
    difference = np.where(opposite, squares[None, :] - squares[:, None], np.inf)
    weights: Floats = -(2 * spacing * axis[:, None] / np.pi) / difference
    return weights


def _wings(log_r: Floats, axis: Floats, spacing: float) -> Floats:
    """What constants beyond both ends add; the sum of a channel reaches a channel past an end whose
    parity it does not share, and up to the end itself if it does."""
    parity = np.arange(axis.size) % 2
    past = np.where(parity == parity[-1], 0.0, spacing)
    before = np.where(parity == 0, 0.0, spacing)
    past[-1] = before[0] = spacing * _END
    high, low = axis[-1] + past, axis[0] - before
    above, below = np.log((high + axis) / (high - axis)), np.log((axis + low) / (axis - low))
    wings: Floats = -(log_r[:, -1:] * above - log_r[:, :1] * below) / (2 * np.pi)
    return wings


def index_from_absorption(k: npt.ArrayLike, wavenumber: npt.ArrayLike) -> Floats:
    """Return n(nu) - n(infinity) of an absorption index k (n_channels,) by Kramers-Kronig.

    (2/pi) P int nu' k / (nu'^2 - nu^2) dnu' by Maclaurin's method (Ohta & Ishida 1988); what lies
    outside the axis adds a smooth background, near a constant far from the ends. Raises
    `ProcedureError` as `kramers_kronig`.
    """
    axis, index = np.asarray(wavenumber, np.float64), np.asarray(k, dtype=np.float64)
    weights = _maclaurin(axis, _transform_spacing(axis))
    change: Floats = -2 * (weights / axis[:, None]) @ (axis * index)
    return change
