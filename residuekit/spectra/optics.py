"""From what was measured to what is linear in amount: ATR depth, diffuse, specular reflection."""

from __future__ import annotations

import numpy as np
import xarray as xr

from ..errors import ContractError, Fault
from ..kernels import reflection
from ..schema import FLAGS, WAVENUMBER, check, flag_attributes, pixel_dims, with_step
from .by_block import Floats, per_spectrum
from .parameters import complete_parameters, step

#: Of the energy of k, the share below 0 above which the reflection is not specular alone.
MOST_NEGATIVE = 0.02


@step
def correct_atr_depth(array: xr.DataArray, reference: float = 1000.0) -> xr.DataArray:
    """Multiply ATR absorbance by wavenumber / `reference` (cm-1), to the depth of the reference.

    The depth of the evanescent field falls as 1 / wavenumber (Harrick 1967, from memory:
    `residuekit.kernels.reflection.penetration_depth`). Valid for one index over the spectrum, thick
    samples and good contact. It leaves the shift of strong bands by anomalous dispersion, and is
    wrong for a residue much thinner than the depth, whose signal does not follow it.

    Parameters
    ----------
    array : map or points, ATR absorbance.
    reference : wavenumber whose depth is kept, cm-1.

    Returns
    -------
    The absorbance at the depth of the reference.

    Raises
    ------
    ContractError : another quantity than absorbance, or a technique that is known and not ATR.
    ProcedureError : reference not above 0.

    >>> import residuekit as rk
    >>> m = rk.make_points([0.5, 0.5], [1000, 2000], technique="atr")
    >>> rk.correct_atr_depth(m).values.tolist()
    [[0.5, 1.0]]
    """
    parameters = complete_parameters("correct_atr_depth", {"reference": reference})
    array = check(array, quantity="absorbance")
    if array.attrs["technique"] not in ("atr", "unknown"):
        raise ContractError(
            Fault(f"the technique {array.attrs['technique']!r}", "'atr'",
                  "leave correct_atr_depth out, or array.attrs['technique'] = 'atr'")
        )  # fmt: skip
    factor = array[WAVENUMBER].values / reference
    values = per_spectrum(array, lambda rows: rows * factor)
    return with_step(array, values.data, "correct_atr_depth", parameters)


@step
def kubelka_munk(array: xr.DataArray) -> xr.DataArray:
    """Turn diffuse reflectance into Kubelka-Munk units, F = (1 - R)^2 / (2 R).

    Valid for diffuse reflection of a thick layer that absorbs weakly, without specular light; R is
    that against a non-absorbing standard. Missing where R is not above 0.

    Parameters
    ----------
    array : map or points, reflectance.

    Returns
    -------
    The array in Kubelka-Munk units.

    Raises
    ------
    ContractError : another quantity than reflectance.

    >>> import residuekit as rk
    >>> m = rk.make_points([0.5, 1.0], [1000, 1010], quantity="reflectance")
    >>> rk.kubelka_munk(m).values.tolist()
    [[0.25, 0.0]]
    """
    array = check(array, quantity="reflectance")
    values = per_spectrum(array, reflection.kubelka_munk)
    return with_step(array, values.data, "kubelka_munk", {}, quantity="kubelka_munk")


@step
def kramers_kronig(array: xr.DataArray) -> xr.DataArray:
    """Turn specular reflectance into the absorption index k.

    Method and range of validity: `residuekit.kernels.reflection.kramers_kronig`. A pixel where more
    than 2 % of the energy of k lies below 0, which no material has, is flagged ``derivative``: the
    reflection is mixed and k is not to be trusted. R against a perfect mirror, near normal
    incidence; missing where R is not between 0 and 1.

    Parameters
    ----------
    array : map or points, specular reflectance.

    Returns
    -------
    The absorption index k, same axis and pixels.

    Raises
    ------
    ContractError : another quantity than reflectance.
    ProcedureError : an uneven axis, fewer than 4 channels.

    >>> import residuekit as rk
    >>> m = rk.make_points(np.full(50, 0.04), 1000.0 + 4 * np.arange(50), quantity="reflectance")
    >>> rk.kramers_kronig(m).name
    'absorption_index'
    """
    array = check(array, quantity="reflectance")
    axis = array[WAVENUMBER].values
    values = per_spectrum(array, lambda rows: reflection.kramers_kronig(rows, axis).k)
    index = with_step(array, values.data, "kramers_kronig", {}, quantity="absorption_index")
    energy = (index**2).sum(WAVENUMBER)
    mixed = (index.clip(max=0) ** 2).sum(WAVENUMBER) > MOST_NEGATIVE * energy
    flag = index["flag"] | mixed.astype(np.uint16) * np.uint16(FLAGS["derivative"][0])
    return index.assign_coords(flag=(flag.dims, flag.data, flag_attributes()))


def optical_constants(array: xr.DataArray) -> xr.Dataset:
    """Return n, the absorption index k and the absorption coefficient of specular reflectance.

    As `kramers_kronig`, not lazy. The Dataset holds, with the dims of the array,
    `refractive_index` and `absorption_index` (1), `absorption_coefficient` = 4 pi k nu (cm-1,
    Napierian), and with those of the pixels `mixed`: the reflection is not specular alone.
    """
    index = kramers_kronig(array)
    axis = index[WAVENUMBER]

    def refractive(rows: Floats) -> Floats:
        return reflection.kramers_kronig(rows, axis.values).n

    found = xr.Dataset(
        {
            "refractive_index": (index.dims, per_spectrum(check(array), refractive).data),
            "absorption_index": (index.dims, index.data),
            "absorption_coefficient": (index.dims, (4 * np.pi * index * axis).data),
            "mixed": (pixel_dims(index), (index["flag"] & FLAGS["derivative"][0]).data > 0),
        },
        coords=index.coords,
    )
    for name, unit in (("refractive_index", "1"), ("absorption_index", "1"),
                       ("absorption_coefficient", "cm-1")):  # fmt: skip
        found[name].attrs["units"] = unit
    found.attrs = dict(index.attrs)
    return found
