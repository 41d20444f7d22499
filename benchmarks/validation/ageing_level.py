"""Studies of two ages through the files and the command: verdicts, and residue before and after.

Each study holds one paint at 0 and 500 h with blanks of its own at both, and four arms: a clean one
of 2 min, one of 60 min loaded alike, one in patches, one with gel on one mock-up of six. The truth
is sealed beside the study. Judged: the scorecard's rates at both ages, and how often the interval
of the difference after less before holds the true one.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from residuekit import open_run, trends
from residuekit.schema import ARM_COLUMNS
from residuekit.simulate import Arm, StudyDesign, score_runs

from . import study_level
from .claims import SEED, Claim, rate, spread
from .study_level import MEASURED, run_by_command, simulate_and_run

AGES_H = (0.0, 500.0)
PAINTS = ("alkyd", "acrylic")
LOADS_UG_CM2 = (0.0, 2.0, 6.0)


def design(number: int) -> StudyDesign:
    """The design of one study."""
    paint, load = PAINTS[number % 2], LOADS_UG_CM2[number // 2 % len(LOADS_UG_CM2)]
    return StudyDesign(
        title=f"Simulated ageing study {number} (invented data)",
        arms=(
            Arm(2.0),
            Arm(30.0, loading_ug_cm2=load),
            Arm(60.0, loading_ug_cm2=load, pattern="patchy"),
            Arm(120.0, loading_ug_cm2=4 * load, loaded_mockups=1),
        ),
        paints={paint: paint},
        ageing_h=AGES_H,
        **MEASURED,
    )


def claims(count: int) -> Iterator[Claim]:
    """Simulate, run and score ageing studies 0 to `count` - 1."""
    with TemporaryDirectory() as place:
        pairs = spread(partial(_run_one, Path(place)), range(count))
        card = score_runs(pairs)
        held = [hit for pair in pairs for hit in _differences(*pair)]
    yield from study_level.claims(card, "ageing")
    for kind in dict.fromkeys(kind for kind, _, _ in held):
        own = [row for row in held if row[0] == kind]
        yield rate(
            f"ageing: interval of after less before holds it, {kind} arms",
            (0.93, 1.0) if kind != "one of six" else None,
            [inside for _, inside, _ in own],
        )
        if kind == "clean":
            yield rate(
                "ageing: difference of clean arms told from none",
                (0.0, 0.05),
                [told for _, _, told in own],
            )


def _run_one(place: Path, number: int) -> tuple[Path, Path]:
    seed = SEED + 10_000 + number
    return simulate_and_run(place / f"ageing-{number}", design(number), seed, run_by_command)


def _differences(folder: Path, sealed: Path) -> Iterator[tuple[str, bool, bool]]:
    """(kind of arm, does the interval hold the true difference, is it told from none)."""
    truth = json.loads(sealed.read_text(encoding="utf-8"))
    arms = {tuple(arm[name] for name in ARM_COLUMNS): arm for arm in truth["arms"]}
    for found in trends.ageing_changes(open_run(folder)):
        before, after = (
            arms[tuple({**found.conditions, "ageing_h": age}[name] for name in ARM_COLUMNS)]
            for age in (found.before_h, found.after_h)
        )
        true = after["mean_loading_ug_cm2"] - before["mean_loading_ug_cm2"]
        inside, told = found.low <= true <= found.high, found.low > 0 or found.high < 0
        yield _kind(before), inside, told


def _kind(arm: dict[str, Any]) -> str:
    if arm["clean"]:
        return "clean"
    if arm["loaded_mockups"] < arm["n_mockups"]:
        return "one of six"
    return str(arm["pattern"])
