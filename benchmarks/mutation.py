"""Do the tests of the deciding code notice a changed number, comparison or operator?

    python benchmarks/mutation.py [--sample 200] [--seed 1] [--only WORD] [--all] [--list]

Each mutant is one change to one place of the deciding code. `tests/decision` runs against it in a
child process, which holds the mutated module in memory alone: no file of the checkout is written.
The score is the share of sampled mutants that a test (or a time-out) notices; the exit code is 1
below `--least`. Sampling is by seed; 200 mutants take some ten minutes on one core. Needs `fork`.

Mutated are `TARGETS`. Left out are `scoring.py` and `band_measures.py`, labelled arrays on which no
verdict rests, and in the kernels all but the parts on which one does; texts (f-strings), type
annotations, decorators, tolerances of searches; and the mutants of `mutation_equivalent.toml`,
which change no result. The sentences of the codes, in `residuekit/words`, are not mutated.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib.abc
import importlib.util
import os
import random
import signal
import sys
import tempfile
import time
import tomllib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

for _threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")

ROOT = Path(__file__).resolve().parents[1]
TESTS = ROOT / "tests" / "decision"
#: What is mutated: module -> its functions, classes and numbers, or all of it.
TARGETS: dict[str, tuple[str, ...]] = {
    "residuekit/decision/arm.py": (),
    "residuekit/decision/assessment.py": (),
    "residuekit/decision/blindness.py": (),
    "residuekit/decision/bound.py": (),
    "residuekit/decision/claims.py": (),
    "residuekit/decision/comparator.py": (),
    "residuekit/decision/confirmation.py": (),
    "residuekit/decision/controls.py": (),
    "residuekit/decision/design.py": (),
    "residuekit/decision/limits.py": (),
    "residuekit/decision/net.py": (),
    "residuekit/decision/scores.py": (),
    "residuekit/decision/verdict.py": (),
    "residuekit/kernels/limit_statistics.py": (
        "clopper_pearson_upper", "noncentrality", "noncentral_t_cdf",
    ),
    "residuekit/kernels/metric.py": ("with_change", "declare", "common_nuisances"),
    "residuekit/kernels/netsignal.py": (
        "_MOST_LEFT", "_LEAST_SHARE", "ShapeTest", "net_signal", "_nearest_mixture", "shape_test",
        "_basis", "_explain", "nas",
    ),
    "residuekit/kernels/slope.py": (),
    "residuekit/kernels/spatial.py": ("family_quantile",),
}  # fmt: skip
#: Mutants that change no result: (module, line) -> the changes.
EQUIVALENT = {
    (one["module"], one["line"]): one["changes"]
    for one in tomllib.loads((ROOT / "benchmarks" / "mutation_equivalent.toml").read_text("utf-8"))[
        "equivalent"
    ]
}

_COMPARISONS = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt, ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
_ARITHMETIC = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Mult,
}  # fmt: skip
_SWAPPED = {
    "min": "max", "max": "min", "minimum": "maximum", "maximum": "minimum", "mean": "sum",
    "sum": "mean", "any": "all", "all": "any", "argmax": "argmin", "argmin": "argmax",
}  # fmt: skip
_RETURNED = {"bool": (True, False), "float": (1.0,), "int": (1,)}
_SKIPPED_FIELDS = {"annotation", "returns", "decorator_list"}
_SKIPPED_KEYWORDS = {"repr", "strict", "xtol", "rtol"}
#: Functions that only make a text of numbers.
_TEXTS = {"__str__", "_repr_html_"}

#: Modules without a file of tests of their own -> whose tests run first.
_TESTED_WITH = {"assessment": "verdict", "claims": "verdict", "metric": "netsignal"}
#: Files of tests that run last.
_SLOW = {"test_arm.py", "test_scores.py"}


@dataclass(frozen=True)
class Mutant:
    """One change: where it stands, how it reads, and the number of place and variant."""

    module: str
    line: int
    code: str
    change: str
    place: int
    variant: int

    def __str__(self) -> str:
        return f"{self.module}:{self.line}: {self.change}   in: {self.code}"

    @property
    def equivalent(self) -> bool:
        return self.change in EQUIVALENT.get((self.module, self.code), ())


@dataclass(frozen=True)
class Place:
    """A node with the node that holds it, so that it can be replaced."""

    holder: ast.AST
    field: str
    index: int | None
    node: Any
    returned: str

    def variants(self) -> list[ast.expr]:
        node, found = self.node, []
        match node:
            case ast.Compare():
                for k, operator in enumerate(node.ops):
                    ops = [*node.ops[:k], _COMPARISONS[type(operator)](), *node.ops[k + 1 :]]
                    found.append(ast.Compare(node.left, ops, node.comparators))
            case ast.BinOp(op=op) if type(op) in _ARITHMETIC:
                found.append(ast.BinOp(node.left, _ARITHMETIC[type(op)](), node.right))
            case ast.BoolOp():
                other = ast.Or() if isinstance(node.op, ast.And) else ast.And()
                found.append(ast.BoolOp(other, node.values))
            case ast.UnaryOp(op=ast.Not() | ast.USub()):
                found.append(node.operand)
            case ast.Constant(value=bool(value)):
                found.append(ast.Constant(not value))
            case ast.Constant(value=int(value)):
                others = {value + 1, 2 * value} - {value}
                found += [ast.Constant(other) for other in sorted(others)]
            case ast.Constant(value=float(value)):
                found += map(ast.Constant, (2 * value, value / 2) if value else (1.0,))
            case ast.Name(id=name) if self.field == "func" and name in _SWAPPED:
                found.append(ast.Name(_SWAPPED[name], node.ctx))
            case ast.Attribute(attr=name) if self.field == "func" and name in _SWAPPED:
                found.append(ast.Attribute(node.value, _SWAPPED[name], node.ctx))
        if self.field in ("test", "ifs") and not _turned_already(node):
            found.append(ast.UnaryOp(ast.Not(), node))
        if isinstance(self.holder, ast.Return) and not isinstance(node, ast.Constant):
            found += [ast.Constant(value) for value in _RETURNED.get(self.returned, ())]
        return found

    def replace(self, other: ast.expr) -> None:
        ast.copy_location(other, self.node)
        if self.index is None:
            setattr(self.holder, self.field, other)
        else:
            getattr(self.holder, self.field)[self.index] = other


def places(holder: ast.AST, returned: str = "") -> Iterator[Place]:
    """Every place of a tree that may be changed, depth first."""
    if isinstance(holder, ast.FunctionDef | ast.Lambda):
        annotation = getattr(holder, "returns", None)
        returned = annotation.id if isinstance(annotation, ast.Name) else ""
    for field, value in ast.iter_fields(holder):
        if field in _SKIPPED_FIELDS:
            continue
        for index, node in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if not isinstance(node, ast.AST) or _left_out(node):
                continue
            yield Place(holder, field, index, node, returned)
            yield from places(node, returned)


def _turned_already(node: ast.AST) -> bool:
    """Whether another variant of the node is its negation."""
    match node:
        case ast.UnaryOp(op=ast.Not()):
            return True
        case ast.Compare(ops=[ast.Eq() | ast.NotEq() | ast.Is() | ast.IsNot() | ast.In()]):
            return True
    return False


def _left_out(node: ast.AST) -> bool:
    match node:
        case ast.JoinedStr() | ast.ImportFrom() | ast.Import():
            return True
        case ast.If(test=ast.Name(id="TYPE_CHECKING")):
            return True
        case ast.FunctionDef(name=name):
            return name in _TEXTS
        case ast.keyword(arg=name):
            return name in _SKIPPED_KEYWORDS
    return False


def chosen_parts(module: str, tree: ast.Module) -> list[ast.AST]:
    """The whole module, or the parts of it that are named."""
    wanted = TARGETS[module]
    if not wanted:
        return [tree]
    defined: dict[str, ast.AST] = {}
    for one in tree.body:
        match one:
            case ast.FunctionDef(name=name) | ast.ClassDef(name=name):
                defined[name] = one
            case ast.Assign(targets=[ast.Name(id=name)]):
                defined[name] = one
    missing = [name for name in wanted if name not in defined]
    if missing:
        sys.exit(f"{module} does not define {', '.join(missing)}: amend TARGETS of this file")
    return [defined[name] for name in wanted]


def all_places(module: str, tree: ast.Module) -> list[Place]:
    return [place for part in chosen_parts(module, tree) for place in places(part)]


def mutants(module: str) -> list[Mutant]:
    """Every mutant of a module, in the order of its text."""
    text = (ROOT / module).read_text("utf-8")
    tree, lines = ast.parse(text), text.splitlines()
    found: list[Mutant] = []
    seen: Counter[tuple[int, str]] = Counter()
    for number, place in enumerate(all_places(module, tree)):
        for variant, other in enumerate(place.variants()):
            line = place.node.lineno
            change = f"{ast.unparse(place.node)} -> {ast.unparse(ast.fix_missing_locations(other))}"
            seen[line, change] += 1
            if seen[line, change] > 1:
                change += f" (number {seen[line, change]})"
            found.append(Mutant(module, line, lines[line - 1].strip(), change, number, variant))
    return found


def mutated(mutant: Mutant) -> Any:
    """The code of the module with this one change."""
    tree = ast.parse((ROOT / mutant.module).read_text("utf-8"))
    place = all_places(mutant.module, tree)[mutant.place]
    place.replace(copy.deepcopy(place.variants()[mutant.variant]))
    return compile(ast.fix_missing_locations(tree), str(ROOT / mutant.module), "exec")


class Mutation(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Gives the mutated code in place of the module's file."""

    def __init__(self, mutant: Mutant) -> None:
        self.name = mutant.module.removesuffix(".py").replace("/", ".")
        self.code = mutated(mutant)

    def find_spec(self, name: str, _path: Any = None, _target: Any = None) -> Any:
        return importlib.util.spec_from_loader(name, self) if name == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        exec(self.code, module.__dict__)


