"""Types: of the library, and as its user sees them; the second looks up what the first found."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

USER = """
import residuekit as rk

reveal_type(rk.read)
reveal_type(rk.read("map.nc"))
reveal_type(rk.band_score)
reveal_type(rk.Study.open("folder").run())
reveal_type(rk.plan.mockups_needed(1.0))
reveal_type(rk.limits.from_blanks([1.0, 2.0, 3.0]).detection_limit)
reveal_type(rk.plot_map)
rk.nonsense(1)
rk.read(1)
"""


def checked(*given: str) -> subprocess.CompletedProcess[str]:
    """What the type checker says."""
    return subprocess.run(
        [sys.executable, "-m", "mypy", *given],
        cwd=Path(__file__).parents[1], capture_output=True, text=True, check=False,
    )  # fmt: skip


def test_the_library_has_no_fault_of_types():
    found = checked()
    assert found.returncode == 0, found.stdout + found.stderr


def test_a_type_checker_knows_the_names_and_refuses_others(tmp_path):
    file = tmp_path / "user.py"
    file.write_text(USER, encoding="utf-8")
    done = checked("--config-file", "pyproject.toml", str(file))
    revealed = re.findall(r'Revealed type is "(.*)"', done.stdout)
    assert len(revealed) == USER.count("reveal_type"), done.stdout + done.stderr
    assert [words for words in revealed if words == "Any"] == []
    assert revealed[0].startswith("def (path: ")
    assert "DataArray" in revealed[1]
    assert "StudyResult" in revealed[3]
    assert revealed[4:6] == ["int", "float"] or revealed[4:6] == ["builtins.int", "builtins.float"]
    errors = [line for line in done.stdout.splitlines() if ": error:" in line]
    assert len(errors) == 2, done.stdout
    assert 'has no attribute "nonsense"' in errors[0]
    assert 'Argument 1 to "read" has incompatible type "int"' in errors[1]
