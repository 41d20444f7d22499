"""Designs beside each other: which is enough, and what to change first."""

from __future__ import annotations

import html
import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any

from ..calibration import film_loading_ug_cm2, film_thickness_nm
from ..calibration.arguments import positive, rate
from ..decision.claims import SCALE_MARGIN
from ..decision.pairs import BEFORE
from ..decision.panel_layout import BLOCK
from ..errors import ContractError, Fault, did_you_mean
from ..kernels.limit_statistics import clopper_pearson_upper, sigma_factors
from ..reprs import as_frame
from ..schema import LOADING_UNIT
from .chances import chance_of_absence, detection_limit, power
from .effort import Design, Effort
from .pilot import Pilot

if TYPE_CHECKING:
    import pandas as pd

_UNITS = (LOADING_UNIT, "nm")
_SOURCES = {
    "mock-ups": "differences between mock-ups",
    "maps": "differences between maps of one mock-up",
    "noise": "the noise of the pixels",
}
_NOT_TOLD_APART = (
    "The mock-ups of the pilot are single spectra: noise and the differences between mock-ups are "
    "not told apart, so what more pixels or scans would bring is not known."
)
#: What the mock-ups and blanks of a row are, by the way that the pilot is paired: in a word, in a
#: half sentence, in sentences.
_COUNT = {BEFORE: "pairs", BLOCK: "within panels"}
_EACH = {
    BEFORE: ", each measured before treatment and after it",
    BLOCK: ", laid out on panels with two blanks each",
}
_COUNTED = {
    BEFORE: "The pilot is of a run of mock-ups measured before treatment and after it, and so is "
    "this plan: mockups and blanks count pairs of both states, each of so many maps, and hours "
    "are those of both. Mock-ups measured once scatter more widely.",
    BLOCK: "The pilot is of a run judged within panels, and so is this plan: mockups and blanks "
    "count those on panels with two blanks each, exposed ones dealt out evenly, and each panel "
    "takes a degree of freedom. Mock-ups that share no panel with blanks scatter more widely.",
}


@dataclass(frozen=True)
class Plan:
    """Designs beside each other: a row each, in the order of the hours that they take.

    By the pilot of a paired run a row also has `counted`: what its mock-ups and blanks are.
    """

    pilot: Pilot
    wished: float
    rows: tuple[dict[str, Any], ...]
    best: Design | None
    advice: str
    chance: float
    alpha: float = 0.05
    beta: float = 0.05

    def row_of(self, design: Design) -> dict[str, Any]:
        """The row of one design."""
        wanted = asdict(design).items()
        return next(row for row in self.rows if wanted <= row.items())

    def to_frame(self) -> pd.DataFrame:
        """One row a design; loadings in ug cm-2, chances as shares of 1."""
        return as_frame(self.rows)

    def pilot_factors(self) -> tuple[float, float]:
        """By which factors the pilot's mock-ups leave their scatter open, at 90 % confidence."""
        low, high = sigma_factors(self.pilot.freedom, 0.9)
        return float(low), float(high)

    @property
    def key(self) -> str:
        """What three words of the table mean, in one sentence."""
        return (
            f"power: the chance that an arm with a mean of {self.wished:.3g} ug cm-2 is above its "
            "decision limit; chance_of_absence: the chance that a clean arm ends as 'not detected' "
            f"with {self.wished:.3g} ug cm-2 as its acceptance limit; a design is enough where the "
            f"latter is {self.chance:.0%} or more."
        )

    @property
    def counted(self) -> str:
        """What mock-ups and blanks count, where the pilot is of a paired run; else nothing."""
        return _COUNTED.get(self.pilot.paired, "")

    def __str__(self) -> str:
        table = self.to_frame().to_string(index=False, float_format=lambda value: f"{value:.3g}")
        said = (str(self.pilot), table, self.key, self.counted, self.advice)
        return "\n\n".join(filter(None, said))

    def _repr_html_(self) -> str:
        table = self.to_frame().to_html(index=False, float_format=lambda value: f"{value:.3g}")
        said = filter(None, (self.key, self.counted, self.advice))
        return table + "".join(f"<p>{html.escape(one)}</p>" for one in said)


