"""The script of mutants: each is one change that compiles, and the list by hand fits the code."""

from __future__ import annotations

import ast
import importlib.util
import sys

import pytest


@pytest.fixture(scope="module")
def script(root):
    path = root / "benchmarks" / "mutation.py"
    spec = importlib.util.spec_from_file_location("mutation_script", path)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


def changes(script, text):
    """What the variants of every place of a text make of it."""
    found = []
    for number, place in enumerate(script.places(ast.parse(text))):
        for variant, _ in enumerate(place.variants()):
            tree = ast.parse(text)
            other = list(script.places(tree))[number]
            other.replace(other.variants()[variant])
            found.append(ast.unparse(tree))
    return found


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a < b", ["a <= b"]),
        ("a == b", ["a != b"]),
        ("a + b", ["a - b"]),
        ("x = 3", ["x = 4", "x = 6"]),
        ("x = 0.5", ["x = 1.0", "x = 0.25"]),
        ("a and b", ["a or b"]),
        ("not a", ["a"]),
        ("y.mean()", ["y.sum()"]),
        ("min(a, b)", ["max(a, b)"]),
        ("b if a > c else d", ["b if a >= c else d", "b if not a > c else d"]),
        ("def f() -> bool:\n    return g", ["def f() -> bool:\n    return True",
                                           "def f() -> bool:\n    return False"]),
        ("x: Literal[3]", []),
        ("f'{3}'", []),
        ("if TYPE_CHECKING:\n    x = 3", []),
    ],
)  # fmt: skip
def test_each_change_is_one_change(script, text, expected):
    assert changes(script, text) == expected


def test_every_mutant_of_the_deciding_code_compiles(script):
    found = [one for module in script.TARGETS for one in script.mutants(module)]
    assert {one.module for one in found} == set(script.TARGETS)
    for one in found[::40]:
        script.mutated(one)


def test_the_list_by_hand_names_mutants_that_exist(script):
    known = {
        (one.module, one.code, one.change)
        for module in script.TARGETS for one in script.mutants(module)
    }  # fmt: skip
    for (module, line), named in script.EQUIVALENT.items():
        for change in named:
            assert (module, line, change) in known
