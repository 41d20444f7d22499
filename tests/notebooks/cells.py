"""The cells of a notebook, executed in this process: fast, and warnings are errors."""

from __future__ import annotations

import ast
import io
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

import nbformat

ROOT = Path(__file__).resolve().parents[2]
BOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def book(number: str) -> Path:
    """The notebook whose name begins with a number."""
    return next(path for path in BOOKS if path.name.startswith(number))


def code_cells(path: Path) -> list[Any]:
    """Its cells of code, as nbformat reads them."""
    return [cell for cell in nbformat.read(path, as_version=4).cells if cell.cell_type == "code"]


def lines_of_code(cell: Any) -> list[str]:
    """The lines of a cell that hold anything."""
    return [line for line in cell.source.splitlines() if line.strip()]


def execute(path: Path, **given: str) -> str:
    """Run every cell with these parameters; return all that was printed or shown."""
    shown = io.StringIO()

    def display(value: Any) -> None:
        if value is not None:
            form = getattr(value, "_repr_html_", None)
            print((form() if form else None) or repr(value))

    names: dict[str, Any] = {"display": display}
    with redirect_stdout(shown):
        for cell in code_cells(path):
            tree = ast.parse(cell.source.replace("%matplotlib inline", ""))
            last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
            exec(compile(tree, path.name, "exec"), names)
            if last is not None:
                display(eval(compile(ast.Expression(last.value), path.name, "eval"), names))
            if "parameters" in cell.metadata.get("tags", ()):
                names.update({name: given[name] for name in given if name in names})
    return shown.getvalue()
