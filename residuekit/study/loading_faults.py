"""Loadings that the spiked mock-ups' own responses make implausible: said, or refused."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from ..errors import Fault, StudyError
from ..words.common import number, stratum_words
from .manifest import Manifest
from .mockups import MapSummary, MockupMean, comparator, mockup_means
from .settings import SETTINGS

Floats = npt.NDArray[np.float64]
#: A factor above the first is said, above the second refused (our choice).
SAID, REFUSED = 5.0, 30.0
#: One loading counts as unlike the others beyond this many times the scatter of the blanks.
_CLEAR = 5.0
#: Confidence of the interval of a response, two-sided.
_CONFIDENCE = 0.95
#: What 1 ug cm-2 (density 1.3 g cm-3) absorbs at 1090 cm-1 in one pass at an absorption index of
#: 0.2, 4 pi k nu t / ln 10 (Beer's law), times sqrt(2): one pass or two differ by as much.
_EXPECTED, _AT = 0.0013, 1090.0


def doubted_loadings(
    manifest: Manifest, controls: Sequence[MapSummary]
) -> tuple[list[Fault], list[str]]:
    """Faults and notes: one loading against the others of its stratum; all against the reference
    film, or where its loading is not known, a thin organic one; and films against the latter.

    A response is what the difference from the blanks holds of the reference, an offset and a slope
    free. It is doubted by the nearer end of its interval; where the interval leaves open whether
    it is, that is said. Without a reference nothing is asked.
    """
    found = [*_doubts(manifest, controls)]
    checked = manifest.loading_checked
    needed = "loadings in ug cm-2 (1 mg m-2 is 0.1 ug cm-2), thicknesses in nm"
    fix = (
        "correct loading_ug_cm2 or thickness_nm, or say loading_checked = true under [limits] of "
        f"{SETTINGS}"
    )
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
    films = [one for one in controls
             if one.row.role == "reference" and one.row.loading_ug_cm2 > 0]  # fmt: skip
    of_stratum: dict[tuple[Any, ...], list[MockupMean]] = defaultdict(list)
    for mean in mockup_means(one for one in controls if one.row.role in ("blank", "spiked")):
        of_stratum[mean.row.stratum].append(mean)
    without = _no_scale(manifest, controls)
    for film in films if not without else ():
        yield from _film_unlike_film(film)
    for stratum, means in of_stratum.items():
        blanks = comparator([one for one in means if one.row.role == "blank"])
        for treatment, reference in references.items():
            spiked = [one for one in means
                      if one.row.carried == treatment and one.row.loading_ug_cm2 > 0]  # fmt: skip
            sizes = {one.mean.size for one in (*blanks, *spiked)} | {reference.mean.size}
            if not spiked or len(sizes) > 1:
                continue
            where = f"{stratum_words(stratum)}, {treatment}: "
            if len(blanks) < 2:
                yield 0.0, f"{where}the loadings cannot be judged, because one blank has no scatter"
                continue
            loads = np.array([one.row.loading_ug_cm2 for one in spiked])
            names = [one.row.mockup for one in spiked]
            heights, scatter = _heights(reference, blanks, spiked)
            yield from _unlike_others(where, names, loads, heights, scatter)
            if without:
                yield 0.0, f"{where}the loadings cannot be judged, because {without}"
                continue
            own = [one for one in films if one.row.carried == treatment]
            found = _response(loads, heights, scatter, len(blanks))
            yield from _unlike_film(where, found, reference, own)


def _no_scale(manifest: Manifest, controls: Sequence[MapSummary]) -> str:
    """Why responses cannot be compared with what a film absorbs; empty where they can."""
    steps = manifest.procedure.steps
    if any(step == "normalise" for step, _ in steps):
        return "the procedure normalises, so no response has a height of its own"
    if any(given.get("derivative") for _, given in steps):
        return "the procedure takes a derivative, so no response has the height of a band"
    others = sorted({one.quantity for one in controls} - {"absorbance"})
    return f"the response of a film in {others[0]} is not known" if others else ""


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
    """The loading whose response a unit is furthest from that of the other loadings, if clearly:
    a doubt where these respond, else a remark."""
    worst, said, unlike = 1.0, "", ""
    for name, load, height in zip(names, loads, heights, strict=True):
        others = loads != load
        usual = float(np.median(heights[others] / loads[others])) if others.any() else 0.0
        if not others.any() or abs(height - load * usual) <= _CLEAR * scatter:
            continue
        if np.abs(heights[others]).max() <= _CLEAR * scatter:
            unlike = name
            continue
        if usual <= 0:
            continue
        times = max(height, scatter) / (load * usual)
        factor = max(times, 1 / times) if times > 0 else math.inf
        if factor > worst:
            worst = factor
            said = (
                f"{where}spiked mock-up {name} of {load:g} ug cm-2, which responds "
                f"{number(times, 2)} times as much a unit as those of other loadings"
            )
    if worst > SAID:
        yield worst, said
    elif unlike:
        yield (
            0.0,
            f"{where}spiked mock-up {unlike} responds, those of other loadings do not beyond the "
            "scatter of the blanks: the loadings cannot be compared",
        )


def _response(loads: Floats, heights: Floats, scatter: float, n: int) -> tuple[float, float]:
    """The slope of heights over loadings by least squares, and how far it may be off by the scatter
    of the blanks, their mean included."""
    from scipy.special import stdtrit

    total = float(loads @ loads)
    error = scatter * math.sqrt(1 / total + (float(loads.sum()) / total) ** 2 / n)
    return float(loads @ heights) / total, float(stdtrit(n - 1, (1 + _CONFIDENCE) / 2)) * error


def _unlike_film(
    where: str, response: tuple[float, float], reference: MapSummary, films: Sequence[MapSummary]
) -> Iterator[tuple[float, str]]:
    """A response a unit that the reference film, or any thin organic film, is unlikely to have."""
    found, reach = response
    expected, what = _expected(reference), "a thin organic film"
    if films:
        expected = float(np.median([np.ptp(one.mean) / one.row.loading_ug_cm2 for one in films]))
        what = "the reference film"
    low, high = (max(abs(found) + sign * reach, 0.0) / expected for sign in (-1, 1))
    said = (
        f"{where}spiked mock-ups whose strongest band, at {_place(reference):.0f} cm-1, rises by "
        "an absorbance of"
    )
    factor = max(low, 1 / high if high else math.inf)
    if factor > SAID:
        yield (
            factor,
            f"{said} {number(found, 2)} a ug cm-2, {number(abs(found) / expected, 2)} times what "
            f"{what} does",
        )
    elif low < 1 / SAID or high > SAID:
        yield (
            0.0,
            f"{said} {number(found, 2)} ± {number(reach, 1)} a ug cm-2, where {what} has "
            f"{number(expected, 2)}. So the loadings cannot be judged, because the blanks scatter "
            f"too much. Loadings {_open(low, high)} would not be noticed",
        )


def _open(low: float, high: float) -> str:
    """By which factors loadings may be off unnoticed; too high loadings have low responses.

    >>> _open(0.0, 20.0), _open(0.04, 2.0), _open(2.0, 150.0)
    ('too high by any factor or 20 times too low', '25 times too high', '150 times too low')
    """
    parts = []
    if low < 1 / SAID:
        parts.append(f"{number(1 / low, 2)} times too high" if low > 0 else
                     "too high by any factor")  # fmt: skip
    if high > SAID:
        parts.append(f"{number(high, 2)} times too low")
    return " or ".join(parts)


def _film_unlike_film(film: MapSummary) -> Iterator[tuple[float, str]]:
    """A film of the pure material that responds as no thin film of its loading is likely to."""
    load = film.row.loading_ug_cm2
    found = float(np.ptp(film.mean)) / load
    times = found / _expected(film)
    factor = max(times, 1 / times) if times > 0 else math.inf
    if factor > SAID:
        yield (
            factor,
            f"the reference film {film.row.file} of {load:.3g} ug cm-2, whose strongest band, at "
            f"{_place(film):.0f} cm-1, rises by an absorbance of {number(found, 2)} a ug cm-2, "
            f"{number(times, 2)} times what a thin organic film does",
        )


def _place(reference: MapSummary) -> float:
    return float(reference.wavenumber[reference.mean.argmax()])


def _expected(reference: MapSummary) -> float:
    """What the strongest band of a thin organic film rises by a ug cm-2."""
    return _EXPECTED * _place(reference) / _AT
