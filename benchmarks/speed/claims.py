"""The claims: ours, the peer, how far they agree. The docstring of each is its name."""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from residuekit.kernels import bands, baseline, fast_scores, normalise, smooth, unmix
from residuekit.kernels.compiled import over_blocks

N = 1000
AXIS = np.linspace(800.0, 3800.0, N)
FEW = 24
BLOCK = 256
CORES = 2


class Claim(NamedTuple):
    """Two ways to do one thing; `ours_count` and `peer_count` spectra a call."""

    name: str
    peer_name: str
    ours: Callable[[], Any]
    peer: Callable[[], Any]
    ours_count: int
    peer_count: int
    agreement: Callable[[], float] | None = None
    threads: int = 1
    note: str = ""
    rounds: int = 0
    said: Callable[[], str] | None = None


def spectra(n: int = 2048, seed: int = 0) -> np.ndarray[Any, Any]:
    """Invented spectra, float32: bands, a curved baseline, noise of 0.002."""
    rng = np.random.default_rng(seed)
    bands_at = ((1000, 30), (1400, 25), (1735, 15), (2900, 40), (3400, 150))
    y = 0.2 + 0.1 * np.sin(AXIS / 800 + rng.uniform(0, 1, (n, 1))) + rng.normal(0, 0.002, (n, N))
    for centre, width in bands_at:
        shape = np.exp(-0.5 * ((AXIS - centre) / width) ** 2)
        y += rng.uniform(0.1, 0.8, (n, 1)) * shape
    return y.astype(np.float32)


def relative(ours: Any, peer: Any) -> float:
    """The largest difference over the largest value."""
    return float(np.abs(np.asarray(ours) - peer).max() / np.abs(peer).max())


def _baseline(
    name: str,
    ours: Callable[[Any], Any],
    peer_name: str,
    peer: Callable[[Any, Any], Any],
    *,
    threads: int = 1,
    note: str = "",
) -> Claim:
    from pybaselines import Baseline

    block, solver = spectra(), Baseline(AXIS)
    rows = block[:FEW].astype(np.float64)

    def in_turn() -> Any:
        return np.array([peer(solver, row) for row in rows])

    def together() -> Any:
        if threads == 1:
            return ours(block)
        result = np.empty(block.shape)

        def fill(part: slice) -> None:
            result[part] = ours(block[part])

        over_blocks(fill, len(block), BLOCK)
        return result

    return Claim(
        name, f"pybaselines {peer_name}", together, in_turn, len(block), FEW,
        lambda: relative(ours(rows), in_turn()), threads, note,
    )  # fmt: skip


def _asls(solver: Any, row: Any) -> Any:
    return solver.asls(row, lam=1e6, p=0.01)[0]


def _arpls(solver: Any, row: Any) -> Any:
    return solver.arpls(row, lam=1e5)[0]


def asymmetric() -> Claim:
    """asymmetric least squares."""
    return _baseline("asymmetric least squares", baseline.asymmetric_least_squares, "asls", _asls)


def asymmetric_2() -> Claim:
    """asymmetric least squares, two threads."""
    return _baseline("asymmetric least squares, two threads", baseline.asymmetric_least_squares,
                     "asls", _asls, threads=CORES)  # fmt: skip


def arpls() -> Claim:
    """arPLS."""
    return _baseline("arPLS", baseline.arpls, "arpls", _arpls)


def arpls_2() -> Claim:
    """arPLS, two threads."""
    return _baseline("arPLS, two threads", baseline.arpls, "arpls", _arpls, threads=CORES)


def rubber_band() -> Claim:
    """rubber band."""
    return _baseline("rubber band", lambda rows: baseline.rubber_band(rows, AXIS), "rubberband",
                     lambda solver, row: solver.rubberband(row)[0])  # fmt: skip


def snip() -> Claim:
    """SNIP, 40 channels."""
    from pybaselines.utils import pad_edges

    def extended(rows: Any) -> Any:
        return np.array([pad_edges(row, 40) for row in rows])

    claim = _baseline(
        "SNIP, 40 channels", lambda rows: baseline.snip(rows, half_window=40), "snip",
        lambda solver, row: solver.snip(row, max_half_window=40)[0],
    )  # fmt: skip
    rows = spectra()[:FEW].astype(np.float64)
    return claim._replace(
        agreement=lambda: relative(baseline.snip(extended(rows))[:, 40:-40], claim.peer()),
        note="it extends the ends; agreement on spectra extended alike",
    )