def compare_designs(
    pilot: Pilot,
    wished: float,
    *,
    unit: str = LOADING_UNIT,
    mockups: Iterable[int] = (3, 4, 6, 8, 12),
    blanks: int | None = None,
    maps: Iterable[int] = (1, 2, 3),
    pixels: Iterable[int] = (256,),
    scans: Iterable[int] = (64,),
    effort: Effort | None = None,
    alpha: float = 0.05,
    beta: float = 0.05,
    chance: float = 0.8,
) -> Plan:
    """Compare designs against a wished detection limit, and say which is enough.

    Parameters
    ----------
    pilot : what blanks vary by.
    wished : loading that must be seen, in `unit`.
    unit : "ug cm-2", or "nm" of an even film of density 1.3.
    mockups, maps, pixels, scans : the numbers to combine.
    blanks : their number; as many as exposed when left out.
    effort : what the instrument takes.
    alpha, beta : one-sided rates of false and of missed detections.
    chance : a design is enough where a clean arm ends as "not detected" at least so often.

    Returns
    -------
    A `Plan`. Each row: the design, `hours`, `scatter` (one mock-up), `detection_limit` of the arm
    in the median study, also in nm, `detection_limit_high` (19 of 20 studies stay below it),
    `power` at the wished loading, `chance_of_absence`, `share_upper_bound` (0 of n).

    Raises
    ------
    ContractError : an unknown unit, numbers out of range.
    """
    if unit not in _UNITS:
        raise ContractError(
            Fault(f"the unit {unit!r}", "'ug cm-2' or 'nm'", did_you_mean(unit, _UNITS))
        )
    positive(wished, "wished", "the loading that must be seen")
    positive(pilot.scatter(Design()), "the pilot's scatter", "blanks that differ")
    rate(chance, "chance", 1.0)
    loading = float(film_loading_ug_cm2(wished)) if unit == "nm" else float(wished)
    effort = effort or Effort()
    designs = [
        Design(m, m if blanks is None else blanks, k, p, s)
        for m, k, p, s in product(mockups, maps, pixels, scans)
    ]
    if not designs:
        raise ContractError(
            Fault("no design", "a number of mock-ups, maps, pixels, scans", "mockups=(6,)")
        )
    designs.sort(key=effort.hours)
    rows = tuple(_row(pilot, one, loading, effort, alpha, beta) for one in designs)
    best = next(
        (one for one, row in zip(designs, rows, strict=True) if row["chance_of_absence"] >= chance),
        None,
    )
    plan = Plan(pilot, loading, rows, best, "", chance, alpha, beta)
    return replace(plan, advice=_advice(plan, effort))


def _row(
    pilot: Pilot, design: Design, loading: float, effort: Effort, alpha: float, beta: float
) -> dict[str, Any]:
    rates = {"alpha": alpha, "beta": beta}
    limit = detection_limit(pilot, design, **rates)
    return {
        **asdict(design),
        **({"counted": _COUNT[pilot.paired]} if pilot.paired else {}),
        "hours": effort.hours(design) * pilot.states,
        "scatter": pilot.scatter(design),
        "detection_limit": limit,
        "detection_limit_nm": float(film_thickness_nm(limit)),
        "detection_limit_high": detection_limit(pilot, design, **rates, share=0.95),
        "power": power(pilot, design, loading, alpha=alpha),
        "chance_of_absence": chance_of_absence(pilot, design, loading, **rates),
        "share_upper_bound": clopper_pearson_upper(0, design.mockups, alpha),
    }


