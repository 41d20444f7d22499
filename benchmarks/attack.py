"""An attack: hostile files, and runs that are killed, stopped, doubled, or fed a forged cache.

    python benchmarks/attack.py [--quick] [--seed 1]

A file must be read or refused within 5 s of processor time and 1 GB, in a process of its own. A run
that was killed or stopped must leave no half-written run, and the next must give the tables of one
that was left alone. `--quick` leaves out the runs and the longest files.
Random damage is the business of `fuzz_io.py`.
"""

from __future__ import annotations

import argparse
import os
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Iterator
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from hostile_files import LONG, made

from residuekit import io
from residuekit.errors import ReadError
from residuekit.simulate import Arm, StudyDesign, Variation, simulate_study

MOST_SECONDS, MOST_BYTES = 5.0, 2**30
_MOMENTS = 4


def main() -> None:
    """Make every file, read it, attack every run, and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    random = np.random.default_rng(options.seed)
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["XDG_STATE_HOME"] = f"{scratch}/state"
        attacks = [files(Path(scratch), quick=options.quick)]
        attacks += [] if options.quick else [runs(Path(scratch), random)]
        count = wrong = 0
        for attack in attacks:
            for name, bad, words in attack:
                count, wrong = count + 1, wrong + bad
                print(f"{'WRONG ' if bad else ''}{name}: {words}", flush=True)
    print(f"{count} attacks, {wrong} wrong")
    raise SystemExit(wrong > 0)


def files(folder: Path, *, quick: bool) -> Iterator[tuple[str, bool, str]]:
    """Each hostile file: its name, whether it did harm, what came of it."""
    for name, path, given in made(folder):
        if quick and name.partition(": ")[2] in LONG:
            continue
        came, seconds, size = judge(path, given)
        bad = came not in ("read", "refused") or seconds > MOST_SECONDS or size > MOST_BYTES
        yield name, bad, f"{came}, {seconds:.1f} s, {size / 2**20:.0f} MB"


def judge(path: Path, given: dict[str, Any]) -> tuple[str, float, int]:
    """Read a file in a process of its own: what came of it, processor seconds, bytes at most."""
    context = get_context("fork")
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(target=_read, args=(theirs, path, given))
    child.start()
    theirs.close()
    try:
        found: tuple[str, float, int] = (
            ours.recv() if ours.poll(12 * MOST_SECONDS) else ("hung", 12 * MOST_SECONDS, 0)
        )
    except EOFError:
        found = ("died", 0.0, 0)
    if child.is_alive() and child.pid and found[0] == "hung":
        os.kill(child.pid, signal.SIGKILL)
    child.join()
    return found


def _read(pipe: Any, path: Path, given: dict[str, Any]) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (6 * 2**30,) * 2)
    warnings.simplefilter("ignore")
    started = time.process_time()
    try:
        io.read(path, **given)
        came = "read"
    except ReadError:
        came = "refused"
    except BaseException as problem:  # anything else is what is looked for
        came = repr(problem)[:200]
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    pipe.send((came, time.process_time() - started, used))


def runs(folder: Path, random: Any) -> Iterator[tuple[str, bool, str]]:
    """Each attacked run: its name, whether it did harm, what came of it."""
    design = StudyDesign(
        arms=(Arm(2.0, n_mockups=3), Arm(60.0, n_mockups=3, loading_ug_cm2=5.0)),
        n_blanks=4, spiked_ug_cm2=(2.0, 6.0), n_spiked=2, maps_per_mockup=1,
        axis=(900.0, 1850.0, 5.6), steps=({"step": "crop", "low": 910, "high": 1840},),
        shape=(6, 6), variation=Variation(session=0.2),
        question={"treatment": "PVA cryogel", "working_exposure_min": 2,
                  "acceptance_limit_ug_cm2": 4.0, "acceptance_reason": "invented"},
    )  # fmt: skip
    base, study = folder / "base", folder / "study"
    simulate_study(base, design, seed=1)
    started = time.monotonic()
    with _run(base) as process:
        process.wait()
    whole, wanted = time.monotonic() - started, _tables(base)
    for number in range(2 * _MOMENTS):
        sign = (signal.SIGKILL, signal.SIGINT)[number % 2]
        shutil.rmtree(study, ignore_errors=True)
        shutil.copytree(base, study, ignore=shutil.ignore_patterns("runs"))
        with _run(study) as process:
            time.sleep(random.uniform(0, whole))
            process.send_signal(sign)
            started = time.monotonic()
            code = process.wait()
        after = time.monotonic() - started
        left = [
            path.name for path in study.glob("runs/2*") if not (path / "provenance.json").exists()
        ]
        with _run(study) as again:
            again.wait()
        bad = code not in (0, -sign, 130) or bool(left) or _tables(study) != wanted
        yield (
            f"{sign.name} at a random moment",
            bad or after > MOST_SECONDS,
            f"exit {code}, {after:.1f} s",
        )
    shutil.rmtree(study)
    shutil.copytree(base, study, ignore=shutil.ignore_patterns("runs"))
    with _run(study) as one, _run(study) as other:
        codes = one.wait(), other.wait()
    n_runs = len(list(study.glob("runs/2*")))
    yield "two runs at once", codes != (0, 0) or n_runs != 2 or _tables(study) != wanted, str(codes)
    os.environ["XDG_STATE_HOME"] = f"{folder}/another-user"
    with _run(study) as process:
        process.wait()
    newest = study / "runs" / (study / "runs/latest").read_text(encoding="utf-8").strip()
    said = "another user" in (newest / "provenance.json").read_text(encoding="utf-8")
    yield "the cache of another user", not said or _tables(study) != wanted, "computed again"


def _run(study: Path) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "residuekit", "run", str(study)]
    return subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def _tables(study: Path) -> dict[str, bytes]:
    """The tables of the newest run."""
    newest = study / "runs" / (study / "runs/latest").read_text(encoding="utf-8").strip()
    return {name: (newest / f"{name}.csv").read_bytes() for name in ("verdicts", "scores")}


if __name__ == "__main__":
    main()