def iterated_polynomial() -> Claim:
    """iterated polynomial, order 5."""
    return _baseline(
        "iterated polynomial, order 5",
        lambda rows: baseline.iterated_polynomial(rows, AXIS, order=5, max_iterations=251),
        "modpoly", lambda solver, row: solver.modpoly(row, poly_order=5)[0],
    )  # fmt: skip


def _band_weights() -> np.ndarray[Any, Any]:
    return np.stack([bands.area_weights(AXIS, c - 60, c + 60) for c in np.linspace(900, 3700, 12)])


def _areas_in_numpy(block: Any, weights: Any) -> Any:
    used = [np.flatnonzero(row) for row in weights]
    pieces = zip(used, weights, strict=True)
    return np.stack([block[:, u].astype(np.float64) @ row[u] for u, row in pieces], axis=1)


def _areas(name: str, threads: int) -> Claim:
    block, weights = np.tile(spectra(), (16, 1)), _band_weights()

    def ours() -> Any:
        return fast_scores.weighted_sums(block, weights)

    def alone() -> Any:
        """In a thread of its own nothing is spread over the cores."""
        with ThreadPoolExecutor(1) as pool:
            return pool.submit(ours).result()

    return Claim(
        name, "numpy, the same weights, columns of the windows", alone if threads == 1 else ours,
        lambda: _areas_in_numpy(block, weights), len(block), len(block),
        lambda: relative(ours(), _areas_in_numpy(block, weights)), threads,
    )  # fmt: skip


def areas() -> Claim:
    """12 band areas."""
    return _areas("12 band areas", 1)


def areas_2() -> Claim:
    """12 band areas, two threads."""
    return _areas("12 band areas, two threads", CORES)


def areas_bandwidth() -> Claim:
    """12 band areas as a share of read bandwidth."""
    claim = _areas("12 band areas as a share of read bandwidth", 1)
    read = int(np.count_nonzero(_band_weights().any(axis=0)))
    whole = np.ones((claim.ours_count, read), np.float32)
    return claim._replace(
        peer_name="numpy's maximum over as many bytes",
        peer=lambda: whole.max(),
        agreement=None,
    )


def noise() -> Claim:
    """noise of second differences."""
    block = spectra()
    numbers = (bands.CUT, bands._MEDIAN, bands._MEDIAN_CUT)

    def peer() -> Any:
        sizes = np.abs(np.diff(block.astype(np.float64), n=2, axis=1))
        return np.median(sizes, axis=1) / bands._MEDIAN

    return Claim("noise of second differences", "numpy median, without the repeated cut",
                 lambda: fast_scores.robust_deviations(block[:BLOCK], *numbers), peer, BLOCK,
                 len(block))  # fmt: skip


def snv() -> Claim:
    """SNV as a share of streaming bandwidth."""
    block = np.tile(spectra(), (16, 1))
    result = np.empty_like(block)

    def by_numpy() -> Any:
        rows = block[:BLOCK].astype(np.float64)
        return (rows - rows.mean(axis=1, keepdims=True)) / rows.std(axis=1, ddof=1, keepdims=True)

    from residuekit.kernels import row_filters

    factors = np.empty(len(block))
    return Claim(
        "SNV as a share of streaming bandwidth", "numpy multiply by a number into another array",
        lambda: row_filters.by_spread(block, 0, N, result, factors),
        lambda: np.multiply(block, np.float32(2.0), out=result), len(block), len(block),
        lambda: relative(normalise.snv(block[:BLOCK], AXIS)[0], by_numpy()),
        note="float32 in and out, sums in float64",
    )  # fmt: skip


