"""Absorption that grows with ageing only where gel was applied."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from ..decision.comparator import comparator_places
from ..errors import ContractError, Fault
from ..schema import STRATUM_COLUMNS, WAVENUMBER
from ..words import findings as words
from .age_change import change, combine, is_paired
from .finding import Shown
from .series import AGES

_AGES = [name for name in AGES if name != "residue"]

if TYPE_CHECKING:
    import xarray as xr

    from ..results import StudyResult

Floats = npt.NDArray[np.float64]
_GROUPS = 4


class Growth(NamedTuple):
    """The interaction channel by channel, its standard error, and the limit for all channels."""

    grown: Floats
    standard_error: Floats
    limit: Floats


def growth_by_gel(
    gel_young: npt.ArrayLike,
    gel_aged: npt.ArrayLike,
    blank_young: npt.ArrayLike,
    blank_aged: npt.ArrayLike,
    mockups: Sequence[Sequence[str]] | None = None,
    alpha: float = 0.05,
) -> Growth:
    """Find absorption that grows with ageing only where gel was applied: the interaction.

    d = (gel aged - gel young) - (blank aged - blank young), of means of mock-ups. Limit: d above
    t(1 - p, nu) SE with 1 - (1 - p)^channels = alpha (Šidák 1967), nu after Satterthwaite channel
    by channel: the chance that any channel of a spectrum without such growth passes is about alpha,
    less where channels vary together.

    Parameters
    ----------
    gel_young, gel_aged, blank_young, blank_aged : (n mock-ups, channels) mean spectra, two mock-ups
        or more, on one axis.
    mockups : the names of each group's mock-ups, in the order of the groups; the same names at both
        ages are taken as pairs. Left out: different mock-ups.
    alpha : the chance that any channel passes without growth.

    Returns
    -------
    A `Growth`.

    >>> rng = np.random.default_rng(1)
    >>> young, blank, aged_blank = 0.01 * rng.normal(size=(3, 4, 5))
    >>> aged = 0.01 * rng.normal(size=(4, 5)) + [0, 0, 1, 0, 0]
    >>> int(growth_by_gel(young, aged, blank, aged_blank).grown.argmax())
    2
    """
    from scipy.special import stdtrit

    groups = [np.asarray(one, float) for one in (gel_young, gel_aged, blank_young, blank_aged)]
    if (
        any(one.ndim != 2 or len(one) < 2 for one in groups)
        or len({g.shape[1] for g in groups}) > 1
    ):
        raise ContractError(
            Fault(f"groups of shape {[one.shape for one in groups]}",
                  "(n mock-ups, channels) with two mock-ups or more and one axis",
                  "a row a mock-up, resampled to one axis")
        )  # fmt: skip
    if mockups is None:
        mockups = [[f"{k} {n}" for n in range(len(one))] for k, one in enumerate(groups)]
    parts = [
        change(groups[k], groups[k + 1], (mockups[k], mockups[k + 1])) for k in range(0, _GROUPS, 2)
    ]
    grown, variance, freedom = combine(parts[0], parts[1], sign=-1)
    error = np.sqrt(variance)
    least = -np.expm1(np.log1p(-alpha) / error.size)
    return Growth(grown, error, -stdtrit(freedom, least) * error)


@dataclass(frozen=True)
class GelGrowth(Shown):
    """The wavenumber windows in which an arm's absorption grew with ageing and its blanks' did not.

    `windows` holds (low, high, wavenumber of the largest growth, growth, standard error there);
    `typical_limit` is the median over the channels of the limit for all channels. Growth, errors
    and limits are in the unit of `quantity`, what the spectra hold.
    """

    title = "Growth where gel was applied"
    say = words.growth

    conditions: dict[str, Any]
    before_h: float
    after_h: float
    n_mockups: tuple[int, int, int, int]
    paired: bool
    n_channels: int
    quantity: str
    typical_limit: float
    windows: tuple[tuple[float, float, float, float, float], ...]

    def rows(self) -> list[dict[str, Any]]:
        """A row a window; one without a window when there is none."""
        head = {
            **self.conditions,
            "before_h": self.before_h,
            "after_h": self.after_h,
            "n_gel": min(self.n_mockups[:2]),
            "n_blank": min(self.n_mockups[2:]),
            "quantity": self.quantity,
            "typical_limit": self.typical_limit,
        }
        names = ("low", "high", "largest_at", "growth", "standard_error")
        windows = self.windows or ((np.nan,) * len(names),)
        return [{**head, **dict(zip(names, window, strict=True))} for window in windows]


def growths(result: StudyResult) -> Iterator[GelGrowth]:
    """Look at every arm and the youngest one that is the same but for its ageing.

    Spectra are compared, whatever residue is asked for: once for all of them. Arms with fewer than
    two mock-ups, or two blanks, at either age say nothing and are left out.

    Parameters
    ----------
    result : what a run found.

    Returns
    -------
    A `GelGrowth` for each such pair.
    """
    alpha = result.provenance["study"]["alpha"]
    axis = result.spectra[WAVENUMBER].values
    attributes = result.spectra["spectrum"].attrs
    quantity = str(attributes.get("quantity", "signal")).replace("_", " ")
    for key, group in result.verdicts.groupby(_AGES, sort=False, dropna=False):
        conditions = dict(zip(_AGES, key, strict=True))
        youngest, *aged = sorted({float(age) for age in group["ageing_h"]})
        for age in aged:
            chosen = [
                spectra
                for pick in (_exposed, _blanks)
                for spectra in (pick(result.spectra, conditions, a) for a in (youngest, age))
            ]
            if min(spectra.sizes["row"] for spectra in chosen) < 2:
                continue
            names = [[str(name) for name in spectra["mockup"].values] for spectra in chosen]
            young, older, blank_young, blank_older = (s["spectrum"].values for s in chosen)
            found = growth_by_gel(young, older, blank_young, blank_older, names, alpha)
            yield GelGrowth(
                conditions=conditions,
                before_h=youngest,
                after_h=age,
                n_mockups=(len(names[0]), len(names[1]), len(names[2]), len(names[3])),
                paired=is_paired(names[0], names[1]),
                n_channels=axis.size,
                quantity=quantity,
                typical_limit=float(np.median(found.limit)),
                windows=tuple(_windows(axis, found)),
            )


def _windows(axis: Floats, found: Growth) -> Iterator[tuple[float, float, float, float, float]]:
    above = np.concatenate([[False], found.grown > found.limit, [False]])
    edges = np.flatnonzero(np.diff(above.astype(int)))
    for first, end in zip(edges[::2], edges[1::2], strict=True):
        top = first + int(np.argmax(found.grown[first:end]))
        yield (
            float(axis[first]),
            float(axis[end - 1]),
            float(axis[top]),
            float(found.grown[top]),
            float(found.standard_error[top]),
        )


def _exposed(spectra: xr.Dataset, conditions: dict[str, Any], age: float) -> xr.Dataset:
    names = ("treatment", "exposure_min", "clearance_min")
    return _of_role(spectra, "exposed", conditions, age, *names)


def _blanks(spectra: xr.Dataset, conditions: dict[str, Any], age: float) -> xr.Dataset:
    """The blanks that the arm of this age was compared with."""
    every = _of_role(spectra, "blank", conditions, age)
    places = comparator_places(
        [str(name) for name in every["treatment"].values],
        [float(value) for value in every["exposure_min"].values],
        conditions["exposure_min"],
    )
    return every.isel(row=places)


def _of_role(
    spectra: xr.Dataset, role: str, conditions: dict[str, Any], age: float, *names: str
) -> xr.Dataset:
    wanted = {**conditions, "ageing_h": age}
    rows = spectra["role"].values == role
    for name in (*STRATUM_COLUMNS, *names):
        rows &= spectra[name].values == wanted[name]
    return spectra.isel(row=rows)
