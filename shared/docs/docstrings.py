"""Docstrings as they are written here, made ready for the reader of numpy's sections.

A lone colon stands for the type that a function returns. Text below a section comes before it.
"""

from __future__ import annotations

import re
from typing import Any

import griffe

#: ``name : what it is`` in one line, where the reader takes what follows the colon for a type.
_ITEM = re.compile(r"^([\w*]+(?:, [\w*]+)*) : (.+)$")


class Sections(griffe.Extension):
    """Gives items of a section their description, and the example of a docstring its heading."""

    def on_object(self, *, obj: griffe.Object, **_: Any) -> None:
        if obj.docstring is not None:
            obj.docstring.value = "\n".join(_sectioned(obj.docstring.value.splitlines()))


def _sectioned(lines: list[str]) -> list[str]:
    """The lines of text first, those of sections after them."""
    text: list[str] = []
    sections: list[str] = []
    section, headed = "", "Examples" in lines
    for place, line in enumerate(lines):
        after_blank = place > 0 and not lines[place - 1].strip()
        if place + 1 < len(lines) and re.fullmatch("-{3,}", lines[place + 1]):
            section = line
        elif line.startswith(">>> ") and not headed:
            section, headed = "Examples", True
            sections += ["", "Examples", "--------"]
        elif section == "Returns" and re.fullmatch("-{3,}", line):
            line = f"{line}\n:"
        elif section in ("Parameters", "Raises") and (item := _ITEM.match(line)):
            line = f"{item[1]}\n    {item[2]}"
        elif section in ("Parameters", "Raises", "Returns") and after_blank and line[:1].strip():
            section = ""
            text.append("")
        elif section == "Returns" and line:
            line = f"    {line}"
        (sections if section else text).append(line)
    return [*text, "", *sections]
