"""From the numbers of an arm to one of four verdicts, with the codes that say why.

The mock-up is the unit: pixels and maps inside a mock-up are not replicates. An absence is never
claimed without its detection limit, its upper bound, its n and the bound on the share of mock-ups.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import ContractError, Fault
from ..reprs import as_frame, as_html
from ..schema import LIST_SEPARATOR, LOADING_UNIT, REFERENCE_FILM, marker_of
from ..words.codes import Note
from ..words.verdict import reason
from .assessment import Assessment
from .blindness import deciding_place
from .claims import MIN_BLANKS, MIN_EXPOSED, bounded_below, detectable_within, margin_kept
from .panel_layout import one_panel
from .permutation import permuted_labels

if TYPE_CHECKING:
    import pandas as pd

#: How rarely equal scatter may look unlike before it is said (F test, one-sided).
SCATTER_CHANCE = 0.01
#: No absence is claimed where limit or bound exceed the highest spiked loading this many times.
MOST_EXTRAPOLATED = 1.5
#: More of a difference that is not the gel's, in what blanks leave, may hide gel. Clean simulated
#: arms stay below 4, foreign matter that hid gel was beyond 1000.
MOST_UNEXPLAINED = 10.0


@dataclass(frozen=True)
class Verdict:
    """One of the four verdicts on an arm, with every score's numbers.

    Parameters
    ----------
    verdict : detected, not detected, inconclusive or not assessable.
    why : the codes, with their numbers, that made the verdict.
    deciding : the numbers of the score that decided.
    assessments : those of every score, in deciding order.
    remarks : what else must be said of the arm, in codes with their numbers.

    Examples
    --------
    >>> import residuekit as rk
    >>> from residuekit.decision.assessment import Rules, assess
    >>> from residuekit.decision.blindness import assess_blindness
    >>> blanks, rules = [0.0, 0.02, -0.02, 0.01, -0.01, 0.0], Rules(acceptance_limit=0.5)
    >>> numbers = assess(blanks, [0.0, 0.01], assess_blindness(blanks), rules)
    >>> rk.Verdict("inconclusive", (), numbers, (numbers,)).acceptance_limit
    0.5
    """

    verdict: str
    why: tuple[Note, ...]
    deciding: Assessment
    assessments: tuple[Assessment, ...]
    remarks: tuple[Note, ...] = ()

    @property
    def acceptance_limit(self) -> float | None:
        """The acceptance limit in ug cm-2 that the verdict rests on."""
        return self.deciding.rules.acceptance_limit

    @property
    def codes(self) -> tuple[str, ...]:
        """The codes of the verdict and of its remarks (`residuekit.words.codes.CODES`)."""
        return tuple(dict.fromkeys(note.code for note in (*self.why, *self.remarks)))

    @property
    def reason(self) -> str:
        """Why the verdict is what it is, its numbers, and what stands beside them, in words."""
        rules = self.deciding.rules
        stated = {"alpha": rules.alpha, "beta": rules.beta, "density": rules.density}
        numbers = {**self.deciding.row(), **stated, "verdict": self.verdict}
        return reason(numbers, self.why, self.remarks)

    @property
    def blind_markers(self) -> tuple[str, ...]:
        """The scores that are blind on this paint; a band by its marker's name."""
        return tuple(marker_of(a.score) for a in self.assessments if a.blindness.blind)

    def row(self) -> dict[str, Any]:
        """The verdict under the column names of ``verdicts.csv``."""
        return {
            **self.deciding.row(),
            "blind_markers": LIST_SEPARATOR.join(self.blind_markers),
            "verdict": self.verdict,
            "reason": self.reason,
            "codes": LIST_SEPARATOR.join(self.codes),
        }

    def score_rows(self) -> list[dict[str, Any]]:
        """A row a score: what each would say if it alone decided; the deciding one as `row`."""
        rows = []
        for one in self.assessments:
            alone = (
                self if one is self.deciding else judge([one], remarks=[Note("does-not-decide")])
            )
            rows.append({**alone.row(), "blind_markers": self.row()["blind_markers"]})
        return rows

    def to_frame(self) -> pd.DataFrame:
        """One row with the column names of ``verdicts.csv``."""
        return as_frame([self.row()])

    def __str__(self) -> str:
        return f"{self.verdict}: {self.reason}"

    def _repr_html_(self) -> str:
        return as_html(f"Verdict: {self.verdict}", self.row())


