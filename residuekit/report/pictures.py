"""The pictures of the page: inside it, each with its content in words."""

from __future__ import annotations

import base64
import json
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING

from ..figures.written import RECORD
from ..words.caption import figure_alternative
from ..words.limits import CALIBRATION_ALTERNATIVE
from .as_html import show
from .calibration_plot import calibration_plot

if TYPE_CHECKING:
    from ..results import StudyResult

#: A larger vector picture gives way to its pixels, and both to a pointer: the page stays small.
MOST_BYTES = 3_000_000


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
    words = figure_alternative(result.verdicts.to_dict("records"))
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
    shown = picture(made.svg, "svg+xml", CALIBRATION_ALTERNATIVE, made.width)
    return f'<figure class="small">{shown}<figcaption>{show(made.caption)}</figcaption></figure>'
