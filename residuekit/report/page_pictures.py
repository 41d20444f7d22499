"""The pictures of the page: inside it, each with its content in words."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from ..figures.written import RECORD, page_stem
from ..words.caption import figure_alternative
from ..words.limits import CALIBRATION_ALTERNATIVE
from ..words.scale import MATRIX_ALTERNATIVE
from .beside_films import matrix_panel
from .calibration_plot import calibration_plot

if TYPE_CHECKING:
    from ..results import StudyResult

#: A larger vector picture gives way to its pixels, and both to a pointer: the page stays small.
MOST_BYTES = 3_000_000
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


def matrix_figure(result: StudyResult) -> Picture | None:
    """The panel of the matrix effect; None where no stratum has spiked mock-ups and films."""
    made = matrix_panel(result)
    return None if made is None else picture(made, "svg+xml", MATRIX_ALTERNATIVE)
