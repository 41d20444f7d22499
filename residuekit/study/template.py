"""A new study folder to fill in."""

from __future__ import annotations

import json
import os
import shutil
from importlib.resources import files
from pathlib import Path

from ..errors import Fault, StudyError
from ..io.atomic_write import new_folder

_TEMPLATES = "data/new_study"
_PARTS = ("study.toml", "measurements.csv", "README.md")


def new_study(folder: str | Path) -> Path:
    """Write a study folder to fill in: settings, table, data/, notebooks/ with the templates.

    The folder appears whole or not at all.

    Raises
    ------
    StudyError : the folder is there and not empty, or cannot be written.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise StudyError(
            Fault(
                f"something in {str(folder)!r} already",
                "a new or an empty folder: nothing is overwritten",
                "residuekit new with another name",
            )
        )
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        part = new_folder(folder.parent, ".new-")
        try:
            _fill(part)
            os.replace(part, folder)
        finally:
            shutil.rmtree(part, ignore_errors=True)
    except OSError as problem:
        raise StudyError(
            Fault(
                f"a place that cannot be written ({problem})",
                "a folder you may write",
                "residuekit new below a folder of your own",
                file=str(folder),
            )
        ) from problem
    return folder


def _fill(part: Path) -> None:
    (part / "data").mkdir()
    source = files("residuekit").joinpath(_TEMPLATES)
    for name in _PARTS:
        (part / name).write_text(source.joinpath(name).read_text("utf-8"), encoding="utf-8")
    copy_notebooks(part)


def copy_notebooks(folder: Path) -> None:
    """Put the notebooks that come with the library into a study folder that has none."""
    (folder / "notebooks").mkdir()
    for notebook in template_notebooks():
        shutil.copyfile(notebook, folder / "notebooks" / notebook.name)


def notebook_titles(folder: Path) -> dict[str, str]:
    """The notebooks of a study folder -> the heading of each."""
    titles = {}
    for path in sorted((folder / "notebooks").glob("*.ipynb")):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        titles[path.name] = cells[0]["source"][0].strip("# \n")
    return titles


def template_notebooks() -> list[Path]:
    """The notebooks that come with the library: in the wheel beside the code, in a checkout
    beside the package."""
    package = Path(str(files("residuekit")))
    for folder in (package / "notebooks", package.parent / "notebooks"):
        found = sorted(folder.glob("[0-9][0-9]-*.ipynb"))
        if found:
            return found
    return []
