"""The detection curve: what was found of what was spiked."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from .mockup_panel import LIMITS, LOOK
from .stratum import Spiking
from .style import GEL, INK, PALE

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: The least distance of two loadings on the axis as a share of it: their numbers do not touch.
_APART = 0.09


def draw_spiking(ax: Axes, spiking: Spiking, acceptance_limit: float | None) -> Axes:
    """Draw what was found against what was spiked: the line of the slope with its confidence band,
    the decision limit of one mock-up on the upright axis, the acceptance limit on the level one.
    """
    longest = float(np.max(spiking.loadings, initial=acceptance_limit or 1.0))
    at = np.array([0.0, 1.06 * longest])
    ax.axhline(0, color=PALE, linewidth=0.5, zorder=0)
    spread = spiking.spread_percent / 100
    if np.isfinite(spread):
        ax.fill_between(at, at * (1 - spread), at * (1 + spread), color=GEL, alpha=0.25,
                        linewidth=0)  # fmt: skip
    ax.plot(at, at, color=GEL, linewidth=0.6)
    if np.isfinite(spiking.decision):
        ax.axhline(spiking.decision, linewidth=1.0, **LIMITS["mockup_decision_limit"])
    if acceptance_limit is not None:
        ax.axvline(acceptance_limit, color=INK, linewidth=1.0, zorder=1)
    size: dict[str, Any] = {"s": 9, "linewidths": 0.6, "zorder": 3, "clip_on": False}
    ax.scatter(np.zeros_like(spiking.blanks), spiking.blanks, **LOOK["blank"], **size)
    ax.scatter(spiking.loadings, spiking.found, **LOOK["spiked"], **size)
    ax.set_xlim(-0.03 * at[1], at[1])
    ax.locator_params(nbins=4)
    ax.set_xticks(_loads(spiking.loadings, at[1]))
    return ax


def _loads(loadings: npt.ArrayLike, end: float) -> list[float]:
    """Zero and the loadings that were spiked, the highest first where their numbers would touch."""
    ticks: list[float] = []
    for load in sorted({0.0, *map(float, np.asarray(loadings))}, reverse=True):
        if not ticks or ticks[-1] - load >= _APART * end:
            ticks.append(load)
    return ticks
