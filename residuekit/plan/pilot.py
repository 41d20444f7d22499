"""What blanks taught: the scatter of a score, taken apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ..calibration.arguments import positive
from ..decision.blindness import LIMIT_FACTOR
from ..decision.pairs import BEFORE, common_way
from ..decision.panel_layout import (
    BLOCK,
    Panels,
    on_panels_of_two,
    one_panel,
    panels_that_serve,
)
from ..errors import ContractError, Fault, did_you_mean
from ..reprs import as_html, as_text
from ..schema import LOADING_UNIT, STRATUM_COLUMNS
from .effort import Design

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from ..results import StudyResult

#: Blank and spiked mock-ups of the study whose net signal a simulated pilot takes.
_STUDY = 6
_OF = {
    BEFORE: "differences of mock-ups from their state before treatment",
    BLOCK: "mock-ups within their panels",
}


@dataclass(frozen=True)
class Pilot:
    """What blanks taught of one score: standard deviations in ug cm-2.

    `mockup` from mock-up to mock-up, `map` from map to map of one mock-up beyond noise (for maps
    as large as the pilot's), `noise` of one pixel at one scan. `n_mockups` are behind `mockup`.
    `paired` is ``before`` where a mock-up's score is what it differs by from its state before
    treatment, and ``block`` where it is taken within its panel, of which there are `panels`.
    """

    mockup: float
    map: float
    noise: float
    n_mockups: int
    source: str
    paired: str = ""
    panels: int = 1

    @property
    def freedom(self) -> int:
        """The degrees of freedom of `mockup`: each panel takes one."""
        return self.n_mockups - self.panels

    @property
    def states(self) -> int:
        """How often each mock-up is measured."""
        return 2 if self.paired == BEFORE else 1

    def layout(self, design: Design) -> Panels:
        """How the mock-ups of a design lie: within panels on such with two blanks each."""
        lay = on_panels_of_two if self.paired == BLOCK else one_panel
        return lay(design.blanks, design.mockups)

    def shares(self, design: Design) -> dict[str, float]:
        """Variances of a mock-up's mean score: from mock-ups, maps, noise."""
        return {
            "mock-ups": self.mockup**2,
            "maps": self.map**2 / design.maps,
            "noise": self.noise**2 / (design.maps * design.pixels * design.scans),
        }

    def scatter(self, design: Design) -> float:
        """Standard deviation of the score of one mock-up."""
        return math.sqrt(sum(self.shares(design).values()))

    def __str__(self) -> str:
        return as_text("Pilot (standard deviations in ug cm-2)", self._shown())

    def _repr_html_(self) -> str:
        return as_html("Pilot (standard deviations in ug cm-2)", self._shown())

    def _shown(self) -> dict[str, Any]:
        return {name: value for name, value in asdict(self).items()
                if self.paired or name not in ("paired", "panels")}  # fmt: skip


def from_blanks(
    scores: Sequence[Sequence[npt.ArrayLike]],
    *,
    noise: float,
    scans: int,
    slope: float = 1.0,
    source: str = "pilot blanks",
) -> Pilot:
    """Take the scatter of pilot blanks apart: mock-ups, maps, noise.

    One-way analysis of variance on the means of the maps; a variance below zero counts as zero.
    With one map a mock-up, maps and mock-ups cannot be told apart, and `map` is 0.

    Parameters
    ----------
    scores : mock-up -> maps -> pixel scores (any shape, NaN left out).
    noise : standard deviation of a pixel's score by noise alone, at `scans` scans.
    slope : score of 1 ug cm-2; 1 where the scores are in ug cm-2.

    Returns
    -------
    A `Pilot`.

    Raises
    ------
    ContractError : fewer than 3 mock-ups, mock-ups with different numbers of maps, no scatter.

    >>> pilot = from_blanks([[[0.1]], [[0.3]], [[-0.1]]], noise=0.05, scans=64)
    >>> round(pilot.mockup, 1), pilot.n_mockups
    (0.2, 3)
    """
    counts = {len(maps) for maps in scores}
    if len(scores) < 3 or len(counts) != 1 or 0 in counts:
        raise ContractError(
            Fault(f"{len(scores)} blank mock-ups with {sorted(counts)} maps",
                  "3 or more mock-ups with equally many maps", "drop the maps that are too many")
        )  # fmt: skip
    positive(slope, "slope", "the score of 1 ug cm-2")
    n_maps = counts.pop()
    values = [[np.asarray(one, dtype=float) for one in maps] for maps in scores]
    means = np.array([[np.nanmean(one) for one in maps] for maps in values]) / slope
    pixels = np.mean([[np.isfinite(one).sum() for one in maps] for maps in values])
    of_mockups = float(means.mean(axis=1).var(ddof=1))
    inside = float(means.var(axis=1, ddof=1).mean()) if n_maps > 1 else 0.0
    noise_of_map = (noise / slope) ** 2 / pixels
    return Pilot(
        mockup=math.sqrt(max(of_mockups - (inside or noise_of_map) / n_maps, 0.0)),
        map=math.sqrt(max(inside - noise_of_map, 0.0)),
        noise=noise / slope * math.sqrt(scans),
        n_mockups=len(scores),
        source=source,
    )


def from_run(run: StudyResult, *, scans: int, paint: str | None = None) -> Pilot:
    """Take the pilot from a finished run with spiked mock-ups: its deciding score on one paint.

    The first stratum of that paint, its water-only blanks where it has any. A run keeps limits a
    mock-up, so maps and mock-ups are not told apart. Where mock-ups are single spectra, nor is
    noise: it stays in `mockup`, and `noise` is 0. Where all its arms are paired, with states
    before treatment or within panels, so are the scatter and `Pilot.paired`.

    Parameters
    ----------
    run : a finished run with spiked mock-ups.
    scans : how many a spectrum of that run was made of.
    paint : the first, when left out.

    Returns
    -------
    A `Pilot`.

    Raises
    ------
    ContractError : an unknown paint, or no deciding score in ug cm-2.
    """
    row, blanks = pilot_blanks(run, paint)
    maps, pixels = blanks["n_maps"].mean(), (blanks["n_pixels"] / blanks["n_maps"]).mean()
    scatter, noise = row["mockup_limit"] / LIMIT_FACTOR, row["noise_limit"] / LIMIT_FACTOR
    arms = run.verdicts
    own = np.all([arms[name] == row[name] for name in (*STRATUM_COLUMNS, "residue")], axis=0)
    paired, panels = common_way(arms.loc[own, "paired"]), 1
    if paired == BEFORE:
        # Each difference holds the noise of two states.
        noise *= math.sqrt(2)
        blanks = blanks[np.isfinite(blanks["before"].to_numpy(dtype=float))]
    elif paired == BLOCK:
        serve = panels_that_serve(blanks["block"])
        blanks, panels = blanks[blanks["block"].isin(serve)], len(serve)
    of = f", {_OF[paired]}" if paired else ""
    if not math.isfinite(noise):
        noise, of = 0.0, f"{of}, single spectra: their noise counts as scatter of mock-ups"
    return Pilot(
        mockup=math.sqrt(max(scatter**2 - noise**2 / maps, 0.0)),
        map=0.0,
        noise=float(noise * math.sqrt(pixels * scans)),
        n_mockups=len(blanks),
        source=f"{row['score']} of a run, {row['paint']}{of}",
        paired=paired,
        panels=panels,
    )


def pilot_blanks(run: StudyResult, paint: str | None) -> tuple[pd.Series, pd.DataFrame]:
    """The row of ``markers.csv`` of the deciding score on a paint (the first when left out), and
    the blanks of the first stratum of that paint, water-only ones where it has any."""
    table = run.markers
    wanted = str(table["paint"].iloc[0]) if paint is None else paint
    rows = table[(table["paint"] == wanted) & (table["unit"] == LOADING_UNIT) & table["deciding"]]
    if rows.empty:
        raise ContractError(
            Fault(f"no deciding score in {LOADING_UNIT} on the paint {wanted!r}",
                  "a run with spiked mock-ups on that paint",
                  did_you_mean(wanted, sorted(set(table["paint"]))))
        )  # fmt: skip
    row = rows.iloc[0]
    table = run.mockups
    stratum = [table[name] == row[name] for name in (*STRATUM_COLUMNS, "score")]
    blanks = table[np.all([table["role"] == "blank", *stratum], axis=0)]
    if (blanks["treatment"] == "water").any():
        blanks = blanks[blanks["treatment"] == "water"]
    return row, blanks


def from_simulator(
    paint: str = "alkyd",
    gel: str = "PVA cryogel",
    *,
    n_mockups: int = 20,
    maps: int = 2,
    shape: tuple[int, int] = (12, 12),
    axis: tuple[float, float, float] = (900.0, 1800.0, 6.0),
    scans: int = 64,
    seed: int = 0,
) -> Pilot:
    """Take the pilot from simulated blanks: the net signal of a gel on a paint (invented data).

    The net signal is that of a study with six blank maps and six spiked mock-ups; all pilot blanks
    tell its scatter.

    Parameters
    ----------
    paint, gel : names that `residuekit.simulate` knows.
    n_mockups, maps : blank mock-ups, and maps of each.
    shape : pixels (n_y, n_x).
    axis : lowest and highest wavenumber and spacing, cm-1.
    scans : behind each spectrum.
    seed : the same seed gives the same pilot.

    Returns
    -------
    A `Pilot`.

    Raises
    ------
    ContractError : an unknown paint or gel.
    """
    from .. import simulate
    from ..decision.net import net_from_scatters
    from ..decision.score_maps import score_by_net
    from ..kernels import netsignal
    from ..simulate.fields import stream
    from ..simulate.maps import even_axis
    from ..spectra.arrays import mean_spectrum, valid_spectra

    wavenumber = even_axis(*axis)
    instrument = simulate.Instrument(scans=scans)

    def maps_of(one: int) -> list[xr.DataArray]:
        place = stream(seed, paint, one)
        mockup = simulate.draw_mockup(paint, wavenumber, place)
        return [
            simulate.simulate_map(paint, shape, wavenumber, mockup=mockup,
                                  instrument=instrument, seed=stream(place, number))[0]
            for number in range(maps)
        ]  # fmt: skip

    blanks = [maps_of(one) for one in range(n_mockups)]
    means = [[mean_spectrum(one) for one in group] for group in blanks]
    others = [np.mean([mean_spectrum(one) for one in maps_of(n_mockups + k)], axis=0)
              for k in range(_STUDY)]  # fmt: skip
    net = net_from_scatters(
        [netsignal.scatter(valid_spectra(group[0])) for group in blanks[:_STUDY]],
        [simulate.gel_response(gel, wavenumber)],
        wavenumber,
        replicates=np.array_split(others, 2),
    )
    channel_noise = instrument.noise * 10 ** np.mean(means, axis=(0, 1)) / math.log(10)
    return from_blanks(
        [[score_by_net(one, net)["score"].values for one in group] for group in blanks],
        noise=float(np.linalg.norm(net.weights * channel_noise)),
        scans=scans,
        source=f"net signal of simulated {gel} on {paint} (invented data)",
    )
