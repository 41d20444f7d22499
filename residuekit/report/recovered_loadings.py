"""What is found of each spiked mock-up's loading by the others."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..decision.blindness import scatter_of
from ..kernels.recovery import Recovery, recovery
from ..schema import LOADING_UNIT
from ..words import limits as words
from ..words.common import Stratum
from .facts import where
from .limit_table import Controls, controls_of
from .text import Grid, grid

if TYPE_CHECKING:
    from ..results import StudyResult

#: Fewer spiked mock-ups leave no line to find one by.
_LEAST = 3


def recovery_table(result: StudyResult, stratum: Stratum) -> Grid | None:
    """Each spiked mock-up of a stratum left out in turn; None where there are too few."""
    controls = controls_of(result, stratum)
    found = None if controls is None else recovered(controls)
    if controls is None or found is None:
        return None
    rows = [
        (f"{known:g}", words.digits(mean), f"{ratio:.2f}")
        for known, mean, ratio in zip(controls.loads, controls.spiked, found.ratios, strict=True)
    ]
    caption = words.recovery_caption(
        where(result, stratum), found.mean, found.low, found.high, len(rows)
    )
    return grid(caption, words.RECOVERY_HEADS, rows, texts=0)


def recovered(controls: Controls) -> Recovery | None:
    """Found over known of the spiked mock-ups; None where they are too few or without loadings."""
    if controls.unit != LOADING_UNIT or len(controls.loads) < _LEAST or len(controls.blanks) < 2:
        return None
    blanks = np.array(controls.blanks)
    return recovery(controls.loads, np.array(controls.spiked) - blanks.mean(), scatter_of(blanks))
