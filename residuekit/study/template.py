"""A new study folder to fill in."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable, Sequence
from importlib.resources import files
from pathlib import Path

from ..errors import Fault, StudyError
from ..io.atomic_write import new_folder
from ..io.opening import files_in
from ..schema import ROLES
from ..words.common import counted
from .delivery import (
    Progress,
    differences,
    example_rows,
    reading_tables,
    recognise,
    steps_for,
    table_text,
)
from .name_parts import NamePattern

_TEMPLATES = "data/new_study"
_STEPS = 'steps = [\n    {step = "crop", low = 800, high = 3800},\n]\n'
_PARTS = ("study.toml", "measurements.csv", "README.md")


def new_study(folder: str | Path) -> Path:
    """Write a study folder to fill in: settings, table, data/, notebooks/ with the templates.

    The folder appears whole or not at all.

    Raises
    ------
    StudyError : the folder is there and not empty, or cannot be written.
    """
    folder = Path(folder)
    _write(folder, _fill, set())
    return folder


def study_from(
    folder: str | Path,
    delivery: str | Path,
    patterns: Sequence[str] = (),
    *,
    copy: bool = False,
    progress: Progress | None = None,
) -> tuple[Path, str]:
    """Write a study folder with a table begun from delivered files, and say what they are.

    Parameters
    ----------
    folder : the study. It is new or empty, or holds nothing but the delivery.
    delivery : the folder of the files; they are looked at, and never changed.
    patterns : of file names, as `NamePattern`; the first that fits a name fills its cells.
    copy : copy the files into ``data/`` of the study.
    progress : called with (files done, files in all, file).

    Returns
    -------
    The study, and what was found, in words.

    Raises
    ------
    StudyError : no such delivery, no file in it that can be read, a pattern that cannot be used or
        fits no name, a folder as for `new_study`.
    ReadError : with `copy`, a link that leaves the delivery, or more than 100,000 files.
    """
    folder, delivery = Path(folder), Path(delivery)
    if not delivery.is_dir():
        raise StudyError(
            Fault(f"no folder {str(delivery)!r}", "the folder of the delivered files",
                  "--from with the path of that folder")
        )  # fmt: skip
    known = [NamePattern(pattern) for pattern in patterns]
    within = delivery.resolve().is_relative_to(folder.resolve()) and delivery != folder
    below = "data/"
    if within:
        below = f"{delivery.resolve().relative_to(folder.resolve()).as_posix()}/"
    found = recognise(delivery, progress)
    if not any(one.what for one in found):
        why = [one.fault for one in found if one.fault is not None]
        raise StudyError(why or Fault(f"no file in {str(delivery)!r}", "measured files",
                                      "--from with the folder that holds them"))  # fmt: skip
    table, fitted = table_text(found, below, known)
    n_read = sum(one.what is not None for one in found)
    if known and not fitted:
        name = next(one.words for one in found if one.what is not None)
        raise StudyError(
            Fault(f"{' and '.join(map(repr, patterns))}, which fits none of {n_read} names such as "
                  f"{name!r}", "a pattern of these names",
                  '--pattern "{paint}_{treatment}_{mockup}_{map}"')
        )  # fmt: skip
    steps = steps_for(found)

    def fill(part: Path) -> None:
        _fill(part)
        settings = (part / "study.toml").read_text(encoding="utf-8")
        listed = "".join(f"    {step},\n" for step in steps)
        settings = settings.replace(_STEPS, f"steps = [\n{listed}]\n", 1)
        settings = settings.replace(
            "\n[procedure]", f"{reading_tables(found, below)}\n[procedure]", 1
        )
        (part / "study.toml").write_text(settings, encoding="utf-8")
        measurements = part / "measurements.csv"
        examples = example_rows(measurements.read_text(encoding="utf-8"), table.partition("\n")[0])
        measurements.write_text(table + examples, encoding="utf-8")
        for path in files_in(delivery) if copy and not within else ():
            copied = part / "data" / path.relative_to(delivery)
            copied.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, copied)

    kept = set() if not within else {delivery.resolve().relative_to(folder.resolve()).parts[0]}
    _write(folder, fill, kept)
    said = [f"{n_read} of {len(found)} files and sheets were recognised",
            *differences(found, below, steps)]  # fmt: skip
    if known and fitted < n_read:
        lost = n_read - fitted
        said.append(f"{counted(lost, 'name')} {'fits' if lost == 1 else 'fit'} no pattern: "
                    f"{'its' if lost == 1 else 'their'} cells are empty")  # fmt: skip
    if not copy and not within:
        said.append(f"nothing was copied: copy what is in {delivery} into {folder / 'data'} (new "
                    "with --copy does so)")  # fmt: skip
    said.append(f"roles are yours to fill in, in each row: {', '.join(ROLES)}; the end of "
                "measurements.csv shows how")  # fmt: skip
    return folder, "\n".join(f"  {line}" for line in said)


def _write(folder: Path, fill: Callable[[Path], None], kept: set[str]) -> None:
    """Fill a new folder and move it in place; beside it stands at most what is `kept`."""
    if folder.exists() and (
        not folder.is_dir() or not {entry.name for entry in folder.iterdir()} <= kept
    ):
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
            fill(part)
            if kept:
                for entry in part.iterdir():
                    if entry.name not in kept:
                        os.replace(entry, folder / entry.name)
            else:
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
