"""Loadings that the spiked mock-ups' own responses make implausible: said, or refused."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import Fault, StudyError
from ..words.common import stratum_words
from .manifest import Manifest
from .mockups import MapSummary, MockupMean, comparator, mockup_means
from .settings import SETTINGS

Floats = npt.NDArray[np.float64]
#: A factor above the first is said, above the second refused (our choice).
SAID, REFUSED = 5.0, 30.0
#: A response counts beyond this many times the scatter of the blanks.
_CLEAR = 5.0
#: What 1 ug cm-2 (density 1.3 g cm-3) absorbs at 1090 cm-1 in one pass at an absorption index of
#: 0.2, 4 pi k nu t / ln 10 (Beer's law), times sqrt(2): one pass or two differ by as much.
_EXPECTED, _AT = 0.0013, 1090.0


def doubted_loadings(
    manifest: Manifest, controls: Sequence[MapSummary]
) -> tuple[list[Fault], list[str]]:
    """Faults and notes: one loading against the others of its stratum, all against a thin film.

    A response is what the difference from the blanks holds of the reference, an offset and a slope
    free. Without a reference nothing is asked; with a normalisation no absolute response.
    """
    found = [*_doubts(manifest, controls)]
    checked = manifest.loading_checked
    needed = "loadings in ug cm-2 (1 mg m-2 is 0.1 ug cm-2)"
    fix = f"correct loading_ug_cm2, or say loading_checked = true under [limits] of {SETTINGS}"
    faults = [
        Fault(said, needed, fix, manifest.table)
        for factor, said in found
        if factor > REFUSED and not checked
    ]
    notes = [
        f"{said[0].upper()}{said[1:]}. See that loadings are in ug cm-2 (1 mg m-2 is 0.1 ug cm-2)."
        for factor, said in found
        if checked or factor <= REFUSED
    ]
    return faults, notes


def refuse_doubted(manifest: Manifest, controls: Sequence[MapSummary]) -> None:
    """Raise a StudyError where loadings are beyond doubt implausible and nobody checked them."""
    faults, _ = doubted_loadings(manifest, controls)
    if faults:
        raise StudyError(faults)


def _doubts(manifest: Manifest, controls: Sequence[MapSummary]) -> Iterator[tuple[float, str]]:
    references = {one.row.carried: one for one in reversed(controls)
                  if one.row.role == "reference"}  # fmt: skip
    of_stratum: dict[tuple[Any, ...], list[MockupMean]] = defaultdict(list)
    for mean in mockup_means(one for one in controls if one.row.role in ("blank", "spiked")):
        of_stratum[mean.row.stratum].append(mean)
    absolute = all(step != "normalise" for step, _ in manifest.procedure.steps)
    for stratum, means in of_stratum.items():
        blanks = comparator([one for one in means if one.row.role == "blank"])
        for treatment, reference in references.items():
            spiked = [one for one in means
                      if one.row.carried == treatment and one.row.loading_ug_cm2 > 0]  # fmt: skip
            sizes = {one.mean.size for one in (*blanks, *spiked)} | {reference.mean.size}
            if len(blanks) < 2 or not spiked or len(sizes) > 1:
                continue
            where = f"{stratum_words(stratum)}, {treatment}: "
            loads = np.array([one.row.loading_ug_cm2 for one in spiked])
            names = [one.row.mockup for one in spiked]
            heights, scatter = _heights(reference, blanks, spiked)
            yield from _unlike_others(where, names, loads, heights, scatter)
            clear = abs(np.median(heights)) > _CLEAR * scatter
            if absolute and reference.quantity == "absorbance" and clear:
                yield from _unlike_film(where, loads, heights, reference)


def _heights(
    reference: MapSummary, blanks: Sequence[MockupMean], spiked: Sequence[MockupMean]
) -> tuple[Floats, float]:
    """The height of the reference's strongest band in each spiked mock-up; the blanks' scatter."""
    axis = reference.wavenumber
    level = np.mean([one.mean for one in blanks], axis=0)
    apart = np.array([one.mean - level for one in (*blanks, *spiked)])
    design = np.column_stack([reference.mean, np.ones_like(axis), axis / axis.mean()])
    amounts = np.linalg.lstsq(design, apart.T, rcond=None)[0][0] * np.ptp(reference.mean)
    return amounts[len(blanks) :], float(amounts[: len(blanks)].std(ddof=1))


def _unlike_others(
    where: str, names: Sequence[str], loads: Floats, heights: Floats, scatter: float
) -> Iterator[tuple[float, str]]:
    """The loading whose response a unit is furthest from that of the other loadings, if clearly."""
    worst, said = 1.0, ""
    for name, load, height in zip(names, loads, heights, strict=True):
        others = loads != load
        usual = float(np.median(heights[others] / loads[others])) if others.any() else 0.0
        if usual <= 0 or abs(height - load * usual) <= _CLEAR * scatter:
            continue
        times = max(height, scatter) / (load * usual)
        factor = max(times, 1 / times) if times > 0 else math.inf
        if factor > worst:
            worst = factor
            said = (
                f"{where}spiked mock-up {name} of {load:g} ug cm-2, which responds {times:.2g} "
                "times as much a unit as those of other loadings"
            )
    if worst > SAID:
        yield worst, said


def _unlike_film(
    where: str, loads: Floats, heights: Floats, reference: MapSummary
) -> Iterator[tuple[float, str]]:
    """A response a unit that no thin organic film is likely to have."""
    place = float(reference.wavenumber[reference.mean.argmax()])
    found = float(np.median(heights / loads))
    times = abs(found) / (_EXPECTED * place / _AT)
    factor = max(times, 1 / times)
    if factor > SAID:
        yield (
            factor,
            (
                f"{where}spiked mock-ups whose strongest band, at {place:.0f} cm-1, rises by "
                f"{found:.2g} a ug cm-2, {times:.2g} times what a thin organic film does"
            ),
        )
