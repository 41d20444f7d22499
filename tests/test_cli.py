"""The command: its words, its exit codes, and how light it is."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from residuekit import __version__
from residuekit.cli import _Progress, main

HEAVY = (
    "numpy", "scipy", "pandas", "xarray", "matplotlib", "h5py", "lmfit", "dask", "numba",
)  # fmt: skip


@pytest.mark.parametrize("words", [["--help"], ["run", "--help"], ["--version"]])
def test_help_imports_nothing_heavy(words):
    script = (
        "import json, sys\nfrom residuekit.cli import main\n"
        f"try:\n    main({words!r})\nexcept SystemExit as left:\n"
        f"    found = [m for m in {HEAVY!r} if m in sys.modules]\n"
        "    print(json.dumps([left.code, found]), file=sys.stderr)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert json.loads(done.stderr) == [0, []]
    assert "residuekit" in done.stdout


def test_help_names_every_command(command):
    said = command("--help").stdout
    for name in ("demo", "new", "check", "run", "compare", "deposit", "plan"):
        assert f"\n    {name} " in said
    assert command("--version").stdout == f"residuekit {__version__}\n"


@pytest.mark.parametrize(
    "words", [[], ["rnu", "x"], ["run"], ["run", "x", "--quickly"], ["run", "x", "--workers", "0"]]
)
def test_wrong_use_is_exit_2(command, words):
    done = command(*words)
    assert done.returncode == 2
    assert "usage: residuekit" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_file_that_is_not_there(tmp_path, capsys):
    assert main(["check", str(tmp_path / "no.nc")]) == 1
    said = capsys.readouterr().err
    assert said.startswith("1 fault found; nothing was written.")
    assert "no.nc" in said


def test_new_makes_a_study_that_check_explains(tmp_path, capsys):
    folder = tmp_path / "below" / "study"
    assert main(["new", str(folder)]) == 0
    made = {path.name for path in folder.iterdir()}
    assert made >= {"study.toml", "measurements.csv", "data", "notebooks"}
    said = capsys.readouterr().out
    assert "residuekit check" in said
    assert "04-exposure-study.ipynb" in said
    assert "How long may the gel lie there without leaving residue?" in said
    assert main(["check", str(folder)]) == 1
    said = capsys.readouterr().err
    assert said.startswith("1 fault found")
    assert "measurements.csv" in said
    assert "no rows" in said


def test_new_overwrites_nothing(tmp_path, capsys):
    (tmp_path / "mine.txt").write_text("kept", encoding="utf-8")
    assert main(["new", str(tmp_path)]) == 1
    assert "nothing is overwritten" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]


def test_new_below_a_file_says_so(tmp_path, capsys):
    (tmp_path / "file").touch()
    assert main(["new", str(tmp_path / "file" / "study")]) == 1
    assert "a place that cannot be written" in capsys.readouterr().err


def test_progress_is_shown_only_on_work_over_two_seconds(capsys):
    shown = _Progress("read")
    shown(1, 2, "a.nc")
    assert capsys.readouterr().err == ""
    shown.started -= 10.0
    shown(1, 4, "a.nc")
    assert capsys.readouterr().err == "  1 of 4 read, about 30 s left\n"
    shown(1, 4, "b.nc")
    assert capsys.readouterr().err == ""
    shown(4, 4, "d.nc")
    assert "4 of 4 read, about 0 s left" in capsys.readouterr().err


def test_the_demo_comes_with_the_notebooks(tmp_path, monkeypatch):
    from residuekit import simulate
    from residuekit.study.template import template_notebooks

    monkeypatch.setattr(simulate, "write_demo", lambda folder, **_: folder.mkdir())
    assert main(["demo", "--out", str(tmp_path / "demo")]) != 0
    found = sorted(path.name for path in (tmp_path / "demo" / "notebooks").iterdir())
    assert found == [path.name for path in template_notebooks()]
    assert found
