"""The habits of the house: the one-way order, lint, types, and what no file may hold."""

from __future__ import annotations

import re
import subprocess
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import grimp
import pytest

ROOT = Path(__file__).parents[1]


def _run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


def _tracked() -> list[Path]:
    listed = _run("git", "ls-files", "--cached", "--others", "--exclude-standard")
    if listed.returncode:
        pytest.skip("not a git checkout")
    return [path for name in listed.stdout.splitlines() if (path := ROOT / name).is_file()]


@pytest.mark.parametrize(
    "command",
    [
        ("ruff", "check", "."),
        ("ruff", "format", "--check", "."),
    ],
    ids=" ".join,
)
def test_lint(command):
    found = _run(sys.executable, "-m", *command)
    assert found.returncode == 0, found.stdout + found.stderr


def test_data_walks_one_way():
    script = "from importlinter.cli import lint_imports; raise SystemExit(lint_imports())"
    found = _run(sys.executable, "-c", script)
    assert found.returncode == 0, found.stdout + found.stderr


def test_no_two_modules_import_each_other_on_any_way():
    graph = grimp.build_graph("residuekit", cache_dir=None)
    imports = {name: graph.find_modules_directly_imported_by(name) for name in graph.modules}
    assert set(TopologicalSorter(imports).static_order()) == set(imports)


def test_the_guide_names_every_module_and_every_code():
    from residuekit.words.codes import CODES

    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    modules = [
        path.relative_to(ROOT / "residuekit").as_posix()
        for path in sorted((ROOT / "residuekit").rglob("*.py"))
        if path.name != "__init__.py"
    ]
    assert [name for name in modules if f"| `{name}` |" not in guide] == []
    named = re.findall(r"^\| `([\w/]+\.py)` \|", guide, re.M)
    assert sorted(named) == modules
    assert [c for c, one in CODES.items() if f"| `{c}` | {one.meaning} |" not in guide] == []


def test_a_file_name_has_one_meaning():
    """A file of `words/` bears the name of the room's file whose results it words."""
    names: dict[str, list[str]] = {}
    for path in sorted((ROOT / "residuekit").rglob("*.py")):
        if path.stem not in ("__init__", "__main__") and path.parent.name != "words":
            names.setdefault(path.stem, []).append(path.parent.name)
    twice = {name: rooms for name, rooms in names.items() if len(rooms) > 1}
    assert twice == {
        "controls": ["decision", "study"],  # the numbers of a paint, and of a whole study
        "series": ["figures", "trends"],  # drawn, and tested for a rise
    }


def test_no_file_holds_a_machine_s_path_or_an_address_of_a_registry():
    forbidden = re.compile(
        r"(?<![\w.])/(work|root|home|tmp)/\w|index-url|pypi\.org/simple|file:///"
    )
    texts = (".py", ".md", ".toml", ".txt", ".ipynb", ".csv", ".cff", ".json", ".html", "")
    own = Path(__file__).resolve()
    broken = [
        f"{path.relative_to(ROOT)}: {match.group(0)}"
        for path in _tracked()
        if path.suffix in texts and path.resolve() != own
        if (match := forbidden.search(path.read_text(encoding="utf-8", errors="replace")))
    ]
    assert broken == []


def test_the_modules_stay_of_a_readable_length():
    too_long = {
        str(path.relative_to(ROOT)): count
        for path in sorted((ROOT / "residuekit").rglob("*.py"))
        if (count := len(path.read_text(encoding="utf-8").splitlines())) > 450
    }
    assert too_long == {}


def test_every_public_name_can_be_loaded_and_says_what_it_is():
    import residuekit

    for name in residuekit.__all__:
        found = getattr(residuekit, name)
        assert name == "__version__" or found.__doc__, name


def test_a_misspelt_public_name_is_answered_with_the_nearest():
    import residuekit

    with pytest.raises(AttributeError, match="did you mean 'band_score'"):
        _ = residuekit.band_scor


def test_the_readme_names_two_set_up_commands_and_the_four_verdicts():
    from residuekit.schema import VERDICTS

    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert "residuekit demo" in text
    assert "-m pytest" in text
    assert all(f"**{verdict}**" in text for verdict in VERDICTS)