def judge(
    assessments: Sequence[Assessment],
    *,
    quality_failed: Note | None = None,
    remarks: Sequence[Note] = (),
) -> Verdict:
    """Give one of the four verdicts on an arm.

    Parameters
    ----------
    assessments : one a score, in the order fixed beforehand (`scores_on`); the first that is not
        blind decides.
    quality_failed : why the arm's maps are not fit to be judged, or None.
    remarks : what else must be said of the arm.

    Order: quality failed -> not assessable; fewer than 3 blanks -> inconclusive; every score blind
    -> not assessable, or inconclusive where only a strict acceptance limit makes one blind; above
    and confirmed as the reference's material -> detected; above without it, or merely uneven ->
    inconclusive; 3 or more mock-ups, detection limit and upper bound within the acceptance
    limit (on a scale of reference films, so many times below it as `Rules.scale_margin` says), no
    other difference that may hide gel -> not detected; else inconclusive.
    """
    scores = tuple(assessments)
    if not scores:
        raise ContractError(
            Fault("no assessments", "at least one score", "markers=[...] or references=[...]")
        )
    deciding = scores[deciding_place([score.blindness for score in scores])]
    verdict, why = _decide(deciding, quality_failed)
    return Verdict(verdict, tuple(why), deciding, scores, tuple(remarks))


def _decide(a: Assessment, quality_failed: Note | None) -> tuple[str, list[Note]]:
    if quality_failed is not None:
        return "not assessable", [quality_failed]
    if a.n_blank_mockups < MIN_BLANKS:
        return "inconclusive", [Note("few-blanks", {"n": a.n_blank_mockups, "needed": MIN_BLANKS})]
    if a.blindness.blind:
        return _blind(a)
    beside = [*_film_scale(a), *_below_blanks(a), *_scatter_above_blanks(a), *_beyond_spikes(a),
              *_second_opinion(a)]  # fmt: skip
    if a.above:
        verdict, why = _above(a)
        return verdict, [why, *beside]
    obstacles = list(_obstacles(a))
    if obstacles:
        return "inconclusive", [*obstacles, *beside]
    within = {"acceptance_limit": a.rules.acceptance_limit, "unit": a.unit,
              "scale_margin": a.scale_margin}  # fmt: skip
    return "not detected", [Note("within-acceptance", within), *beside]


def _blind(a: Assessment) -> tuple[str, list[Note]]:
    """The verdict where every score is blind: nothing can be seen, or not as little as is asked."""
    numbers = {**a.blindness.numbers, "score": a.score, "code": a.blindness.code}
    all_the_same = [Note("above-but-blind")] if a.above else []
    if a.blindness.strict:
        return "inconclusive", [Note("limit-above-acceptance", numbers), *all_the_same]
    return "not assessable", [Note("all-blind", numbers), *all_the_same]


def _above(a: Assessment) -> tuple[str, Note]:
    """The verdict on an arm above its decision limit: is the difference the gel?"""
    if a.uneven:
        return "inconclusive", Note("uneven", {"p": a.welch_p, "alpha": a.rules.alpha})
    if a.confirmation is None:
        return "inconclusive", Note("shape-untested")
    numbers = a.confirmation.numbers()
    if a.confirmation.shape.refused:
        return "inconclusive", Note("shape-refused", numbers)
    if a.confirmation.refused:
        return "inconclusive", Note("foreign-not-excluded", numbers)
    return "detected", Note("confirmed", numbers)


