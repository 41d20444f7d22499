"""The notebooks of a study, executed into the folder of a run."""

from __future__ import annotations

import ast
import logging
import os
import shutil
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from ..errors import Fault, StudyError, WriteError, did_you_mean
from ..io.opening import content
from ..report.places import without_places
from ..toml_lines import lines_of
from ..validator import Place
from .manifest import Manifest
from .run_folder import new_run
from .settings import SETTINGS

FOLDER = "notebooks"
#: Parameters that every notebook may declare; each run gives them.
STUDY, RUN = "study_folder", "run_folder"
_TAG = "parameters"
_CELL = f"its cell tagged '{_TAG}'"

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Book:
    """A notebook, the names of the parameters it declares, and the values it was given."""

    path: Path
    declared: tuple[str, ...]
    given: Mapping[str, Any]


def prepare(manifest: Manifest) -> list[Book]:
    """Find the notebooks of a study and check their parameters; no kernel is started.

    The values stand in ``study.toml``, a table a notebook: ``[notebooks."04-exposure-study"]``.

    Raises
    ------
    StudyError : everything that is wrong: no papermill, no notebook, a notebook that cannot be
        read, a table for a notebook that is not there, a parameter that a notebook does not
        declare, a value of another type than the notebook's own.
    """
    folder = manifest.folder / FOLDER
    paths = sorted(path for path in folder.glob("*.ipynb") if path.is_file())
    faults = list(_lacking(folder, paths))
    if faults:
        raise StudyError(faults)
    text = content(manifest.folder / SETTINGS).decode("utf-8-sig")
    place = Place(SETTINGS, lines_of(text)).inside("notebooks")
    stems = [path.stem for path in paths]
    for name in manifest.notebooks:
        if name not in stems:
            faults.append(
                place.fault(f"parameters for the notebook {name!r}", f"a notebook in {FOLDER}/",
                            did_you_mean(name, stems), name)
            )  # fmt: skip
    books = []
    for path in paths:
        given = manifest.notebooks.get(path.stem, {})
        try:
            defaults = _declared(path)
        except StudyError as problem:
            faults += problem.faults
            continue
        faults += _parameter_faults(path.stem, given, defaults, place)
        books.append(Book(path, tuple(defaults), given))
    if faults:
        raise StudyError(faults)
    return books


def execute(books: list[Book], run: Path, progress: Progress | None = None) -> dict[str, str]:
    """Execute notebooks into ``notebooks/`` of a finished run; return name -> why it failed.

    Each works where it lies, gets the folders of study and run as far as it declares them, and
    does not stop the others: one that fails is kept as far as it came. The folder appears whole.
    What was executed holds no path of this machine, and runs again where it then lies.

    Parameters
    ----------
    books : what `prepare` returned. run : the folder of the run.
    progress : called with (notebooks done, notebooks in all, name).
    """
    run = run.resolve()
    study = run.parent.parent
    failures = {}
    try:
        with new_run(study) as part:
            for number, book in enumerate(books, start=1):
                paths = {STUDY: str(study), RUN: str(run)}
                known = {name: path for name, path in paths.items() if name in book.declared}
                failure = _execute(book.path, part / book.path.name, {**known, **book.given})
                _take_out_places(part / book.path.name, study, run)
                if failure:
                    failures[book.path.name] = failure
                if progress is not None:
                    progress(number, len(books), book.path.name)
            os.replace(part, run / FOLDER)
    except WriteError as problem:
        failures[FOLDER] = str(problem)
    return failures


def _take_out_places(made: Path, study: Path, run: Path) -> None:
    where = f"{run.relative_to(study).as_posix()}/{FOLDER}/{made.name}"
    made.write_text(without_places(content(made).decode("utf-8"), study, where), encoding="utf-8")


def _lacking(folder: Path, paths: list[Path]) -> Iterator[Fault]:
    for package in ("papermill", "ipykernel"):
        if find_spec(package) is None:
            yield Fault(
                f"no package {package!r}",
                "papermill and ipykernel, which execute notebooks",
                'pip install "residuekit[lab]", or run without --notebooks',
            )
    if not paths:
        yield Fault(
            f"no notebook in {folder.name}/",
            "the notebooks of the study",
            "copy those you want from notebooks/ of a folder made by residuekit new",
            file=folder.name,
        )


def _declared(path: Path) -> dict[str, Any]:
    """The parameters of a notebook and their own values; None where the value is no literal.

    Papermill's own reading leaves out a line with two equals signs, ``"acetate C=O"``; it is used
    for other languages than Python.
    """
    import nbformat
    import papermill

    try:
        book = nbformat.read(path, as_version=4)
        sources = [cell.source for cell in book.cells if _TAG in cell.metadata.get("tags", ())]
        if not sources:
            return {}
        if book.metadata.kernelspec.language == "python":
            return _assigned(sources[0])
        found = papermill.inspect_notebook(_as_template(path))
    except Exception as problem:  # a damaged file fails in as many ways as there are parsers
        raise StudyError(
            Fault(
                f"a notebook that cannot be read ({_one_line(problem)})",
                f"a Jupyter notebook that names its kernel, with plain assignments in {_CELL}",
                "open it in JupyterLab, choose a kernel, save it; or move it elsewhere",
                file=f"{FOLDER}/{path.name}",
            )
        ) from problem
    return {name: _literal(one["default"]) for name, one in found.items()}


