"""Compiled kernels against the numpy way, and what happens where they do not work."""

import gc
import threading

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference import by_numpy

from residuekit.errors import ResiduekitError
from residuekit.kernels import bands, baselines, compiled, emsc, normalise, smooth

LEAST, MOST = 3, 70
#: With 3 channels both negative residuals are equal: whether they scatter is a matter of rounding.
LEAST_ARPLS = 4


def axis(n: int) -> np.ndarray:
    return np.linspace(800.0, 800.0 + 4 * (n - 1), n)


def spectra(n: int, channels: int, seed: int, kind: type = np.float64) -> np.ndarray:
    """Bands on a slope with noise; flat, missing and saturated (clipped) spectra among them."""
    rng = np.random.default_rng(seed)
    x = np.linspace(0, 1, channels)
    block = 0.2 + 0.3 * x + rng.uniform(0.1, 1, (n, 1)) * np.exp(-(((x - 0.4) / 0.1) ** 2))
    block += rng.normal(0, 0.003, block.shape)
    block[1::7] = 0.1
    block[2::7, channels // 2] = np.nan
    block[3::7, -1] = np.inf
    block[4::7] = np.minimum(block[4::7], 0.4)
    return block.astype(kind)


def alone(find, **parameters):
    return lambda block, _axis: find(block, **parameters)


def scattered(block, x):
    band = np.exp(-(((np.linspace(0, 1, x.size) - 0.4) / 0.1) ** 2))
    return emsc.correct_scatter(block, emsc.scatter_model(band, x, order=0))[0]


FUNCTIONS = {
    "asymmetric least squares": alone(baselines.asymmetric_least_squares, smoothness=1e3),
    "arpls": alone(baselines.arpls, smoothness=1e3),
    "rubber band": baselines.rubber_band,
    "polynomial": lambda b, x: baselines.polynomial(b, x, order=2),
    "iterated polynomial": lambda b, x: baselines.iterated_polynomial(b, x, order=2),
    "snip": alone(baselines.snip, half_window=12),
    "savitzky-golay": alone(smooth.savitzky_golay, spacing=4.0, window=3, order=1),
    "derivative": alone(smooth.savitzky_golay, spacing=4.0, window=3, order=2, derivative=1),
    "vector": lambda b, x: normalise.vector(b, x)[0],
    "snv": lambda b, x: normalise.snv(b, x)[0],
    "area": lambda b, x: normalise.area(b, x)[0],
    "scatter": scattered,
}
each = pytest.mark.parametrize("name", FUNCTIONS)


@each
@settings(max_examples=8, deadline=None)
@given(n=st.integers(0, 40), channels=st.integers(LEAST, MOST), seed=st.integers(0, 99))
def test_a_compiled_kernel_gives_the_numbers_of_the_numpy_way(name, n, channels, seed):
    channels = max(channels, LEAST_ARPLS if name == "arpls" else LEAST)
    block, x = spectra(n, channels, seed), axis(channels)
    fast = FUNCTIONS[name](block, x)
    slow = by_numpy(FUNCTIONS[name], block, x)
    # arPLS stops when its weights hardly move: two ways of solving may stop a hair apart.
    near = 1e-6 if name == "arpls" else 1e-8
    np.testing.assert_allclose(fast, slow, rtol=near, atol=near)


@each
def test_float32_spectra_give_the_numbers_of_float64(name):
    block, x = spectra(30, 200, 3, np.float32), axis(200)
    found = FUNCTIONS[name](block, x)
    exact = FUNCTIONS[name](block.astype(np.float64), x)
    np.testing.assert_allclose(found, exact, rtol=1e-6, atol=1e-7)


@each
def test_a_view_of_every_second_spectrum_or_one_that_is_read_only_will_do(name):
    block, x = spectra(40, 100, 4), axis(100)
    expected = FUNCTIONS[name](block, x)[::2]
    view = block[::2]
    view.flags.writeable = False
    np.testing.assert_allclose(FUNCTIONS[name](view, x), expected, rtol=1e-9, atol=1e-12)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 300), st.lists(st.tuples(st.integers(0, 60), st.integers(0, 60)), max_size=5))
def test_weighted_sums_read_the_channels_with_a_weight_alone(seed, windows):
    rng = np.random.default_rng(seed)
    weights = np.zeros((3, 61))
    for number, (one, other) in enumerate(windows):
        run = slice(min(one, other), max(one, other))
        weights[number % 3, run] = rng.normal(size=run.stop - run.start)
    block = rng.normal(size=(5, 61))
    expected = block @ weights.T
    block[:, ~weights.any(axis=0)] = np.nan
    np.testing.assert_allclose(bands.apply_weights(block, weights), expected, atol=1e-12)


def test_the_robust_deviation_is_that_of_the_plain_way_for_tails_ties_and_nan():
    rng = np.random.default_rng(6)
    block = rng.normal(size=(60, 300))
    block[10:20, ::9] += rng.exponential(30, (10, 34))
    block[20:30] = np.round(block[20:30])
    block[30] = 0.3
    block[31, 4] = np.nan
    found = bands.noise_of_second_differences(block)
    expected = by_numpy(bands.noise_of_second_differences, block)
    np.testing.assert_allclose(found, expected, rtol=1e-12, atol=1e-15)


@pytest.mark.parametrize("problem", [ImportError("No module named 'numba'"), RuntimeError("llvm")])
def test_where_numba_does_not_work_the_error_says_what_to_do(monkeypatch, problem):
    def broken(*_):
        raise problem

    monkeypatch.setattr(compiled.importlib, "import_module", broken)
    with pytest.raises(ResiduekitError, match=r"(?s)numba.*pip install.*NUMBA_CACHE_DIR") as said:
        baselines.arpls(spectra(5, 60, 1), smoothness=1e3)
    assert str(problem) in str(said.value)


@pytest.mark.parametrize("collecting", [True, False])
@pytest.mark.parametrize("name", ["by_length", "no_such_kernel"])
def test_a_call_leaves_the_collector_as_it_was(collecting, name):
    block = spectra(5, 60, 1)
    (gc.enable if collecting else gc.disable)()
    try:
        if name == "no_such_kernel":
            with pytest.raises(ResiduekitError):
                compiled.run("row_loops", name, block)
        else:
            compiled.run("row_loops", name, block, 0, 60, block.copy(), np.empty(5))
        assert gc.isenabled() is collecting
    finally:
        gc.enable()


def test_blocks_cover_everything_once_and_are_done_in_turn_inside_a_thread():
    def covered() -> tuple[list[int], set[int]]:
        seen, threads = np.zeros(23, int), set()

        def compute(part):
            seen[part] += 1
            threads.add(threading.get_ident())

        compiled.over_blocks(compute, 23, 5)
        return seen.tolist(), threads

    assert covered()[0] == [1] * 23
    kept = []
    worker = threading.Thread(target=lambda: kept.append((covered(), threading.get_ident())))
    worker.start()
    worker.join()
    (seen, threads), own = kept[0]
    assert seen == [1] * 23
    assert threads == {own}


def test_an_error_in_a_block_reaches_the_caller():
    def compute(part):
        if part.start == 10:
            raise ValueError("block 10")

    with pytest.raises(ValueError, match="block 10"):
        compiled.over_blocks(compute, 40, 5)