def savitzky_golay() -> Claim:
    """Savitzky-Golay 11/3."""
    from scipy.signal import savgol_filter

    block = spectra()
    exact = block[:BLOCK].astype(np.float64)
    return Claim(
        "Savitzky-Golay 11/3", "scipy savgol_filter, float32 in and out",
        lambda: smooth.savitzky_golay(block, 1.0, window=11, order=3),
        lambda: savgol_filter(block, 11, 3), len(block), len(block),
        lambda: relative(smooth.savitzky_golay(exact, 1.0, window=11, order=3),
                         savgol_filter(exact, 11, 3)),
    )  # fmt: skip


def nnls() -> Claim:
    """non-negative least squares, 5 references."""
    from scipy.optimize import nnls as scipy_nnls

    rng = np.random.default_rng(1)
    references = 0.05 + np.exp(-0.5 * ((AXIS - np.linspace(1000, 3400, 5)[:, None]) / 300) ** 2)
    amounts = np.maximum(rng.normal(size=(2048, 5)), 0)
    block = (amounts @ references + 0.3 * rng.normal(size=(2048, N))).astype(np.float32)
    rows = block[:BLOCK].astype(np.float64)

    def in_turn() -> Any:
        return np.array([scipy_nnls(references.T, row)[0] for row in rows])

    return Claim("non-negative least squares, 5 references", "scipy nnls in a loop",
                 lambda: unmix.nnls(block, references), in_turn, len(block), BLOCK,
                 lambda: relative(unmix.nnls(rows, references), in_turn()))  # fmt: skip


def two_bands() -> Claim:
    """two-band fit, fixed shapes, 56 channels."""
    from lmfit import Parameters, minimize

    rng = np.random.default_rng(2)
    axis = np.linspace(1680.0, 1790.0, 56)
    pair = [unmix.Band(1.0, 1725.0, 18.0, 0.5), unmix.Band(1.0, 1740.0, 16.0, 0.6)]
    shapes = np.array([*(unmix.pseudo_voigt(axis, one) for one in pair), np.ones_like(axis),
                       (axis - 1735.0) / 55.0])  # fmt: skip
    block = rng.uniform(0.1, 0.5, (4096, 4)) @ shapes + rng.normal(0, 0.002, (4096, 56))
    names = ("first", "second", "offset", "slope")

    def fit(row: Any) -> float:
        start = Parameters()
        for name in names:
            start.add(name, value=0.1)

        def residual(now: Any) -> Any:
            return np.array([now[name].value for name in names]) @ shapes - row

        return float(minimize(residual, start).chisqr)

    def cost(row: Any) -> float:
        left = unmix.fit_shapes(row, shapes).heights @ shapes - row
        return float(np.vdot(left, left))

    def worst() -> float:
        return max(cost(row) / fit(row) - 1 for row in block[:FEW])

    return Claim("two-band fit, fixed shapes, 56 channels", "lmfit minimize in a loop",
                 lambda: unmix.fit_shapes(block, shapes), lambda: [fit(r) for r in block[:FEW]],
                 len(block), FEW, worst,
                 note="agreement: cost over the peer's cost, less 1")  # fmt: skip


def components() -> Claim:
    """PCA, 12 components."""
    from sklearn.decomposition import PCA

    from residuekit.kernels.denoise import principal_components

    block = np.tile(spectra(), (8, 1))

    def peer() -> Any:
        return PCA(12, svd_solver="randomized", random_state=0).fit(block)

    def agreement() -> float:
        exact = PCA(12, svd_solver="full").fit(block[:2048].astype(np.float64))
        return relative(principal_components(block[:2048], 12).variances, exact.explained_variance_)

    return Claim("PCA, 12 components", "scikit-learn randomized, float32",
                 lambda: principal_components(block, 12), peer, len(block), len(block),
                 agreement, rounds=3, note="agreement with its full solver")  # fmt: skip


def first_call() -> Claim:
    """first call with a warm kernel cache, ms."""
    code = (
        "import time, numpy as np; from residuekit.kernels import baseline; "
        "y = np.random.default_rng(0).normal(size=(16, 1000)).astype('f4'); "
        "start = time.perf_counter(); baseline.arpls(y, max_iterations=2); "
        "print(time.perf_counter() - start)"
    )
    took: list[float] = []

    def ours() -> None:
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True,
                              check=True)  # fmt: skip
        took.append(float(done.stdout))

    return Claim("first call with a warm kernel cache, fresh process", "importing numba alone",
                 ours, lambda: subprocess.run([sys.executable, "-c", "import numba"], check=True),
                 1, 1, rounds=5,
                 said=lambda: f"the call itself {np.median(took):.2f} s")  # fmt: skip


