"""Whole studies through the files and the command, judged by the scorer.

Each study is simulated to a folder with its truth sealed beside it, run, and only then scored: some
by `residuekit run` in a process of their own, more by `Study.run` without figure and report, which
decide nothing. Its five arms of 6 mock-ups: two clean, one with gel on
all alike, one with patches of it, one with gel on one mock-up of six; the loadings go from below
to above the detection limits, study by study. Alkyd and acrylic-like paint in turn, the latter
with traces of soil on every mock-up.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from unittest import mock

from residuekit import Study
from residuekit.simulate import Arm, Scorecard, StudyDesign, score_runs, simulate_study

from .claims import SEED, Claim, rate, spread

ACCEPTANCE_UG_CM2 = 2.5
UNIFORM_UG_CM2 = (0.7, 1.1, 1.6, 2.7, 3.5)
PATCHY_UG_CM2 = (1.0, 2.0, 3.0, 4.5, 6.0)
ONE_OF_SIX_UG_CM2 = (2.0, 4.0, 8.0, 16.0, 32.0)
SOIL = {"kaolin": 0.0006, "silica": 0.0006, "starch": 0.0003}
PAINTS = ("alkyd", "acrylic")
#: How every study is measured and what it asks.
MEASURED: dict[str, Any] = {
    "spiked_ug_cm2": (2.0, 6.0),
    "maps_per_mockup": 1,
    "shape": (12, 12),
    "axis": (816.0, 1878.0, 6.0),
    "question": {
        "treatment": "PVA cryogel",
        "working_exposure_min": 2,
        "acceptance_limit_ug_cm2": ACCEPTANCE_UG_CM2,
        "acceptance_reason": "Invented: a round number above the detection limits.",
    },
    "steps": ({"step": "crop", "low": 840, "high": 1854},),
}


def design(number: int) -> StudyDesign:
    """The design of one study."""
    paint, step = PAINTS[number % 2], number // 2 % len(UNIFORM_UG_CM2)
    return StudyDesign(
        title=f"Simulated study {number} (invented data)",
        arms=(
            Arm(2.0),
            Arm(10.0),
            Arm(30.0, loading_ug_cm2=UNIFORM_UG_CM2[step]),
            Arm(60.0, loading_ug_cm2=PATCHY_UG_CM2[step], pattern="patchy"),
            Arm(120.0, loading_ug_cm2=ONE_OF_SIX_UG_CM2[step], loaded_mockups=1),
        ),
        paints={paint: paint},
        confounders=SOIL if paint == "acrylic" else {},
        **MEASURED,
    )


def run_studies(by_command: int, plain: int) -> Scorecard:
    """Simulate, run and score this many studies by the command, and then without pictures."""
    with TemporaryDirectory() as place:
        one = partial(_run_one, Path(place), by_command)
        return score_runs(spread(one, range(by_command + plain)))


def _run_one(place: Path, by_command: int, number: int) -> tuple[Path, Path]:
    run = run_by_command if number < by_command else run_plainly
    return simulate_and_run(place / f"study-{number}", design(number), SEED + number, run)


def simulate_and_run(
    folder: Path, made: StudyDesign, seed: int, run: Callable[[Path], None]
) -> tuple[Path, Path]:
    """Simulate a study and run it; its folder, and its truth sealed beside it."""
    sealed = folder.with_name(f"{folder.name}-truth.json")
    simulate_study(folder, made, seed, sealed)
    run(folder)
    return folder, sealed


def run_plainly(folder: Path) -> None:
    """Run a study in this process, without what people read; its maps are removed once scored."""
    with mock.patch("residuekit.study.run._present"):
        Study.open(folder).run()
    shutil.rmtree(folder / "data")
    shutil.rmtree(folder / "runs" / ".cache")


def run_by_command(folder: Path) -> None:
    """Run a study as a user does."""
    command = [sys.executable, "-m", "residuekit", "run", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise RuntimeError(f"residuekit run failed on {folder.name}:\n{done.stderr}")


#: Rate of the scorecard -> the range that is claimed for it. The interval is for the mean of all
#: such mock-ups, the truth that of the arm's own: where they carry unlike amounts it is too wide.
CLAIMED = {
    "clean arm called detected": (0.0, 0.05),
    "clean arm above its decision limit": (0.035, 0.065),
    "arm at or above its detection limit missed": (0.0, 0.07),
    "arm above the acceptance limit called not detected": (0.0, 0.05),
    "upper bound holds the true loading": (0.93, 1.0),
    "two-sided interval holds the true loading": (0.93, 1.0),
}


def claims(card: Scorecard, place: str = "studies") -> Iterator[Claim]:
    """The scorecard's rates beside what is claimed for them; a rate of nothing is left out."""
    for found in card.rates:
        if found.n:
            hits = [True] * found.hits + [False] * (found.n - found.hits)
            yield rate(f"{place}: {found.name}", CLAIMED.get(found.name), hits)
