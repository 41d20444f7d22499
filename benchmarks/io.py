"""How fast files are read, each beside a general library on the same file, in turn in one run.

    python benchmarks/io.py [--json FILE]

Ratios are medians of pairs measured in turn: they move less from machine to machine than times do.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import statistics
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from residuekit.io import read, write
from residuekit.schema import make_map, make_points, source

#: Linux: VmHWM starts anew with a program, ru_maxrss begins at the size of its parent.
OPEN_LAZILY = """
import re, sys, time
import residuekit.io, dask.array, h5netcdf, zarr
start = time.perf_counter()
array = residuekit.io.read(sys.argv[1], lazy=True)
seconds = time.perf_counter() - start
assert array.nbytes > 4e9, array.nbytes
peak = int(re.search(r"VmHWM:\\s+(\\d+) kB", open("/proc/self/status").read())[1])
print(seconds, peak / 1024, array.data.chunksize)
"""


def in_turn(ours: Callable[[], Any], peer: Callable[[], Any], times: int) -> dict[str, float]:
    """Time both in turn; a ratio is the median of ours / peer, pair by pair: of the seconds that
    pass, and of the processor's, of all threads, which other work on the machine moves less."""
    ours(), peer()
    pairs = [(_seconds(ours), _seconds(peer)) for _ in range(times)]
    return {
        "ours_s": statistics.median(a for (a, _), _ in pairs),
        "peer_s": statistics.median(b for _, (b, _) in pairs),
        "ours_over_peer": statistics.median(a / b for (a, _), (b, _) in pairs),
        "processor_ours_over_peer": statistics.median(a / b for (_, a), (_, b) in pairs),
    }


def _seconds(call: Callable[[], Any]) -> tuple[float, float]:
    start, processor = time.perf_counter(), time.process_time()
    call()
    return time.perf_counter() - start, time.process_time() - processor


def _spectrum(nu: Any) -> Any:
    bands = ((1.0, 1735, 15), (0.6, 1240, 25), (0.8, 2920, 30), (0.2, 3400, 200))
    shape = sum(height * np.exp(-(((nu - at) / width) ** 2)) for height, at, width in bands)
    return shape + np.random.default_rng(1).normal(0, 1e-4, nu.size)


def jcamp_difdup(folder: Path) -> dict[str, float]:
    """One DIFDUP block of 600,001 points (invented), read by us and by the PyPI package jcamp."""
    import jcamp

    nu = np.linspace(400, 4000, 600_001)
    path = write(make_points(_spectrum(nu), nu), folder / "b.jdx", form="difdup")
    peer_y = np.asarray(jcamp.readfile(str(path))["y"])
    assert peer_y.size == nu.size
    np.testing.assert_allclose(read(path)[0], peer_y, atol=1e-6)
    found = in_turn(lambda: read(path), lambda: jcamp.readfile(str(path)), 5)
    return {**found, "times_as_fast": 1 / found["ours_over_peer"]}


def csv_map(folder: Path) -> dict[str, float]:
    """A wide map of 16,384 pixels x 1,000 wavenumbers, read by us and by pandas.read_csv."""
    import pandas as pd

    path = folder / "m.csv"
    nu = np.linspace(900, 3900, 1000)
    rows = _spectrum(np.tile(nu, (16_384, 1)).ravel()).reshape(16_384, 1000).round(5)
    frame = pd.DataFrame(rows, columns=[f"{v:.3f}" for v in nu])
    frame.insert(0, "x (um)", np.tile(np.arange(128) * 5.5, 128))
    frame.insert(1, "y (um)", np.repeat(np.arange(128) * 5.5, 128))
    frame.to_csv(path, index=False)
    del frame
    assert read(path).shape == (128, 128, 1000)
    return in_turn(lambda: read(path), lambda: pd.read_csv(path), 5)


