"""What each score could see on each paint, from blanks, spiked mock-ups and references alone.

It stands fixed before an exposed map is opened: which scores are blind, and which one decides.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from html import escape
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..errors import ContractError, Fault
from ..kernels import netsignal
from ..kernels.slope import Slope, loading_slope
from ..kernels.spatial import family_quantile
from ..markers import Marker, marker_weights, resolve
from ..reprs import as_frame, rows_html
from ..words.codes import Note, blindness_words
from .assessment import Rules
from .blank_values import blank_values, mean_weights
from .blindness import Blindness, assess_blindness, deciding_place
from .controls import Controls, controls_of
from .score_maps import NET_UNIT

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]
#: A band sees better than the net signal beyond this quantile of F ...
_SEES_BETTER = 0.80
#: ... with as many degrees of freedom at least.
_LEAST_FREEDOM = 4


@dataclass(frozen=True)
class Score:
    """One linear score on one paint: weights, what it can see there, and its pixel limit.

    `values` (n,), in the score's own unit, are those of the blank mock-ups, `blank_mean` their
    mean; `without` (n, n_wavenumber) are the weights made without each of these, `weights` their
    mean; `spiked` (k,) are the responses of the spiked mock-ups. `noise` is what noise alone gives
    one map's mean. `pixel_limit` is in the unit of `blindness`: one blank map in twenty (at alpha
    5 %) has a pixel above it, were its pixels independent and normal; `pixel_error` is the standard
    error of one pixel in that unit, `difference_limit` the limit of a pixel less another.
    """

    name: str
    weights: Floats = field(repr=False)
    own_unit: str
    selectivity: float
    noise: float
    blindness: Blindness
    slope: Slope | None
    blank_mean: float
    pixel_limit: float
    values: Floats = field(repr=False)
    without: Floats = field(repr=False)
    spiked: Floats = field(repr=False)
    pixel_error: float = math.nan
    difference_limit: float = math.nan

    @property
    def scale(self) -> float:
        """The slope b, or 1 when the score keeps its own unit."""
        return self.slope.value if self.slope is not None and self.slope.value > 0 else 1.0

    def loading(self, spectra: npt.ArrayLike) -> Floats:
        """Spectra (..., n) -> (w'y - blank mean) / b."""
        values: Floats = (np.asarray(spectra) @ self.weights - self.blank_mean) / self.scale
        return values

    def of_blank(self, place: int, own: Floats) -> Score:
        """The score by which blank mock-up number `place`, of mean spectrum `own`, and its maps are
        scored: made without it."""
        weights = self.without[place]
        level = float(weights @ own - (self.values[place] - self.blank_mean))
        return replace(self.bare(), weights=weights, blank_mean=level)

    def above(self, state: Floats) -> Score:
        """The score of what spectra differ by from this state of their mock-up."""
        return replace(self, blank_mean=self.blank_mean + float(self.weights @ state))

    def of_two_pixels(self) -> Score:
        """The score of what a pixel differs by from another: the scatter of both is in it."""
        error = math.sqrt(2) * self.pixel_error
        return replace(self, pixel_error=error, pixel_limit=self.difference_limit)

    def bare(self) -> Score:
        """The score without what only the controls need, to be handed to other processes."""
        return replace(self, without=np.empty((0, 0)), spiked=np.empty(0), values=np.empty(0))


def scores_on(
    controls: Controls,
    markers: Sequence[Marker],
    rules: Rules,
    kinds: Sequence[str] = (schema.BAND, schema.NET_SIGNAL),
) -> tuple[Score, ...]:
    """Every score on one paint in the order in which they may decide, fixed before exposed maps.

    The net signal, then the bands; a band before the net signal where it sees better
    (`sees_better`).
    """
    net, within = controls.metric.net, controls.metric.within
    made = []
    if net is not None and schema.NET_SIGNAL in kinds:
        without = controls.metric.weights[controls.rows]
        made.append(_calibrate(controls, rules, schema.NET_SIGNAL, without, NET_UNIT,
                               net.selectivity, net.standard_error))  # fmt: skip
    if schema.BAND in kinds:
        for marker, row in zip(markers, marker_weights(markers, controls.wavenumber), strict=True):
            sd = math.nan if within is None else math.sqrt(row @ within @ row)
            overlap = math.nan if net is None else _selectivity(net.target, controls.paint, row)
            without = np.broadcast_to(row, controls.blanks.shape)
            made.append(_calibrate(controls, rules, schema.band_name(marker.name), without,
                                   marker.unit, overlap, sd))  # fmt: skip
    band = sees_better(made, controls.loadings)
    if band is not None:
        made.sort(key=lambda score: score is not band.score)
    return tuple(made)


class Sharper(NamedTuple):
    """A band that sees better than the net signal: by how much more the net signal's spiked
    mock-ups scatter about their line, each in loadings, and above which ratio that counts."""

    score: Score
    ratio: float
    needed: float

    def note(self) -> Note:
        """The choice as a note."""
        numbers = {"score": self.score.name, "ratio": self.ratio, "needed": self.needed}
        return Note("band-sees-better", {**numbers, "n_spiked": self.score.spiked.size})


def sees_better(scores: Sequence[Score], loadings: Floats) -> Sharper | None:
    """The first band that is not blind, where it sees better than the net signal; else None.

    Asked of what does not enter the decision: (s/b)^2 of the net signal over that of the band, s
    the scatter of the spiked mock-ups about their line with free intercept (no blank enters) and b
    its slope, above F(0.80; k - 2, k - 2) with k - 2 of 4 or more. The scatter of the blanks
    chooses nothing.
    """
    from scipy.special import fdtri

    seeing = [score for score in scores if not score.blindness.blind]
    net = next((one for one in seeing if one.name == schema.NET_SIGNAL), None)
    band = next((one for one in seeing if one.name != schema.NET_SIGNAL), None)
    freedom = len(loadings) - 2
    if net is None or band is None or freedom < _LEAST_FREEDOM or np.ptp(loadings) == 0:
        return None
    needed = float(fdtri(freedom, freedom, _SEES_BETTER))
    own, rival = (_loading_error(loadings, one.spiked) ** 2 for one in (net, band))
    if own <= needed * rival:
        return None
    return Sharper(band, own / rival if rival else math.inf, needed)


def _loading_error(loadings: Floats, spiked: Floats) -> float:
    """The scatter s/b of spiked mock-ups about their line with free intercept, in loadings."""
    design = np.column_stack([np.ones_like(loadings), loadings])
    (level, slope), *_ = np.linalg.lstsq(design, spiked, rcond=None)
    left = spiked - level - slope * loadings
    return math.sqrt(left @ left / (len(loadings) - 2)) / slope if slope > 0 else math.inf


def _calibrate(
    controls: Controls,
    rules: Rules,
    name: str,
    without: Floats,
    unit: str,
    selectivity: float,
    pixel_sd: float,
) -> Score:
    blanks = controls.values()
    values, weights = blank_values(blanks, without), mean_weights(without)
    scatter = float(values.std(ddof=1)) if values.size > 1 else 0.0
    noise = pixel_sd / math.sqrt(controls.pixels_per_map)
    # What the blanks behind the responses are by weights that know them, above what they are.
    lean = np.einsum("ij,ij->i", weights - without, blanks).mean()
    spiked = controls.responses @ weights + np.asarray(controls.shared, dtype=float) * lean
    slope = loading_slope(
        controls.loadings, spiked, scatter, errors=controls.errors,
        film=controls.film_slope(weights),
    )  # fmt: skip
    blindness = assess_blindness(
        values, slope, noise=noise, acceptance_limit=rules.acceptance_limit, unit=unit
    )
    quantile = family_quantile(max(1, round(controls.pixels_per_map)), rules.alpha)
    scale = slope.value if slope is not None and slope.value > 0 else 1.0
    limit, of_two = (
        quantile * math.hypot(math.sqrt(n) * pixel_sd, scatter) / scale for n in (1, 2)
    )
    return Score(
        name, weights, unit, selectivity, noise, blindness, slope, float(values.mean()), limit,
        values, without, spiked, pixel_sd / scale, of_two,
    )  # fmt: skip


def deciding(scores: Sequence[Score]) -> Score | None:
    """The score that decides (`deciding_place`), or None where it is blind: then all are."""
    chosen = scores[deciding_place([one.blindness for one in scores])] if scores else None
    return None if chosen is None or chosen.blindness.blind else chosen


def marker_rows(stratum: Mapping[str, Any], scores: Sequence[Score]) -> list[dict[str, Any]]:
    """The rows of ``markers.csv`` for one paint."""
    chosen = deciding(scores)
    return [
        {
            "score": score.name,
            **stratum,
            "selectivity": score.selectivity,
            "slope": score.blindness.slope,
            "slope_se": score.blindness.slope_se,
            "slope_degrees_of_freedom": score.blindness.slope_degrees_of_freedom,
            "mockup_limit": score.blindness.mockup_limit,
            "noise_limit": score.blindness.noise_limit,
            "unit": score.blindness.unit,
            "blind": score.blindness.blind,
            "deciding": score is chosen,
        }
        for score in scores
    ]


@dataclass(frozen=True)
class BlindnessTable:
    """A row a score and paint: selectivity, slope, limits, blind or not, deciding or not."""

    rows: tuple[dict[str, Any], ...] = field(repr=False)
    reasons: tuple[str, ...] = field(repr=False)

    def to_frame(self) -> pd.DataFrame:
        """The table under the column names of ``markers.csv``."""
        return as_frame(self.rows)

    def recommendation(self) -> str:
        """Which score decides on each paint and, as advice for the next study, which band is best.

        The deciding score is fixed by order and spiked mock-ups, never by the lowest limit.
        """
        lines = []
        for paint in dict.fromkeys(row["paint"] for row in self.rows):
            rows = [row for row in self.rows if row["paint"] == paint]
            first = next((row for row in rows if row["deciding"]), None)
            said = "every score is blind" if first is None else f"{first['score']} decides"
            bands = [r for r in rows if r["score"].startswith(schema.BAND) and not r["blind"]]
            if bands:
                best = min(bands, key=lambda row: row["mockup_limit"])
                said += (
                    f"; of the bands, {schema.marker_of(best['score'])} sees least "
                    f"({best['mockup_limit']:.3g} {best['unit']}): advice for the next study"
                )
            lines.append(f"{paint}: {said}.")
        return "\n".join([*lines, *self.reasons])

    def __str__(self) -> str:
        return f"{self.to_frame().to_string(index=False)}\n{self.recommendation()}"

    def _repr_html_(self) -> str:
        advice = "".join(f"<p>{escape(line)}</p>" for line in self.recommendation().splitlines())
        return rows_html("What each score can see", self.rows) + advice


def blindness(
    *,
    blanks: Mapping[str, Sequence[xr.DataArray]],
    references: xr.DataArray | Sequence[xr.DataArray],
    markers: Sequence[Marker | str | dict[str, Any]],
    spiked: Mapping[str, Sequence[tuple[float, xr.DataArray]]] | None = None,
    acceptance_limit: float | None = None,
) -> BlindnessTable:
    """Ask which score can see what on which paint, before any exposed map is read.

    Parameters
    ----------
    blanks : paint -> one map or point set for each blank mock-up (two or more), after the
        procedure.
    references : the pure gel, after the same procedure.
    markers : names, `Marker`s or tables, in the order in which they would decide.
    spiked : paint -> (loading in ug cm-2, map) of each spiked mock-up; gives limits in ug cm-2.
    acceptance_limit : ug cm-2; a score whose limit lies above it, not for want of scans, is blind.

    Returns
    -------
    A `BlindnessTable`: a row a paint and score.

    Raises
    ------
    ContractError : a paint with fewer than two blanks, axes that differ.

    >>> import residuekit as rk
    >>> axis = np.arange(1000.0, 1200.0, 2.0)
    >>> gel = 0.2 * np.exp(-(((axis - 1092) / 12) ** 2))
    >>> rng = np.random.default_rng(1)
    >>> blanks = [
    ...     rk.make_points(1 + 0.002 * rng.normal(size=(50, axis.size)), axis) for _ in range(3)
    ... ]
    >>> table = rk.blindness(
    ...     blanks={"white": blanks},
    ...     references=rk.make_points(gel, axis),
    ...     markers=["pva C-O 1092"],
    ... )
    >>> [row["score"] for row in table.rows]
    ['net signal', 'band: pva C-O 1092']
    """
    chosen, rules = resolve(markers), Rules(acceptance_limit=acceptance_limit)
    rows, reasons = [], []
    for paint, maps in blanks.items():
        if len(maps) < 2:
            raise ContractError(
                Fault(f"{len(maps)} blank mock-ups of {paint!r}", "at least two, better six",
                      f"blanks={{{paint!r}: [map, map, ...]}} with one map a mock-up")
            )  # fmt: skip
        controls = controls_of(maps, references, (spiked or {}).get(paint, ()))
        scores = scores_on(controls, chosen, rules)
        stratum = dict(zip(schema.STRATUM_COLUMNS, (paint, "none", 0.0), strict=True))
        rows += marker_rows(stratum, scores)
        reasons += [
            f"{score.name} is blind on {paint}: "
            f"{blindness_words(score.blindness.code, score.blindness.numbers)}."
            for score in scores
            if score.blindness.blind
        ]
    return BlindnessTable(tuple(rows), tuple(reasons))


def _selectivity(reference: Floats, paint: Floats, weights: Floats) -> float:
    """Lorber's selectivity of a band: what of the gel, within the window, is not the paint's shape.

    Both spectra are taken over the channels with weights, each less its straight line between the
    window's ends; 0 where they have one shape, 1 where they share nothing.
    """
    used = np.flatnonzero(weights)
    ends = np.array([0, used.size - 1])
    gel, film = (
        spectrum - np.interp(np.arange(used.size), ends, spectrum[ends])
        for spectrum in (reference[used], paint[used])
    )
    return netsignal.nas(gel, film[None]).selectivity if gel.any() else 0.0
