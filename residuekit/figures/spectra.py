"""Mean spectra with their spread, the pure material beside them, the marker windows shaded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from .style import BLANK, EXPOSED, GEL, PALE, text_width
from .words import number

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = npt.NDArray[np.float64]
#: The share of the height of an axes that is kept free for the numbers of the marker windows.
_HEADROOM = 0.2


def draw_spectrum(
    ax: Axes,
    wavenumber: Floats,
    spectra: Floats,
    colour: str,
    words: str,
    *,
    spread: bool = True,
    width: float = 0.8,
) -> Axes:
    """Draw the mean of spectra (mock-up, wavenumber) and a band of one standard deviation."""
    mean = spectra.mean(axis=0)
    if spread and len(spectra) > 1:
        sd = spectra.std(axis=0, ddof=1)
        ax.fill_between(wavenumber, mean - sd, mean + sd, color=colour, alpha=0.25, linewidth=0)
    ax.plot(wavenumber, mean, color=colour, label=words, linewidth=width)
    return ax


def draw_spectra(
    ax: Axes,
    wavenumber: Floats,
    blank: Floats,
    exposed: Floats | None,
    gel: Floats | None,
    words: Sequence[str],
) -> Axes:
    """Draw blank and exposed means with their spread, and the pure gel scaled to their height.

    `words` names the three; the gel's factor is added to its name.
    """
    draw_spectrum(ax, wavenumber, blank, BLANK, words[0], width=1.8)
    if exposed is not None:
        draw_spectrum(ax, wavenumber, exposed, EXPOSED, words[1])
    if gel is not None and np.ptp(gel) > 0:
        factor = 0.5 * float(np.ptp(blank.mean(axis=0)) / np.ptp(gel))
        _draw_gel(ax, wavenumber, gel * factor, f"{words[2]} × {number(factor, 2)}")
    return _dress(ax, wavenumber)


def draw_difference(
    ax: Axes,
    wavenumber: Floats,
    blank: Floats,
    exposed: Floats,
    gel: Floats | None,
    words: Sequence[str],
) -> Axes:
    """Draw the mean difference exposed - blank over the scatter of the blank mock-ups.

    `words` names the difference and `gel`, the pure material at a loading.
    """
    difference = exposed - blank.mean(axis=0)
    if len(blank) > 1:
        sd = blank.std(axis=0, ddof=1)
        ax.fill_between(wavenumber, -sd, sd, color=BLANK, alpha=0.2, linewidth=0)
    ax.axhline(0, color=PALE, linewidth=0.5, zorder=0)
    draw_spectrum(ax, wavenumber, difference, EXPOSED, words[0], spread=False)
    if gel is not None:
        _draw_gel(ax, wavenumber, gel, words[1])
    return _dress(ax, wavenumber)


def _draw_gel(ax: Axes, wavenumber: Floats, gel: Floats, words: str) -> None:
    ax.plot(wavenumber, gel, color=GEL, linestyle=(0, (3, 1.2)), label=words)


def _dress(ax: Axes, wavenumber: Floats) -> Axes:
    ax.set_xlim(wavenumber[-1], wavenumber[0])
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + _HEADROOM * (high - low))
    ax.locator_params(axis="x", nbins=6)
    ax.locator_params(axis="y", nbins=3)
    return ax


def shade_windows(
    ax: Axes, markers: Sequence[Mapping[str, Any]], width_mm: float, tags: Sequence[str] = ()
) -> Axes:
    """Shade the marker windows; `tags`, one a marker, stand at the top of the axes."""
    left, right = ax.get_xlim()
    for marker in markers:
        ax.axvspan(marker["low"], marker["high"], color="#e9dfc4", linewidth=0, zorder=-1)
    places = [
        ((marker["low"] + marker["high"]) / 2 - left) / (right - left) * width_mm
        for marker in markers
    ]
    for words, place in _joined(tags, places, width_mm):
        ax.text(place / width_mm, 1, words, transform=ax.transAxes, ha="center", va="top")
    return ax


def _joined(
    tags: Sequence[str], places: Sequence[float], width_mm: float
) -> list[tuple[str, float]]:
    """Tags at their places, mm; tags that would touch are joined at the mean of their places."""
    groups = [([k], places[k]) for k in sorted(range(len(tags)), key=lambda k: places[k])]
    apart = False
    while not apart:
        apart = True
        for k in range(len(groups) - 1):
            (one, here), (other, there) = groups[k : k + 2]
            touching = there - here < (_width(tags, one) + _width(tags, other)) / 2 + 0.8
            if touching:
                members = one + other
                groups[k : k + 2] = [(members, float(np.mean([places[m] for m in members])))]
                apart = False
                break
    found = []
    for members, place in groups:
        half = _width(tags, members) / 2
        inside = min(max(place, half), max(width_mm - half, half))
        found.append((_words(tags, members), inside))
    return found


def _words(tags: Sequence[str], members: Sequence[int]) -> str:
    return ",".join(tags[k] for k in sorted(members))


def _width(tags: Sequence[str], members: Sequence[int]) -> float:
    return text_width(_words(tags, members))