def netcdf_map(folder: Path, *, packed: bool = False) -> dict[str, float]:
    """A map of 262 MB, read by us and by h5py; and both with its checksum.

    `packed` in chunks of 64 x 64 spectra, shuffled and deflated, as larger maps are passed on.
    """
    import h5py

    values = _spectrum(np.linspace(900, 3900, 1000)).astype(np.float32)
    values = values + np.random.default_rng(2).normal(0, 1e-3, (256, 256, 1000)).astype(np.float32)
    array, path = make_map(values, np.linspace(900, 3900, 1000)), folder / "m.nc"
    del values
    if packed:
        array.encoding = {"zlib": True, "shuffle": True, "chunksizes": (64, 64, 1000)}
        array.to_dataset().to_netcdf(path, engine="h5netcdf")
    else:
        write(array, path)
    del array

    def plain() -> Any:
        with h5py.File(path) as file:
            return file["absorbance"][()]

    def with_checksum() -> Any:
        with path.open("rb") as file:
            hashlib.file_digest(file, "sha256")
        return plain()

    def ours_with_checksum() -> Any:
        path.touch()  # its checksum is no longer known
        return source(read(path))["sha256"]

    np.testing.assert_array_equal(read(path), plain())
    time.sleep(0.1)
    found = in_turn(lambda: read(path), plain, 9 if packed else 21)
    summed = in_turn(ours_with_checksum, with_checksum, 5)
    return {**found, "over_peer_with_checksum": summed["ours_over_peer"]}


def small_netcdf(folder: Path) -> dict[str, float]:
    """A map of 16 x 16 x 741, of which a study has a hundred: read and written, beside xarray."""
    import xarray as xr

    axis = np.linspace(900, 3900, 741)
    values = _spectrum(np.tile(axis, 256)).reshape(16, 16, 741)
    array, path = make_map(values, axis, np.arange(16) * 5.5, np.arange(16) * 5.5), folder / "m.nc"

    def peer_writes() -> None:
        array.to_dataset().to_netcdf(folder / "peer.nc", engine="h5netcdf")

    write(array, path)
    found = {
        "read": in_turn(lambda: read(path), lambda: xr.load_dataset(path, engine="h5netcdf"), 50),
        "write": in_turn(lambda: write(array, path), peer_writes, 50),
    }
    return {f"{what}_{name}": value for what, one in found.items() for name, value in one.items()}


def large_map(path: Path) -> Path:
    """A map of 4 GB in chunks; Zarr packs them, in NetCDF they are declared and never written."""
    shape, axis = (1024, 1024, 1000), np.linspace(900, 3900, 1000)
    if path.suffix == ".zarr":
        import dask.array as da

        blocks = da.full(shape, 0.5, dtype=np.float32, chunks=(64, 1024, 1000))
        return write(make_map(blocks, axis), path)
    import h5netcdf

    with h5netcdf.File(path, "w") as file:
        file.dimensions = dict(zip(("y", "x", "wavenumber"), shape, strict=True))
        places = {"y": (np.arange(1024.0), "um"), "x": (np.arange(1024.0), "um")}
        for name, (values, unit) in {**places, "wavenumber": (axis, "cm-1")}.items():
            file.create_variable(name, (name,), data=values).attrs["units"] = unit
        file.create_variable("absorbance", ("y", "x", "wavenumber"), "f4", chunks=(64, 64, 1000))
    return path


def open_lazily(folder: Path, suffix: str) -> dict[str, Any]:
    """Open 4 GB lazily in a fresh process: seconds, and its highest memory with all imports."""
    path = large_map(folder / f"large{suffix}")
    done = subprocess.run(
        [sys.executable, "-c", OPEN_LAZILY, str(path)], capture_output=True, text=True, check=True
    )
    seconds, megabytes, chunks = done.stdout.split(maxsplit=2)
    return {"seconds": float(seconds), "peak_mb": float(megabytes), "chunks": chunks.strip()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--json", type=Path, help="write the numbers here too")
    parser.add_argument("--only", help="one of the benchmarks by name")
    options = parser.parse_args()
    jobs: dict[str, Callable[[Path], dict[str, Any]]] = {
        "jcamp_difdup": jcamp_difdup,
        "csv_map": csv_map,
        "netcdf_map": netcdf_map,
        "netcdf_map_packed": partial(netcdf_map, packed=True),
        "small_netcdf": small_netcdf,
        "open_4_gb_netcdf": lambda folder: open_lazily(folder, ".nc"),
        "open_4_gb_zarr": lambda folder: open_lazily(folder, ".zarr"),
    }
    results = {}
    warnings.simplefilter("ignore")
    for name, job in jobs.items():
        if options.only in (None, name):
            with tempfile.TemporaryDirectory() as folder:
                results[name] = job(Path(folder))
            numbers = ", ".join(
                f"{key} {value:.3g}" if isinstance(value, float) else f"{key} {value}"
                for key, value in results[name].items()
            )
            print(f"{name}: {numbers}", flush=True)
    if options.json:
        options.json.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
