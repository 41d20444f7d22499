"""The wheel holds all that the command needs: built, installed elsewhere, run from elsewhere."""

from __future__ import annotations

import subprocess
import sys
import sysconfig
import zipfile
from pathlib import Path

import pytest

from residuekit.schema import VERDICT_COLUMNS

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    out = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(out)]
    done = subprocess.run([*build, str(ROOT)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return next(out.glob("*.whl"))


def test_the_wheel_holds_templates_data_and_notebooks(wheel):
    names = zipfile.ZipFile(wheel).namelist()
    for needed in (
        "residuekit/__init__.pyi",
        "residuekit/py.typed",
        "residuekit/data/markers.toml",
        "residuekit/data/report.html",
        "residuekit/data/new_study/study.toml",
        "residuekit/data/new_study/measurements.csv",
        "residuekit/simulate/materials.csv",
        "residuekit/notebooks/01-first-look.ipynb",
        "residuekit/notebooks/05-ageing-study.ipynb",
    ):
        assert needed in names
    assert not [name for name in names if name.startswith(("tests/", "shared/"))]


def test_the_command_makes_and_runs_the_demo_outside_the_checkout(wheel, tmp_path):
    """An empty environment with the wheel; its dependencies are lent by this one."""
    environment = tmp_path / "environment"
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(environment)], check=True)
    python = environment / "bin" / "python"
    library = environment / "lib" / f"python{sysconfig.get_python_version()}" / "site-packages"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(library)
    (library / "lent.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()

    def run(*arguments):
        return subprocess.run(
            [str(python), "-m", "residuekit", *arguments],
            cwd=elsewhere, capture_output=True, text=True, check=False,
        )  # fmt: skip

    where = subprocess.run(
        [str(python), "-c", "import residuekit; print(residuekit.__file__)"],
        cwd=elsewhere, capture_output=True, text=True, check=True,
    )  # fmt: skip
    assert Path(where.stdout.strip()).is_relative_to(library)

    done = run("demo", "--out", "shelter")
    assert done.returncode == 0, done.stderr
    newest = (elsewhere / "shelter/runs/latest").read_text(encoding="utf-8").strip()
    folder = elsewhere / "shelter/runs" / newest
    for name in (
        "verdicts.csv", "scores.csv", "mockups.csv", "markers.csv", "figure.pdf", "figure.svg",
        "figure.png", "figure.json", "methods.md", "report.html", "provenance.json",
    ):  # fmt: skip
        assert (folder / name).stat().st_size > 0, name
    assert list(folder.glob("maps/*.nc"))
    head = (folder / "verdicts.csv").read_text(encoding="utf-8").splitlines()[0]
    assert head.split(",") == list(VERDICT_COLUMNS)

    made = run("new", "mine")
    assert made.returncode == 0, made.stderr
    assert list((elsewhere / "mine/notebooks").glob("01-*.ipynb"))
