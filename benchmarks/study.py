"""Measure the claims on whole studies: python benchmarks/study.py [NAME...] [--json]

again    A study of 100 maps to which one is added: the run, over that map alone plus the
         statistics. The map alone is its reading, procedure and scores; the statistics are a run
         to which nothing is new. Median of three, in one process; with figure and report in both
         runs, and with them in neither.
memory   A study of 200 maps of 64 x 64 x 900 through the command: the peak memory of its process
         beside the size of the maps, and what it says of the time left.
workers  The same study by one process, by two local workers, by a local cluster of two workers of
         one thread, in turn: how many times as fast as one process, on the clock on the wall (it
         needs two free cores), and at best by the processor seconds of the process that starts the
         run (`alone`) and of the others; the peak memory of each process, and whether the results
         are the same to the byte.
parts    What a map costs, part by part (processor seconds on one thread; bytes between processes),
         at 64 x 64 and 256 x 256 x 900, and what 1,000 such maps, a third of them blanks, would
         take on ten machines of two cores, by these numbers.
scripted The demo's study by `scripted_study.py`, then by a run: processor seconds of each, in turn,
         and of the run to which nothing is new.

The data are invented, written to a temporary folder (3 GB for `memory` and `workers`) and removed.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import pickle
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, NamedTuple
from unittest.mock import patch

os.environ["OPENBLAS_NUM_THREADS"] = "1"

import numpy as np
from speed.common import peak_mb

from residuekit import io
from residuekit.kernels.metric import pool
from residuekit.schema import make_map, make_points
from residuekit.simulate.demo import write_demo
from residuekit.study import Study, load_manifest
from residuekit.study import run as run_module
from residuekit.study.bad_channels import Asked
from residuekit.study.cache import Cache
from residuekit.study.reading import Reading
from residuekit.study.system import one_thread
from residuekit.study.work import look, perform, scatter_within

ROUNDS = 3
#: Scatters of maps that are pooled to see what one takes.
SCATTERS = 32
GEL = "gel"
SETTINGS = """\
title = "A large study (invented data)"
[question]
treatment = "gel"
working_exposure_min = 2
acceptance_limit_ug_cm2 = 2.0
[procedure]
steps = [{step = "crop", low = 820, high = 3700}, {step = "smooth", window = 7}]
[markers]
use = ["pva C-O 1092", "acetate C=O 1735"]
"""


def write_study(folder: Path, n_maps: int, shape: tuple[int, int], n_channels: int) -> None:
    """Write a study of two maps a mock-up: a third blanks, a few spiked, else three arms."""
    rng = np.random.default_rng(1)
    axis = np.linspace(800.0, 3720.0, n_channels)
    paint = sum(h * _peak(axis, c, w) for h, c, w in ((0.6, 1730, 15), (0.4, 1160, 40),
                                                       (0.3, 2900, 60)))  # fmt: skip
    gel = _peak(axis, 1092, 30) + 0.3 * _peak(axis, 1735, 12) + 0.8 * _peak(axis, 3300, 120)
    (folder / "data").mkdir(parents=True)
    rows: list[dict[str, Any]] = []
    for number in range(n_maps):
        mockup = number // 2
        row: dict[str, Any] = {"mockup": f"m{mockup}", "paint": "alkyd", "clearance_min": 2}
        load = 0.0
        if mockup < n_maps // 6:
            row |= {"role": "blank", "treatment": "water", "exposure_min": 60}
        elif mockup < n_maps // 6 + 6:
            load = (2.0, 6.0)[mockup % 2]
            row |= {"role": "spiked", "treatment": GEL, "loading_ug_cm2": load}
        else:
            row |= {"role": "exposed", "treatment": GEL, "exposure_min": (2, 10, 60)[mockup % 3]}
        own = paint * (1 + 0.01 * np.random.default_rng(mockup).standard_normal())
        mean = own + 0.003 * load * gel
        values = rng.standard_normal((*shape, n_channels), dtype=np.float32) * np.float32(1e-3)
        values += mean.astype(np.float32)
        file = f"data/map{number:03d}.nc"
        io.write(make_map(values, axis), folder / file)
        rows.append({"file": file, **row})
    io.write(make_points(gel[None], axis), folder / "data/gel.nc")
    rows.append({"file": "data/gel.nc", "role": "reference", "treatment": GEL})
    write_table(folder, rows)
    (folder / "study.toml").write_text(SETTINGS, encoding="utf-8")


def _peak(axis: Any, centre: float, width: float) -> Any:
    return np.exp(-0.5 * ((axis - centre) / width) ** 2)


def write_table(folder: Path, rows: Sequence[dict[str, Any]]) -> None:
    """Write measurements.csv."""
    columns = ["file", "role", "mockup", "paint", "treatment", "exposure_min", "clearance_min",
               "loading_ug_cm2"]  # fmt: skip
    with (folder / "measurements.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, columns, restval="")
        writer.writeheader()
        writer.writerows(rows)


def read_table(folder: Path) -> list[dict[str, Any]]:
    """Read measurements.csv."""
    with (folder / "measurements.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def timed(call: Callable[[], Any]) -> float:
    """Seconds that a call takes."""
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def again(place: Path, n_maps: int = 100, shape: tuple[int, int] = (32, 32)) -> dict[str, Any]:
    """One map more: the run, that map alone, the statistics."""
    folder = place / "again"
    write_study(folder, n_maps, shape, 900)
    found: dict[str, Any] = {
        "claim": f"{n_maps} maps of {shape[0]} x {shape[1]} x 900, one of them new: below 1.3"
    }
    for words, present in (("", run_module._present), ("_bare", lambda *_: None)):
        with patch.object(run_module, "_present", present):
            run, one, statistic = _added(folder, place)
        found |= {
            f"ratio{words}": run / (one + statistic),
            f"run{words}_s": run,
            f"map_alone{words}_s": one,
            f"statistics{words}_s": statistic,
        }
    return found


def _added(folder: Path, place: Path) -> tuple[float, float, float]:
    """Seconds of the run with one map more, of that map, of the run to which nothing is new."""
    rows = read_table(folder)
    new = rows[-2]

    def run() -> None:
        Study.open(folder).run()

    times = []
    for _ in range(ROUNDS):
        write_table(folder, [row for row in rows if row is not new])
        run()
        write_table(folder, rows)
        times.append((timed(run), timed(_one_map(folder, new["file"], place)), timed(run)))
    run_s, one, statistic = (statistics.median(column) for column in zip(*times, strict=True))
    return run_s, one, statistic


def _one_map(folder: Path, file: str, place: Path) -> Callable[[], Any]:
    """Read, process and score one map of the study, as a run does."""
    manifest = load_manifest(folder)
    part = Path(tempfile.mkdtemp(dir=place))
    work = Reading(manifest, part, Cache(folder / "runs" / ".cache"))
    work.read_controls()
    controls = work.study_controls()
    row = next(row for row in manifest.measurements if row.file == file)
    task = replace(
        work.task(row), scores=controls.scores(row.stratum, GEL), map_path=part / "map.nc"
    )
    return lambda: perform(task)


def memory(place: Path, n_maps: int = 200, size: int = 64) -> dict[str, Any]:
    """The peak memory of `residuekit run`, and its last word on the time left."""
    folder = place / "memory"
    write_study(folder, n_maps, (size, size), 900)
    held = sum(path.stat().st_size for path in (folder / "data").iterdir())
    watched = watched_run(folder)
    return {
        "claim": f"{n_maps} maps of {size} x {size} x 900: bounded memory, time left shown",
        "peak_mb": max(watched.peaks_mb),
        "files_mb": held / 1e6,
        "one_map_mb": size * size * 900 * 4 / 1e6,
        "run_s": watched.seconds,
        "time_left": [line.strip() for line in watched.said.splitlines() if "left" in line][:2],
    }


class Watched(NamedTuple):
    """A run: seconds, the peak memory of its processes, the processor seconds of the one that
    started it and of all others, and what was said."""

    seconds: float
    peaks_mb: list[float]
    alone_s: float
    others_s: float
    said: str


def watched_run(folder: Path, *options: str, beside: int = 0) -> Watched:
    """Run a study by the command, from nothing; what process `beside` has started works for it."""
    shutil.rmtree(folder / "runs", ignore_errors=True)
    said = folder.with_suffix(".txt")
    peaks: dict[int, float] = {}
    earlier = {number: processor_s(number) for number in _family(beside)[1:]}
    used: dict[int, float] = {}
    with said.open("w") as out:
        start = time.perf_counter()
        command = [sys.executable, "-m", "residuekit", "run", *options, str(folder)]
        running = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=out)
        while running.poll() is None:
            for number in [*_family(running.pid), *_family(beside)[1:]]:
                with suppress(OSError, IndexError):  # it has ended meanwhile
                    peaks[number] = peak_mb(number)
                    used[number] = processor_s(number) - earlier.get(number, 0.0)
            time.sleep(0.1)
        taken = time.perf_counter() - start
    if running.returncode:
        raise RuntimeError(said.read_text())
    alone = used.pop(running.pid)
    return Watched(taken, [*peaks.values()], alone, sum(used.values()), said.read_text())


def processor_s(number: int) -> float:
    """The processor seconds that a process has used (Linux)."""
    fields = Path(f"/proc/{number}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _family(number: int) -> list[int]:
    """A process and all that it and they have started (Linux); process 0 has none."""
    found = [number]
    for one in found:
        for listed in Path(f"/proc/{one}/task").glob("*/children"):
            with suppress(OSError):
                found += map(int, listed.read_text().split())
    return found


CLUSTER = """
from distributed import LocalCluster
with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
    print(cluster.scheduler_address, flush=True)
    input()