class FirstFailure:
    """Keeps the name of the first test that fails."""

    name = ""

    def pytest_runtest_logreport(self, report: Any) -> None:
        if report.failed and not self.name:
            self.name = report.nodeid.split("/")[-1]


def run_tests(mutant: Mutant, seconds: int, told: Path) -> int:
    """Run the tests in a child process; return its exit code, or minus the signal that ended it."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    code = 70
    try:
        signal.alarm(seconds)
        _silence()
        _forget(mutant)
        sys.meta_path.insert(0, Mutation(mutant))
        failure = FirstFailure()
        code = _pytest(mutant, failure)
        told.write_text(failure.name or "the tests cannot be collected", "utf-8")
    finally:
        os._exit(code)


def _silence() -> None:
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)
    os.dup2(silence, 2)


def _forget(mutant: Mutant) -> None:
    """Let the package be imported anew, but for the modules that import nothing of it.

    These keep what the run without a change has cached.
    """
    for name, module in list(sys.modules.items()):
        if name.split(".")[0] in ("residuekit", "tests"):
            file = Path(getattr(module, "__file__", None) or ROOT)
            if file == ROOT / mutant.module or not _stands_alone(file):
                del sys.modules[name]


@cache
def _stands_alone(file: Path) -> bool:
    """Whether a module imports nothing of the package; asked before the first fork."""
    if file.suffix != ".py" or file.name == "__init__.py" or TESTS in file.parents:
        return False
    return not any(
        isinstance(one, ast.ImportFrom) and (one.level or "residuekit" in str(one.module))
        for one in ast.walk(ast.parse(file.read_text("utf-8")))
    )


def _pytest(mutant: Mutant | None, failure: FirstFailure) -> int:
    """Run the tests of the module of the same name, then all others."""
    import hypothesis
    import pytest

    hypothesis.settings.register_profile(
        "mutation", derandomize=True, database=None, deadline=None,
        phases=[hypothesis.Phase.explicit, hypothesis.Phase.generate],
    )  # fmt: skip
    hypothesis.settings.load_profile("mutation")
    options = ["-x", "-q", "--tb=no", "-o", "addopts=--import-mode=importlib", f"--rootdir={ROOT}"]
    for unused in ("cacheprovider", "unraisableexception", "threadexception"):
        options += ["-p", f"no:{unused}"]
    files = sorted(TESTS.glob("test_*.py"), key=lambda one: (one.name in _SLOW, one.name))
    own = Path(mutant.module).stem if mutant else ""
    first = [one for one in files if one.name == f"test_{_TESTED_WITH.get(own, own)}.py"]
    code = 0
    for part in (first, [one for one in files if one not in first]):
        if part and not code:
            code = int(pytest.main([*options, *map(str, part)], plugins=[failure]))
    return code


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sample", type=int, default=200, help="how many mutants")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="a part of a module's name")
    parser.add_argument("--all", action="store_true", help="every mutant, no sample")
    parser.add_argument("--list", action="store_true", help="name the mutants, run nothing")
    parser.add_argument("--least", type=float, default=95.0, help="least score, per cent")
    asked = parser.parse_args()

    every = [one for module in TARGETS if asked.only in module for one in mutants(module)]
    lines = {(one.module, one.code) for one in every}
    for module, line in EQUIVALENT:
        if asked.only in module and (module, line) not in lines:
            print(f"EQUIVALENT names a line that is no more: {module}: {line}")
    kept = [one for one in every if not one.equivalent]
    equivalent = len(every) - len(kept)
    if not asked.all and asked.sample < len(kept):
        kept = random.Random(asked.seed).sample(kept, asked.sample)
    kept.sort(key=lambda one: (one.module, one.place, one.variant))
    if asked.list:
        print(*kept, sep="\n")
        return 0
    print(f"{len(every)} mutants, {equivalent} equivalent; {len(kept)} tried (seed {asked.seed})")
    return _score(kept, asked.least)


def _score(kept: list[Mutant], least: float) -> int:
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    with tempfile.TemporaryDirectory() as folder:
        told = Path(folder) / "told"
        began = time.monotonic()
        if _pytest(None, FirstFailure()):
            print("the tests fail without any change")
            return 1
        whole = time.monotonic() - began
        print(f"tests without a change: {whole:.0f} s", flush=True)
        for module in list(sys.modules.values()):
            if module.__name__.startswith(("residuekit", "tests")):
                _stands_alone(Path(getattr(module, "__file__", None) or ROOT))
        survived = []
        for mutant in kept:
            told.write_text("time-out", "utf-8")
            code = run_tests(mutant, int(1.5 * whole) + 10, told)
            if code == 0:
                survived.append(mutant)
            seen = "SURVIVED" if code == 0 else "noticed "
            by = "" if code == 0 else f"   by: {told.read_text('utf-8')}"
            print(f"{seen} {mutant}{by}", flush=True)
    score = 100 * (1 - len(survived) / len(kept))
    minutes = (time.monotonic() - began) / 60
    print(f"noticed {len(kept) - len(survived)} of {len(kept)}: {score:.1f} % in {minutes:.0f} min")
    return int(score < least)


if __name__ == "__main__":
    raise SystemExit(main())
