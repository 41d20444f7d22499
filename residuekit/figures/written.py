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
from ..words.caption import caption, figure_alternative, short_caption
from .contents import Plan, plan_pages
from .layout import narrow
from .residue import draw
from .stage_panel import Photo
from .stratum import Block, Spiking
from .style import COLOUR_MAP, figure_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..results import StudyResult

RECORD = "figure.json"
_COLUMN_MM = 85
ONE_COLUMN = f"figure-{_COLUMN_MM}mm"
#: What each format would write of the day and the machine, left out: the same bytes every time.
_METADATA: dict[str, dict[str, Any]] = {
    "pdf": {"CreationDate": None, "Producer": None, "Creator": None},
    "svg": {"Date": None, "Creator": None},
    "png": {"Software": None},
}
KINDS = tuple(_METADATA)
#: Half the time of the usual 6, for 8 % more bytes.
_PACKED = {"compress_level": 3}
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

    Further pages of the figure stand in figure.pdf, and as figure-2.svg, figure-2.png and so on;
    the record has the caption of each page. PNG and TIFF (LZW, without transparency) have 600 dots
    an inch. Fonts are embedded in the PDF (TrueType); the SVG has its letters as outlines. Every
    file carries the hash of verdicts.csv and has the same bytes on every run. `width_mm` is 85 for
    one column, the width of the study's settings (170) when left out. `also` names what the
    study's settings name when it is left out: ``tiff``, and ``column``, which is figure-85mm.pdf
    beside a wider figure, one column wide. A study that cannot be drawn (no blank left, say) gets
    only figure.json, whose `not_drawn` says why.
    """
    folder = Path(folder)
    record: dict[str, Any]
    known = _sha256(result.folder / "verdicts.csv")
    mark = f"verdicts.csv sha256 {known}"
    try:
        pages = plan_pages(result, width_mm=width_mm)
    except ContractError as problem:
        record = {"not_drawn": str(problem)}
    else:
        study = result.provenance["study"]
        asked = study.get("figure", {}).get("also", ()) if also is None else also
        words = figure_alternative(result.verdicts.to_dict("records"))
        files = _save_all(pages, folder, mark, words, tiff="tiff" in asked)
        written = {"caption": pages}
        if "column" in asked and not narrow(pages[0].width):
            column = plan_pages(result, width_mm=_COLUMN_MM)
            files |= _save_pages(list(map(draw, column)), folder / f"{ONE_COLUMN}.pdf", mark)
            written[f"caption-{_COLUMN_MM}mm"] = column
        captions = {
            page_stem(stem, page.page): {
                "caption": caption(page, study), "short_caption": short_caption(page, study)
            }
            for stem, plans in written.items()
            for page in plans
        }  # fmt: skip
        record = {**describe(pages), "files": files, "captions": captions}
    record["verdicts_sha256"] = known
    text = json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False)
    (folder / RECORD).write_text(text + "\n", encoding="utf-8")
    return record


def page_stem(stem: str, page: int) -> str:
    """The name of the file of a page.

    >>> page_stem("figure", 1), page_stem("figure", 2)
    ('figure', 'figure-2')
    """
    return stem if page == 1 else f"{stem}-{page}"


def _save_all(
    pages: Sequence[Plan], folder: Path, mark: str, alternative: str, *, tiff: bool
) -> dict[str, str]:
    """One PDF with all pages, an SVG and a PNG a page, TIFF on demand; return name -> sha256."""
    figures = list(map(draw, pages))
    files = _save_pages(figures, folder / "figure.pdf", mark)
    for page, figure in zip(pages, figures, strict=True):
        stem = page_stem("figure", page.page)
        files |= save_figure(figure, folder, stem, mark=mark, kinds=("svg", "png"),
                             alternative=alternative)  # fmt: skip
        if tiff:
            files |= _save_tiff(folder / f"{stem}.png", mark)
    return files


def _save_pages(figures: Sequence[Figure], path: Path, mark: str) -> dict[str, str]:
    """Save figures as the pages of one PDF, the same bytes on every run; return name -> sha256."""
    from matplotlib.backends.backend_pdf import PdfPages

    metadata = {**_METADATA["pdf"], _MARK["pdf"]: mark}
    with figure_style(), PdfPages(path, metadata=metadata) as pdf:
        for figure in figures:
            pdf.savefig(figure)
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
            packed: dict[str, Any] = {"pil_kwargs": _PACKED} if kind == "png" else {}
            figure.savefig(path, metadata={**_METADATA[kind], **marked}, **packed)
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


def describe(pages: Sequence[Plan]) -> dict[str, Any]:
    """What a figure holds, as JSON can keep it."""
    first, last = pages[0], pages[-1]
    return {
        "width_mm": first.width,
        "height_mm": [round(page.height, 3) for page in pages],
        "colour_map": COLOUR_MAP,
        "scale": {"low": first.scale[0], "high": first.scale[1]},
        "strata": [
            {"letter": letter, "page": page.page, **_describe_block(block)}
            for page in pages
            for letter, block in page.lettered
        ],
        "left_out": list(first.left_out),
        "remarks": list(first.remarks),
        "image": _describe_photo(last.photo),
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
        "residue": block.residue,
        "acceptance_limit_ug_cm2": block.acceptance,
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
    }


def _columns(curve: Spiking | None) -> dict[str, Any] | None:
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
    return value


def _arm(row: Mapping[str, Any]) -> dict[str, Any]:
    numbers = {name: _finite(row[name]) for name in _ARM_NUMBERS}
    return {"verdict": str(row["verdict"]), **numbers}


def _finite(value: Any) -> float | None:
    return float(value) if math.isfinite(value) else None
