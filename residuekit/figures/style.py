"""The look of the figures: the style, the colours, text that fits its place."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from functools import cache, lru_cache
from importlib.resources import as_file, files
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MM_PER_INCH = 25.4
FONT_SIZE = 7.0
#: Bold letters are at most this much wider.
BOLD = 1.2
#: One colour a role in every picture, at least 20 L* apart: they stay apart in grey.
GEL, WORKING, EXPOSED, BLANK = "#0a1a6b", "#005f48", "#d9701e", "#c4c4c4"
#: ... and one dash a role.
DASHES: dict[str, Any] = {GEL: (0, (1.5, 1)), WORKING: "-", EXPOSED: (0, (5, 1.2)), BLANK: "-"}
INK, MUTED, PALE = "#1a1a1a", "#555555", "#c8c8c8"
MASKED = (0.72, 0.72, 0.72)
#: Perceptually uniform and monotone in lightness; turned round, so that more residue is darker.
COLOUR_MAP = "magma_r"
#: Of differences around zero: less is violet, more is the orange of what is exposed.
DIFFERENCE_MAP = "PuOr_r"
_NO_GLYPH = "□"
#: The share of white that fades a colour below the pixel limit.
_FADING = 0.6
#: Renderers that fit letters to their pixels set them this much wider.
_SLACK = 1.06


@contextmanager
def figure_style() -> Iterator[None]:
    """Draw and save in the style of the figures, whatever the user's own settings are."""
    from matplotlib import style

    with (
        as_file(files("residuekit.data") / "residue.mplstyle") as path,
        style.context(["default", str(path)]),
    ):
        yield


def place(figure: Figure, left: float, top: float, width: float, height: float) -> Axes:
    """Add axes at a place given in mm from the upper left corner."""
    w, h = figure.get_size_inches() * MM_PER_INCH
    return figure.add_axes((left / w, 1 - (top + height) / h, width / w, height / h))


def write(figure: Figure, left: float, top: float, text: str, **look: Any) -> None:
    """Write one line at a place given in mm from the upper left corner; `top` is its upper edge."""
    w, h = figure.get_size_inches() * MM_PER_INCH
    figure.text(left / w, 1 - top / h, text, va="top", **look)


def residue_colours(
    values: npt.ArrayLike, limit: float, low: float, high: float, *, diverging: bool = False
) -> npt.NDArray[np.float64]:
    """Scores to colours (..., 3) on the scale low..high; what is not above `limit` is faded.

    A faded colour is mixed with white, so that it is paler than every colour above the limit and
    lightness falls with the score over the whole scale. NaN becomes the grey of masked pixels.
    `diverging` colours are those of differences, faded from minus the limit to the limit.
    """
    from matplotlib import colormaps

    scores = np.asarray(values, dtype=float)
    known = np.isfinite(scores)
    share = np.clip((np.where(known, scores, low) - low) / (high - low), 0.0, 1.0)
    name = DIFFERENCE_MAP if diverging else COLOUR_MAP
    colours: npt.NDArray[np.float64] = colormaps[name](0.07 + 0.84 * share)[..., :3]
    beyond = np.abs(scores) if diverging else scores
    faded = known & ~(beyond > limit)
    colours[faded] = _FADING + (1 - _FADING) * colours[faded]
    colours[~known] = MASKED
    return colours


@cache
def _glyphs() -> frozenset[int]:
    from matplotlib.font_manager import findfont
    from matplotlib.ft2font import FT2Font

    return frozenset(FT2Font(findfont("DejaVu Sans")).get_charmap())


def plain(text: str) -> str:
    """A name on one line, with a box for each character that the font does not have."""
    known = _glyphs()
    joined = " ".join(str(text).split())
    return "".join(
        c if ord(c) in known and unicodedata.category(c)[0] != "C" else _NO_GLYPH for c in joined
    )


@lru_cache(maxsize=4096)
def text_width(text: str) -> float:
    """The width of a line of text, mm."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    font = FontProperties(family="DejaVu Sans", size=FONT_SIZE)
    width, _, _ = text_to_path.get_text_width_height_descent(text, font, ismath=False)
    return float(width) / 72 * MM_PER_INCH * _SLACK


def fitted(text: str, width: float) -> str:
    """A name that is at most `width` mm wide; the middle of a longer one gives way to an ellipsis.

    The ends stay, because numbers that tell names apart stand there.
    """
    shown = plain(text)
    if text_width(shown) <= width:
        return shown
    keep = len(shown)
    while keep > 2:
        keep -= 1
        head = (keep + 1) // 2
        short = f"{shown[:head].rstrip()}…{shown[len(shown) - (keep - head) :].lstrip()}"
        if text_width(short) <= width:
            return short
    return "…"


def first_fitting(texts: Sequence[str], width: float) -> str:
    """The first of some names that is at most `width` mm wide; else the last, shortened."""
    fits = (text for text in texts if text_width(plain(text)) <= width)
    return fitted(next(fits, texts[-1]), width)


def wrapped(text: str, width: float) -> list[str]:
    """Break a text into lines at most `width` mm wide."""
    lines: list[str] = []
    for word in plain(text).split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer) <= width:
            lines[-1] = longer
        else:
            lines.append(fitted(word, width))
    return lines
