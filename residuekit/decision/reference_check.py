"""Do the references hold the bands they are asked for, and do spiked mock-ups look like them?"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ..kernels.metric import common_nuisances
from ..markers import Marker
from ..words.codes import Note

Floats = npt.NDArray[np.float64]

#: A band lower than this share of the reference's span counts as missing (our choice, no source).
LEAST_BAND = 0.02
#: Less of a spiked difference explained by the references than this is said ...
LEAST_EXPLAINED = 0.5
#: ... where that difference is this many times what blanks differ by.
_CLEAR = 9.0


def reference_notes(
    wavenumber: Floats,
    references: Floats,
    markers: Iterable[Marker],
    blanks: Floats,
    spiked: Floats,
) -> Iterator[Note]:
    """Notes on the references (k, n) of one material, on one paint.

    `blanks` (n_blanks, n) and `spiked` (n_spiked, n) are mean spectra of mock-ups of one stratum;
    either may be empty.
    """
    if not len(references):
        return
    missing = [one.name for one in markers if _lacks(wavenumber, references, one)]
    if missing:
        yield Note("reference-lacks-band", {"markers": missing})
    share = explained_share(wavenumber, references, blanks, spiked)
    if share is not None and share < LEAST_EXPLAINED:
        yield Note("reference-unlike-spikes", {"share": share, "n_spiked": len(spiked)})


def _lacks(wavenumber: Floats, references: Floats, marker: Marker) -> bool:
    """Whether no reference has a band in the marker's window, above the line between its ends."""
    window = (wavenumber >= marker.low) & (wavenumber <= marker.high)
    if window.sum() < 3:
        return False
    x, own = wavenumber[window], references[:, window]
    slope = (own[:, -1:] - own[:, :1]) / (x[-1] - x[0])
    heights = (own - own[:, :1] - slope * (x - x[0])).max(axis=1)
    return bool((heights < LEAST_BAND * np.ptp(references, axis=1)).all())


def explained_share(
    wavenumber: Floats, references: Floats, blanks: Floats, spiked: Floats
) -> float | None:
    """How much of the mean spiked difference the references and their shifts explain.

    By least squares, after the paint, a shift of its bands, an offset and a slope; None where the
    difference is not clearly more than blanks differ by, or fewer than three blanks tell that.
    """
    if len(blanks) < 3 or not len(spiked):
        return None
    paint = blanks.mean(axis=0)
    common = [paint, *common_nuisances(wavenumber, paint)]
    shifts = np.gradient(references, wavenumber, axis=1)
    difference = spiked.mean(axis=0) - paint
    without = _left(difference[None], common)[0]
    apart = (blanks - paint) * len(blanks) / (len(blanks) - 1)
    n = len(blanks)
    usual = _left(apart, common).mean() * (n - 1) / n * (1 / len(spiked) + 1 / n)
    if without <= _CLEAR * usual:
        return None
    return float(1 - _left(difference[None], [*common, *references, *shifts])[0] / without)


def _left(spectra: Floats, shapes: Sequence[Any]) -> Floats:
    """The squares that shapes leave of each spectrum."""
    design = np.array(shapes, dtype=float).T
    length = np.linalg.norm(design, axis=0)
    design = design / np.where(length > 0, length, 1.0)
    fitted = design @ np.linalg.lstsq(design, spectra.T, rcond=1e-10)[0]
    left: Floats = ((spectra.T - fitted) ** 2).sum(axis=0)
    return left
