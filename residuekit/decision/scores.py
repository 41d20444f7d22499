"""What each score could see on each paint, from blanks, spiked mock-ups and references alone.

It stands fixed before an exposed map is opened: which scores are blind, and which one decides.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..errors import ContractError, Fault
from ..kernels import netsignal
from ..kernels.slope import Slope, slope_through_zero
from ..kernels.spatial import family_quantile
from ..markers import Marker, marker_weights, resolve
from ..reprs import as_frame, rows_html
from ..words.codes import blindness_words
from .assessment import Rules
from .blindness import Blindness, assess_blindness
from .controls import Controls, controls_of
from .score_maps import NET_UNIT

if TYPE_CHECKING:
    import pandas as pd

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Score:
    """One linear score on one paint: weights, what it can see there, and its pixel limit.

    `noise` is what noise alone gives one map's mean, in the score's own unit; `blank_mean` too.
    `pixel_limit` is in the unit of `blindness`: one blank map in twenty (at alpha 5 %) has a pixel
    above it, were its pixels independent and normal.
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

    @property
    def scale(self) -> float:
        """The slope b, or 1 when the score keeps its own unit."""
        return self.slope.value if self.slope is not None and self.slope.value > 0 else 1.0

    def loading(self, spectra: npt.ArrayLike) -> Floats:
        """Spectra (..., n) -> (w'y - blank mean) / b."""
        values: Floats = (np.asarray(spectra) @ self.weights - self.blank_mean) / self.scale
        return values


def scores_on(
    controls: Controls,
    markers: Sequence[Marker],
    rules: Rules,
    kinds: Sequence[str] = (schema.BAND, schema.NET_SIGNAL),
) -> tuple[Score, ...]:
    """Every score on one paint in the order fixed beforehand: the net signal, then the bands."""
    net, within = controls.metric.net, controls.metric.within
    made = []
    if net is not None and schema.NET_SIGNAL in kinds:
        made.append(_calibrate(controls, rules, schema.NET_SIGNAL, net.weights, NET_UNIT,
                               net.selectivity, net.standard_error))  # fmt: skip
    if schema.BAND in kinds:
        for marker, row in zip(markers, marker_weights(markers, controls.wavenumber), strict=True):
            sd = math.nan if within is None else math.sqrt(row @ within @ row)
            overlap = math.nan if net is None else _selectivity(net.target, controls.paint, row)
            made.append(_calibrate(controls, rules, schema.band_name(marker.name), row,
                                   marker.unit, overlap, sd))  # fmt: skip
    return tuple(made)


def _calibrate(
    controls: Controls,
    rules: Rules,
    name: str,
    weights: Floats,
    unit: str,
    selectivity: float,
    pixel_sd: float,
) -> Score:
    values = controls.blanks @ weights
    scatter = float(values.std(ddof=1)) if values.size > 1 else 0.0
    noise = pixel_sd / math.sqrt(controls.pixels_per_map)
    fit = slope_through_zero(controls.loadings, controls.responses @ weights, scatter)
    slope = fit if fit.n_spiked >= 2 else None
    blindness = assess_blindness(
        values, slope, noise=noise, acceptance_limit=rules.acceptance_limit, unit=unit
    )
    quantile = family_quantile(max(1, round(controls.pixels_per_map)), rules.alpha)
    scale = slope.value if slope is not None and slope.value > 0 else 1.0
    limit = quantile * math.hypot(pixel_sd, scatter) / scale
    return Score(
        name, weights, unit, selectivity, noise, blindness, slope, float(values.mean()), limit
    )


def deciding(scores: Iterable[Score]) -> Score | None:
    """The first score that is not blind, or None when all are."""
    return next((score for score in scores if not score.blindness.blind), None)


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

        The deciding score is fixed by order, never by the lowest limit of the study at hand.
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
