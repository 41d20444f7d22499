"""Damaged files by the thousand: each gives an array that keeps the contract, or a ReadError.

    python benchmarks/fuzz_io.py [--text 20000] [--binary 300] [--seed 1] [--json FILE]

Text forms (own parsers) are read in child processes of 100 cases, binary forms in one child a case;
a child that dies, takes over 5 s of processor time (or a minute) a case or grows above 1 GB is
counted as a failure.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import resource
import signal
import tempfile
import time
import traceback
import warnings
import zipfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from residuekit.errors import ReadError
from residuekit.io import read, read_peaks, write
from residuekit.schema import check, make_map, make_points

JCAMP = Path(__file__).resolve().parents[1] / "shared" / "data" / "jcamp"
SECONDS, WAIT, MEGABYTES, BATCH = 5, 60, 1024, 100
BOMB = b"A1V9999999JZ99999999"
HUGE = (
    b"99999999999", b"1e308", b"-1", b"NaN", b"0", BOMB, b"\0", b"$$", b"##TITLE=", b"##END=",
    b"##BLOCKS= 1000000", b"##NTUPLES= X", b"##NPOINTS= 1e12", b'"', b",", b";", b"# shape: [1]",
)  # fmt: skip


def _array(rng: np.random.Generator, kind: str) -> Any:
    axis = 900 + 4.0 * np.arange(12)
    if kind == "map":
        return make_map(rng.random((3, 4, 12)), axis, np.arange(4) * 5.0, np.arange(3) * 5.0)
    return make_points(rng.random((3, 12)), axis, ["a", "b", "c"])


def text_seeds(folder: Path, rng: np.random.Generator) -> list[tuple[str, bytes]]:
    """Whole files of every form our own parsers read."""
    written = [
        write(_array(rng, kind), folder / f"s{number}{suffix}", **options)
        for number, (kind, suffix, options) in enumerate([
            ("points", ".csv", {}), ("map", ".csv", {}), ("map", ".csv", {"layout": "long map"}),
            ("points", ".jdx", {}), ("map", ".jdx", {}), ("map", ".jdx", {"form": "difdup"}),
        ])
    ]  # fmt: skip
    plain = {
        ".csv": (b"wavenumber;A;B\n4000;0,5;0,1\n3990;0,25;\n3980;1e-3;0,3\n",
                 b"sample,4000,3990,3980\na,.1,.2,.3\nb,.1,.2,.3\n",
                 b"wavenumber,s\ncm-1,%T\n4000,50\n3990,60\n"),
        ".jdx": (b"##TITLE=a\n##DATA TYPE=LINK\n##BLOCKS=1\n" * 2000,),
    }  # fmt: skip
    seeds = [(path.suffix, path.read_bytes()) for path in written]
    seeds += [(suffix, data) for suffix, many in plain.items() for data in many]
    seeds += [(".jdx", path.read_bytes()[:60_000]) for path in sorted(JCAMP.glob("*.jdx"))]
    return seeds


def binary_seeds(folder: Path, rng: np.random.Generator) -> list[tuple[str, bytes]]:
    """Whole files of every binary form of one file, and a zip bomb."""
    from PIL import Image

    suffixes = (".nc", ".xlsx", ".nc")
    seeds = [(s, write(_array(rng, "map"), folder / f"b{i}{s}").read_bytes())
             for i, s in enumerate(suffixes)]  # fmt: skip
    seeds.append((".h5", seeds[0][1]))
    stream = io.BytesIO()
    np.savez(stream, cube=rng.random((3, 4, 12)), wavenumber=np.arange(12.0))
    seeds.append((".npz", stream.getvalue()))
    stream = io.BytesIO()
    np.save(stream, rng.random((3, 4, 12)))
    seeds.append((".npy", stream.getvalue()))
    stream = io.BytesIO()
    pages = [Image.fromarray(rng.random((3, 4)).astype("f4")) for _ in range(12)]
    pages[0].save(stream, "TIFF", save_all=True, append_images=pages[1:])
    seeds.append((".tif", stream.getvalue()))
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("[Content_Types].xml", bytes(300 * 2**20))
    seeds.append((".xlsx", stream.getvalue()))
    return seeds


OPTIONS = {
    ".npy": {"dims": ("y", "x", "wavenumber"), "wavenumber": list(range(1, 13)),
             "quantity": "absorbance", "first_row": "top"},
    ".npz": {"dims": ("y", "x", "wavenumber"), "quantity": "absorbance", "first_row": "top"},
    ".tif": {"wavenumber": list(range(1, 13)), "quantity": "absorbance", "first_row": "top"},
    ".h5": {"dataset": "absorbance", "dims": ("y", "x", "wavenumber"), "wavenumber": "wavenumber",
            "quantity": "absorbance"},
}  # fmt: skip


def damaged(data: bytes, rng: np.random.Generator) -> bytes:
    """One or more of: cut, bytes flipped, lines doubled, moved, something hostile put in."""
    for _ in range(int(rng.geometric(0.6))):
        if not data:
            break
        at = int(rng.integers(len(data)))
        match int(rng.integers(6)):
            case 0:
                data = data[:at]
            case 1:
                data = data[:at] + rng.bytes(1) + data[at + 1 :]
            case 2:
                start, end = data.rfind(b"\n", 0, at) + 1, data.find(b"\n", at) + 1 or len(data)
                data = data[:end] + data[start:end] * int(rng.integers(1, 4)) + data[end:]
            case 3:
                data = data[:at] + HUGE[int(rng.integers(len(HUGE)))] + data[at:]
            case 4:
                data = data[:at] + data[at + int(rng.integers(1, 200)) :]
            case _:
                other = int(rng.integers(len(data)))
                data = data[:at] + data[other : other + 300] + data[at:]
    return data


def outcome(path: Path) -> str:
    """Read one file; the options of bare arrays are those of the whole file."""
    try:
        array = read(path, **OPTIONS.get(path.suffix, {}))
        check(array)
    except ReadError:
        kind = "ReadError"
    else:
        kind = "array"
    if path.suffix == ".jdx":
        with contextlib.suppress(ReadError):
            read_peaks(path)
    return kind


def in_child(cases: list[tuple[str, bytes]], folder: Path) -> tuple[Counter[str], float]:
    """Read the cases in a forked child; what came of them and its highest memory in MB."""
    back, forth = os.pipe()
    child = os.fork()
    if child == 0:
        found: Counter[str] = Counter()
        for ends in (signal.SIGALRM, signal.SIGPROF):
            signal.signal(ends, signal.SIG_DFL)
        warnings.simplefilter("ignore")
        for suffix, data in cases:
            path = folder / f"case{suffix}"
            path.write_bytes(data)
            signal.setitimer(signal.ITIMER_PROF, SECONDS)
            signal.alarm(WAIT)
            try:
                found[outcome(path)] += 1
            except BaseException as error:
                found[f"failed: {type(error).__name__}"] += 1
                (folder / f"failed-{time.time_ns()}{suffix}").write_bytes(data)
                traceback.print_exc(limit=-4)
            signal.setitimer(signal.ITIMER_PROF, 0)
            signal.alarm(0)
        os.write(forth, json.dumps(found).encode())
        os._exit(0)
    os.close(forth)
    with os.fdopen(back, "rb") as pipe:
        said = pipe.read()
    _, status, usage = os.wait4(child, 0)
    if status:
        return Counter({f"failed: child ended with {status}": 1}), usage.ru_maxrss / 1024
    return Counter(json.loads(said)), usage.ru_maxrss / 1024


def batches(
    seeds: list[tuple[str, bytes]], n: int, size: int, rng: np.random.Generator
) -> Iterator[list[tuple[str, bytes]]]:
    for start in range(0, n, size):
        chosen = [seeds[int(rng.integers(len(seeds)))] for _ in range(min(size, n - start))]
        yield [(suffix, damaged(data, rng)) for suffix, data in chosen]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--text", type=int, default=20_000)
    parser.add_argument("--binary", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", type=Path)
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    results: dict[str, Any] = {}
    bad = False
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for kind, n, size, make in (
            ("text", options.text, BATCH, text_seeds), ("binary", options.binary, 1, binary_seeds),
        ):  # fmt: skip
            rng = np.random.default_rng(options.seed)
            seeds = make(folder, rng)
            for suffix, data in seeds:
                (folder / f"whole{suffix}").write_bytes(data)
                outcome(folder / f"whole{suffix}")
            total: Counter[str] = Counter()
            peak, start = 0.0, time.perf_counter()
            for cases in batches(seeds, n, size, rng):
                found, megabytes = in_child(cases, folder)
                total += found
                peak = max(peak, megabytes)
            results[kind] = {**total, "peak_mb": round(peak), "own_mb": round(
                resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            ), "seconds": round(time.perf_counter() - start)}  # fmt: skip
            print(f"{kind}: {results[kind]}", flush=True)
            bad = bad or peak > MEGABYTES or any(k.startswith("failed") for k in total)
        for path in folder.glob("failed-*"):
            print(path.name, path.read_bytes()[:200])
    if options.json:
        options.json.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    return int(bad)


if __name__ == "__main__":
    raise SystemExit(main())
