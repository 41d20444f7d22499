"""The figure on disk: PDF, SVG, PNG, and figure.json, which says what is drawn."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import ContractError
from .caption import caption
from .choice import Block
from .residue import Plan, draw, plan_figure
from .style import COLOUR_MAP, figure_style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from ..results import StudyResult

RECORD = "figure.json"
#: What each format would write of the day and the machine, left out: the same bytes every time.
_METADATA: dict[str, dict[str, Any]] = {
    "pdf": {"CreationDate": None, "Producer": None, "Creator": None},
    "svg": {"Date": None, "Creator": None},
    "png": {"Software": None},
}
_ARM_NUMBERS = (
    "n_mockups", "n_blank_mockups", "n_maps", "n_pixels", "estimate", "decision_limit",
    "detection_limit", "mockup_decision_limit", "mockup_detection_limit", "upper_bound",
)  # fmt: skip


def write_figure(result: StudyResult, folder: str | Path) -> dict[str, Any]:
    """Write figure.pdf, .svg, .png (300 dpi) and figure.json into a folder; return the record.

    Fonts are embedded in the PDF (TrueType); the SVG has its letters as outlines. The files are
    the same bytes on every run. A study that cannot be drawn (no blank left, say) gets only
    figure.json, whose `not_drawn` says why.
    """
    folder = Path(folder)
    record: dict[str, Any]
    try:
        plan = plan_figure(result)
    except ContractError as problem:
        record = {"not_drawn": str(problem)}
    else:
        record = {**describe(plan), "files": save_figure(draw(plan), folder, "figure")}
        record["caption"] = caption(plan, result.provenance)
    record["verdicts_sha256"] = _sha256(result.folder / "verdicts.csv")
    text = json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False)
    (folder / RECORD).write_text(text + "\n", encoding="utf-8")
    return record


def save_figure(figure: Figure, folder: Path, stem: str) -> dict[str, str]:
    """Save a figure in every format, the same bytes on every run; return name -> sha256."""
    hashes = {}
    with figure_style():
        for kind, metadata in _METADATA.items():
            path = folder / f"{stem}.{kind}"
            figure.savefig(path, metadata=metadata)
            hashes[path.name] = _sha256(path)
    return hashes


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
    }


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
    }


def _arm(row: Mapping[str, Any]) -> dict[str, Any]:
    numbers = {name: _finite(row[name]) for name in _ARM_NUMBERS}
    return {"verdict": str(row["verdict"]), **numbers}


def _finite(value: Any) -> float | None:
    return float(value) if math.isfinite(value) else None
