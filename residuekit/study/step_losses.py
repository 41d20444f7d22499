"""What the steps of a study take of the gel: its bands, and its markers by normalisation."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import xarray as xr

from ..errors import Fault, ResiduekitError, ResiduekitWarning, StudyError
from ..markers import Marker
from ..schema import WAVENUMBER, make_points
from ..spectra.arrays import mean_spectrum
from ..spectra.procedure import Procedure
from ..spectra.survival import band_survival, normalised_rise
from .how_read import read_row
from .manifest import Manifest
from .measurements import Measurement
from .settings import SETTINGS

#: What to do about a step that eats a band.
_SPARE_THE_BAND = {
    "smooth": "a smaller window",
    "correct_baseline": "a greater smoothness, or no step: scores draw a line of their own",
    "normalise": "no normalisation, or an internal standard where the gel has no band",
    "bridge": "a range without markers",
}


def survival_faults(manifest: Manifest) -> tuple[list[Fault], str]:
    """Say which step eats the gel's band on the first blank of each paint and soiling."""
    gel = manifest.references(manifest.asked[0].material)
    if not gel:
        return [], "no reference: what the procedure leaves of the gel's bands was not measured"
    reference = read_row(manifest.folder, gel[0])
    blanks = {row.stratum[:2]: row for row in reversed(manifest.of_role("blank"))}
    faults = []
    lowest = 1.0
    for row in blanks.values():
        blank = read_row(manifest.folder, row)
        found = band_survival(manifest.procedure, blank, reference, manifest.markers)
        for eaten in found.eaten():
            number, step = eaten["number"], eaten["step"]
            lines = manifest.procedure.lines
            faults.append(
                Fault(
                    f"step {number}, {step}, which leaves {eaten['kept']:.0%} of a band of "
                    f"{eaten['marker']!r} at the detection limit on {row.file} (after all steps "
                    f"{eaten['survives']:.0%})",
                    f"at least {found.least:.0%} after all steps",
                    _SPARE_THE_BAND.get(step, "other parameters, or no such step"),
                    SETTINGS,
                    lines[number - 1] if lines else None,
                )
            )
        lowest = min([lowest, *(row["share"] for row in found.last())])
    return faults, _kept_words(lowest)


def _kept_words(lowest: float) -> str:
    return (
        f"a gel band as weak as its detection limit keeps at least {lowest:.0%} of its strength "
        "through the procedure"
    )


def refuse_eaten(manifest: Manifest) -> None:
    """Refuse in a run the procedure that `residuekit check` refuses.

    Raises
    ------
    StudyError : a step that eats the gel's band. Files that cannot be used are said elsewhere.
    """
    try:
        faults, _ = survival_faults(manifest)
    except ResiduekitError:
        return
    if faults:
        raise StudyError(faults)


#: The rise, by gel, of the marker that rises most; it is followed through the normalisation.
_RISE = 0.1


def normalisation_notes(manifest: Manifest) -> list[str]:
    """Say where the gel absorbs in what a step divides by, with the number.

    The first blank of each paint and soiling that can be read stands for the paint, the first
    reference of the study's treatment for the gel. Nothing without a step ``normalise``.
    """
    if not any(name == "normalise" for one in manifest.procedures for name, _ in one.steps):
        return []
    pure = manifest.references(manifest.asked[0].material)
    gel = _first(manifest, pure)
    paints: dict[tuple[Any, ...], list[Measurement]] = {}
    for row in manifest.of_role("blank"):
        paints.setdefault(row.stratum[:2], []).append(row)
    if gel is None:
        return ["Without a reference of the gel nobody can say what the normalisation takes of it."]
    notes: list[str] = []
    for (paint, _), rows in paints.items():
        blank = _first(manifest, rows)
        if blank is not None:
            for procedure in manifest.procedures:
                found = _losses(procedure, blank, gel, manifest.markers)
                by = "" if procedure is manifest.procedure else "By the second procedure: "
                notes += [f"{by}{name} on {paint}: {said}." for name, said in found]
    return list(dict.fromkeys(notes))


def _first(manifest: Manifest, rows: Sequence[Measurement]) -> xr.DataArray | None:
    for row in rows:
        try:
            return read_row(manifest.folder, row)
        except ResiduekitError:
            continue
    return None


def _losses(
    procedure: Procedure, blank: xr.DataArray, gel: xr.DataArray, markers: Sequence[Marker]
) -> Iterator[tuple[str, str]]:
    for number, (name, parameters) in enumerate(procedure.steps):
        if name != "normalise":
            continue
        before = Procedure(procedure.steps[:number])
        step = Procedure(((name, parameters),))
        try:
            paint, axis = _mean(before, blank)
            pure = np.interp(axis, *reversed(_mean(before, gel)))
            own = _divisor(step, paint, axis)
        except ResiduekitError:
            continue  # `check` says what does not fit
        heights = {
            marker.name: (float(paint[inside].mean()), float(pure[inside].mean()))
            for marker in markers
            if (inside := (axis >= marker.low) & (axis <= marker.high)).any()
        }
        heights = {name: pair for name, pair in heights.items() if min(pair) > 0}
        if not heights or not own > 0:
            continue
        amount = _RISE * min(base / gained for base, gained in heights.values())
        risen = _divisor(step, paint + amount * pure, axis)
        for marker_name, (base, gained) in heights.items():
            with warnings.catch_warnings(record=True) as caught:
                warnings.simplefilter("always", ResiduekitWarning)
                normalised_rise((base, own), (amount * gained, risen - own))
            yield from ((marker_name, str(warning.message)) for warning in caught)


def _mean(procedure: Procedure, array: xr.DataArray) -> tuple[Any, Any]:
    made = procedure.apply(array)
    return mean_spectrum(made), made[WAVENUMBER].values


def _divisor(step: Procedure, spectrum: Any, axis: Any) -> float:
    """What the step divides by: the ranges before and after, as it may subtract a mean too."""
    after = step.apply(make_points(spectrum[None], axis)).values[0]
    return float(np.ptp(spectrum) / np.ptp(after))
