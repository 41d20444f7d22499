"""The detection curve from spiked mock-ups, and the series of arms over exposure or ageing."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from .mockup_panel import LIMITS, LOOK
from .stratum import Series, Spiking
from .style import EXPOSED, GEL, INK, PALE, WORKING, text_width

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: From such a ratio of the longest to the shortest on, exposures stand on a logarithmic axis.
_LOGARITHMIC = 8.0


def draw_spiking(ax: Axes, spiking: Spiking, acceptance_limit: float | None) -> Axes:
    """Draw what was found against what was spiked: the line of the slope with its confidence band,
    the decision limit of one mock-up on the upright axis, its detection limit on the level one.

    A detection limit beyond the axis is not drawn.
    """
    limits = [v for v in (spiking.detection, acceptance_limit) if v is not None and np.isfinite(v)]
    longest = float(np.max(spiking.loadings, initial=max(limits, default=1.0)))
    at = np.array([0.0, 1.06 * longest])
    ax.axhline(0, color=PALE, linewidth=0.5, zorder=0)
    spread = spiking.spread_percent / 100
    if np.isfinite(spread):
        ax.fill_between(at, at * (1 - spread), at * (1 + spread), color=GEL, alpha=0.25,
                        linewidth=0)  # fmt: skip
    ax.plot(at, at, color=GEL)
    if np.isfinite(spiking.decision):
        ax.axhline(spiking.decision, linewidth=1.0, **LIMITS["mockup_decision_limit"])
    if np.isfinite(spiking.detection):
        ax.axvline(spiking.detection, linewidth=1.0, **LIMITS["mockup_detection_limit"])
    if acceptance_limit is not None:
        ax.axvline(acceptance_limit, color=INK, linewidth=1.0, zorder=1)
    size: dict[str, Any] = {"s": 9, "linewidths": 0.6, "zorder": 3, "clip_on": False}
    ax.scatter(np.zeros_like(spiking.blanks), spiking.blanks, **LOOK["blank"], **size)
    ax.scatter(spiking.loadings, spiking.found, **LOOK["spiked"], **size)
    ax.set_xlim(-0.03 * at[1], at[1])
    ax.locator_params(nbins=4)
    return ax


def draw_series(ax: Axes, series: Series, acceptance_limit: float | None, width_mm: float) -> Axes:
    """Draw the mean of each arm with its upper bound against exposure or ageing, with the decision
    and detection limit of the mean."""
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    places = series.places
    ax.axhline(0, color=PALE, linewidth=0.5, zorder=0)
    if acceptance_limit is not None:
        ax.axhline(acceptance_limit, color=INK, linewidth=1.0, zorder=1)
    for values, name in (
        (series.decision, "decision_limit"),
        (series.detection, "detection_limit"),
    ):
        ax.plot(places, values, linewidth=1.0, zorder=2, **LIMITS[name])
    ax.vlines(places, series.means, series.bounds, color=INK, linewidth=0.6, zorder=2)
    ax.scatter(places, series.bounds, marker="_", s=9, linewidths=0.6, color=INK, zorder=2)
    ax.plot(places, series.means, color=EXPOSED, linewidth=0.8, zorder=2)
    for working, colour in ((False, EXPOSED), (True, WORKING)):
        shown = np.array(series.working) == working
        ax.scatter(places[shown], series.means[shown], s=12, color=colour, zorder=3)
    if places[0] > 0 and places[-1] / places[0] > _LOGARITHMIC:
        ax.set_xscale("log")
    low, high = ax.get_xlim()
    forward = ax.xaxis.get_transform().transform
    shares = (forward(places) - forward(low)) / (forward(high) - forward(low))
    labels = [f"{place:g}" for place in places]
    kept = _apart(labels, [float(share) * width_mm for share in shares])
    ax.xaxis.set_major_locator(FixedLocator(places.tolist()))
    ax.xaxis.set_major_formatter(FixedFormatter([t if k in kept else "" for k, t in
                                                 enumerate(labels)]))  # fmt: skip
    ax.xaxis.set_minor_locator(NullLocator())
    ax.set_xlim(low, high)
    ax.locator_params(axis="y", nbins=4)
    return ax


def _apart(labels: Sequence[str], places: Sequence[float]) -> set[int]:
    """Which labels can stand at their places, mm, without touching: the ends first.

    >>> sorted(_apart(["1", "2", "100"], [0.0, 1.0, 20.0]))
    [0, 2]
    """
    order = [len(labels) - 1, *range(len(labels) - 1)]
    widths = [text_width(label) for label in labels]
    kept: set[int] = set()
    for k in order:
        if all(abs(places[k] - places[j]) > (widths[k] + widths[j]) / 2 + 0.8 for j in kept):
            kept.add(k)
    return kept
