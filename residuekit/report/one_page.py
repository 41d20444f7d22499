"""summary.pdf: one A4 page for the responsible conservator, tagged (PDF/UA-1).

Typst sets it: of the typesetters considered it alone writes tags, and it takes the content as
data, never as markup.
"""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ..errors import ContractError
from ..reprs import sentence_case
from ..words import summary as words
from ..words.answer import arm_cells, conditions, is_working, one_unit
from ..words.common import in_words, stratum_of, stratum_words, unit_words, working_words
from .facts import answer, cannot_say

if TYPE_CHECKING:
    from ..results import StudyResult

SUMMARY = "summary.pdf"
#: More strata than this are not drawn.
MOST_STRATA = 3
#: More arms than this are left to the table, the first of each stratum drawn.
MOST_LINES = 18
#: Reasons are given for these, for so many arms.
_OPEN, _MOST_REASONS = ("inconclusive", "not assessable"), 2
#: Sizes of the letters (pt) with the most arms, tried until all stands on one page.
_SIZES = ((9.0, 12), (8.0, 12), (7.0, 12), (7.0, 6), (7.0, 4))
_ROW_INCHES = 0.16
#: What the margins of the page leave: the letters of the picture keep their size.
_WIDTH_INCHES = 174 / 25.4


def write_summary(result: StudyResult, folder: str | Path) -> None:
    """Write summary.pdf into a folder; the same bytes for the same run."""
    import typst
    from matplotlib import get_data_path

    template = (files("residuekit.data") / "summary.typ").read_bytes()
    content = _content(result)
    lines = content["rows"]
    fonts = {"font_paths": [Path(get_data_path()) / "fonts" / "ttf"], "ignore_system_fonts": True}
    for size, most in _SIZES:
        content["rows"] = lines[:most]
        content["below"] = _below(result, len(content["rows"]))
        inputs = {"data": json.dumps(content), "size": str(size)}
        given: dict[str, Any] = {"sys_inputs": inputs, **fonts}
        pages = typst.compile(template, format="svg", **given)
        if not isinstance(pages, list) or len(pages) == 1:
            break
    page = typst.compile(template, format="pdf", pdf_standards=["ua-1"], **given)
    (Path(folder) / SUMMARY).write_bytes(page)


def _content(result: StudyResult) -> dict[str, Any]:
    record, study = result.provenance, result.provenance["study"]
    rows = result.verdicts.to_dict("records")
    unit = one_unit(rows)
    picture, caption = _picture(result)
    return {
        "title": study["title"],
        "subtitle": "For the responsible conservator, who decides.",
        "question": words.question(study),
        "answer": [text for text in (*answer(result), *_left_open(result)) if text],
        "picture": picture,
        "alternative": words.picture_alternative(rows),
        "caption": caption,
        "heads": words.HEADS,
        "rows": [
            [
                sentence_case(f"{stratum_words(stratum_of(row))}, {conditions(row, study)}"),
                str(row["verdict"]),
                *arm_cells(row, with_unit=not unit),
            ]
            for row in rows[: _SIZES[0][1]]
        ],
        "cannot": list(map(in_words, cannot_say(result))),
        "foot": words.foot(
            f"{record['started'][:16].replace('T', ' ')} UTC", record["residuekit"],
            result.fingerprint,
        ),
    }  # fmt: skip


def _left_open(result: StudyResult) -> Iterator[str]:
    """Why arms are inconclusive or not assessable, those of the working exposure first."""
    study = result.provenance["study"]
    rows = [row for row in result.verdicts.to_dict("records") if row["verdict"] in _OPEN]
    for row in sorted(rows, key=lambda row: not is_working(row, study))[:_MOST_REASONS]:
        yield words.left_open(row, result.notes(row).why)


def _below(result: StudyResult, shown: int) -> str:
    unit = one_unit(result.verdicts.to_dict("records"))
    more = len(result.verdicts) - shown
    return words.below_the_table(result.provenance["study"], unit, more)


def _picture(result: StudyResult) -> tuple[str, str]:
    """The dots of the mock-ups as SVG with the caption; no picture where none can be drawn."""
    from matplotlib.figure import Figure

    from ..figures.contents import plan_pages
    from ..figures.mockup_panel import draw_mockups
    from ..figures.style import figure_style

    try:
        pages = plan_pages(result, residue=result.residues[0])
    except ContractError as problem:
        return "", f"{words.NO_PICTURE}{problem}"
    blocks = [block for page in pages for block in page.blocks][:MOST_STRATA]
    most = MOST_LINES // len(blocks)
    arms, blanks = (
        [[replace(group, pairs=None) for group in block.groups if group.role == role]
         for block in blocks]
        for role in ("exposed", "blank")
    )  # fmt: skip
    drawn = [exposed[:most] + own for exposed, own in zip(arms, blanks, strict=True)]
    more = len(result.verdicts) - sum(len(exposed[:most]) for exposed in arms)
    heights = [len(groups) + 2.2 for groups in drawn]
    with figure_style():
        figure = Figure(figsize=(_WIDTH_INCHES, _ROW_INCHES * sum(heights)), layout="constrained")
        axes = figure.subplots(len(blocks), 1, squeeze=False, height_ratios=heights)[:, 0]
        for ax, block, groups in zip(axes, blocks, drawn, strict=True):
            draw_mockups(ax, groups, block.acceptance)
            ax.set_yticks(
                range(len(groups)), [f"{group.words}, n = {group.values.size}" for group in groups]
            )
            ax.tick_params(axis="y", length=0)
            ax.set_title(sentence_case(block.words), loc="left")
            ax.set_xlabel(unit_words(block.unit))
        made = io.BytesIO()
        figure.savefig(made, format="svg", metadata={"Date": None, "Creator": None})
    unit = unit_words(blocks[0].unit)
    own = result.of_residue().provenance["study"]
    working = working_words(own, own["left_by"])
    return made.getvalue().decode(), words.picture_caption(
        working, blocks[0].acceptance, unit, more
    )
