"""What blanks, spiked mock-ups and references say of one paint, before an exposed map is opened."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..kernels import netsignal
from ..kernels.slope import Slope, film_slope
from ..spectra.arrays import listed, mean_spectrum, same_axis, valid_spectra
from ..words.codes import Note
from .net import Metric, make_metric
from .panel_layout import means_within, within_panels

Floats = npt.NDArray[np.float64]
#: A mock-up as labelled arrays: one map or points, or a list of arrays where it has several.
MockupArrays = xr.DataArray | Sequence[xr.DataArray]


@dataclass(frozen=True)
class Films:
    """Films of the pure material: `loadings` (k,) in ug cm-2, `spectra` (k, n), and the declared
    relative `errors` (k,) of the loadings."""

    loadings: Floats
    spectra: Floats
    errors: Floats

    def slope(self, weights: Floats) -> Slope:
        """The response per loading of a score of these weights (n,)."""
        return film_slope(self.loadings, self.spectra @ weights, self.errors)


@dataclass(frozen=True)
class Controls:
    """The numbers of the controls of one paint.

    `paint` (n,): the mean spectrum of the blanks; `blanks` (n_mockups, n): the value of each, its
    mean spectrum, less that before treatment where mock-ups are paired; `pixels_per_map`: mean
    count; `loadings` (k,) and `responses` (k, n): values of spiked mock-ups less the blank mean of
    their own stratum; `rows` (n_mockups,): the row of the metric's weights made without each blank;
    `shared` (k,), or one for all: the share of the blanks behind each response that is among
    `blanks`; `errors` (k,) likewise: declared relative errors of the loadings; `films`: those of
    known loading, which give the scale where fewer than two spiked mock-ups do; `panels`
    (n_mockups,): the panel of each blank, where arms are judged within panels, else empty.
    """

    wavenumber: Floats
    paint: Floats
    blanks: Floats
    metric: Metric
    pixels_per_map: float
    loadings: Floats
    responses: Floats
    rows: npt.NDArray[np.int_]
    shared: npt.ArrayLike = 1.0
    errors: npt.ArrayLike = 0.0
    films: Films | None = None
    panels: tuple[str, ...] = ()

    def values(self, places: npt.ArrayLike | None = None) -> Floats:
        """The spectra of the blanks, or of some, by which they count: within panels, where there
        are any."""
        chosen = np.arange(len(self.blanks)) if places is None else np.asarray(places, dtype=int)
        own = self.blanks[chosen]
        return within_panels(own, self.panels_at(chosen)) if self.panels else own

    def panels_at(self, places: npt.ArrayLike) -> list[str]:
        """The panels of some of the blanks; none where there are none."""
        return [self.panels[place] for place in np.asarray(places, dtype=int) if self.panels]

    def film_slope(self, weights: Floats) -> Slope | None:
        """The response of a score of these weights (n,) to the films; None without any."""
        return None if self.films is None else self.films.slope(weights)


def controls_of(
    blanks: Sequence[MockupArrays],
    references: MockupArrays,
    spiked: Sequence[tuple[float, MockupArrays]] = (),
    interferents: MockupArrays = (),
    films: Sequence[tuple[float, xr.DataArray]] = (),
    panels: tuple[Sequence[str], Sequence[str]] | None = None,
) -> Controls:
    """Gather what labelled arrays of one paint say; all after the procedure, on one axis.

    `panels` are those of the blanks and of the spiked mock-ups, where arms are judged within them.
    """
    maps = [listed(one, "maps of a blank") for one in blanks]
    gel, foreign = (
        [given] if isinstance(given, xr.DataArray) else list(given)
        for given in (references, interferents)
    )
    axis = maps[0][0][schema.WAVENUMBER].values
    means = mockup_spectra(axis, blanks)
    loadings = np.array([loading for loading, _ in spiked], dtype=float)
    loaded = mockup_spectra(axis, [one for _, one in spiked])
    pure = mockup_spectra(axis, [one for _, one in films])
    of_blanks, of_spiked = panels or ([""] * len(means), [""] * len(loaded))
    alike = [*zip(of_spiked, loadings, strict=True)]
    metric = make_metric(
        scatters_within([map(valid_spectra, mockup) for mockup in maps]),
        means_within(means, of_blanks),
        np.vstack([mockup_spectra(axis, gel), pure]),
        axis,
        [loaded[[other == one for other in alike]] for one in dict.fromkeys(sorted(alike))],
        no_reference("the gel"),
        mockup_spectra(axis, foreign),
    )
    return Controls(
        wavenumber=axis,
        paint=means.mean(axis=0),
        blanks=means,
        metric=metric,
        pixels_per_map=float(np.mean([one["valid"].values.sum() for own in maps for one in own])),
        loadings=loadings,
        responses=loaded - means.mean(axis=0),
        rows=metric.rows_of(len(means)),
        films=Films(np.array([loading for loading, _ in films], dtype=float), pure,
                    np.zeros(len(films))) if films else None,
    )  # fmt: skip


def no_reference(material: str, lost: Sequence[str] = ()) -> Note:
    """That there is no reference of a material, or none of use: nothing is said of its residue."""
    return Note("no-reference", {"material": material, "lost": list(lost)})


def mockup_spectra(axis: Floats, mockups: Sequence[MockupArrays]) -> Floats:
    """The mean spectra (m, n) of mock-ups, each the mean of its maps' means, all on one axis."""
    rows = []
    for mockup in mockups:
        maps = listed(mockup, "maps of a mock-up")
        for one in maps:
            same_axis(axis, one[schema.WAVENUMBER].values)
        rows.append(np.mean([mean_spectrum(one) for one in maps], axis=0))
    return np.reshape(rows, (-1, axis.size))


def scatters_within(
    mockups: Sequence[Iterable[npt.NDArray[Any] | netsignal.Scatter]],
) -> Iterator[netsignal.Scatter]:
    """The scatter within each map of spectra, or that made of it, numbered by its mock-up; single
    spectra of one mock-up count as a map. The maps of an only mock-up count as one each."""
    for place, maps in enumerate(mockups):
        mockup, points = place if len(mockups) > 1 else None, []
        for spectra in maps:
            if isinstance(spectra, netsignal.Scatter):
                yield replace(spectra, mockup=mockup)
            elif len(spectra) > 1:
                yield netsignal.scatter(spectra, mockup)
            else:
                points.append(np.asarray(spectra, dtype=float)[0])
        if len(points) > 1:
            yield netsignal.scatter(points, mockup)