SIDE = 512


def _map(side: int = SIDE) -> Any:
    from residuekit import schema

    one = spectra(4096)
    values = np.empty((side, side, N), np.float32)
    for start in range(0, side * side, len(one)):
        values.reshape(-1, N)[start : start + len(one)] = one
    return schema.make_map(values, AXIS)


def _way() -> tuple[Any, Callable[[Any], Any]]:
    from residuekit.procedure import Procedure
    from residuekit.score import band_score

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

    def agreement() -> float:
        corner = array[:16, :16]
        return relative(
            procedure.score(corner, score)["score"], score(procedure.apply(corner))["score"]
        )

    return Claim("whole way in memory, 262,144 spectra", "pybaselines asls alone",
                 lambda: procedure.score(array, score),
                 lambda: [_asls(solver, row) for row in rows], SIDE**2, FEW, agreement,
                 threads=CORES, rounds=3, note="with standard errors")  # fmt: skip


def _store(array: Any, path: Path) -> None:
    array.to_netcdf(path, engine="h5netcdf",
                    encoding={"absorbance": {"chunksizes": (64, 64, N)}})  # fmt: skip


def _stored(path: Path) -> Any:
    import xarray as xr

    return xr.open_dataset(path, engine="h5netcdf", chunks={})["absorbance"]


def from_disk() -> Claim:
    """whole way from disk against in memory, 262,144 spectra."""
    array, (procedure, score) = _map(), _way()
    folder = tempfile.TemporaryDirectory()
    path = Path(folder.name) / "map.nc"
    _store(array, path)

    def disk() -> Any:
        assert folder.name
        return procedure.score(_stored(path), score).compute()

    return Claim("whole way from disk, 262,144 spectra", "the same in memory", disk,
                 lambda: procedure.score(array, score), SIDE**2, SIDE**2,
                 lambda: relative(disk()["score"], procedure.score(array, score)["score"]),
                 threads=CORES, rounds=3,
                 note="uncompressed NetCDF, chunks of 64 x 64 x 1,000, page cache")  # fmt: skip


def memory() -> Claim:
    """peak memory above the imports, from disk, for 4 times the pixels."""
    peaks: dict[int, float] = {}

    def run(side: int) -> None:
        code = f"from speed import claims; claims._peak({side})"
        done = subprocess.run([sys.executable, "-c", code], cwd=Path(__file__).parents[1],
                              capture_output=True, text=True, check=True)  # fmt: skip
        peaks[side] = float(done.stdout)

    return Claim("peak memory from disk, 1,048,576 spectra against 262,144", "262,144 spectra",
                 lambda: run(2 * SIDE), lambda: run(SIDE), 4 * SIDE**2, SIDE**2,
                 threads=CORES, rounds=1, said=lambda: " and ".join(
                     f"{peak:.0f} MB for {side**2:,} spectra"
                     for side, peak in peaks.items()))  # fmt: skip


def _peak(side: int) -> None:
    """Print the peak of memory above that after the imports, MB, of the whole way from disk."""
    import dask.array  # noqa: F401  (an import, not part of the peak)

    procedure, score = _way()
    procedure.score(_map(64)[:8, :8], score)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "map.nc"
        make = (
            "from speed import claims; import pathlib; "
            f"claims._store(claims._map({side}), pathlib.Path({str(path)!r}))"
        )
        subprocess.run([sys.executable, "-c", make], cwd=Path(__file__).parents[1], check=True)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        found = procedure.score(_stored(path), score).astype(np.float32)
        found.compute()
        after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print((after - before) / 1024)


ALL: tuple[Callable[[], Claim], ...] = (
    asymmetric, asymmetric_2, arpls, arpls_2, rubber_band, snip, iterated_polynomial, areas,
    areas_2, areas_bandwidth, noise, snv, savitzky_golay, nnls, two_bands, components, first_call,
    whole_way, from_disk, memory,
)  # fmt: skip
