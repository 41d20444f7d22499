"""A dot a mock-up, group by group, with the limit that decides and the acceptance limit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from ..words.caption import deciding_limit
from .stratum import Group
from .style import BLANK, EXPOSED, GEL, INK, MUTED, PALE, WORKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LOOK: dict[str, dict[str, Any]] = {
    "blank": {"marker": "o", "facecolors": BLANK, "edgecolors": INK},
    "working": {"marker": "o", "facecolors": WORKING, "edgecolors": WORKING},
    "exposed": {"marker": "^", "facecolors": EXPOSED, "edgecolors": EXPOSED},
    "spiked": {"marker": "D", "facecolors": "none", "edgecolors": GEL},
}
#: The limits of an arm: column of verdicts.csv -> its line; those that decide in ink.
LIMITS: dict[str, dict[str, Any]] = {
    "decision_limit": {"linestyle": (0, (2.2, 1)), "color": INK},
    "mockup_decision_limit": {"linestyle": (0, (4, 1, 1, 1)), "color": INK},
    "detection_limit": {"linestyle": (0, (0.8, 0.8)), "color": MUTED},
    "mockup_detection_limit": {"linestyle": (0, (0.8, 2)), "color": MUTED},
}
#: What joins the scores of one mock-up before treatment and after.
PAIR: dict[str, Any] = {"linestyle": "-", "color": MUTED, "linewidth": 0.5}
#: No number stands nearer to the right end than this share: it would leave the page.
_CLEAR = 0.06


def look_of(group: Group) -> dict[str, Any]:
    """The dots of a group."""
    return LOOK["working" if group.working else group.role]


def draw_mockups(
    ax: Axes,
    groups: Sequence[Group],
    acceptance_limit: float | None,
    *,
    limits: Sequence[str] = (),
    slim: bool = False,
) -> Axes:
    """Draw one line a group: its mock-ups, its mean with the upper bound, the limit that decides.

    A slanted line joins a paired mock-up's own score before treatment (above) to that after it
    (below). The lines stand one apart, the first at the top; `slim` ones leave room for words
    between them. The acceptance limit, if one was set, runs over all lines. `limits` names the
    limits that are drawn in place of the one that decides.
    """
    reach, over = (0.17, 0.17) if slim else (0.42, 0.5)
    lines = np.arange(len(groups))
    ax.vlines(np.zeros(len(groups)), lines - over, lines + over, color=PALE, linewidth=0.5,
              zorder=0)  # fmt: skip
    if acceptance_limit is not None:
        ax.vlines([acceptance_limit] * len(groups), lines - over, lines + over, color=INK,
                  linewidth=1.0, zorder=1)  # fmt: skip
    for line, group in enumerate(groups):
        n = group.values.size
        if group.pairs is not None:
            ax.plot(group.pairs.T, np.repeat([[line - reach], [line + reach]], n, 1), zorder=1,
                    **PAIR)  # fmt: skip
        rise = 0.4 * reach * (np.arange(n) % 3 - 1) if n > 1 else np.zeros(n)
        ax.scatter(group.values, line + rise, s=9, linewidths=0.6, zorder=3, **look_of(group))
        ends = [line - reach, line + reach]
        if n and group.role != "spiked":
            mean = float(group.values.mean())
            ax.plot([mean, mean], ends, color=INK, linewidth=0.8, zorder=4)
        if group.verdict is not None:
            row = group.verdict
            for name in limits or [deciding_limit(row)]:
                if np.isfinite(row[name]):
                    ax.plot([row[name]] * 2, ends, linewidth=1.0, zorder=2, dash_capstyle="butt",
                            **LIMITS[name])  # fmt: skip
            _draw_bound(ax, row, line)
    ax.set_ylim(len(groups) - 0.5, -0.5)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    ax.locator_params(axis="x", nbins=6)
    low, high = ax.get_xlim()
    ax.set_xticks([at for at in ax.get_xticks() if low <= at <= high - _CLEAR * (high - low)])
    ax.set_xlim(low, high)
    return ax


def _draw_bound(ax: Axes, row: Mapping[str, Any], line: float) -> None:
    estimate, bound = row["estimate"], row["upper_bound"]
    if np.isfinite(bound):
        ax.plot([estimate, bound], [line, line], color=INK, linewidth=0.6, zorder=2)
        ax.plot([bound] * 2, [line - 0.14, line + 0.14], color=INK, linewidth=0.6, zorder=2)
