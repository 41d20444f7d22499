"""The public API: typed for its user, documented in full, all that the notebooks use."""

from __future__ import annotations

import ast
import importlib
import inspect
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

import residuekit as rk

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "residuekit"
FUNCTIONS = [name for name in rk.__all__ if inspect.isfunction(getattr(rk, name))]
CLASSES = [name for name in rk.__all__ if inspect.isclass(getattr(rk, name))]
MODULES = [name for name in rk.__all__ if inspect.ismodule(getattr(rk, name))]


def in_the_stub() -> set[str]:
    """The names that the stub gives."""
    names = set()
    for node in ast.parse((PACKAGE / "__init__.pyi").read_text(encoding="utf-8")).body:
        if isinstance(node, ast.ImportFrom):
            names |= {alias.asname for alias in node.names if alias.asname}
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names |= {one.id for one in targets if isinstance(one, ast.Name)}
    return names


def test_the_stub_gives_the_names_of_the_module_and_no_others():
    assert in_the_stub() - {"__all__"} == set(rk.__all__)


def test_the_stub_takes_each_name_from_where_the_module_takes_it():
    for node in ast.parse((PACKAGE / "__init__.pyi").read_text(encoding="utf-8")).body:
        if isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                assert rk._HOME[alias.name] == node.module, alias.name


def test_the_mark_of_a_typed_package_stands_beside_the_stub():
    assert (PACKAGE / "py.typed").is_file()


def test_the_module_loads_nothing_heavy():
    script = "import sys, residuekit; print(*{'numpy', 'xarray', 'pandas'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True,
                          check=True)  # fmt: skip
    assert done.stdout.strip() == ""


def takes_something(function) -> bool:
    return bool([name for name in inspect.signature(function).parameters if name != "self"])


def lacking(name: str, found) -> list[str]:
    """What the docstring of a public function or class lacks."""
    text = inspect.getdoc(found) or ""
    needed = {">>>": True}
    if inspect.isfunction(found):
        returned = inspect.signature(found).return_annotation
        needed |= {"Parameters\n---": takes_something(found),
                   "Returns\n---": returned not in (None, "None")}  # fmt: skip
        if takes_something(found):
            needed["Raises\n---"] = True
    elif not issubclass(found, Warning):
        needed["Parameters\n---"] = takes_something(found)
    lacks = [f"{name}: {words}" for words, wanted in needed.items() if wanted and words not in text]
    first = text.split("\n\n")[0]
    return lacks if first.endswith(".") else [*lacks, f"{name}: a first sentence"]


@pytest.mark.parametrize("name", [*FUNCTIONS, *CLASSES])
def test_a_public_name_is_documented_in_full(name):
    assert lacking(name, getattr(rk, name)) == []


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_parameter_of_a_public_function_is_described(name):
    found = getattr(rk, name)
    text = inspect.getdoc(found) or ""
    part = text.partition("Parameters\n")[2].partition("\nReturns\n")[0]
    absent = [one for one in inspect.signature(found).parameters
              if not re.search(rf"\b{one}\b", part)]  # fmt: skip
    assert absent == []


@pytest.mark.parametrize("module", MODULES)
def test_the_public_names_of_a_submodule_exist_and_say_what_they_are(module):
    found = getattr(rk, module)
    for name in getattr(found, "__all__", ()):
        one = getattr(found, name)
        assert not callable(one) or one.__doc__, f"{module}.{name}"


PUBLIC_MODULES = {"residuekit", "residuekit.simulate", *(f"residuekit.{name}" for name in MODULES)}


def private_names(code: str) -> list[str]:
    """What some code takes from the package that is not public."""
    found = []
    for node in ast.walk(ast.parse(re.sub(r"^%.*$", "", code, flags=re.MULTILINE))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("residuekit"):
            if node.module in PUBLIC_MODULES:
                public = importlib.import_module(node.module).__all__
                found += [one.name for one in node.names if one.name not in public]
            else:
                found.append(str(node.module))
        elif isinstance(node, ast.Import):
            found += [one.name for one in node.names if one.name.startswith("residuekit.")]
        elif isinstance(node, ast.Attribute):
            own = isinstance(node.value, ast.Name) and node.value.id == "rk"
            if node.attr.startswith("_") or (own and node.attr not in rk.__all__):
                found.append(node.attr)
    return found


@pytest.mark.parametrize("path", sorted(ROOT.glob("notebooks/*.ipynb")), ids=lambda path: path.stem)
def test_a_notebook_uses_public_names_only(path):
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    code = [cell["source"] for cell in cells if cell["cell_type"] == "code"]
    assert private_names("\n".join("".join(lines) for lines in code)) == []


@pytest.mark.parametrize(
    ("code", "private"),
    [
        ("from residuekit.figures.map_panel import draw_map", ["residuekit.figures.map_panel"]),
        ("from residuekit.plan import pilot", ["pilot"]),
        ("from residuekit import schema", ["schema"]),
        ("import residuekit.schema", ["residuekit.schema"]),
        ("import residuekit as rk\nrk.schema", ["schema"]),
        ("import residuekit as rk\nrk.plan._h", ["_h"]),
        ("from residuekit.errors import ReadError\nimport residuekit as rk\nrk.read", []),
    ],
)
def test_what_is_private_is_found(code, private):
    assert private_names(code) == private
