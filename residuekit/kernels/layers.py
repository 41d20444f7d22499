"""Optics of thin films: stacks, what each way of measuring makes of them, and the instrument.

Wavenumbers in cm-1, lengths in um, angles in degrees, complex indices n + ik with k >= 0. A film is
a pair (index, thickness): index (n_channels,) or one number.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from ..errors import ContractError, Fault
from .reflection import UM_PER_CM

__all__ = [
    "Powers",
    "atr",
    "band_index",
    "blur_sigma",
    "cone",
    "external_reflection",
    "metal_index",
    "patch_share",
    "stack_powers",
    "sunk_share",
    "transflection",
    "transmission",
]

Floats = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
Film = tuple[npt.ArrayLike, float]
Angles = tuple[float, float]

#: Inner and outer angle of a mirror objective of aperture 0.4 (common practice, no source).
OBJECTIVE: Angles = (10.0, 23.6)
#: Half width of the Airy disc of a round aperture, 0.5145 lambda / NA, as a standard deviation.
_AIRY_SIGMA = 0.5145 / 2.3548


class Powers(NamedTuple):
    """Shares of the light reflected and transmitted, each (2, n_channels): s, then p."""

    reflected: Floats
    transmitted: Floats


def stack_powers(
    indices: Sequence[npt.ArrayLike],
    thickness_um: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    angle: float = 0.0,
) -> Powers:
    """Compute what a stack of flat, coherent layers reflects and transmits, s and p.

    With y = n cos(theta) for s and n / cos(theta) for p, f = (y1 - y2)/(y1 + y2) at each boundary
    and e = exp(2 pi i nu d n cos(theta)) through each layer, from the last boundary up
    r <- (f + r e^2)/(1 + f r e^2), t <- (1 + f) t e/(1 + f r e^2): the product of the layers'
    transfer matrices in the order that cannot overflow (Born & Wolf, Principles of Optics,
    1.6, from memory). Exact for any thickness and absorption.

    Parameters
    ----------
    indices : (n_layers,) of (n_channels,) or numbers; the first, half-infinite, does not absorb;
        the last is half-infinite.
    thickness_um : (n_layers - 2,), 0 or more.
    wavenumber : (n_channels,). angle : of incidence in the first medium, 0 to below 90.

    Raises
    ------
    ContractError : layers and thicknesses that do not fit, a first medium that absorbs, gain
        (k < 0), a negative thickness, an angle out of range.
    """
    axis = np.asarray(wavenumber, dtype=np.float64)
    index = np.array([np.broadcast_to(np.asarray(n, complex), axis.shape) for n in indices])
    depth = np.atleast_1d(np.asarray(thickness_um, dtype=np.float64))
    _refuse_stack(index, depth, angle)
    across = np.sqrt(index**2 - (index[0] * np.sin(np.radians(angle))) ** 2)
    y = np.stack([across, index**2 / across])
    f = (y[:, :-1] - y[:, 1:]) / (y[:, :-1] + y[:, 1:])
    through = np.exp(2j * np.pi * axis / UM_PER_CM * depth[:, None] * across[1:-1])
    r, t = f[:, -1], 1.0 + f[:, -1]
    for layer in reversed(range(len(depth))):
        e = through[layer]
        divisor = 1.0 + f[:, layer] * r * e**2
        r, t = (f[:, layer] + r * e**2) / divisor, (1.0 + f[:, layer]) * t * e / divisor
    return Powers(np.abs(r) ** 2, np.abs(t) ** 2 * y[:, -1].real / y[:, 0].real)


def _refuse_stack(index: Complex, depth: Floats, angle: float) -> None:
    faults = []
    if len(index) != depth.size + 2:
        faults.append(Fault(f"{len(index)} layers and {depth.size} thicknesses",
                            "one thickness for each layer between the first and the last",
                            "thickness_um=[] for a single surface"))  # fmt: skip
    if not (index.real > 0).all() or not (index.imag >= 0).all() or index[0].imag.any():
        faults.append(Fault("an index with n <= 0, k < 0, or a first medium that absorbs",
                            "n > 0, k >= 0, in the first medium k = 0", "n + 1j * k"))  # fmt: skip
    if not (depth >= 0).all() or not np.isfinite(depth).all():
        faults.append(Fault(f"thicknesses {depth}", "finite thicknesses of 0 or more, in um",
                            "nm / 1000"))  # fmt: skip
    if not 0 <= angle < 90:
        faults.append(Fault(f"an angle of {angle:g} degrees", "0 to below 90", "degrees, not rad"))
    if faults:
        raise ContractError(faults)


def cone(inner: float, outer: float, points: int = 8) -> tuple[Floats, Floats]:
    """Return angles and weights that average over a cone or ring of light, (points,) each.

    A mirror or lens that obeys Abbe's sine condition fills the ring evenly, so the weight is
    sin(angle) cos(angle) (Gauss-Legendre in sin^2). One angle where both are equal.
    """
    if inner == outer:
        return np.array([inner]), np.ones(1)
    node, weight = np.polynomial.legendre.leggauss(points)
    low, high = np.sin(np.radians([inner, outer])) ** 2
    angles = np.degrees(np.arcsin(np.sqrt(low + (high - low) * (node + 1) / 2)))
    return angles, weight / 2


def atr(
    films: Sequence[Film],
    paint: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    *,
    crystal: float = 2.4,
    angles: Angles = (45.0, 45.0),
    bounces: int = 1,
    gap_um: float = 0.0,
) -> Floats:
    """Return ATR absorbance (n_channels,) against the bare crystal, unpolarised light.

    Crystal, air gap, films from the crystal on, paint without end. Light keeps its polarisation
    from bounce to bounce: A = -log10 of the mean over s, p and the angles of R^bounces.
    """
    gap = [(1.0, gap_um)] if gap_um else []
    reflected = _averaged([crystal], [*gap, *films], paint, wavenumber, angles, power=bounces)
    return -np.log10(reflected)


def external_reflection(
    films: Sequence[Film],
    paint: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    *,
    angles: Angles = OBJECTIVE,
    roughness_um: float = 0.0,
) -> Floats:
    """Return -log10 of the specular reflectance of films on paint, against a perfect mirror.

    A rough surface (standard deviation of its height, well below the wavelength) reflects
    exp(-(4 pi roughness nu cos(angle))^2) of that (Davies 1954; Bennett & Porteus, J. Opt. Soc. Am.
    51, 123, 1961; from memory); what it scatters is not collected.
    """
    return -np.log10(_averaged([1.0], films, paint, wavenumber, angles, roughness_um=roughness_um))


def transflection(
    films: Sequence[Film],
    ground: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    *,
    angles: Angles = OBJECTIVE,
) -> Floats:
    """Return absorbance of films (top first) on a reflecting ground, against the bare ground."""
    with_films = _averaged([1.0], films, ground, wavenumber, angles)
    return -np.log10(with_films / _averaged([1.0], [], ground, wavenumber, angles))


def transmission(
    films: Sequence[Film], wavenumber: npt.ArrayLike, *, angles: Angles = (0.0, 0.0)
) -> Floats:
    """Return absorbance of free-standing films in air, reflection and interference included."""
    return -np.log10(_averaged([1.0], films, 1.0, wavenumber, angles, transmitted=True))


def _averaged(
    first: Sequence[npt.ArrayLike],
    films: Sequence[Film],
    last: npt.ArrayLike,
    wavenumber: npt.ArrayLike,
    angles: Angles,
    *,
    power: int = 1,
    roughness_um: float = 0.0,
    transmitted: bool = False,
) -> Floats:
    axis = np.asarray(wavenumber, dtype=np.float64)
    indices = [*first, *(index for index, _ in films), last]
    depths = [thickness for _, thickness in films]
    total = np.zeros(axis.shape)
    for angle, weight in zip(*cone(*angles), strict=True):
        light = stack_powers(indices, depths, axis, float(angle))
        share = light.transmitted if transmitted else light.reflected
        path = 4 * np.pi * roughness_um * axis / UM_PER_CM * np.cos(np.radians(angle))
        total += weight * (share**power).mean(axis=0) * np.exp(-(path**2))
    return total


def band_index(wavenumber: npt.ArrayLike, bands: npt.ArrayLike, n_infinity: float = 1.5) -> Complex:
    """Return the complex index (n_channels,) of Lorentz oscillators: n and k of one cause.

    n^2 = n_inf^2 + sum p^2 / (nu0^2 - nu^2 - i w nu) with p^2 = 2 n_inf k w nu0, so that a lone
    weak band has the absorption index k at its top. Kramers and Kronig's relations hold by form.

    Parameters
    ----------
    bands : (n_bands, 3), rows of position nu0, full width w (both cm-1), absorption index k.

    >>> abs(band_index([1090.0], [[1090.0, 30.0, 0.02]]).imag.round(3))
    array([0.02])
    """
    axis = np.asarray(wavenumber, dtype=np.float64)
    position, width, k = np.asarray(bands, dtype=np.float64).reshape(-1, 3).T[..., None]
    strength = 2 * n_infinity * k * width * position
    response = strength / (position**2 - axis**2 - 1j * width * axis)
    index: Complex = np.sqrt(n_infinity**2 + response.sum(axis=0))
    return index


def sunk_share(
    depth_um: float,
    crystal: float | None = 2.4,
    wavenumber: float = 1092.0,
    gel: complex = 1.5 + 0.2j,
    paint: complex = 1.5,
) -> float:
    """Return by how much a residue that sank into the paint answers less than a film on it.

    The signal of as much residue as a film of 10 nm holds, mixed evenly into the first `depth_um`
    of an endless paint, over that of the film; the permittivity of the mixture by volume (the
    simplest rule, common practice). In ATR through a `crystal` of that index, without one in
    external reflection. Where light passes all of the paint, the share is 1 but for interference.

    Raises `ContractError` for a depth below that of the film.

    >>> [round(sunk_share(1.0, crystal), 2) for crystal in (2.4, 4.0)]
    [0.62, 0.3]
    """
    film_um = 0.01
    if not depth_um >= film_um:
        raise ContractError(
            Fault(f"a depth of {depth_um:g} um", f"{film_um:g} um or more", "depth_um=1.0")
        )
    mixed = np.sqrt(film_um / depth_um * gel**2 + (1 - film_um / depth_um) * paint**2)

    def signal(films: Sequence[Film]) -> float:
        if crystal is None:
            return float(external_reflection(films, paint, [wavenumber])[0])
        return float(atr(films, paint, [wavenumber], crystal=crystal)[0])

    bare = signal([])
    return (signal([(mixed, depth_um)]) - bare) / (signal([(gel, film_um)]) - bare)


def metal_index(
    wavenumber: npt.ArrayLike, plasma: float = 7.28e4, damping: float = 215.0
) -> Complex:
    """Return Drude's index of a metal, n^2 = 1 - plasma^2 / (nu^2 + i damping nu).

    The numbers left out are gold's in the infrared (Ordal and others, Appl. Opt. 24, 4493, 1985,
    from memory).
    """
    axis = np.asarray(wavenumber, dtype=np.float64)
    return np.sqrt(1.0 - plasma**2 / (axis**2 + 1j * damping * axis))


def blur_sigma(wavenumber: npt.ArrayLike, aperture: float, step_um: float) -> Floats:
    """Return the standard deviation (um) of the spot that a pixel sees: diffraction and step.

    The Airy disc as a normal curve of its half width 0.5145 lambda/NA, and the square pixel's
    step^2/12, added as variances.
    """
    wave = UM_PER_CM / np.asarray(wavenumber, dtype=np.float64)
    return np.sqrt((_AIRY_SIGMA * wave / aperture) ** 2 + step_um**2 / 12)


def patch_share(
    diameter_um: npt.ArrayLike, wavenumber: float, aperture: float, step_um: float
) -> Floats:
    """Return how much of a round patch's loading the pixel at its centre shows, 0 to 1.

    1 - exp(-(diameter/2)^2 / (2 sigma^2)) with the spot of `blur_sigma`.
    """
    sigma = blur_sigma(wavenumber, aperture, step_um)
    return -np.expm1(-((np.asarray(diameter_um, np.float64) / 2) ** 2) / (2 * sigma**2))
