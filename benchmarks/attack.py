"""An attack: hostile files, wrong studies, runs that are killed, stopped, doubled, fed forgeries.

    python benchmarks/attack.py [--quick] [--seed 1]

A file must be read or refused within 5 s of processor time and 1 GB, in a process of its own. What
a wrong study must be told is listed in `wrong_studies.py`. A run that was killed or stopped must
leave no half-written run, and the next must compute no score again that was kept and give the
tables of one that was left alone; Ctrl-C must stop it within 5 s; a forged cache must change none.
`--quick` leaves out large files that are read, studies whose fault lies in their measured files,
and all runs but one. Random damage is the
business of `fuzz_io.py`.
"""

from __future__ import annotations

import argparse
import io as streams
import os
import resource
import shutil
import signal
import sys
import tempfile
import time
import warnings
from collections.abc import Generator
from contextlib import nullcontext, redirect_stdout
from multiprocessing import get_context
from multiprocessing.process import BaseProcess
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
from hostile_files import LONG, made
from wrong_studies import DESIGN, judge_wrong, wrong_studies

from residuekit import io
from residuekit.cli import main as command
from residuekit.errors import ReadError, StudyError
from residuekit.simulate import simulate_study
from residuekit.study.inspect import check_folder
from residuekit.study.seal import LENGTH, own_key, seal

#: Of each attack its name, whether it did harm, what came of it.
Found = Generator[tuple[str, bool, str], None, None]
MOST_SECONDS, MOST_BYTES = 5.0, 2**30
#: A run that ends by itself so soon after it was told to stop had ended.
_LATE = 1.0
#: How often runs are killed, stopped and doubled, tables alone; of the first two, with pictures.
KILLED, STOPPED, DOUBLED, PICTURED = 10, 20, 4, 2


def main() -> None:
    """Make every file, read it, attack every run, and print what came of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    signal.signal(signal.SIGINT, signal.default_int_handler)  # what is started must not ignore it
    random = np.random.default_rng(options.seed)
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["XDG_STATE_HOME"] = f"{scratch}/state"
        folder, quick = Path(scratch), options.quick
        simulate_study(folder / "base", DESIGN, seed=1)
        failed = 0
        for attack in (files(folder, quick=quick), studies(folder, quick=quick),
                       runs(folder, random, quick=quick)):  # fmt: skip
            started, count, wrong = _processor(), 0, 0
            for name, bad, words in attack:
                count, wrong = count + 1, wrong + bad
                print(f"{'WRONG ' if bad else ''}{name}: {words}", flush=True)
            print(f"{attack.__name__}: {count} attacks, {wrong} did harm, "
                  f"{_processor() - started:.0f} s of processor time", flush=True)  # fmt: skip
            failed += wrong
    print(f"{_processor():.0f} s of processor time in all")
    raise SystemExit(failed > 0)


def _processor() -> float:
    """Processor seconds of this process and of those that it has waited for."""
    return sum(os.times()[:4])


def files(folder: Path, *, quick: bool) -> Found:
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


def studies(folder: Path, *, quick: bool) -> Found:
    """Each wrong study: its name, whether what must be said is not, what was."""
    for wrong in wrong_studies():
        came = judge_wrong(folder / "base", folder / "wrong", wrong, settled=quick)
        if came is not None:
            yield wrong.name, *came


def runs(folder: Path, random: Any, *, quick: bool) -> Found:
    """Each attacked run: its name, whether it did harm, what came of it."""
    base, study = folder / "base", folder / "study"
    with patch("residuekit.study.run._present"), redirect_stdout(None):
        command(["run", str(base)])  # what is forked from here has its imports behind it
    wanted = _tables(base)
    _copy(base, study)
    whole = _left_alone(study)
    tries = [(signal.SIGKILL, False)]
    if not quick:
        tries *= KILLED
        tries += [(signal.SIGINT, False)] * STOPPED
        tries += [(signal.SIGKILL, True), (signal.SIGINT, True)] * PICTURED
    for sign, pictures in tries:
        _copy(base, study)
        name = f"{sign.name} at a random moment" + " of a run with pictures" * pictures
        longest = _left_alone(study, pictures=True) if pictures else whole
        _copy(base, study)
        yield name, *_stopped(study, sign, random.uniform(0, longest), wanted, pictures=pictures)
    if quick:
        return
    for _ in range(DOUBLED):
        _copy(base, study)
        one = _run(study)
        time.sleep(random.uniform(0, whole / 2))
        codes = _end(_run(study)), _end(one)
        n_runs = len(list(study.glob("runs/2*")))
        bad = codes != (0, 0) or n_runs not in (1, 2) or _tables(study) != wanted
        yield "two runs at once", bad, f"exit {codes}, {n_runs} runs"
    yield from forged(base, study, wanted)


def _left_alone(study: Path, *, pictures: bool = False) -> float:
    """Run a study: how many seconds that took."""
    started = time.monotonic()
    _end(_run(study, pictures=pictures))
    return time.monotonic() - started


def _stopped(
    study: Path, sign: signal.Signals, moment: float, wanted: dict[str, bytes], *, pictures: bool
) -> tuple[bool, str]:
    """Send a signal to a run at a moment and run again: whether that did harm, what came of it."""
    process = _run(study, pictures=pictures)
    time.sleep(moment)
    os.kill(process.pid, sign)
    started = time.monotonic()
    code = _end(process)
    after = time.monotonic() - started
    made = [(path / "provenance.json").exists() for path in study.glob("runs/2*")]
    ended = code == 0 and after < _LATE
    kept = _times(study)
    _end(_run(study, pictures=pictures))
    resumed = {path: written for path, written in _times(study).items() if path in kept} == kept
    bad = not (ended or code in (-sign, 130)) or after > MOST_SECONDS or not all(made)
    return (
        bad or not resumed or _tables(study) != wanted,
        f"exit {code}, {after:.1f} s; {len(kept)} scores were kept",
    )


def _times(study: Path) -> dict[Path, int]:
    """When each entry of the cache was written, but means: a map to be scored gives its own."""
    entries = [path for path in study.glob("runs/.cache/*.npz") if "mean" not in _entry(path)]
    return {path: path.stat().st_mtime_ns for path in entries}


def forged(base: Path, study: Path, wanted: dict[str, bytes]) -> Found:
    """Caches of another user, changed ones too, and a changed one under the user's own key."""
    for name, change in (("as it was", 0.0), ("changed by 2e-3", 2e-3), ("by 2e-5", 2e-5)):
        _copy(base, study, keep=True)
        _forge(study, bytes(LENGTH), change)
        _end(_run(study))
        said = "another user" in (_newest(study) / "provenance.json").read_text(encoding="utf-8")
        bad = not said or _tables(study) != wanted
        yield f"the cache of another user, {name}", bad, "computed again"
    _copy(base, study, keep=True)
    _forge(study, own_key(), 2e-3)
    _end(_run(study))
    try:
        check_folder(_newest(study))
        found = False
    except StudyError as problem:
        found = "do not give" in str(problem)
    bad = not found or _tables(study) == wanted
    yield "a changed cache under the user's own key", bad, "found by check of the run"


