"""Limits by injection: the gel's spectrum added to real blank maps before the procedure."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .. import schema
from ..errors import ContractError, Fault
from ..spectra.arrays import mean_spectrum, same_axis, valid_spectra
from . import arguments as check
from .blanks import LEAST, from_blanks
from .limit import Limit, number

if TYPE_CHECKING:
    import xarray as xr

    from ..spectra.procedure import Procedure

METHOD = "injection of the reference into real blanks before the procedure"
WORDS = {"pixel": "pixels", "map": "maps", "mockup": "mock-ups"}
CAVEATS = (
    "additive only: the gel's absorbance is added to the paint's; what a gel does to the paint "
    "(leaching, swelling), coupling between layers and reflection are not in it",
    "the load lies evenly over every pixel",
    "spiked mock-ups alone prove a limit",
)


@dataclass(frozen=True)
class _Injected:
    """Blank maps of each mock-up as measured, and all that is done to them."""

    maps: tuple[tuple[xr.DataArray, ...], ...]
    gel: check.Floats
    procedure: Procedure
    score: Callable[[xr.DataArray], xr.Dataset]
    level: str

    def values(self, load: float) -> check.Floats:
        """The scores of the pixels, maps or mock-ups that carry this load."""
        pixels = [[self._scores(one, load) for one in maps] for maps in self.maps]
        if self.level == "pixel":
            return np.concatenate([block for maps in pixels for block in maps])
        means = [[block.mean() for block in maps] for maps in pixels]
        if self.level == "map":
            return np.concatenate(means)
        return np.array([np.mean(maps) for maps in means])

    def _scores(self, blank: xr.DataArray, load: float) -> check.Floats:
        scored = self.score(self.procedure.apply(_inject(blank, load * self.gel)))
        values = scored["score"]
        if values.sizes.get("marker") != 1:
            raise ContractError(
                Fault(f"a score with dims {dict(values.sizes)}", "one score, dims (1, ...)",
                      "score=lambda m: residuekit.band_score(m, ['pva C-O 1092'])")
            )  # fmt: skip
        found = np.asarray(values, dtype=float)
        return np.asarray(found[np.isfinite(found)])


def from_injection(
    blanks: Mapping[str, xr.DataArray | Sequence[xr.DataArray]],
    reference: xr.DataArray,
    score: Callable[[xr.DataArray], xr.Dataset],
    *,
    procedure: Procedure,
    loadings: Any,
    reference_loading: float | None = None,
    level: str = "mockup",
    alpha: float = 0.05,
    beta: float = 0.05,
    confidence: float = 0.90,
) -> Limit:
    """Make a limit by adding known loads of the gel's spectrum to real blank maps.

    The gel is added as measured, before the procedure, so that what the procedure takes from a
    band (a baseline that follows it, say) is in the limit. The scatter is that of the blanks:
    t s h and delta s h, h = sqrt(1 + 1/n), with the exact delta of Currie (IUPAC 1995), as in
    `from_blanks`; a score becomes a load by the measured mean response to the injected loads,
    joined by straight lines, so that neither score nor procedure need be linear. The load of the
    limit is then injected in turn, and the share found stands in the notes.

    Parameters
    ----------
    blanks : mock-up -> its map, or maps, as measured, absorbance or transmittance; three mock-ups
        or more (three maps, three pixels for those levels).
    reference : the pure gel's absorbance, on the same axis, before the procedure; its mean is used.
    score : takes a map after the procedure, returns one score in the form of
        `residuekit.band_score`.
    loadings : loads to inject, above zero, one or more; in ug cm-2 where `reference_loading`, the
        load of the reference, is given, else in shares of the reference.
    level : ``pixel``, ``map`` or ``mockup``: what the limit is a limit of.
    confidence : of the interval of the limit: the chi-square interval of the scatter, carried to
        loads; infinite where it leaves the loads injected.

    Returns
    -------
    A `PixelLimit`, `MapLimit` or `MockupLimit`, as `level` says.

    Raises
    ------
    ContractError : too few blanks, axes that differ, a quantity to which nothing can be added, a
        response that does not rise, loads that do not reach the detection limit.

    >>> import residuekit as rk
    >>> axis, rng = np.arange(1000.0, 1200.0, 4.0), np.random.default_rng(1)
    >>> blanks = {name: rk.make_points(0.01 * rng.normal(size=(9, 50)), axis) for name in "abcd"}
    >>> limit = from_injection(
    ...     blanks,
    ...     rk.make_points(np.exp(-(((axis - 1092) / 15) ** 2)), axis),
    ...     lambda m: rk.band_score(m, ["pva C-O 1092"]),
    ...     procedure=rk.Procedure(),
    ...     loadings=[0.01, 0.1],
    ... )
    >>> limit.level, 0 < limit.decision_limit < limit.detection_limit
    ('mockup', True)
    """
    check.choose(level, WORDS, "level")
    loads = np.unique(check.numbers(loadings, "loadings", 1))
    check.positive(float(loads[0]), "loadings", "a load to inject")
    injected = _injected(blanks, reference, score, procedure, reference_loading, level)
    zero = injected.values(0.0)
    check.enough(zero.size, f"blank {WORDS[level]}", LEAST)
    unit = "reference" if reference_loading is None else "ug cm-2"
    in_score = from_blanks(
        zero, level=level, alpha=alpha, beta=beta, unit=unit, confidence=confidence
    )
    mean = np.array([0.0, *(injected.values(load).mean() - zero.mean() for load in loads)])
    grid = np.concatenate([[0.0], loads])
    if not (np.diff(mean) > 0).all():
        raise ContractError(
            Fault(f"mean responses {', '.join(map(number, mean))} to {', '.join(map(number, grid))}"
                  f" {unit}", "a response that rises with every load",
                  "a score that answers to the gel after this procedure, or lower loadings")
        )  # fmt: skip

    def load_of(response: float) -> float:
        return float(np.interp(response, mean, grid)) if response <= mean[-1] else math.inf

    detection = load_of(in_score.detection_limit)
    if math.isinf(detection):
        raise ContractError(
            Fault(f"loadings up to {number(loads[-1])} {unit}, whose response is "
                  f"{number(mean[-1])} where {number(in_score.detection_limit)} is needed",
                  "a load above the detection limit",
                  f"loadings up to {number(2 * loads[-1] * in_score.detection_limit / mean[-1])}")
        )  # fmt: skip
    found = int((injected.values(detection) > in_score.critical_response).sum())
    decision_interval, detection_interval = (
        (load_of(low), load_of(high))
        for low, high in (in_score.decision_interval, in_score.detection_interval)
    )
    return replace(
        in_score,
        method=f"{METHOD}; {in_score.method}",
        decision_limit=load_of(in_score.decision_limit),
        detection_limit=detection,
        decision_interval=decision_interval,
        detection_interval=detection_interval,
        notes=(*CAVEATS, *_measured(mean, grid, found, zero.size, level)),
    )


def _measured(
    mean: check.Floats, grid: check.Floats, found: int, count: int, level: str
) -> tuple[str, ...]:
    slopes = np.diff(mean) / np.diff(grid)
    notes = [
        f"response per unit of load {number(slopes[0])} at first, {number(slopes[-1])} at last",
        f"at the detection limit {found} of {count} {WORDS[level]} are found",
    ]
    if level == "pixel":
        notes.append("neighbouring pixels vary together: the interval is too narrow")
    return tuple(notes)


def _injected(
    blanks: Mapping[str, xr.DataArray | Sequence[xr.DataArray]],
    reference: xr.DataArray,
    score: Callable[[xr.DataArray], xr.Dataset],
    procedure: Procedure,
    reference_loading: float | None,
    level: str,
) -> _Injected:
    import xarray as xr

    pure = schema.check(reference, quantity="absorbance")
    axis = pure[schema.WAVENUMBER].values
    maps = tuple(
        tuple(
            schema.check(one, quantity=("absorbance", "transmittance"))
            for one in ([given] if isinstance(given, xr.DataArray) else given)
        )
        for given in blanks.values()
    )
    for name, own in zip(blanks, maps, strict=True):
        if not own or not all(len(valid_spectra(one)) for one in own):
            raise ContractError(
                Fault(f"the mock-up {name!r} without a map of valid pixels", "one map or more",
                      "leave the mock-up out")
            )  # fmt: skip
        for one in own:
            same_axis(axis, one[schema.WAVENUMBER].values)
    load = 1.0
    if reference_loading is not None:
        load = check.positive(reference_loading, "reference_loading", "ug cm-2 of the reference")
    return _Injected(maps, mean_spectrum(pure) / load, procedure, score, level)


def _inject(blank: xr.DataArray, film: check.Floats) -> xr.DataArray:
    """The blank under a film of this absorbance, as if it had been measured so."""
    values = np.asarray(blank, dtype=np.float64)
    under = values * 10.0**-film if blank.name == "transmittance" else values + film
    return schema.marked(blank.copy(data=under.astype(blank.dtype)))