def _obstacles(a: Assessment) -> Iterator[Note]:
    """What stands between an arm below its decision limit and the verdict "not detected"."""
    accepted = a.rules.acceptance_limit
    if accepted is None:
        yield Note("no-acceptance-limit")
    numbers = {"unit": a.unit, "acceptance_limit": accepted}
    if a.unit != LOADING_UNIT:
        yield Note("no-loading-scale")
    elif accepted is not None:
        if not detectable_within(a.detection_limit, accepted):
            seen = {**numbers, "detection_limit": a.detection_limit}
            yield Note("detection-limit-above-acceptance", seen)
        if not bounded_below(a.upper_bound, accepted):
            yield Note("bound-above-acceptance", {**numbers, "upper_bound": a.upper_bound})
        if a.scale == REFERENCE_FILM and not margin_kept(a.reach, accepted, a.rules.scale_margin):
            yield Note("film-margin", {"kept": a.scale_margin, "needed": a.rules.scale_margin})
    if a.reach > MOST_EXTRAPOLATED * a.highest_spike:
        yield Note("far-beyond-spikes", _spike_numbers(a))
    if a.unexplained > MOST_UNEXPLAINED:
        yield Note("unexplained-difference", {"ratio": a.unexplained})
    if a.n_mockups < MIN_EXPOSED:
        yield Note("few-exposed", {"n": a.n_mockups, "needed": MIN_EXPOSED})


def _spike_numbers(a: Assessment) -> dict[str, Any]:
    known = {"highest": a.highest_spike, "scale": a.scale}
    return {**known, "reach": a.reach, "unit": a.unit}


def _film_scale(a: Assessment) -> Iterator[Note]:
    """Say so where loadings rest on films of the pure material."""
    if a.scale == REFERENCE_FILM:
        yield Note("film-scale", {"n": a.n_scale, "needed": a.rules.scale_margin})


def _beyond_spikes(a: Assessment) -> Iterator[Note]:
    """Say so where limit or bound lie beyond the known loadings."""
    if a.highest_spike < a.reach <= MOST_EXTRAPOLATED * a.highest_spike:
        yield Note("beyond-spikes", _spike_numbers(a))


def _second_opinion(a: Assessment) -> Iterator[Note]:
    """What permuted labels say, where the arm is above its limit or where they differ from it;
    within panels they are exchanged there, of values less one and the same for all of a panel."""
    if min(a.n_mockups, a.n_blank_mockups) < MIN_EXPOSED:
        return
    blanks, on = np.array(a.blanks), None
    if a.panels is not None:
        blanks, on = blanks / a.panels.widening, a.panels.on
    found = permuted_labels(blanks, a.mockups, on)
    if a.above or found.p <= a.rules.alpha:
        agrees = a.above == (found.p <= a.rules.alpha)
        numbers = {**found._asdict(), "above": a.above, "agrees": agrees}
        yield Note("permuted-labels", {**numbers, "within": on is not None, "alpha": a.rules.alpha})


def _below_blanks(a: Assessment) -> Iterator[Note]:
    """Say so where the upper bound is below nothing at all."""
    if a.upper_bound < 0:
        yield Note("below-blanks", {"alpha": a.rules.alpha})


def _scatter_above_blanks(a: Assessment) -> Iterator[Note]:
    """Say so where exposed mock-ups scatter beyond the blanks, from which all limits come."""
    from scipy.special import fdtrc

    if a.n_mockups < MIN_EXPOSED:
        return
    exposed, blank = (float(np.var(scores, ddof=1)) for scores in (a.mockups, a.blanks))
    if blank == 0:
        return
    lie = a.panels or one_panel(a.n_blank_mockups, a.n_mockups)
    times = exposed / blank / (1 + lie.blank_share)
    if fdtrc(a.n_mockups - 1, lie.freedom, times) <= SCATTER_CHANCE:
        ratio = math.sqrt(times)
        yield Note("scatter-above-blanks", {"ratio": ratio, "chance": SCATTER_CHANCE})
