"""The net signal of a paint: its metric from blank maps and replicates, weights from the gel."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..errors import ResiduekitError
from ..kernels import netsignal
from ..kernels.paint_change import fitted_change, smooth_change
from ..spectra.arrays import listed, mean_spectrum, same_axis, valid_spectra
from ..words.codes import Note

Floats = npt.NDArray[np.float64]

#: Strips into which a single blank is cut, so that one part can check the other.
_STRIPS = 5


@dataclass(frozen=True)
class Metric:
    """The covariance within a stratum's blank maps, and the net signal or why there is none."""

    within: Floats | None
    net: netsignal.NetSignal | None
    missing: Note | None = None


def make_metric(
    scatters: Iterable[netsignal.Scatter],
    references: Sequence[npt.ArrayLike] | Floats,
    wavenumber: npt.ArrayLike,
    replicates: Sequence[npt.ArrayLike],
    without: Note,
) -> Metric:
    """Pool the scatter within blank maps and make the net signal in it.

    Parameters
    ----------
    scatters : one a blank map; fewer than two give no metric.
    references : spectra (n_wavenumber,) of the pure material; `without` is the note where there
        are none.
    replicates : see `net_from_scatters`.
    """
    try:
        pooled = netsignal.pool(scatters)
    except ResiduekitError as problem:
        return Metric(None, None, _no_net(problem))
    within = pooled.products.sum(axis=0) / pooled.dof.sum()
    if not len(references):
        return Metric(within, None, without)
    try:
        net = net_from_scatters(pooled, references, wavenumber, replicates=replicates)
    except ResiduekitError as problem:
        return Metric(within, None, _no_net(problem))
    return Metric(within, net)


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
    scatters: Iterable[netsignal.Scatter] | netsignal.PooledScatter,
    references: Sequence[npt.ArrayLike] | Floats,
    wavenumber: npt.ArrayLike,
    nuisances: npt.ArrayLike | None = None,
    replicates: Sequence[npt.ArrayLike] = (),
) -> netsignal.NetSignal:
    """Make the net signal from what a pass over the blanks has kept of each map.

    `replicates` are groups of mock-up means that no arm is compared with; three degrees of freedom
    or more measure how mock-ups of this paint differ (`paint_change.fitted_change`), else a mild
    change is declared.
    """
    pooled = scatters if isinstance(scatters, netsignal.PooledScatter) else netsignal.pool(scatters)
    gel = np.array(references, dtype=float)
    metric = netsignal.blank_metric(pooled)
    found = fitted_change(wavenumber, replicates, metric, gel)
    change = smooth_change(wavenumber, pooled.mean) if found is None else found.covariance
    shapes = netsignal.common_nuisances(wavenumber, pooled.mean)
    if nuisances is not None:
        shapes = np.vstack([shapes, np.atleast_2d(nuisances)])
    metric = netsignal.declare(netsignal.with_change(metric, change), shapes)
    return netsignal.net_signal(gel, metric)
