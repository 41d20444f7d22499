"""One arm judged by every score: the same code for a study on disk and for arrays in memory."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache, partial
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from .. import schema
from ..errors import ContractError, Fault
from ..markers import Marker, in_deciding_order, resolve
from ..spectra.arrays import listed
from ..validator import CALL, RATE, check
from ..words.codes import Note
from .assessment import Assessment, Rules, assess
from .blank_values import blank_values, mean_weights
from .blindness import deciding_place
from .claims import SCALE_MARGIN
from .confirmation import Confirmer, unexplained
from .controls import Controls, MockupArrays, controls_of, mockup_spectra, no_reference
from .given_twice import refuse_still, refuse_twins
from .identification import Identifier
from .matrix_effect import matrix_notes
from .outliers import outlier_notes
from .pairs import ENOUGH_PAIRS, controls_on_panels, paired_controls, paired_notes
from .panel_layout import Panels, panel_means, panel_notes, panels_of, panels_that_serve
from .scores import Score, deciding, scores_on, sees_better
from .verdict import Verdict, judge

Floats = npt.NDArray[np.float64]


def judge_values(
    controls: Controls,
    scores: Sequence[Score],
    exposed: Floats,
    rules: Rules,
    *,
    places: Sequence[int] | None = None,
    panels: Sequence[str] = (),
    shared: npt.ArrayLike = 1.0,
    quality_failed: Note | None = None,
    remarks: Sequence[Note] = (),
    names: Mapping[str, Sequence[str]] = MappingProxyType({}),
    identifier: Identifier | None = None,
) -> Verdict:
    """Judge one arm from the values of its mock-ups.

    Parameters
    ----------
    controls : of the arm's paint; scores : made from them (`scores_on`), in deciding order.
    exposed (m, n_wavenumber) : the value of each mock-up, its mean spectrum or what that differs
        from its own before treatment.
    places : which blanks of `controls` the arm is compared with; None for all.
    panels : (m,) the panel of each mock-up, where the arm is judged within panels.
    shared : (k,) or one for all, which share of the blanks behind each spiked mock-up's response
        is among these.
    quality_failed, remarks : see `judge`; names : see `outlier_notes`.
    identifier : of these controls and places (`identifier_of`); without it the identification limit
        is not computed.
    """
    confirm, left = None, 0.0
    chosen = np.arange(len(controls.blanks)) if places is None else np.asarray(places, dtype=int)
    blanks, layout = controls.values(chosen), layout_of(controls, chosen, panels)
    if layout is not None:
        apart = panel_means(controls.blanks[chosen], controls.panels_at(chosen), panels)
        exposed = exposed - apart + blanks.mean(axis=0)
    confirmer = (
        confirmer_of(controls, chosen, rules, panels) if identifier is None else identifier.confirm
    )
    if confirmer is not None:
        confirm = cache(partial(confirmer, exposed))
        left = unexplained(confirmer.net, blanks, exposed, controls.wavenumber, layout)
    assessments = [
        assess(
            blank_values(blanks, without),
            exposed @ mean_weights(without),
            score.blindness,
            rules,
            loadings=controls.loadings,
            spiked=score.spiked,
            shared=shared,
            errors=controls.errors,
            film=controls.film_slope(score.weights),
            confirm=confirm,
            unexplained=left,
            score=score.name,
            unit=score.own_unit,
            panels=layout,
        )
        for score, without in ((score, score.without[chosen]) for score in scores)
    ]
    if identifier is not None:
        place = deciding_place([one.blindness for one in scores])
        if not scores[place].blindness.blind:
            assessments[place] = _identified(assessments[place], scores[place], chosen, identifier)
    sharper = sees_better(scores, controls.loadings)
    of_scores = [] if sharper is None else [sharper.note()]
    if controls.metric.net is not None and controls.metric.within is None:
        of_scores.append(Note("net-from-means", {"n": len(controls.blanks)}))
    of_scores += matrix_notes(controls, scores)
    of_scores += outlier_notes(scores, assessments, chosen, controls.loadings, names)
    return judge(assessments, quality_failed=quality_failed, remarks=[*of_scores, *remarks])


def layout_of(controls: Controls, places: npt.ArrayLike, panels: Sequence[str]) -> Panels | None:
    """How these blanks of the controls and an arm lie on panels; None for an arm without them."""
    return panels_of(controls.panels_at(places), panels) if len(panels) else None


def confirmer_of(
    controls: Controls, places: npt.ArrayLike, rules: Rules, panels: Sequence[str] = ()
) -> Confirmer | None:
    """What confirms differences from these blanks of the controls; None without a net signal."""
    net, chosen = controls.metric.net, np.asarray(places, dtype=int)
    if net is None or len(chosen) < 2:
        return None
    blanks = controls.values(chosen)
    values = blank_values(blanks, controls.metric.weights[controls.rows[chosen]])
    return Confirmer(
        net, values, blanks, controls.wavenumber, controls.metric.interferents, rules.alpha,
        layout_of(controls, chosen, panels),
    )  # fmt: skip


def identifier_of(
    controls: Controls, places: npt.ArrayLike, rules: Rules, panels: Sequence[str] = ()
) -> Identifier | None:
    """What finds identification limits against these blanks; None without a net signal."""
    confirm = confirmer_of(controls, places, rules, panels)
    return None if confirm is None else Identifier(confirm, rules.beta)


def _identified(
    numbers: Assessment, score: Score, places: npt.NDArray[np.int_], identifier: Identifier
) -> Assessment:
    """The numbers of an arm with its identification limit."""
    net = identifier.confirm.net
    without = score.without[places]
    response = float(net.target @ mean_weights(without))
    values = blank_values(identifier.confirm.blanks, without)
    limit = identifier.limit(score.name, values, response, numbers.n_mockups)
    return replace(numbers, identification_limit=limit / numbers.slope)


def judge_arm(
    *,
    blanks: Sequence[MockupArrays],
    exposed: Sequence[MockupArrays],
    spiked: Sequence[tuple[float, MockupArrays]] = (),
    references: xr.DataArray | Sequence[xr.DataArray] = (),
    acceptance_limit: float | None = None,
    markers: Sequence[Marker | str | dict[str, Any]] = (),
    before_blanks: Sequence[MockupArrays | None] | None = None,
    before_exposed: Sequence[MockupArrays] | None = None,
    before_spiked: Sequence[MockupArrays] | None = None,
    block_blanks: Sequence[str] = (),
    block_exposed: Sequence[str] = (),
    block_spiked: Sequence[str] = (),
    interferents: xr.DataArray | Sequence[xr.DataArray] = (),
    scores: Sequence[str] = (schema.BAND, schema.NET_SIGNAL),
    films: Sequence[tuple[float, xr.DataArray]] = (),
    scale_margin: float = SCALE_MARGIN,
    alpha: float = 0.05,
    beta: float = 0.05,
) -> Verdict:
    """Judge one arm in memory, as a run of a study would.

    Every array has gone through the same procedure and stands on one wavenumber axis. A mock-up is
    one map, one set of points, or a list of these where it was measured more than once: the mock-up
    is the unit of replication, its maps are averaged.

    Parameters
    ----------
    blanks : one entry a blank mock-up of the same paint (water-only), two or more; three are needed
        for a verdict.
    exposed : one entry an exposed mock-up.
    spiked : (loading in ug cm-2, mock-up) of each mock-up of known loading; with two or more the
        result is in ug cm-2.
    references : the pure gel, one entry a spectrum or map; without any the arm is not assessable.
    acceptance_limit : ug cm-2, above 0; without it nothing is ever `not detected`.
    markers : bands of the gel, names of the marker table, `Marker`s or tables, in the order in
        which they would decide; may be empty (the net signal alone).
    before_blanks, before_exposed, before_spiked : the same mock-ups before treatment, in the same
        order: each is then compared with its own state before. `before_blanks` may hold None for a
        blank that was not measured before: it is left out, and the verdict says so; three must
        remain. Exposed and blanks go together.
    block_blanks, block_exposed, block_spiked : the panel on which each mock-up lies, in the same
        order: exposed mock-ups are then compared with the blanks of their panel. Each panel of the
        arm needs two blanks, an only panel three; "" stands for no panel. Not with states before.
    interferents : spectra of known foreign matter, which is then excluded before `detected`.
    scores : which kinds of score may decide, ``band``, ``net signal`` or both.
    films : (loading in ug cm-2, spectra) of films of the pure gel, which are references too; they
        give the loading where fewer than two spiked mock-ups do.
    scale_margin : times that detection limit and upper bound must lie below the acceptance limit
        where loadings rest on films.
    alpha, beta : rates of false and of missed detections, one-sided.

    Returns
    -------
    Verdict : `verdict` is one of detected, not detected, inconclusive, not assessable; `reason`
        says why in words, `codes` in codes; `deciding` and `assessments` hold the numbers.

    Raises
    ------
    ContractError : fewer than two blanks, no exposed mock-up, no score at all, axes or quantities
        that differ, a loading or limit that is not above zero, states before that do not fit, one
        measurement as two mock-ups, blanks that do not differ.

    Examples
    --------
    >>> import numpy as np, residuekit as rk
    >>> axis, rng = np.arange(1000.0, 1200.0, 4.0), np.random.default_rng(1)
    >>> gel = np.exp(-(((axis - 1092) / 20) ** 2))
    >>> def mockup(amount):
    ...     return rk.make_points(0.3 + amount * gel + rng.normal(0, 0.01, (9, axis.size)), axis)
    >>> verdict = rk.judge_arm(
    ...     blanks=[mockup(0.0) for _ in range(6)], exposed=[mockup(0.0) for _ in range(6)],
    ...     spiked=[(x, mockup(0.1 * x)) for x in (1.0, 1.0, 2.0, 2.0)],
    ...     references=rk.make_points(gel, axis), acceptance_limit=1.0, markers=["pva C-O 1092"])
    >>> verdict.verdict, verdict.deciding.n_mockups, verdict.deciding.unit
    ('not detected', 6, 'ug cm-2')
    """
    _refuse(blanks, exposed, spiked, films, acceptance_limit, alpha, beta)
    given = {
        "blanks": blanks, "exposed": exposed, "spiked": [one for _, one in spiked],
        "before_blanks": before_blanks, "before_exposed": before_exposed,
        "before_spiked": before_spiked,
    }  # fmt: skip
    _refuse_mixed(*given.values())
    rules = Rules(alpha, beta, acceptance_limit, scale_margin)
    chosen = in_deciding_order(resolve(list(markers)))
    panels = _panels(blanks, exposed, spiked, block_blanks, block_exposed, block_spiked)
    if panels and before_exposed is not None:
        raise ContractError(
            Fault("panels and states before treatment", "one way of comparing mock-ups",
                  "leave block_blanks, block_exposed and block_spiked out")
        )  # fmt: skip
    controls = controls_of(
        blanks, references, spiked, interferents, films,
        (panels[0], panels[2]) if panels else None,
    )  # fmt: skip
    axis = controls.wavenumber
    found = mockup_spectra(axis, exposed)
    if before_spiked is not None:
        _refuse_lone(before_exposed, "before_spiked", "before_blanks and before_exposed")
        _same_count(before_spiked, spiked, "before_spiked", "spiked mock-ups")
    paired = before_exposed is not None or before_blanks is not None
    if paired:
        kept, before = _before(axis, blanks, exposed, before_blanks, before_exposed)
        own = np.full(controls.responses.shape, np.nan)
        if before_spiked is not None:
            after = mockup_spectra(axis, [one for _, one in spiked])
            level = (controls.blanks[kept] - before[0]).mean(axis=0)
            own = after - mockup_spectra(axis, before_spiked) - level
        controls = paired_controls(controls, kept, before[0], own)
        found = found - before[1]
    of_blanks = [*range(len(blanks))]
    if panels:
        controls, of_blanks = controls_on_panels(controls, *panels)
    refuse_twins(given)
    made = scores_on(controls, chosen, rules, scores)
    if not made:
        raise ContractError(
            Fault("no score: no marker, and no net signal", "a marker or a reference of the gel",
                  "markers=['pva C-O 1092'] or references=[gel]")
        )  # fmt: skip
    refuse_still(made)
    remarks = []
    if paired:
        lost = [str(place + 1) for place in range(len(blanks)) if place not in kept]
        remarks = paired_notes(
            len(exposed), len(kept), len(lost), deciding(made), places=", ".join(lost)
        )
    if panels:
        layout = layout_of(controls, range(len(of_blanks)), block_exposed)
        left_out = [f"number {k + 1}" for k in range(len(blanks)) if k not in of_blanks]
        remarks = panel_notes(layout, deciding(made), left_out)
    missing, lacking = controls.metric.missing, None
    if not len(references) and not films:
        lacking = no_reference("the gel")
    elif missing is not None and schema.NET_SIGNAL in scores:
        remarks.append(missing)
    return judge_values(
        controls,
        made,
        found,
        rules,
        panels=block_exposed,
        shared=controls.shared,
        quality_failed=lacking,
        remarks=remarks,
        identifier=identifier_of(controls, range(len(controls.blanks)), rules, block_exposed),
    )


def _refuse(
    blanks: Sequence[MockupArrays],
    exposed: Sequence[MockupArrays],
    spiked: Sequence[tuple[float, MockupArrays]],
    films: Sequence[tuple[float, xr.DataArray]],
    acceptance_limit: float | None,
    alpha: float,
    beta: float,
) -> None:
    faults = []
    given: tuple[tuple[str, Any, int], ...] = (("blanks", blanks, 2), ("exposed", exposed, 1))
    for name, mockups, least in given:
        if isinstance(mockups, xr.DataArray) or len(mockups) < least:
            found = "one array" if isinstance(mockups, xr.DataArray) else f"{len(mockups)} mock-ups"
            faults.append(Fault(f"{name}: {found}", f"a list of {least} mock-ups or more",
                                f"{name}=[map, map, ...], one entry a mock-up"))  # fmt: skip
    for name, known in (("spiked", spiked), ("films", films)):
        faults += [Fault(f"a {name.removesuffix('s')} loading of {loading!r}",
                         "a loading above 0 in ug cm-2", f"{name}=[(2.0, map), ...]")
                   for loading, _ in known if not 0 < loading < np.inf]  # fmt: skip
    if acceptance_limit is not None and not 0 < acceptance_limit < np.inf:
        faults.append(Fault(f"acceptance_limit={acceptance_limit!r}", "a number above 0 in ug cm-2",
                            "acceptance_limit=2.0"))  # fmt: skip
    faults += check({"alpha": alpha, "beta": beta}, {"alpha": RATE, "beta": RATE}, CALL)[1]
    if faults:
        raise ContractError(faults)


def _refuse_mixed(*groups: Sequence[MockupArrays | None] | None) -> None:
    """One quantity for all: absorbance is not compared with transmittance."""
    names = {
        str(one.name)
        for group in groups
        for mockup in group or ()
        if mockup is not None
        for one in listed(mockup, "maps")
    }
    if len(names) > 1:
        raise ContractError(
            Fault(f"mock-ups in {' and '.join(sorted(names))}", "one quantity for all of them",
                  "residuekit.to_absorbance(array) on those that are transmittance")
        )  # fmt: skip


def _panels(
    blanks: Sequence[Any],
    exposed: Sequence[Any],
    spiked: Sequence[Any],
    of_blanks: Sequence[str],
    of_exposed: Sequence[str],
    of_spiked: Sequence[str],
) -> tuple[Sequence[str], Sequence[str], Sequence[str]] | None:
    """The panels of blanks, exposed and spiked mock-ups; None where none are given."""
    if not (of_blanks or of_exposed or of_spiked):
        return None
    of_spiked = of_spiked or [""] * len(spiked)
    for name, given, mockups in (("block_blanks", of_blanks, blanks),
                                 ("block_exposed", of_exposed, exposed),
                                 ("block_spiked", of_spiked, spiked)):  # fmt: skip
        if len(given) != len(mockups):
            raise ContractError(
                Fault(f"{len(given)} panels in {name} for {len(mockups)} mock-ups",
                      "the panel of each mock-up, in the same order", f"{name}=['A', 'A', ...]")
            )  # fmt: skip
    lacking = sorted(set(of_exposed) - panels_that_serve(of_blanks))
    if lacking:
        raise ContractError(
            Fault(f"too few blanks on panel {', '.join(map(repr, lacking))}",
                  "two blanks on each panel of the arm, on an only panel three",
                  "leave the panels out to judge the arm without them")
        )  # fmt: skip
    return of_blanks, of_exposed, of_spiked


def _same_count(before: Sequence[Any], after: Sequence[Any], name: str, what: str) -> None:
    if len(before) != len(after):
        raise ContractError(
            Fault(f"{len(before)} states in {name} for {len(after)} {what}",
                  "one state before treatment for each mock-up, in the same order",
                  f"{name}=[...] with {len(after)} entries")
        )  # fmt: skip


def _before(
    axis: Floats,
    blanks: Sequence[MockupArrays],
    exposed: Sequence[MockupArrays],
    before_blanks: Sequence[MockupArrays | None] | None,
    before_exposed: Sequence[MockupArrays] | None,
) -> tuple[list[int], tuple[Floats, Floats]]:
    """Which blanks have a state before, and the spectra of blanks and exposed mock-ups before."""
    _refuse_lone(before_blanks, "before_exposed", "before_blanks")
    _refuse_lone(before_exposed, "before_blanks", "before_exposed")
    assert before_blanks is not None
    assert before_exposed is not None
    _same_count(before_blanks, blanks, "before_blanks", "blanks")
    _same_count(before_exposed, exposed, "before_exposed", "exposed mock-ups")
    known = [(place, one) for place, one in enumerate(before_blanks) if one is not None]
    if len(known) < ENOUGH_PAIRS:
        raise ContractError(
            Fault(f"{len(known)} blanks with a state before treatment", "three or more",
                  "leave before_blanks and before_exposed out for an unpaired arm")
        )  # fmt: skip
    own = mockup_spectra(axis, [one for _, one in known])
    return [place for place, _ in known], (own, mockup_spectra(axis, before_exposed))


def _refuse_lone(other: Any, given: str, needed: str) -> None:
    if other is None:
        raise ContractError(
            Fault(f"{given} without {needed}", "blank and exposed mock-ups both before treatment",
                  f"{needed} too, or none of them")
        )  # fmt: skip
