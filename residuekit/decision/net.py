"""The net signal of a paint: its metric from blank maps and replicates, weights from the gel."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import chain

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..errors import ResiduekitError
from ..kernels import netsignal
from ..kernels.paint_change import FittedChange, fitted_change, smooth_change
from ..spectra.arrays import listed, mean_spectrum, same_axis, valid_spectra
from ..words.codes import Note

Floats = npt.NDArray[np.float64]

#: Blank mock-ups of one spectrum each that make a net signal by how they differ.
ENOUGH_MEANS = 6
#: Strips into which a single blank is cut, so that one part can check the other.
_STRIPS = 5


@dataclass(frozen=True)
class Metric:
    """The covariance within a stratum's blank maps, and the net signal or why there is none.

    `weights` (n_folds + 1, n): those of the net signal made without each group of blank mock-ups,
    then their mean, which is for what is no blank; `folds` says in which group a mock-up is;
    `interferents` (k, n) are measured spectra of foreign matter.
    """

    within: Floats | None
    net: netsignal.NetSignal | None
    missing: Note | None = None
    weights: Floats = field(default_factory=lambda: np.empty((0, 0)), repr=False)
    folds: Mapping[int, int] = field(default_factory=dict, repr=False)
    interferents: Floats = field(default_factory=lambda: np.empty((0, 0)), repr=False)

    def rows_of(self, n_blanks: int) -> npt.NDArray[np.int_]:
        """The row of `weights` by which each blank mock-up is scored; the mean where it gave no
        scatter."""
        return np.array([self.folds.get(place, -1) for place in range(n_blanks)], dtype=int)


def make_metric(
    scatters: Iterable[netsignal.Scatter],
    blanks: Floats,
    references: Sequence[npt.ArrayLike] | Floats,
    wavenumber: npt.ArrayLike,
    replicates: Sequence[npt.ArrayLike],
    without: Note,
    interferents: npt.ArrayLike = (),
    others: npt.ArrayLike = (),
) -> Metric:
    """Pool the scatter within blank maps and make the net signal in it.

    Where mock-ups are single spectra, `ENOUGH_MEANS` blanks or more tell by how they differ.

    Parameters
    ----------
    scatters : one a blank map; blanks (n, n_wavenumber) : the mean spectrum of each mock-up.
    references : spectra (n_wavenumber,) of the pure material; `without` is the note where there
        are none.
    replicates : groups of mock-up means that no arm is compared with; three degrees of freedom or
        more measure how mock-ups of this paint differ, else a mild change is declared.
    interferents : (k, n_wavenumber) spectra of known foreign matter.
    others : (k, n_wavenumber) spectra of the other materials that an arm may carry; declared, so
        that the net signal does not answer to them.
    """
    of_maps = iter(scatters)
    first = next(of_maps, None)
    if first is None and len(blanks) < ENOUGH_MEANS:
        numbers = {"n": len(blanks), "needed": ENOUGH_MEANS}
        return Metric(None, None, Note("single-spectra", numbers))
    try:
        pooled = (
            netsignal.pool_means(blanks)
            if first is None
            else netsignal.pool(chain([first], of_maps))
        )
        metric, crossed = netsignal.crossed_metrics(pooled)
    except ResiduekitError as problem:
        return Metric(None, None, _no_net(problem))
    total, freedom = pooled.total
    within, folds = None if first is None else total / freedom, pooled.folds if crossed else {}
    del pooled, total  # each of a score of (n, n) matrices: no more are held than are needed
    if not len(references):
        return Metric(within, None, without)
    axis, gel = np.asarray(wavenumber, dtype=float), np.array(references, dtype=float)
    try:
        beside = np.reshape(others, (-1, axis.size))
        whole, change = _changed(metric, gel, axis, replicates, others=beside)
        net = netsignal.net_signal(gel, whole)
        changed = (_changed(own, gel, axis, replicates, change, beside)[0] for own in crossed)
        rows = [netsignal.net_signal(gel, one).weights for one in changed] or [net.weights]
    except ResiduekitError as problem:
        return Metric(within, None, _no_net(problem))
    weights = np.vstack([rows, np.mean(rows, axis=0)])
    foreign = np.reshape(np.asarray(interferents, dtype=float), (-1, axis.size))
    return Metric(within, net, None, weights, folds, foreign)


def _changed(
    metric: netsignal.BlankMetric,
    gel: Floats,
    axis: Floats,
    replicates: Sequence[npt.ArrayLike],
    near: FittedChange | None = None,
    others: Floats | None = None,
) -> tuple[netsignal.BlankMetric, FittedChange | None]:
    """The metric with the paint's own change, measured or declared, and the common nuisances."""
    found = fitted_change(axis, replicates, metric, gel, near)
    change = smooth_change(axis, metric.mean) if found is None else found.covariance
    shapes = _nuisances(axis, metric)
    if others is not None:
        shapes = np.vstack([shapes, others])
    return netsignal.declare(netsignal.with_change(metric, change), shapes), found


