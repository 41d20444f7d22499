"""What every picture must keep: text that can be read, colours that stay apart in grey."""

from __future__ import annotations

from itertools import combinations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.text import Text

LEAST_PT = 7.0
#: Lightness that tells two marks apart in grey, L*.
APART = 20.0


def lightness(colour):
    """CIE 1976 L* of an sRGB colour."""
    linear = [((c + 0.055) / 1.055) ** 2.4 if c > 0.04045 else c / 12.92 for c in to_rgb(colour)]
    y = float(np.dot(linear, [0.2126, 0.7152, 0.0722]))
    return 116 * y ** (1 / 3) - 16 if y > (6 / 29) ** 3 else (29 / 3) ** 3 * y


def shown_texts(figure):
    """Every text that is printed, with its box; ticks outside the axes are not printed."""
    if not isinstance(figure.canvas, FigureCanvasAgg):
        FigureCanvasAgg(figure)
    figure.draw_without_rendering()
    renderer = figure.canvas.get_renderer()
    hidden = set()
    for ax in figure.findobj(Axes):
        for axis in (ax.xaxis, ax.yaxis):
            low, high = sorted(axis.get_view_interval())
            margin = 1e-9 * (high - low)
            for tick in [*axis.get_major_ticks(), *axis.get_minor_ticks()]:
                if not low - margin <= tick.get_loc() <= high + margin:
                    hidden |= {tick.label1, tick.label2}
            if not ax.axison:
                hidden |= {axis.label, axis.offsetText}
    texts = [t for t in figure.findobj(Text) if t.get_visible() and t.get_text().strip()]
    return [(t, t.get_window_extent(renderer)) for t in texts if t not in hidden]


def assert_legible(figure):
    """Text of 7 pt or more, over no other text, on the page, without raw markup."""
    texts, page = shown_texts(figure), figure.bbox
    assert texts
    for text, box in texts:
        words = text.get_text()
        assert text.get_fontsize() >= LEAST_PT, words
        assert "mathdefault" not in words
        assert min(box.x0, box.y0) >= -0.5, words
        assert page.x1 - box.x1 >= -0.5, words
        assert page.y1 - box.y1 >= -0.5, words
    for (one, a), (other, b) in combinations(texts, 2):
        overlap_x = min(a.x1, b.x1) - max(a.x0, b.x0)
        overlap_y = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert overlap_x < 1 or overlap_y < 1, (one.get_text(), other.get_text())