"""
#: What must be the same to the byte, whoever computed it.
SAME = ("verdicts.csv", "scores.csv", "mockups.csv", "figure.json")


def workers(place: Path, n_maps: int = 200, size: int = 64) -> dict[str, Any]:
    """One process, two workers, a cluster of two: seconds, ratios, peaks, the same bytes; the
    ratios too that the processor seconds allow on two cores that nothing else uses."""
    folder = place / "workers"
    write_study(folder, n_maps, (size, size), 900)
    found: dict[str, Any] = {
        "claim": f"{n_maps} maps of {size} x {size} x 900 by two processes: 1.6 times as fast"
    }
    bytes_of = {}
    with subprocess.Popen([sys.executable, "-c", CLUSTER], stdin=subprocess.PIPE,
                          stdout=subprocess.PIPE, text=True) as cluster:  # fmt: skip
        assert cluster.stdin is not None
        assert cluster.stdout is not None
        address = cluster.stdout.readline().strip()
        for name, options in (("one", ()), ("two", ("--workers", "2")),
                              ("cluster", ("--scheduler", address))):  # fmt: skip
            beside = cluster.pid if name == "cluster" else 0
            watched = watched_run(folder, *options, beside=beside)
            found |= {f"{name}_s": watched.seconds, f"{name}_alone_s": watched.alone_s,
                      f"{name}_others_s": watched.others_s,
                      f"{name}_peaks_mb": sorted(map(round, watched.peaks_mb))}  # fmt: skip
            newest = folder / "runs" / (folder / "runs" / "latest").read_text().strip()
            bytes_of[name] = [(newest / one).read_bytes() for one in SAME]
        cluster.stdin.write("\n")
    for name in ("two", "cluster"):
        found[f"{name}_times_as_fast"] = found["one_s"] / found[f"{name}_s"]
        on_two_cores = found[f"{name}_alone_s"] + found[f"{name}_others_s"] / 2
        found[f"{name}_at_best"] = found["one_alone_s"] / on_two_cores
    return {**found, "same_bytes": bytes_of["one"] == bytes_of["two"] == bytes_of["cluster"]}


def parts(place: Path) -> dict[str, Any]:
    """The parts of a map and of the rest of a run, and 1,000 maps on ten machines by them."""
    folder, kept = place / "parts", place / "kept"
    write_study(folder, 48, (16, 16), 900)
    start = time.process_time()
    Study.open(folder).run()
    rest = time.process_time() - start
    found: dict[str, Any] = {"claim": "the parts of a run, and all else it does", "rest_s": rest}
    kept.mkdir()
    manifest = load_manifest(folder)
    work = Reading(manifest, kept, Cache(folder / "runs" / ".cache"))
    work.read_controls()
    scores = work.study_controls().own_scores(manifest.of_role("exposed")[0], GEL)
    row = manifest.of_role("blank")[0]
    for size in (64, 256):
        _enlarge(folder / row.path, size)
        own = _parts_of_map(manifest, row, scores, kept)
        files = own["hash_s"] + own["look_s"] + own["measure_s"] + own["score_s"]
        shared, alone = 1000 * files + 333 * own["scatter_s"], 333 * own["pool_s"] + rest
        found |= {f"{name} {size}": value for name, value in own.items()}
        found |= {f"1000_files_on_20_cores_s {size}": shared / 20,
                  f"1000_in_one_process_s {size}": alone,
                  f"1000_maps_s {size}": shared / 20 + alone}  # fmt: skip
    return found


def _enlarge(path: Path, size: int) -> None:
    """Write a map of size x size pixels in place of a smaller one."""
    small = io.read(path)
    times = (size // small.shape[0], size // small.shape[1], 1)
    values = np.tile(small.values, times)
    values += np.random.default_rng(3).normal(0, 1e-3, values.shape).astype(np.float32)
    io.write(make_map(values, small["wavenumber"].values), path)


def _parts_of_map(manifest: Any, row: Any, scores: Any, kept: Path) -> dict[str, float]:
    """Processor seconds of each part of the work on a map, as a worker does it."""
    reading = Reading(manifest, Path(tempfile.mkdtemp(dir=kept)), Cache(kept / "cache"))

    def of(call: Callable[[], Any]) -> tuple[float, Any]:
        start = time.process_time()
        made = call()
        return time.process_time() - start, made

    with one_thread():
        hashed, task = of(lambda: reading.task(row))
        looked, _ = of(lambda: look(task, Asked.of(manifest)))
        measured, outcome = of(lambda: perform(replace(task, keep=True)))
        scoring = replace(task, keep=True, scores=scores, map_path=reading.part / "map.nc")
        scored, _ = of(lambda: perform(scoring))
        scattered, scatter = of(lambda: scatter_within(task))
        products = pickle.dumps(scatter)
        pooled, _ = of(lambda: pool(pickle.loads(products) for _ in range(SCATTERS)))
    passed = len(pickle.dumps(scoring)) + len(pickle.dumps(outcome))
    return {"hash_s": hashed, "look_s": looked, "measure_s": measured, "score_s": scored,
            "scatter_s": scattered, "pool_s": pooled / SCATTERS, "passed_kb": passed / 1e3,
            "products_kb": len(products) / 1e3}  # fmt: skip


def scripted(place: Path) -> dict[str, Any]:
    """Processor seconds of a plain script on the demo's maps, and of runs of them."""
    folder, ours = place / "demo", (sys.executable, "-m", "residuekit")
    write_demo(folder)
    script = Path(__file__).with_name("scripted_study.py")
    peer = [_processor_s(sys.executable, script, folder, place / "out") for _ in range(ROUNDS)]
    whole, still = [], []
    for _ in range(ROUNDS):
        shutil.rmtree(folder / "runs", ignore_errors=True)
        whole.append(_processor_s(*ours, "run", folder))
        still.append(_processor_s(*ours, "run", folder))
    script_s, run_s, still_s = (statistics.median(one) for one in (peer, whole, still))
    return {
        "claim": "the demo's 114 files: processor seconds of a plain script and of a run",
        "script_s": script_s,
        "run_s": run_s,
        "run_over_script": run_s / script_s,
        "nothing_new_s": still_s,
    }


def _processor_s(*command: Any) -> float:
    """The processor seconds of a command and what it starts."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([str(part) for part in command], check=True, stdout=subprocess.DEVNULL,
                   stderr=subprocess.DEVNULL)  # fmt: skip
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


CLAIMS = {"again": again, "memory": memory, "workers": workers, "parts": parts,
          "scripted": scripted}  # fmt: skip


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure what is asked for and print it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help=" or ".join(CLAIMS))
    parser.add_argument("--json", action="store_true", help="print one JSON list")
    options = parser.parse_args(arguments)
    unknown = set(options.names) - set(CLAIMS)
    if unknown:
        parser.error(f"{', '.join(sorted(unknown))}: choose from {', '.join(CLAIMS)}")
    found = []
    for name in options.names or CLAIMS:
        place = Path(tempfile.mkdtemp(prefix="study-benchmark-"))
        try:
            found.append(CLAIMS[name](place))
        finally:
            shutil.rmtree(place)
        if not options.json:
            print(found[-1]["claim"])
            for key, value in list(found[-1].items())[1:]:
                print(f"  {key:18} {f'{value:.3g}' if isinstance(value, float) else value}")
    if options.json:
        print(json.dumps(found, indent=1))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
