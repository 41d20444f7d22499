"""The first call, the whole way in memory and from disk, and its peak of memory."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from .common import AXIS, CORES, FEW, Claim, N, peak_mb, relative, spectra

SIDE = 512
BENCHMARKS = Path(__file__).resolve().parents[1]


def first_call() -> Claim:
    """first call with a warm kernel cache, fresh process."""
    begin = "import time, numpy as np; from residuekit.kernels import baselines; "
    make = "y = np.random.default_rng(0).normal(size=(16, 1000)).astype('f4'); "
    call = "baselines.arpls(y, max_iterations=2)"

    def seconds(what: str) -> float:
        timed = f"start = time.process_time(); {what}; print(time.process_time() - start)"
        return float(_fresh(begin + make + timed))

    return Claim("first call with a warm kernel cache, fresh process", "import numba alone",
                 lambda: seconds(call), lambda: seconds("import numba"), 1, 1, rounds=9,
                 note="processor time of the call, the import of numba in it")  # fmt: skip


def _fresh(code: str) -> str:
    done = subprocess.run([sys.executable, "-c", code], cwd=BENCHMARKS, check=True,
                          stdout=subprocess.PIPE, text=True)  # fmt: skip
    return done.stdout


def _map(side: int = SIDE, *, lazily: bool = False) -> Any:
    """A map of 4,096 invented spectra again and again; `lazily` in chunks of 64 x 64."""
    from residuekit import schema

    one = spectra(4096).reshape(64, 64, N)
    times = (side // 64, side // 64, 1)
    if not lazily:
        return schema.make_map(np.tile(one, times), AXIS)
    import dask.array as da

    return schema.make_map(da.tile(da.from_array(one, chunks=one.shape), times), AXIS)


def _way() -> tuple[Any, Callable[[Any], Any]]:
    from residuekit.decision.score_maps import band_score
    from residuekit.spectra.procedure import Procedure

    procedure = Procedure.from_steps([
        {"step": "correct_baseline", "method": "asymmetric least squares"},
        {"step": "normalise", "method": "vector"},
    ])  # fmt: skip
    markers = [{"name": f"band {c:.0f}", "low": c - 60.0, "high": c + 60.0}
               for c in np.linspace(900, 3700, 12)]  # fmt: skip
    return procedure, lambda block: band_score(block, markers)


def whole_way() -> Claim:
    """whole way in memory: baseline, vector norm, 12 scores with errors, 262,144 spectra."""
    from pybaselines import Baseline

    array, solver = _map(), Baseline(AXIS)
    procedure, score = _way()
    rows = spectra(FEW).astype(np.float64)

    def peer() -> Any:
        return [solver.asls(row, lam=1e6, p=0.01)[0] for row in rows]

    def agreement() -> float:
        corner = array[:16, :16]
        return relative(
            procedure.score(corner, score)["score"], score(procedure.apply(corner))["score"]
        )

    return Claim("whole way in memory, 262,144 spectra", "pybaselines asls alone",
                 lambda: procedure.score(array, score), peer, SIDE**2, FEW, agreement,
                 threads=CORES, rounds=3, note=f"with standard errors; the peer on {FEW} spectra, "
                 "scaled by number; agreement: in one go against step by step")  # fmt: skip


def _stored(path: Path) -> Any:
    import xarray as xr

    return xr.open_dataset(path, engine="h5netcdf", chunks={})["absorbance"]


def _store(side: int, path: Path) -> None:
    """Write a map chunk by chunk, in a process of its own."""
    _fresh(
        "import pathlib; from speed import way; "
        f"way._map({side}, lazily=True).to_netcdf(pathlib.Path({str(path)!r}), engine='h5netcdf', "
        f"encoding={{'absorbance': {{'chunksizes': (64, 64, {N})}}}})"
    )


def from_disk() -> Claim:
    """whole way from disk against in memory, 262,144 spectra."""
    array, (procedure, score) = _map(), _way()
    folder = tempfile.TemporaryDirectory()
    path = Path(folder.name) / "map.nc"
    _store(SIDE, path)

    def disk() -> Any:
        assert folder.name
        return procedure.score(_stored(path), score).compute()

    return Claim("whole way from disk, 262,144 spectra", "the same in memory", disk,
                 lambda: procedure.score(array, score), SIDE**2, SIDE**2,
                 lambda: relative(disk()["score"], procedure.score(array, score)["score"]),
                 threads=CORES, rounds=5,
                 note="uncompressed NetCDF, chunks of 64 x 64 x 1,000, page cache")  # fmt: skip


def memory() -> Claim:
    """peak memory above the imports, from disk to disk, for 4 times the pixels."""
    peaks: dict[int, float] = {}

    def run(side: int) -> float:
        seconds, peaks[side] = map(
            float, _fresh(f"from speed import way; way._peak({side})").split()
        )
        return seconds

    return Claim("peak memory from disk to disk, 1,048,576 spectra against 262,144",
                 "262,144 spectra", lambda: run(2 * SIDE), lambda: run(SIDE), 4 * SIDE**2, SIDE**2,
                 threads=CORES, rounds=1, said=lambda: " and ".join(
                     f"{peak:.0f} MB for {side**2:,} spectra"
                     for side, peak in peaks.items()))  # fmt: skip


def _peak(side: int) -> None:
    """Print the seconds of the whole way from a file lazily read to a file of scores, and the peak
    of memory above that of the imports and of a first map of 64 spectra, MB."""
    import time

    import dask.array  # noqa: F401  (an import, not part of the peak)

    from residuekit.io import read

    procedure, score = _way()
    procedure.score(_map(64)[:8, :8], score)
    with tempfile.TemporaryDirectory() as folder:
        room, size = shutil.disk_usage(folder).free, 4 * N * side**2
        if room < 2 * size:
            raise SystemExit(f"{room / 1e9:.1f} GB free in {folder}, {2 * size / 1e9:.1f} needed")
        path = Path(folder) / "map.nc"
        _store(side, path)
        before, start = peak_mb(), time.perf_counter()
        scored = procedure.score(read(path, lazy=True), score)
        scored.to_netcdf(Path(folder) / "scores.nc", engine="h5netcdf")
        took = time.perf_counter() - start
        print(took, peak_mb() - before)