def _forge(study: Path, key: bytes, change: float) -> None:
    """Change the mean spectra of all cache entries, and seal them with a key."""
    random = np.random.default_rng(1)
    for path in study.glob("runs/.cache/*.npz"):
        arrays = _entry(path)
        if "mean" in arrays:
            arrays["mean"] = arrays["mean"] + random.normal(0, change, arrays["mean"].shape)
        packed = streams.BytesIO()
        np.savez(packed, **arrays)
        path.write_bytes(seal(key, path.stem, packed.getvalue()) + packed.getvalue())


def _entry(path: Path) -> dict[str, Any]:
    """The arrays of a cache entry, behind its seal."""
    with np.load(streams.BytesIO(path.read_bytes()[LENGTH:])) as held:
        return dict(held)


def _copy(base: Path, study: Path, *, keep: bool = False) -> None:
    """A new copy without runs, or with the cache alone."""
    shutil.rmtree(study, ignore_errors=True)
    left_out = ("2*Z*", "latest", "state.json") if keep else ("runs",)
    shutil.copytree(base, study, ignore=shutil.ignore_patterns(*left_out))


def _run(study: Path, *, pictures: bool = False) -> BaseProcess:
    """Begin a run: tables alone in a fork of this process, with pictures in a new one."""
    process = get_context("spawn" if pictures else "fork").Process(
        target=_command, args=(study, pictures)
    )
    process.start()
    return process


def _command(study: Path, pictures: bool) -> None:
    sys.stdout = sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    try:
        with nullcontext() if pictures else patch("residuekit.study.run._present"):
            code = command(["run", str(study)])
    except KeyboardInterrupt:  # before the command begins, or after its end
        code = 130
    os._exit(code)


def _end(process: BaseProcess) -> int | None:
    process.join()
    return process.exitcode


def _newest(study: Path) -> Path:
    return study / "runs" / (study / "runs/latest").read_text(encoding="utf-8").strip()


def _tables(study: Path) -> dict[str, bytes]:
    """The tables of the newest run."""
    newest = _newest(study)
    return {name: (newest / f"{name}.csv").read_bytes() for name in ("verdicts", "scores")}


if __name__ == "__main__":
    main()
