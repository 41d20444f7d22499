"""The pictures of the page: inside it, each with its content in words."""

from __future__ import annotations

import base64
import json
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from ..figures.written import RECORD
from .as_html import show
from .calibration import calibration_plot

if TYPE_CHECKING:
    from ..results import StudyResult

#: A larger vector picture gives way to its pixels, and both to a pointer: the page stays small.
MOST_BYTES = 3_000_000
_NAMED = 12


def picture(data: bytes, kind: str, words: str, width: int | None = None) -> str:
    """A picture inside the page; a wide one scrolls on a narrow screen."""
    wide = f' width="{width}"' if width else ""
    coded = base64.b64encode(data).decode("ascii")
    return (
        '<div class="wide" role="group" tabindex="0" aria-label="Picture, scrolls sideways">'
        f'<img alt="{escape(words)}"{wide} src="data:image/{kind};base64,{coded}"></div>'
    )


def main_figure(folder: Path, result: StudyResult) -> str:
    """The due-diligence figure from the run folder, or why there is none."""
    record = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    if "not_drawn" in record:
        return f"<p>The figure could not be drawn: {show(record['not_drawn'])}</p>"
    told = [f"{row['paint']}, {row['treatment']} {row['exposure_min']:g} min: {row['verdict']}"
            for row in result.verdicts.to_dict("records")]  # fmt: skip
    more = f"; and {len(told) - _NAMED} more" if len(told) > _NAMED else ""
    words = (
        "Due-diligence figure: score maps on one colour scale, mean spectra, detection curve, "
        "means of the arms, a dot a mock-up with the limits. "
        f"Verdicts shown: {'; '.join(told[:_NAMED])}{more}. The numbers stand in the "
        "tables below."
    )
    for name, kind in (("figure.svg", "svg+xml"), ("figure.png", "png")):
        if (path := folder / name).stat().st_size <= MOST_BYTES:
            shown = picture(path.read_bytes(), kind, words)
            break
    else:
        shown = "<p>The figure is too large for this page: see figure.pdf beside it.</p>"
    return f"<figure>{shown}<figcaption>{show(record['caption'])}</figcaption></figure>"


def calibration_figure(result: StudyResult) -> str:
    """The calibration plot, or why there is none."""
    made = calibration_plot(result)
    if made is None:
        return (
            "<p>There are no spiked mock-ups: scores keep their own unit, and there is nothing to "
            "calibrate.</p>"
        )
    words = "Found against known loading, a panel a stratum; the caption gives the numbers."
    shown = picture(made.svg, "svg+xml", words, made.width)
    return (
        f'<figure class="small">{shown}<figcaption>{show(made.words)} Circles: blank mock-ups; '
        "diamonds: spiked ones. Line: found equals known; shaded: one standard error of the slope. "
        "Where there are enough, the spiked mock-ups shown also served to measure how mock-ups of "
        "the paint differ, apart from the gel's own direction: the metric of the net signal, see "
        "methods.md.</figcaption></figure>"
    )
