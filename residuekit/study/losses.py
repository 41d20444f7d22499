"""Whether the procedure of a study spares the gel's bands, measured on its own spectra."""

from __future__ import annotations

from .. import io
from ..errors import Fault, ResiduekitError
from ..spectra.survival import band_survival
from .manifest import Manifest
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
    gel = [row for row in manifest.of_role("reference") if row.treatment == manifest.treatment]
    if not gel:
        return [], "no reference: what the procedure leaves of the gel's bands was not measured"
    reference = io.read(manifest.folder / gel[0].file)
    blanks = {row.stratum[:2]: row for row in reversed(manifest.of_role("blank"))}
    faults = []
    lowest = 1.0
    for row in blanks.values():
        blank = io.read(manifest.folder / row.file)
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


def survival_notes(manifest: Manifest) -> list[str]:
    """Say in a run what `residuekit check` refuses of its procedure; what fails says nothing."""
    try:
        faults, _ = survival_faults(manifest)
    except ResiduekitError:
        return []
    return [
        f"residuekit check refuses this procedure: {fault.found}; needed: {fault.needed}."
        for fault in faults
    ]