def what_to_change(
    pilot: Pilot,
    design: Design,
    *,
    effort: Effort | None = None,
    alpha: float = 0.05,
    beta: float = 0.05,
) -> tuple[dict[str, Any], ...]:
    """Double one thing at a time; give `detection_limit`, `hours`, and `gain` an added hour.

    `gain` is the natural logarithm of the limit before over after, an hour more; best first.

    Parameters
    ----------
    pilot : what blanks vary by.
    design : what will be measured.
    effort : what the instrument takes.
    alpha, beta : one-sided rates of false and of missed detections.

    Returns
    -------
    A row a change: what, `detection_limit` (ug cm-2), `hours`, `gain`.

    Raises
    ------
    ContractError : a design with too few mock-ups.
    """
    effort = effort or Effort()
    before = detection_limit(pilot, design, alpha=alpha, beta=beta)
    rows = []
    for names in (("mockups", "blanks"), ("maps",), ("pixels",), ("scans",)):
        changed = replace(design, **{name: 2 * getattr(design, name) for name in names})
        after = detection_limit(pilot, changed, alpha=alpha, beta=beta)
        hours, taken = (effort.hours(one) * pilot.states for one in (changed, design))
        gain = math.log(before / after) / max(hours - taken, 1e-9)
        name = " and ".join(names).replace("mockups", "mock-ups")
        rows.append({"doubled": name, "detection_limit": after, "hours": hours, "gain": gain})
    return tuple(sorted(rows, key=lambda row: -row["gain"]))


def _advice(plan: Plan, effort: Effort) -> str:
    alpha, beta = plan.alpha, plan.beta
    row = min(plan.rows, key=lambda row: row["detection_limit"])
    shown = plan.best or Design(**{name: row[name] for name in asdict(Design())})
    row = plan.row_of(shown)
    opening = (
        f"The least that is enough for {plan.wished:.3g} ug cm-2:" if plan.best
        else f"No design here is enough for {plan.wished:.3g} ug cm-2. The lowest limit has"
    )  # fmt: skip
    variances = plan.pilot.shares(shown)
    largest = max(variances, key=lambda name: variances[name])
    low, high = plan.pilot_factors()
    by_film = chance_of_absence(
        plan.pilot, shown, plan.wished / SCALE_MARGIN, alpha=alpha, beta=beta
    )
    first = what_to_change(plan.pilot, shown, effort=effort, alpha=alpha, beta=beta)[0]
    return "\n".join(
        [
            f"{opening} {shown.mockups} exposed and {shown.blanks} blank mock-ups"
            f"{_EACH.get(plan.pilot.paired, '')}, "
            f"{shown.maps} map{'s' * (shown.maps != 1)} each of {shown.pixels} pixels at "
            f"{shown.scans} scans; detection limit about {row['detection_limit']:.3g} ug cm-2 "
            f"({row['detection_limit_nm']:.3g} nm), {row['hours']:.3g} instrument hours; a clean "
            f"arm ends as 'not detected' in {row['chance_of_absence']:.0%} of studies.",
            "The scatter of mock-ups' scores comes mostly "
            f"({variances[largest] / sum(variances.values()):.0%} of its variance) from "
            f"{_SOURCES[largest]}."
            if plan.pilot.noise
            else _NOT_TOLD_APART,
            f"The {plan.pilot.n_mockups} mock-ups of the pilot fix their scatter only to a factor "
            f"of {low:.2f} to {high:.2f} (90%), and with it every limit here.",
            f"What to change first: double the {first['doubled']}; detection limit then "
            f"{first['detection_limit']:.3g} ug cm-2, {first['hours']:.3g} hours.",
            f"Should none of {shown.mockups} mock-ups be above the decision limit of a single one, "
            f"then with {100 * (1 - alpha):g}% confidence at most "
            f"{row['share_upper_bound']:.0%} of such mock-ups would be.",
            f"All this holds with four spiked mock-ups or more. With a reference film alone limits "
            f"must lie {SCALE_MARGIN:g} times below {plan.wished:.3g} ug cm-2: a clean arm then "
            f"ends as 'not detected' in {by_film:.0%} of studies.",
            f"Hours at {effort.seconds_per_scan:g} s a scan, pixels at once "
            f"{effort.pixels_at_once}, {effort.minutes_per_map:g} min a map besides.",
        ]
    )
