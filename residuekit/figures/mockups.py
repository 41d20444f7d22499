"""A dot a mock-up, group by group, with the decision limit and the acceptance limit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from .choice import Group
from .style import BLANK, EXPOSED, GEL, INK, PALE, fitted

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LOOK: dict[str, dict[str, Any]] = {
    "blank": {"marker": "o", "facecolors": "none", "edgecolors": BLANK},
    "exposed": {"marker": "o", "facecolors": EXPOSED, "edgecolors": EXPOSED},
    "spiked": {"marker": "D", "facecolors": "none", "edgecolors": GEL},
}


def draw_mockups(
    ax: Axes, groups: Sequence[Group], acceptance_limit: float | None, label_mm: float
) -> Axes:
    """Draw one line a group: its mock-ups, its mean, the decision limit for one mock-up of the arm.

    The acceptance limit, if one was set, runs over all lines; n stands with each name.
    """
    ax.axvline(0, color=PALE, linewidth=0.5, zorder=0)
    if acceptance_limit is not None:
        ax.axvline(acceptance_limit, color=INK, linewidth=1.0, zorder=1)
    for line, group in enumerate(groups):
        n = group.values.size
        rise = 0.16 * (np.arange(n) % 3 - 1) if n > 1 else np.zeros(n)
        ax.scatter(group.values, line + rise, s=9, linewidths=0.6, zorder=3, **LOOK[group.role])
        if n and group.role != "spiked":
            mean = group.values.mean()
            ax.plot([mean, mean], [line - 0.38, line + 0.38], color=INK, linewidth=0.8, zorder=4)
        limit = group.verdict["mockup_decision_limit"] if group.verdict is not None else np.nan
        if np.isfinite(limit):
            ax.plot([limit, limit], [line - 0.45, line + 0.45], color=EXPOSED, linewidth=1.0,
                    linestyle=(0, (2, 1)), zorder=2)  # fmt: skip
    ax.set_ylim(len(groups) - 0.5, -0.5)
    labels = [_label(group, label_mm) for group in groups]
    ax.set_yticks(range(len(groups)), labels)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    ax.locator_params(axis="x", nbins=6)
    return ax


def _label(group: Group, width_mm: float) -> str:
    count = f", n = {group.values.size}"
    return fitted(group.words, width_mm - 12) + count