def _nuisances(axis: Floats, metric: netsignal.BlankMetric) -> Floats:
    return netsignal.common_nuisances(axis, metric.mean)


def _no_net(problem: ResiduekitError) -> Note:
    return Note("no-net-signal", {"found": problem.faults[0].found})


def net_signal(
    references: xr.DataArray | Iterable[xr.DataArray],
    blanks: xr.DataArray | Iterable[xr.DataArray],
    nuisances: npt.ArrayLike | None = None,
) -> netsignal.NetSignal:
    """Make the weights of the net signal once, for many arrays that `score_by_net` scores.

    Parameters
    ----------
    references, blanks, nuisances : as in `net_signal_score`.

    Returns
    -------
    A `NetSignal`: `weights`, `standard_error` of a pixel, `selectivity`.

    Raises
    ------
    ContractError : no blank or reference, axes that differ.

    >>> import residuekit as rk
    >>> axis, rng = np.arange(1000.0, 1200.0, 4.0), np.random.default_rng(1)
    >>> gel = rk.make_points(np.exp(-(((axis - 1092) / 12) ** 2)), axis)
    >>> paint = rk.make_points(1 + 0.002 * rng.normal(size=(50, axis.size)), axis)
    >>> rk.net_signal(gel, paint).weights.shape
    (50,)
    """
    gel, paint = listed(references, "references"), listed(blanks, "blanks")
    axis = paint[0][schema.WAVENUMBER].values
    for other in (*gel, *paint):
        same_axis(axis, other[schema.WAVENUMBER].values)
    scatters = [netsignal.scatter(valid_spectra(blank)) for blank in paint]
    if len(scatters) == 1:
        strips = np.array_split(valid_spectra(paint[0]), _STRIPS)
        scatters = [netsignal.scatter(strip) for strip in strips]
    spectra = [mean_spectrum(reference) for reference in gel]
    return net_from_scatters(scatters, spectra, axis, nuisances)


def net_from_scatters(
    scatters: Iterable[netsignal.Scatter],
    references: Sequence[npt.ArrayLike] | Floats,
    wavenumber: npt.ArrayLike,
    nuisances: npt.ArrayLike | None = None,
    replicates: Sequence[npt.ArrayLike] = (),
) -> netsignal.NetSignal:
    """Make the net signal from what a pass over the blanks has kept of each map.

    `replicates` as in `make_metric`; `nuisances` (k, n_wavenumber) are declared besides the common
    ones.
    """
    axis, gel = np.asarray(wavenumber, dtype=float), np.array(references, dtype=float)
    metric, _ = _changed(netsignal.blank_metric(netsignal.pool(scatters)), gel, axis, replicates)
    if nuisances is not None:
        shapes = np.vstack([_nuisances(axis, metric), np.atleast_2d(nuisances)])
        metric = netsignal.declare(metric, shapes)
    return netsignal.net_signal(gel, metric)
