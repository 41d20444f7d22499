"""The figure on disk: PDF, SVG, PNG, TIFF on demand, and figure.json, which says what is drawn."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import math
import re
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from ..errors import ContractError
from ..schema import FIGURE_WIDTHS
from ..words.caption import caption, figure_alternative, short_caption
from ..words.common import stratum_of
from .contents import Plan, plan_figure
from .layout import narrow
from .residue import draw
from .stage_panel import Photo
from .stratum import Block, Series, Spiking
from .style import COLOUR_MAP, figure_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..results import StudyResult

RECORD = "figure.json"
ONE_COLUMN = "figure-85mm"
#: What each format would write of the day and the machine, left out: the same bytes every time.
_METADATA: dict[str, dict[str, Any]] = {
    "pdf": {"CreationDate": None, "Producer": None, "Creator": None},
    "svg": {"Date": None, "Creator": None},
    "png": {"Software": None},
}
KINDS = tuple(_METADATA)
#: Where each format carries a mark: the hash of the verdicts that it shows.
_MARK = {"pdf": "Subject", "svg": "Description", "png": "Description"}
_IMAGE_DESCRIPTION = 270
_ARM_NUMBERS = (
    "n_mockups", "n_blank_mockups", "n_maps", "n_pixels", "estimate", "decision_limit",
    "detection_limit", "mockup_decision_limit", "mockup_detection_limit", "upper_bound",
)  # fmt: skip


def write_figure(
    result: StudyResult,
    folder: str | Path,
    *,
    width_mm: float | None = None,
    also: Sequence[str] | None = None,
) -> dict[str, Any]:
    """Write figure.pdf, .svg, .png and figure.json into a folder; return the record.

    PNG and TIFF (LZW, without transparency) have 600 dots an inch. Fonts are embedded in the PDF
    (TrueType); the SVG has its letters as outlines. Every file carries the hash of verdicts.csv
    and has the same bytes on every run. `width_mm` is 85 for one column, the width of the study's
    settings (180) when left out. `also` names what the study's settings name when it is
    left out: ``tiff``, and ``column``, which is figure-85mm.pdf beside a wider figure, one column
    wide, with a page for each stratum. A study that cannot be drawn (no blank left, say) gets only
    figure.json, whose `not_drawn` says why.
    """
    folder = Path(folder)
    record: dict[str, Any]
    known = _sha256(result.folder / "verdicts.csv")
    study = result.provenance["study"]
    mark = f"verdicts.csv sha256 {known}"
    try:
        plan = plan_figure(result, width_mm=width_mm)
    except ContractError as problem:
        record = {"not_drawn": str(problem)}
    else:
        rows = result.verdicts.to_dict("records")
        asked = study.get("figure", {}).get("also", ()) if also is None else also
        files = save_figure(
            draw(plan), folder, "figure", mark=mark, alternative=figure_alternative(rows)
        )
        if "tiff" in asked:
            files |= _save_tiff(folder / "figure.png", mark)
        record = {**describe(plan), "files": files, "caption": caption(plan, study),
                  "short_caption": short_caption(plan, study)}  # fmt: skip
        if "column" in asked and not narrow(plan.width):
            pages, left_out = column_pages(result)
            files |= _save_pages(pages, folder / f"{ONE_COLUMN}.pdf", mark)
            record["one_column"] = {
                "pages": [
                    {
                        "stratum": page.blocks[0].words,
                        "left_out": list(page.left_out),
                        "caption": caption(page, study),
                    }
                    for page in pages
                ],
                "left_out": left_out,
            }
    record["verdicts_sha256"] = known
    text = json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False)
    (folder / RECORD).write_text(text + "\n", encoding="utf-8")
    return record


def column_pages(result: StudyResult) -> tuple[list[Plan], list[str]]:
    """Plan a page one column wide for each stratum; say why for each that cannot be drawn."""
    pages, left_out = [], []
    for stratum in dict.fromkeys(map(stratum_of, result.verdicts.to_dict("records"))):
        try:
            pages.append(plan_figure(result, strata=[stratum], width_mm=FIGURE_WIDTHS[0]))
        except ContractError as problem:
            left_out.append(str(problem))
    return pages, left_out


def _save_pages(pages: Sequence[Plan], path: Path, mark: str) -> dict[str, str]:
    """Save plans as the pages of one PDF, the same bytes on every run; return name -> sha256."""
    from matplotlib.backends.backend_pdf import PdfPages

    metadata = {**_METADATA["pdf"], _MARK["pdf"]: mark}
    with figure_style(), PdfPages(path, metadata=metadata) as pdf:
        for page in pages:
            pdf.savefig(draw(page))
    return {path.name: _sha256(path)}


def save_figure(
    figure: Figure,
    folder: Path,
    stem: str,
    *,
    mark: str = "",
    kinds: Sequence[str] = KINDS,
    alternative: str = "",
) -> dict[str, str]:
    """Save a figure in some formats, the same bytes on every run; return name -> sha256.

    Every file carries the `mark`, where one is given, and the SVG its content in words.
    """
    hashes = {}
    with figure_style():
        for kind in kinds:
            path = folder / f"{stem}.{kind}"
            marked = {_MARK[kind]: mark} if mark else {}
            figure.savefig(path, metadata={**_METADATA[kind], **marked})
            if kind == "svg" and alternative:
                _describe_svg(path, alternative)
            hashes[path.name] = _sha256(path)
    return hashes


def _describe_svg(path: Path, alternative: str) -> None:
    """Give an SVG its title and description, for those who cannot see it."""
    title, _, words = alternative.partition(": ")
    said = f"<title>{escape(title)}</title>\n <desc>{escape(words)}</desc>"
    text = path.read_text(encoding="utf-8")
    text = re.sub(r"<svg\b[^>]*>", lambda found: f"{found[0]}\n {said}", text, count=1)
    path.write_text(text, encoding="utf-8")


def _save_tiff(picture: Path, mark: str) -> dict[str, str]:
    """Save a PNG of a figure as TIFF beside it; return name -> sha256."""
    from PIL import Image

    path = picture.with_suffix(".tiff")
    with Image.open(picture) as opened:
        opened.convert("RGB").save(
            path,
            compression="tiff_lzw",
            dpi=tuple(map(round, opened.info["dpi"])),
            tiffinfo={_IMAGE_DESCRIPTION: mark},
        )
    return {path.name: _sha256(path)}


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def describe(plan: Plan) -> dict[str, Any]:
    """What a figure holds, as JSON can keep it."""
    return {
        "width_mm": plan.width,
        "height_mm": round(plan.height, 3),
        "colour_map": COLOUR_MAP,
        "scale": {"low": plan.scale[0], "high": plan.scale[1]},
        "acceptance_limit_ug_cm2": plan.acceptance_limit,
        "strata": [_describe_block(block) for block in plan.blocks],
        "left_out": list(plan.left_out),
        "remarks": list(plan.remarks),
        "image": _describe_photo(plan.photo),
    }


def _describe_photo(photo: Photo | None) -> dict[str, Any] | None:
    if photo is None:
        return None
    frames = {frame.tag: frame.corners.round(3).tolist() for frame in photo.frames}
    return {"file": photo.name, "frames": frames}


def _describe_block(block: Block) -> dict[str, Any]:
    paint, soiling, ageing = block.stratum
    return {
        "paint": paint,
        "soiling": soiling,
        "ageing_h": ageing,
        "score": block.score,
        "unit": block.unit,
        "pixel_limit": _finite(block.pixel_limit),
        "maps": [
            {
                "file": panel.file,
                "role": panel.role,
                "mockup": panel.mockup,
                "shown_as": panel.words,
                "chosen_as": panel.rule,
                "shape": list(panel.values.shape),
                "masked": panel.masked,
                "flags": dict(panel.flags),
            }
            for panel in block.maps
        ],
        "groups": [
            {
                "shown_as": group.words,
                "role": group.role,
                "mockups": list(group.mockups),
                "means": group.values.tolist(),
                **({} if group.verdict is None else _arm(group.verdict)),
            }
            for group in block.groups
        ],
        "spiking": _columns(block.spiking),
        "series": _columns(block.series),
    }


def _columns(curve: Spiking | Series | None) -> dict[str, Any] | None:
    """A curve as JSON can keep it."""
    if curve is None:
        return None
    fields = {one.name: getattr(curve, one.name) for one in dataclasses.fields(curve)}
    return {name: _plain(value) for name, value in fields.items()}


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return [_finite(one) for one in value]
    if isinstance(value, float):
        return _finite(value)
    return list(value) if isinstance(value, tuple) else value


def _arm(row: Mapping[str, Any]) -> dict[str, Any]:
    numbers = {name: _finite(row[name]) for name in _ARM_NUMBERS}
    return {"verdict": str(row["verdict"]), **numbers}


def _finite(value: Any) -> float | None:
    return float(value) if math.isfinite(value) else None
