"""What an installation brings, what the owner has to fill in, and the pages that are built."""

from __future__ import annotations

import ast
import json
import os
import re
import subprocess
import sys
import tomllib
from importlib.util import find_spec
from pathlib import Path

import pytest

import residuekit
from tests.conftest import FIRST

ROOT = Path(__file__).parents[1]
#: Imported name -> the distribution that brings it.
BROUGHT_BY = {"PIL": "pillow", "IPython": "ipython"}


@pytest.fixture(scope="module")
def project():
    return tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]


def names(requirements):
    return {re.split(r"[^\w-]", one)[0].casefold() for one in requirements}


def code_of(path):
    book = json.loads(path.read_text("utf-8"))
    cells = ("".join(cell["source"]) for cell in book["cells"] if cell["cell_type"] == "code")
    return "\n".join(cells).replace("%matplotlib inline", "")


@pytest.mark.parametrize("path", sorted((ROOT / "notebooks").glob("*.ipynb")), ids=lambda p: p.stem)
def test_the_extra_for_the_laboratory_brings_all_that_a_notebook_needs(project, path):
    brought = names(project["dependencies"]) | names(project["optional-dependencies"]["lab"])
    code = code_of(path)
    needed = set()
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.Import):
            needed |= {one.name.partition(".")[0] for one in node.names}
        elif isinstance(node, ast.ImportFrom):
            needed.add(str(node.module).partition(".")[0])
    needed -= {*sys.stdlib_module_names, "residuekit"}
    needed |= {"dask"} if "lazy=True" in code else set()
    assert {BROUGHT_BY.get(name, name) for name in needed} <= brought


def test_every_lower_bound_is_named_in_the_guide_as_tried(project):
    """The guide names the oldest versions that were tried: the bounds are these."""
    said = (ROOT / "DEVELOPERS.md").read_text("utf-8").split("## Versions")[1]
    for one in project["dependencies"]:
        name, bound = one.split(">=")
        assert f"{name} {bound}" in said, one


def test_versions_are_semantic_and_the_citation_has_the_same(project):
    assert project["dynamic"] == ["version"]
    assert re.fullmatch(r"\d+\.\d+\.\d+((a|b|rc)\d+)?", residuekit.__version__)
    citation = (ROOT / "CITATION.cff").read_text("utf-8")
    assert f"version: {residuekit.__version__}\n" in citation
    changes = (ROOT / "CHANGELOG.md").read_text("utf-8")
    assert re.search(rf"^## {re.escape(residuekit.__version__)}\b", changes, re.M)


def test_the_urls_are_left_for_the_owner_to_fill_in(project):
    assert "urls" not in project
    text = (ROOT / "pyproject.toml").read_text("utf-8")
    left = re.findall(r'^# (\w+) = "https://\.\.\.', text.split("# [project.urls]")[1], re.M)
    assert {"Homepage", "Documentation", "Source", "Issues", "Changelog"} <= set(left)


def test_the_public_checks_do_what_the_project_s_own_do():
    (file,) = (ROOT / ".github/workflows").glob("*.yml")
    runs = re.findall(r"^ *- run: (.*)$", file.read_text("utf-8"), re.M)
    assert runs == [".ci/run"]
    assert (ROOT / ".ci/run").is_file()
    assert [part for part in FIRST if not (ROOT / part).exists()] == []
    templates = sorted((ROOT / ".github/ISSUE_TEMPLATE").glob("*.md"))
    assert len(templates) >= 3
    for path in templates:
        assert re.match(r"---\nname: .+\nabout: .+\nlabels: \w+\n---\n", path.read_text("utf-8"))
    page = (ROOT / ".github/CONTRIBUTING.md").read_text("utf-8")
    for link in re.findall(r"\]\((\.\./[^)]+)\)", page):
        assert (ROOT / ".github" / link).is_file(), link


STAND_IN = """#!/bin/sh
echo "$*" >>"$SAID"
case "$*" in
"-m venv "*) mkdir -p "$3/bin" && cp "$0" "$3/bin/python" && cp "$0" "$3/bin/python3" ;;
*"$FAILS"*) exit 3 ;;
esac
"""


@pytest.mark.parametrize(
    "fails",
    ["", "--upgrade pip", "-e .[test]", "-m pytest", "validate.py", "real_scatter.py", "attack.py"],
)
def test_the_checks_fail_where_one_of_their_parts_does(tmp_path, fails):
    """Every program is a stand-in that says how it was called."""
    for name in ("python3", "chromium"):
        (tmp_path / name).write_text(STAND_IN, encoding="utf-8")
        (tmp_path / name).chmod(0o755)
    said = tmp_path / "said"
    given = {"PATH": f"{tmp_path}:{os.environ['PATH']}", "SAID": str(said), "TMPDIR": str(tmp_path),
             "FAILS": fails or "no such call"}  # fmt: skip
    done = subprocess.run([ROOT / ".ci/run"], env={**os.environ, **given}, capture_output=True,
                          text=True, check=False)  # fmt: skip
    assert (done.returncode != 0) is bool(fails), done.stderr
    called = said.read_text("utf-8")
    needed = ["-e .[test]", "-m pytest -n 2", "validate.py --quick", "real_scatter.py", "attack.py"]
    last = {"--upgrade pip": 0, "-e .[test]": 1, "-m pytest": 2}.get(fails, len(needed))
    assert [one for one in needed if one in called] == needed[:last]
    assert ".py" not in fails or fails in done.stderr


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """The pages, built with warnings as errors."""
    if not all(map(find_spec, ("mkdocs", "material", "mkdocstrings"))):
        pytest.skip("no mkdocs here: pip install residuekit[docs]")
    built = tmp_path_factory.mktemp("pages")
    command = [sys.executable, "-m", "mkdocs", "build", "--strict", "-q",
               "-f", str(ROOT / "shared/docs/mkdocs.yml"), "-d", str(built)]  # fmt: skip
    made = subprocess.run(command, capture_output=True, text=True, check=False)
    assert made.returncode == 0, made.stdout + made.stderr
    return built


def test_every_public_name_has_its_help_in_the_pages(pages):
    text = "".join(path.read_text("utf-8") for path in pages.glob("reference/*.html"))
    for name in set(residuekit.__all__) - {"__version__", "limits"}:
        home = residuekit._HOME[name]
        place = home if home == name else f"{home}.{name}"
        assert f'id="residuekit.{place}"' in text, name
    for room in ("calibration", "plan", "trends", "trial", "errors"):
        for name in getattr(residuekit, room).__all__:
            places = (f'id="residuekit.{room}.{name}"', f'id="residuekit.{room}.{name}.{name}"')
            assert any(place in text for place in places), (room, name)


def test_every_notebook_has_its_page_with_its_pictures(pages):
    for path in (ROOT / "notebooks").glob("*.ipynb"):
        text = (pages / f"gallery/{path.stem}.html").read_text("utf-8")
        cells = json.loads(path.read_text("utf-8"))["cells"]
        outputs = [one for cell in cells for one in cell.get("outputs", ())]
        stored = sum("image/png" in one.get("data", ()) for one in outputs)
        shown = re.findall(r'src="([^"]+\.png)"', text)
        assert len(shown) == stored, path.stem
        assert all((pages / "gallery" / name).is_file() for name in shown)


def test_the_pages_ask_nothing_of_a_network(pages):
    for path in pages.rglob("*.html"):
        text = path.read_text("utf-8")
        asked = re.findall(r'<(?:script|link|img)[^>]+(?:src|href)="(https?:[^"]+)"', text)
        assert asked == [], path.name
