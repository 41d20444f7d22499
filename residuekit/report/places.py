"""Notebooks without the places of the machine that executed them."""

from __future__ import annotations

import json
import re
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any


def without_places(notebook: str, study: Path, where: str) -> str:
    """The text of a notebook in which no path of this machine is left.

    A path below the study is written as it is reached from the folder of the notebook, so that the
    notebook runs again there; of another path the words "environment", "python", "temporary" or
    "~" are left.

    Parameters
    ----------
    notebook : JSON; text that is not comes back as it is.
    study : the folder of the study. where : the path of the notebook below it.
    """
    here = {
        str(Path(__file__).parents[2]): "environment", sys.prefix: "environment",
        sys.base_prefix: "python", tempfile.gettempdir(): "temporary", str(Path.home()): "~",
    }  # fmt: skip
    for up, folder in enumerate(Path(where).parents):
        for place in (study.absolute() / folder, study.resolve() / folder):
            here[str(place)] = "/".join([".."] * up) or "."
    forms = {form: word for place, word in here.items() if len(place) > 1 for form in _forms(place)}
    longest_first = sorted(forms, key=len, reverse=True)
    pattern = re.compile(rf"(?<![\w.])({'|'.join(map(re.escape, longest_first))})(?![\w-])")
    try:
        book = json.loads(notebook)
    except ValueError:
        return notebook
    clean = _replaced(book, pattern, forms)
    if clean == book:
        return notebook
    return json.dumps(clean, ensure_ascii=False, indent=1, sort_keys=True) + "\n"


def _forms(place: str) -> Iterator[str]:
    """A path as it stands in a text, in its `repr`, and in the code of a parameter."""
    for text in (place, place.encode("unicode_escape").decode()):
        yield from (text, text.replace('"', '\\"'), text.replace("'", "\\'"))


def _replaced(value: Any, pattern: re.Pattern[str], forms: Mapping[str, str]) -> Any:
    if isinstance(value, str):
        return pattern.sub(lambda found: forms[found[0]], value)
    if isinstance(value, list):
        return [_replaced(one, pattern, forms) for one in value]
    if isinstance(value, dict):
        return {name: _replaced(one, pattern, forms) for name, one in value.items()}
    return value