def _assigned(source: str) -> dict[str, Any]:
    """The names that Python code assigns, and what is assigned."""
    found = {}
    for line in ast.parse(source).body:
        if isinstance(line, ast.Assign | ast.AnnAssign) and line.value is not None:
            targets = line.targets if isinstance(line, ast.Assign) else [line.target]
            value = _literal(line.value)
            found.update({one.id: value for one in targets if isinstance(one, ast.Name)})
    return found


def _literal(value: str | ast.expr) -> Any:
    try:
        return ast.literal_eval(value)
    except (ValueError, SyntaxError):
        return None


def _parameter_faults(
    stem: str, given: Mapping[str, Any], defaults: Mapping[str, Any], place: Place
) -> Iterator[Fault]:
    for name, value in given.items():
        if name not in defaults:
            needed = f"a parameter that the notebook declares in {_CELL}"
            fix = did_you_mean(name, defaults) if defaults else "it declares none"
            yield place.fault(f"the parameter {name!r} for {stem}", needed, fix, stem, name)
        elif not _fits(value, defaults[name]):
            own = defaults[name]
            needed = f"{_KINDS[type(own)]}, as in the notebook ({name} = {own!r})"
            fix = f"{name} = {_as_toml(own)}"
            yield place.fault(f"{name} = {value!r} for {stem}", needed, fix, stem, name)
    for name in (STUDY, RUN):
        if name in defaults and name not in given and not _fits("", defaults[name]):
            yield Fault(
                f"{name} = {defaults[name]!r} in {_CELL}",
                "a text: each run gives a path",
                f'{name} = ""',
                file=f"{FOLDER}/{stem}.ipynb",
            )


_KINDS: dict[type, str] = {
    bool: "true or false", int: "a whole number", float: "a number", str: "a text in quotes",
    list: "a list of such values", tuple: "a list of such values", dict: "a table",
    set: "a set, which TOML does not have", bytes: "bytes, which TOML does not have",
    complex: "a complex number, which TOML does not have",
    type(None): "a text, a number, true, false, a list or a table",
}  # fmt: skip


def _fits(value: Any, own: Any) -> bool:
    """Is a value of the type that a notebook's own value has? None says nothing of its type."""
    if own is None:
        return isinstance(value, (bool, int, float, str, list, dict))
    if isinstance(own, bool) or isinstance(value, bool):
        return isinstance(own, bool) and isinstance(value, bool)
    if isinstance(own, float):
        return isinstance(value, (int, float))
    if isinstance(own, (list, tuple)):
        items = value if isinstance(value, list) else [None]
        return all(any(_fits(one, kind) for kind in own or (None,)) for one in items)
    return isinstance(value, type(own))


def _as_toml(value: Any) -> str:
    if value is None:
        return '"..."'
    if isinstance(value, bool):
        return str(value).lower()
    return str(list(value)) if isinstance(value, tuple) else repr(value)


def _execute(path: Path, target: Path, parameters: Mapping[str, Any]) -> str:
    """Execute one notebook; return which cell failed and why, nothing when none did."""
    import nbformat
    import papermill
    from papermill.exceptions import PapermillExecutionError

    logging.getLogger("papermill").setLevel(logging.CRITICAL)
    kernel = nbformat.read(path, as_version=4).metadata.get("kernelspec", {}).get("name", "")
    quiet = ["--IPKernelApp.log_level=ERROR"] if kernel.startswith("python") else []
    why = ""
    try:
        papermill.execute_notebook(
            _as_template(path),
            _as_template(target),
            parameters=dict(parameters),
            cwd=str(path.parent),
            progress_bar=False,
            extra_arguments=quiet,
        )
    except PapermillExecutionError as problem:
        why = f"{problem.ename}: {_one_line(problem.evalue)}"
    except Exception as problem:  # no such kernel, a kernel that died: the next may be well
        why = f"{type(problem).__name__}: {_one_line(problem)}"
    if not target.is_file():
        shutil.copyfile(path, target)
    return _finished(target, why)


def _finished(target: Path, why: str) -> str:
    """Take the place where it was written out of a notebook; name the cell where it stopped."""
    import nbformat

    book = nbformat.read(target, as_version=4)
    book.metadata.get("papermill", {}).pop("output_path", None)
    nbformat.write(book, target)
    code = [cell for cell in book.cells if cell.cell_type == "code" and cell.source.strip()]
    begun = [cell for cell in code if cell.metadata.get("papermill", {}).get("start_time")]
    if not why or not begun:
        return why
    return f"cell [{len(begun)}], {_one_line(begun[-1].source)!r}: {why}"


def _as_template(path: Path) -> str:
    """A path as papermill takes it, which fills in what stands in braces."""
    return str(path.resolve()).replace("{", "{{").replace("}", "}}")


def _one_line(problem: object) -> str:
    """The first line of a text, without what would move a terminal's cursor."""
    line = (str(problem).strip().splitlines() or [""])[0]
    return "".join(c for c in line if c.isprintable())
