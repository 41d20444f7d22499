"""Scatter correction as a step: its reference and kept spectra are measured files."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import numpy as np
import xarray as xr

from .. import io
from ..errors import Fault, ProcedureError
from ..kernels import emsc
from ..schema import WAVENUMBER, check, history, with_step
from .by_block import Floats, per_spectrum
from .parameters import STEPS, complete_parameters, step
from .step_files import Stamp, stamps

#: Axes of a map and of a file beside it may differ by so much, cm-1.
AXIS_TOLERANCE = 0.01


@step
def correct_scatter(
    array: xr.DataArray,
    blanks: Sequence[str],
    kept: Sequence[str] = (),
    order: int = 2,
    thickness: bool = True,
    digests: Sequence[str] = (),
) -> xr.DataArray:
    """Take offset, slope, curvature and effective thickness out of each spectrum.

    Extended multiplicative correction, with order 0 and nothing kept the multiplicative one:
    `residuekit.kernels.emsc`. The reference is the mean of the blanks' mean spectra. The spectra in
    `kept` (the gel's, the paint's known variations) are fitted beside it and stay in: without the
    gel among them a residue bends the thickness. Blanks and kept spectra are files as measured;
    they go through the steps that `array` has gone through. A spectrum whose thickness is not above
    0 becomes missing.

    Parameters
    ----------
    array : map or points of a quantity that is linear in amount.
    blanks, kept : paths of files; of one with several spectra their mean is taken.
    order : of the polynomial in wavenumber.
    thickness : whether to divide by it; False for a pure material, which holds no paint
        (`Procedure.for_pure_materials`).
    digests : the sha256 of the blanks, then of the kept files, which they must have; left out,
        those found are recorded.

    Returns
    -------
    The array in which every spectrum has the thickness of the reference, without offset and slope.

    Raises
    ------
    ProcedureError : a parameter out of range; a file that cannot be used: not there, another than
        its digest says, on another axis, of another quantity or history, without a valid spectrum.
    ContractError : not a labelled array; reference and kept spectra that are mixtures of each other
        or of the polynomial.

    >>> import tempfile
    >>> import residuekit as rk
    >>> axis = 1000.0 + 4 * np.arange(40)
    >>> paint = rk.make_points(np.exp(-(((axis - 1080) / 15) ** 2)), axis)
    >>> thick = rk.make_points(2 * paint.values + 0.3, axis)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     blank = rk.write(paint, f"{folder}/blank.nc")
    ...     m = rk.correct_scatter(thick, [str(blank)], order=1)
    >>> bool(np.allclose(m.values, paint.values, atol=0.2))
    True
    """
    given = {"blanks": [str(one) for one in blanks], "kept": [str(one) for one in kept],
             "order": order, "thickness": thickness, "digests": list(digests)}  # fmt: skip
    parameters = complete_parameters("correct_scatter", given)
    array = check(array)
    files = (*parameters["blanks"], *parameters["kept"])
    parameters["digests"], marks = stamps(files, parameters["digests"])
    axis = array[WAVENUMBER].values
    model = _model(marks, len(blanks), order, array.attrs["history"], str(array.name),
                   axis.tobytes())  # fmt: skip

    def corrected(rows: Floats) -> Floats:
        return np.asarray(emsc.correct_scatter(rows, model, thickness)[0], dtype=np.float64)

    values = per_spectrum(array, corrected)
    return with_step(array, values.data, "correct_scatter", parameters)


@lru_cache(maxsize=16)
def _model(
    marks: tuple[Stamp, ...], n_blanks: int, order: int, done: str, quantity: str, axis: bytes
) -> emsc.ScatterModel:
    """The model for spectra of this history, quantity and axis."""
    wavenumber = np.frombuffer(axis)
    means = [_mean(file, json.loads(done), quantity, wavenumber) for file, _ in marks]
    reference = np.mean(means[:n_blanks], axis=0)
    return emsc.scatter_model(reference, wavenumber, order=order, kept=means[n_blanks:] or None)


def _mean(file: str, done: list[dict[str, Any]], quantity: str, axis: Floats) -> Floats:
    """The mean of a file's valid spectra after the steps it has not gone through yet."""
    array = check(io.read(file))
    past = history(array)
    if done[: len(past)] != past:
        raise ProcedureError(
            Fault(f"the file {file!r} after the steps {[one['step'] for one in past]}",
                  "a file as measured, or after the first steps of the spectra themselves",
                  "the measured file", file)
        )  # fmt: skip
    unknown = [one["step"] for one in done if one["step"] not in STEPS]
    if unknown:
        raise ProcedureError(
            Fault(f"spectra after {unknown[0]!r}, which no file can go through again",
                  "spectra as the steps before this one have left them",
                  "correct_scatter before that; or residuekit.make_points(array.values, ...), "
                  "if the numbers are as measured", file)
        )  # fmt: skip
    for entry in done[len(past) :]:
        parameters = {name: value for name, value in entry.items() if name != "step"}
        array = STEPS[entry["step"]](array, **parameters)
    found = array[WAVENUMBER].values
    faults = []
    if found.shape != axis.shape or np.abs(found - axis).max() > AXIS_TOLERANCE:
        faults.append(
            Fault(f"the file {file!r} on {found.size} channels, {found[0]:g} to {found[-1]:g} cm-1",
                  f"the axis of the spectra: {axis.size}, {axis[0]:g} to {axis[-1]:g} cm-1",
                  "measure on one grid, or a resample step before this one", file)
        )  # fmt: skip
    if array.name != quantity:
        faults.append(
            Fault(f"the file {file!r} of {array.name}", quantity,
                  "a to_absorbance step before this one", file)
        )  # fmt: skip
    if not array["valid"].any():
        faults.append(
            Fault(f"the file {file!r} without a valid spectrum", "one or more",
                  "residuekit.check_quality says why", file)
        )  # fmt: skip
    if faults:
        raise ProcedureError(faults)
    spectra = array.values[array["valid"].values]
    mean: Floats = spectra.mean(axis=0, dtype=np.float64)
    return mean
