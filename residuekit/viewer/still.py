"""The still picture of a page, for where no script may run."""

from __future__ import annotations

from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np

from ..figures.layout import PAGE_WIDTH
from ..figures.map_panel import bar_label_width, draw_colour_bar, draw_map
from ..figures.spectra_panel import shade_windows
from ..figures.style import (
    BLANK,
    BOLD,
    EXPOSED,
    GEL,
    INK,
    MM_PER_INCH,
    figure_style,
    fitted,
    place,
    wrapped,
    write,
)
from ..words.common import score_words
from .shown import KEPT, Layer, Shown

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_TOP, _SIDE, _LINE = 15.0, 52.0, 3.8
#: Left of the spectrum, mm.
_RIGHT = 96.0
_DPI = 130


def picture(shown: Shown) -> bytes:
    """Draw the first score and the mean spectrum as PNG, and below the map of the first difference
    from the state before treatment where there is one."""
    from matplotlib.figure import Figure

    title = wrapped(shown.title, (PAGE_WIDTH - 8) / BOLD)
    top = _TOP + _LINE * (len(title) - 1)
    below = top + _SIDE + 10
    apart = next((layer for layer in shown.layers if layer.diverging), None)
    under, below = below + 9, below + (_SIDE + 19) * (apart is not None)
    lines = [line for note in shown.notes for line in wrapped(note, PAGE_WIDTH - 8)]
    height = below + _LINE * len(lines) + 2
    with figure_style():
        figure = Figure(figsize=(PAGE_WIDTH / MM_PER_INCH, height / MM_PER_INCH))
        for number, line in enumerate(title):
            write(figure, 4, 3 + _LINE * number, line, weight="bold")
        _draw_scores(figure, shown, shown.layers[0], top)
        if apart is not None:
            _draw_scores(figure, shown, apart, under)
            for number, line in enumerate(wrapped(apart.words, PAGE_WIDTH - _RIGHT - 4)):
                write(figure, _RIGHT, under + _LINE * number, line)
        _draw_spectrum(figure, shown, top)
        for number, line in enumerate(lines):
            write(figure, 4, below + _LINE * number, line)
        target = BytesIO()
        figure.savefig(target, format="png", dpi=_DPI, metadata={"Software": None})
    return target.getvalue()


def _draw_scores(figure: Figure, shown: Shown, layer: Layer, top: float) -> None:
    words = score_words(layer.name, layer.unit) if layer.unit else layer.name
    write(figure, 4, top - 6, fitted(words, 78))
    if shown.x is None or shown.y is None:
        ax = place(figure, 16, top, _SIDE, _SIDE)
        ax.plot(np.arange(layer.pixels.size), layer.pixels[0], "o", color=EXPOSED, markersize=3)
        ax.set_xlabel("spectrum number")
        return
    low, high = layer.scale
    limit = layer.fade_limit
    middles = [(side[1:] + side[:-1]) / 2 for side in (shown.x, shown.y)]
    unit = "um" if shown.position_unit == "µm" else "pixel"
    ax = place(figure, 4, top, _SIDE, _SIDE)
    look: dict[str, Any] = {
        "limit": limit, "scale": (low, high), "diverging": layer.diverging
    }  # fmt: skip
    draw_map(ax, layer.pixels, *middles, position_unit=unit, **look)
    across, up = np.meshgrid(*middles)
    kept = shown.state == KEPT
    ax.plot(across[kept], up[kept], ".", markersize=2, color=INK)
    room = max(10.0, bar_label_width(-limit) + 2)
    bar = place(figure, 4 + _SIDE + room, top + 4, 2.5, _SIDE - 8)
    draw_colour_bar(bar, words="", **look)


def _draw_spectrum(figure: Figure, shown: Shown, top: float) -> None:
    width = PAGE_WIDTH - _RIGHT - 4
    ax = place(figure, _RIGHT, top, width, _SIDE)
    for kind, (words, values) in shown.references.items():
        colour, style = (BLANK, "-") if kind == "blank" else (GEL, "--")
        ax.plot(shown.wavenumber, values, color=colour, linestyle=style, label=words)
    n_valid = int(shown.weight.sum())
    ax.plot(shown.wavenumber, shown.mean(), color=EXPOSED, label=f"mean of {n_valid} spectra")
    if shown.wavenumber.size > 1:
        ax.set_xlim(shown.wavenumber[-1], shown.wavenumber[0])
    shade_windows(ax, [{"low": low, "high": high} for _, low, high in shown.windows], width)
    ax.set_xlabel("wavenumber (cm⁻¹)")
    ax.set_ylabel(shown.quantity)
    ax.legend(loc="lower right", bbox_to_anchor=(1.0, 1.0), ncols=3)
