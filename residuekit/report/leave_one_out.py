"""What the arms of a stratum would be without each of its blanks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from ..decision.blindness import scatter_of
from ..decision.limits import arm_limits
from ..decision.panel_layout import BLOCK
from ..schema import JUDGED_COLUMNS
from ..words import limits as words
from ..words.common import Row, Stratum
from .limit_table import compared_blanks, judged_rows
from .text import Grid, grid

if TYPE_CHECKING:
    from ..results import StudyResult

Floats = npt.NDArray[np.float64]
#: Fewer blanks would leave fewer than a verdict needs.
_LEAST = 4


def leave_one_out(result: StudyResult, stratum: Stratum) -> Grid | None:
    """Decide the arms of a stratum without each blank in turn, by the values of the run.

    The weights of the score stay as they are. Arms that are compared with other blanks than the
    stratum's are left out; None where none is left, a blank fewer gives no verdict, or arms are
    judged within panels.
    """
    arms = judged_rows(result, stratum)
    if not arms or any(row["paired"] == BLOCK for row in arms):
        return None
    blanks = compared_blanks(result, stratum, str(arms[0]["score"]))
    values = np.array([float(row["mean"]) for row in blanks])
    mockups = result.mockups[result.mockups["role"] == "exposed"].to_dict("records")
    exposed = [(arm, _exposed(mockups, arm)) for arm in arms]
    asked = [(arm, own) for arm, own in exposed
             if own.size and int(arm["n_blank_mockups"]) == values.size]  # fmt: skip
    if not asked or values.size < _LEAST:
        return None
    study = result.provenance["study"]
    rows = []
    for place in range(-1, values.size):
        kept = values if place < 0 else np.delete(values, place)
        found = [_decided(kept, own, study["alpha"], study["beta"]) for _, own in asked]
        above = [arm for (arm, _), (_, _, is_above) in zip(asked, found, strict=True) if is_above]
        limits = [words.span([one[kind] for one in found]) for kind in (0, 1)]
        name = words.NONE_LEFT_OUT if place < 0 else str(blanks[place]["mockup"])
        rows.append((name, *limits, words.arms_above(above, len(asked))))
    return grid(words.left_out_caption(stratum), words.LEFT_OUT_HEADS, rows, texts=1)


def _exposed(mockups: Sequence[Row], arm: Row) -> Floats:
    """What the exposed mock-ups of an arm differ by from the mean of all blanks."""
    rows = [
        row
        for row in mockups
        if row["score"] == arm["score"]
        and all(row[name] == arm[name] or row[name] != row[name] for name in JUDGED_COLUMNS)
    ]  # fmt: skip
    return np.array([float(row["mean"]) for row in rows])


def _decided(
    blanks: Floats, exposed: Floats, alpha: float, beta: float
) -> tuple[float, float, bool]:
    """Decision and detection limit, and whether the arm or one of its mock-ups is above its own."""
    limits = arm_limits(scatter_of(blanks), blanks.size, exposed.size, alpha, beta)
    apart = exposed - blanks.mean()
    above = apart.mean() > limits.decision or apart.max() > limits.mockup_decision
    return limits.decision, limits.detection, bool(above)
