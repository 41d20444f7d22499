"""Mean spectra with their spread, the pure material beside them, the marker windows shaded."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from .style import BLANK, DASHES, GEL, PALE, text_width

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
    *,
    spread: bool = True,
    width: float = 0.8,
) -> Axes:
    """Draw the mean of spectra (mock-up, wavenumber) and a band of one standard deviation."""
    mean = spectra.mean(axis=0)
    if spread and len(spectra) > 1:
        sd = spectra.std(axis=0, ddof=1)
        ax.fill_between(wavenumber, mean - sd, mean + sd, color=colour, alpha=0.25, linewidth=0)
    ax.plot(wavenumber, mean, color=colour, linewidth=width, linestyle=DASHES.get(colour, "-"))
    return ax


def draw_spectra(
    ax: Axes,
    wavenumber: Floats,
    blank: Floats,
    exposed: Sequence[tuple[Floats, str]],
    gel: Floats | None,
) -> Axes:
    """Draw blank and exposed means with their spread, and the pure gel times `gel_factor`.

    `exposed` holds spectra (mock-up, wavenumber) of an arm, each with its colour.
    """
    draw_spectrum(ax, wavenumber, blank, BLANK, width=1.8)
    for spectra, colour in exposed:
        draw_spectrum(ax, wavenumber, spectra, colour)
    if gel is not None:
        _draw_gel(ax, wavenumber, gel * gel_factor(blank, gel))
    return _dress(ax, wavenumber)


def gel_factor(blank: Floats, gel: Floats) -> float:
    """By how much the pure gel is scaled to be half as high as the mean of the blanks."""
    height = float(np.ptp(gel))
    return 0.5 * float(np.ptp(blank.mean(axis=0))) / height if height > 0 else 1.0


def draw_difference(
    ax: Axes,
    wavenumber: Floats,
    blank: Floats,
    exposed: Sequence[tuple[Floats, str]],
    gel: Floats | None,
) -> Axes:
    """Draw the mean differences exposed - blank over two standard deviations of the blank
    mock-ups, with the pure material at a loading."""
    if len(blank) > 1:
        wide = 2 * blank.std(axis=0, ddof=1)
        ax.fill_between(wavenumber, -wide, wide, color=BLANK, alpha=0.6, linewidth=0)
    ax.axhline(0, color=PALE, linewidth=0.5, zorder=0)
    for spectra, colour in exposed:
        draw_spectrum(ax, wavenumber, spectra - blank.mean(axis=0), colour, spread=False)
    if gel is not None:
        _draw_gel(ax, wavenumber, gel)
    return _dress(ax, wavenumber)


def _draw_gel(ax: Axes, wavenumber: Floats, gel: Floats) -> None:
    ax.plot(wavenumber, gel, color=GEL, linestyle=DASHES[GEL])


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
        ax.text(place / width_mm, 1, words, transform=ax.transAxes, ha="center", va="top",
                fontsize=ax.xaxis.label.get_fontsize())  # fmt: skip
    return ax


def _joined(
    tags: Sequence[str], places: Sequence[float], width_mm: float
) -> list[tuple[str, float]]:
    """Tags at their places, mm, within the axes; tags that would touch are joined at the mean of
    their places."""
    groups = [[k] for k in sorted(range(len(tags)), key=lambda k: places[k])]

    def place(members: Sequence[int]) -> float:
        half = _width(tags, members) / 2
        middle = float(np.mean([places[k] for k in members]))
        return min(max(middle, half), max(width_mm - half, half))

    def touching(one: Sequence[int], other: Sequence[int]) -> bool:
        needed = (_width(tags, one) + _width(tags, other)) / 2 + 0.8
        return place(other) - place(one) < needed

    k = 0
    while k < len(groups) - 1:
        if touching(groups[k], groups[k + 1]):
            groups[k : k + 2] = [groups[k] + groups[k + 1]]
            k = max(k - 1, 0)
        else:
            k += 1
    return [(_words(tags, members), place(members)) for members in groups]


def _words(tags: Sequence[str], members: Sequence[int]) -> str:
    return ",".join(tags[k] for k in sorted(members))


def _width(tags: Sequence[str], members: Sequence[int]) -> float:
    return text_width(_words(tags, members))
