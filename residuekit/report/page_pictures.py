"""The pictures of the page: inside it, each with its content in words."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from ..errors import ContractError
from ..figures.difference_panel import differences_figure
from ..figures.written import RECORD, page_stem
from ..words import panels as words
from ..words.caption import figure_alternative
from ..words.differences import ALTERNATIVE
from ..words.limits import CALIBRATION_ALTERNATIVE
from .calibration_plot import calibration_plot
from .small_panels import (
    comparisons_caption,
    comparisons_figure,
    differences_caption,
    matrix_figure,
    recovery_figure,
    svg,
)

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..results import StudyResult

#: A larger vector picture gives way to its pixels, and both to a pointer: the page stays small.
MOST_BYTES = 3_000_000
_PANEL_PIXELS = 780
#: ... and so do those of a figure of many pages, together.
MOST_TOGETHER = 5_000_000


class Picture(NamedTuple):
    """A picture in base 64, its kind, its content in words, its width in pixels if it has one."""

    coded: str
    kind: str
    words: str
    width: int | None = None


def picture(data: bytes, kind: str, words: str, width: int | None = None) -> Picture:
    """Code a picture."""
    return Picture(base64.b64encode(data).decode("ascii"), kind, words, width)


def main_figure(folder: Path, verdicts: Sequence[Mapping[Any, Any]]) -> dict[str, Any]:
    """The pages of the due-diligence figure with their captions, or why there are none."""
    record = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    if "not_drawn" in record:
        return {"refused": record["not_drawn"], "pages": []}
    words = figure_alternative(verdicts)
    pages, room = [], MOST_TOGETHER
    for number in range(1, len(record["height_mm"]) + 1):
        stem = page_stem("figure", number)
        files = {kind: folder / f"{stem}.{kind[:3]}" for kind in ("svg+xml", "png")}
        sizes = {kind: file.stat().st_size for kind, file in files.items()}
        kind = next((one for one in sizes if sizes[one] <= min(MOST_BYTES, room)), None)
        shown = None
        if kind is not None:
            room -= sizes[kind]
            shown = picture(files[kind].read_bytes(), kind, words)
        said = record["captions"][page_stem("caption", number)]
        pages.append({"picture": shown, "beside": f"{stem}.png", **said})
    return {"refused": "", "pages": pages}


def calibration_figure(result: StudyResult) -> dict[str, Any] | None:
    """The calibration plot with its caption; None where there are no spiked mock-ups."""
    made = calibration_plot(result)
    if made is None:
        return None
    shown = picture(made.svg, "svg+xml", CALIBRATION_ALTERNATIVE, made.width)
    return {"picture": shown, "caption": made.caption}


def comparisons_panel(result: StudyResult) -> dict[str, Any] | None:
    """The comparisons of arms with their caption; None where no two can be compared."""
    if result.comparisons.empty:
        return None
    shown = _panel(comparisons_figure(result), words.COMPARISONS_ALTERNATIVE)
    return {"picture": shown, "caption": comparisons_caption(result)}


def recovery_panel(result: StudyResult) -> dict[str, Any] | None:
    """The recovery with its caption; None where there are too few spiked mock-ups."""
    try:
        shown = _panel(recovery_figure(result), words.RECOVERY_ALTERNATIVE)
    except ContractError:
        return None
    return {"picture": shown, "caption": words.RECOVERY_CAPTION}


def differences_panel(result: StudyResult) -> dict[str, Any] | None:
    """The difference maps of paired mock-ups with their caption; None where there are none."""
    try:
        shown = _panel(differences_figure(result), ALTERNATIVE)
    except ContractError:
        return None
    return {"picture": shown, "caption": differences_caption(result)}


def matrix_panel(result: StudyResult) -> Picture | None:
    """The panel of the matrix effect; None where no stratum has spiked mock-ups and films."""
    made = matrix_figure(result)
    return None if made is None else _panel(made, words.MATRIX_ALTERNATIVE)


def _panel(figure: Figure, alternative: str) -> Picture:
    return picture(svg(figure), "svg+xml", alternative, _PANEL_PIXELS)
