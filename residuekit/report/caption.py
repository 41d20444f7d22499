"""The caption of the figure as a text to be pasted: caption.md and caption.tex."""

from __future__ import annotations

import json
from pathlib import Path

from ..figures.written import RECORD
from . import as_latex, as_markdown

CAPTION = "caption.md"
CAPTION_TEX = "caption.tex"


def write_caption(folder: str | Path) -> str:
    """Write the caption that figure.json holds as Markdown and LaTeX; return the first."""
    folder = Path(folder)
    record = json.loads((folder / RECORD).read_text(encoding="utf-8"))
    said = record.get("caption") or f"The figure could not be drawn: {record['not_drawn']}"
    text = as_markdown.escape(said) + "\n"
    (folder / CAPTION).write_text(text, encoding="utf-8")
    tex = (
        f"% For the body of a figure of your own document.\n\\caption{{{as_latex.escape(said)}}}\n"
    )
    (folder / CAPTION_TEX).write_text(tex, encoding="utf-8")
    return text
