"""Measure the claims on speed, each beside its peer: python benchmarks/run.py [NAME...] [--json]

Ours and the peer run in turn in one process, the medians are compared: times move from machine to
machine, ratios less so. Claims on one thread are timed by the processor time of the process, those
on two by the clock on the wall, which needs two free cores. Every number is for one spectrum of
1,000 channels unless the name says otherwise; the spectra are invented. NAME is a part of a claim's
name. All take about five minutes, the last two 3 GB of memory and 8 GB of free disk.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parent))

import speed
from speed.common import Claim

#: Ours and the peer take turns at least so often, and on until so many seconds or turns.
ROUNDS, SECONDS, MOST = 7, 4.0, 60


class Measured(NamedTuple):
    """One claim as measured; `agreement` is the largest difference over the largest value."""

    name: str
    peer: str
    ours_us: float
    peer_us: float
    ratio: float
    agreement: float | None
    threads: int
    note: str


def measure(claim: Claim) -> Measured:
    """Run ours and the peer in turn and compare the medians."""
    if claim.rounds != 1:
        claim.ours(), claim.peer()
    agreement = claim.agreement() if claim.agreement else None
    clock = time.process_time if claim.threads == 1 else time.perf_counter
    times: tuple[list[float], list[float]] = ([], [])
    began, least = time.perf_counter(), claim.rounds or ROUNDS
    while len(times[0]) < least or (
        not claim.rounds and len(times[0]) < MOST and time.perf_counter() - began < SECONDS
    ):
        for kept, (run, count) in zip(
            times, ((claim.ours, claim.ours_count), (claim.peer, claim.peer_count)), strict=True
        ):
            start = clock()
            found = run()
            took = found if isinstance(found, float) else clock() - start
            kept.append(took / count * 1e6)
    ours, peer = (statistics.median(kept) for kept in times)
    note = "; ".join(filter(None, [claim.note, claim.said() if claim.said else ""]))
    return Measured(claim.name, claim.peer_name, ours, peer, peer / ours, agreement,
                    claim.threads, note)  # fmt: skip


def in_own_process(claim: Callable[[], Claim]) -> Measured:
    """Measure in a fresh process with one thread for the libraries below numpy."""
    single = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    done = subprocess.run(
        [sys.executable, __file__, "--one", claim.__name__],
        env={**os.environ, **single}, check=True, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    return Measured(**json.loads(done.stdout))


def _named(name: str) -> Callable[[], Claim]:
    return next(make for make in speed.ALL if make.__name__ == name)


def table(found: Iterable[Measured]) -> str:
    """The claims as text, one a line."""
    lines = [f"{'claim':58} {'ours us':>9} {'peer us':>9} {'ratio':>8} {'agree':>8} thr  peer"]
    for one in found:
        agree = "" if one.agreement is None else f"{one.agreement:.1e}"
        lines.append(
            f"{one.name:58} {one.ours_us:9.3g} {one.peer_us:9.4g} {one.ratio:8.3g} {agree:>8} "
            f"{one.threads:3d}  {one.peer}{'; ' * bool(one.note)}{one.note}"
        )
    return "\n".join(lines)


def main(arguments: list[str] | None = None) -> int:
    """Measure what is asked for and print it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help="parts of names of claims")
    parser.add_argument("--json", action="store_true", help="print one JSON list")
    parser.add_argument("--one", help=argparse.SUPPRESS)
    options = parser.parse_args(arguments)
    if options.one:
        print(json.dumps(measure(_named(options.one)())._asdict()))
        return 0
    words = [name.casefold() for name in options.names]
    chosen = [
        make for make in speed.ALL
        if not words or any(word in str(make.__doc__).casefold() for word in words)
    ]  # fmt: skip
    if not chosen:
        known = "; ".join(str(make.__doc__).rstrip(".") for make in speed.ALL)
        print(f"no claim of that name; there are: {known}", file=sys.stderr)
        return 2
    found = []
    for make in chosen:
        found.append(in_own_process(make))
        if not options.json:
            print(table(found[-1:]).split("\n")[-1] if len(found) > 1 else table(found), flush=True)
    if options.json:
        print(json.dumps([one._asdict() for one in found], indent=1))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
