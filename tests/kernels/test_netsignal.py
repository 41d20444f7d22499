"""The net signal: weights against the truth, invariances, false alarms, shape."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.ndimage import gaussian_filter
from scipy.signal import savgol_coeffs
from scipy.stats import binomtest
from scipy.stats import t as student

from residuekit.errors import ContractError
from residuekit.kernels.netsignal import (
    BlankMetric,
    NetSignal,
    PooledScatter,
    blank_metric,
    common_nuisances,
    crossed_metrics,
    lack_of_fit,
    nas,
    net_scores,
    net_signal,
    pool,
    pool_means,
    scatter,
    shape_test,
)


def bumps(n_channels: int, centres: object, widths: object) -> np.ndarray:
    axis = np.linspace(0, 1, n_channels)
    pairs = zip(np.atleast_1d(centres), np.atleast_1d(widths), strict=True)
    return np.array([np.exp(-0.5 * ((axis - centre) / width) ** 2) for centre, width in pairs])


def gel(n_channels: int) -> np.ndarray:
    return bumps(n_channels, [0.42, 0.7], [0.03, 0.02]).T @ [1.0, 0.5]


def smooth_in_space(cube: np.ndarray, reach: float) -> np.ndarray:
    """Correlate neighbouring pixels, keeping the variance of each."""
    point = np.zeros(cube.shape[:2])
    point[0, 0] = 1
    gain = np.linalg.norm(gaussian_filter(point, reach, mode="wrap"))
    return gaussian_filter(cube, (reach, reach, 0), mode="wrap") / gain


def blank_maps(
    kind: str, n_channels: int, n_maps: int, side: int, rng: np.random.Generator
) -> tuple[np.ndarray, list[np.ndarray]]:
    """Return the true covariance of a pixel and maps (side**2, n_channels) drawn from it."""
    rank, noise = 6, 2e-3
    loadings = bumps(n_channels, np.linspace(0.1, 0.9, rank), np.linspace(0.02, 0.1, rank))
    loadings *= np.linspace(0.1, 0.02, rank)[:, None] * (kind != "white")
    profile = noise * np.exp(2 * np.linspace(0, 1, n_channels) * (kind == "uneven noise"))
    filtered = np.eye(n_channels)
    if kind == "smoothed channels":
        window = savgol_coeffs(9, 2)
        filtered = np.array([np.convolve(row, window, "same") for row in filtered])
    truth = filtered.T @ (loadings.T @ loadings + np.diag(profile**2)) @ filtered
    maps = []
    for _ in range(n_maps):
        texture = rng.normal(size=(side, side, rank))
        errors = rng.normal(size=(side, side, n_channels))
        if kind in ("neighbours share texture", "neighbours share all"):
            texture = smooth_in_space(texture, 2.0)
        if kind == "neighbours share all":
            errors = smooth_in_space(errors, 1.0)
        cube = (texture @ loadings + errors * profile) @ filtered
        maps.append(cube.reshape(-1, n_channels))
    return truth, maps


KINDS = [
    "white", "texture", "uneven noise", "smoothed channels", "neighbours share texture",
    "neighbours share all",
]  # fmt: skip


def made(
    maps: list[np.ndarray], references: object, nuisances: object = None
) -> tuple[BlankMetric, NetSignal]:
    metric = blank_metric(pool(scatter(one) for one in maps), nuisances)
    return metric, net_signal(references, metric)


@pytest.fixture(scope="module")
def textured() -> tuple[np.ndarray, list[np.ndarray]]:
    return blank_maps("texture", 60, 6, 6, np.random.default_rng(5))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(("n_channels", "side"), [(170, 8), (500, 13)])
def test_weights_reach_the_cramer_rao_bound_within_half_with_2_pixels_a_channel(
    kind: str, n_channels: int, side: int
) -> None:
    rng = np.random.default_rng(7)
    excess = []
    for _ in range(4 if n_channels < 500 else 1):
        truth, maps = blank_maps(kind, n_channels, 6, side, rng)
        metric, net = made(maps, gel(n_channels))
        assert metric.n_pixels >= 2 * n_channels
        assert metric.pull == 0
        bound = 1 / (gel(n_channels) @ np.linalg.solve(truth, gel(n_channels)))
        excess.append(net.weights @ truth @ net.weights / bound)
    assert min(excess) >= 1 - 1e-9
    assert np.mean(excess) < (1.5 if n_channels < 500 else 1.25)


@pytest.mark.parametrize("kind", ["white", "texture", "uneven noise", "neighbours share texture"])
def test_stated_standard_error_is_the_true_one_within_a_tenth(kind: str) -> None:
    truth, maps = blank_maps(kind, 170, 6, 12, np.random.default_rng(3))
    _, net = made(maps, gel(170))
    true_error = np.sqrt(net.weights @ truth @ net.weights)
    assert net.standard_error == pytest.approx(true_error, rel=0.1)


@pytest.mark.parametrize(("kind", "side"), [("texture", 5), ("texture", 3), ("white", 3)])
def test_fewer_than_2_pixels_a_channel_takes_the_named_stronger_form(kind: str, side: int) -> None:
    truth, maps = blank_maps(kind, 170, 6, side, np.random.default_rng(11))
    metric, net = made(maps, gel(170))
    assert "fewer than 2 pixels a channel" in metric.form
    assert metric.pull == pytest.approx(1 - 6 * (side**2 - 1) / 340)
    bound = 1 / (gel(170) @ np.linalg.solve(truth, gel(170)))
    assert net.weights @ truth @ net.weights / bound < 2


def test_scatter_in_blocks_is_the_sample_scatter_and_leaves_out_what_is_not_finite() -> None:
    rng = np.random.default_rng(0)
    spectra = (3 + rng.normal(size=(9000, 5))).astype(np.float32)
    spectra[17, 2], spectra[8000, 0] = np.nan, np.inf
    one = scatter(spectra)
    valid = np.delete(spectra, [17, 8000], axis=0).astype(float)
    assert one.n_pixels == 8998
    np.testing.assert_allclose(one.mean, valid.mean(axis=0), rtol=1e-12)
    np.testing.assert_allclose(one.products / 8997, np.cov(valid.T), rtol=1e-10, atol=1e-13)


def test_pool_walks_an_iterator_once_and_forgets_the_differences_between_maps() -> None:
    rng = np.random.default_rng(1)
    maps = [rng.normal(size=(20, 4)) for _ in range(8)]
    moved = [one + 100 * rng.normal(size=4) for one in maps]
    plain, shifted = pool(map(scatter, maps)), pool(map(scatter, moved))
    assert (plain.n_maps.sum(), plain.dof.sum()) == (8, 152)
    assert plain.products.shape == (8, 4, 4)
    np.testing.assert_allclose(shifted.products, plain.products, rtol=1e-8, atol=1e-8)


def test_refusals_say_what_is_needed(textured: tuple[np.ndarray, list[np.ndarray]]) -> None:
    _, maps = textured
    metric, net = made(maps, gel(60))
    with pytest.raises(ContractError, match="at least two, so that one can check the other"):
        pool([scatter(maps[0])])
    with pytest.raises(ContractError, match="one wavenumber axis"):
        pool([scatter(maps[0]), scatter(maps[1][:, :50])])
    with pytest.raises(ContractError, match="0 valid pixels; needed at least two"):
        scatter(np.full((9, 4), np.nan))
    with pytest.raises(ContractError, match=r"1 valid pixel;.* score single spectra by bands"):
        scatter(np.ones((1, 4)))
    with pytest.raises(ContractError, match="n_pixels, n_channels"):
        scatter(np.zeros((3, 3, 3)))
    for noisy in ([], [scatter(maps[0][:, :4])]):
        with pytest.raises(ContractError, match="without any scatter"):
            blank_metric(pool([*noisy, *[scatter(np.ones((9, 4)))] * 2]))
    with pytest.raises(ContractError, match="zero everywhere"):
        net_signal(np.zeros(60), metric)
    with pytest.raises(ContractError, match="60 channels"):
        net_signal(gel(61), metric)
    with pytest.raises(ContractError, match="not finite"):
        net_signal(np.full(60, np.nan), metric)
    with pytest.raises(ContractError, match="cancel"):
        net_signal([gel(60), -gel(60)], metric)
    with pytest.raises(ContractError, match="1 blank and 1 exposed"):
        shape_test(gel(60), gel(60), net, np.arange(60.0), n_exposed=1)
    with pytest.raises(ContractError, match="zero or not finite"):
        nas(np.zeros(3), np.ones((1, 3)))


def test_response_is_one_to_the_reference_and_nil_to_declared_nuisances(
    textured: tuple[np.ndarray, list[np.ndarray]],
) -> None:
    _, maps = textured
    axis = np.linspace(1000, 1800, 60)
    paint = bumps(60, [0.3, 0.6], [0.05, 0.08]).sum(axis=0)
    shapes = common_nuisances(axis, paint)
    metric, net = made(maps, gel(60), shapes)
    assert net_scores(gel(60), net) == pytest.approx(1, abs=1e-12)
    moved = bumps(60, [0.3 + 6e-4, 0.6 + 6e-4], [0.05, 0.08]).sum(axis=0)
    shifted = moved - paint
    plain = net_signal(gel(60), blank_metric(pool(map(scatter, maps))))
    for shape in (*shapes, shifted):
        amount = np.linalg.norm(metric.whiten(shape, nuisances=False)) * net.standard_error
        assert abs(net_scores(shape, net)) < 0.05 * amount
    assert abs(net_scores(shifted, net)) < 0.2 * abs(net_scores(shifted, plain))
    assert net.standard_error > plain.standard_error
    assert 0 < net.selectivity < plain.selectivity == 1


def test_a_large_variance_along_a_shape_is_lorbers_projection() -> None:
    _, maps = blank_maps("white", 40, 6, 20, np.random.default_rng(2))
    shape = bumps(40, 0.5, 0.1)
    metric, net = made(maps, gel(40), shape)
    white = metric.whiten([gel(40), shape[0]], nuisances=False)
    assert net.selectivity == pytest.approx(nas(white[0], white[1:]).selectivity, rel=1e-4)
    assert net.standard_error == pytest.approx(1 / nas(white[0], white[1:]).norm, rel=1e-4)


def test_a_nuisance_parallel_to_the_reference_is_reported_as_blind(
    textured: tuple[np.ndarray, list[np.ndarray]],
) -> None:
    _, maps = textured
    _, free = made(maps, gel(60))
    _, net = made(maps, gel(60), [3.7 * gel(60), np.zeros(60)])
    assert net.selectivity < 0.002
    assert net.standard_error > 900 * free.standard_error
    assert np.isfinite(net.weights).all()
    assert net_scores(gel(60), net) == pytest.approx(1, abs=1e-8)


@settings(max_examples=15, deadline=None)
@given(
    spectra_unit=st.floats(1e-6, 1e6),
    gel_unit=st.floats(1e-6, 1e6),
    shape_unit=st.floats(1e-6, 1e6),
)
def test_units_only_rescale_the_score(
    textured: tuple[np.ndarray, list[np.ndarray]],
    spectra_unit: float,
    gel_unit: float,
    shape_unit: float,
) -> None:
    _, maps = textured
    shapes = common_nuisances(np.arange(60.0), maps[0].mean(axis=0))
    _, net = made(maps, gel(60), shapes)
    _, other = made([one * spectra_unit for one in maps], gel(60) * gel_unit, shapes * shape_unit)
    np.testing.assert_allclose(other.weights * gel_unit, net.weights, rtol=1e-6, atol=1e-9)
    assert other.selectivity == pytest.approx(net.selectivity, rel=1e-6)
    ratio = spectra_unit / gel_unit
    assert other.standard_error == pytest.approx(net.standard_error * ratio, rel=1e-6)


@settings(max_examples=10, deadline=None)
@given(order=st.permutations(range(60)))
def test_order_of_the_channels_does_not_matter(
    textured: tuple[np.ndarray, list[np.ndarray]], order: list[int]
) -> None:
    _, maps = textured
    _, net = made(maps, gel(60))
    _, other = made([one[:, order] for one in maps], gel(60)[order])
    np.testing.assert_allclose(other.weights, net.weights[order], rtol=1e-6, atol=1e-10)


def test_a_channel_that_never_varies_and_more_channels_than_pixels_stay_finite() -> None:
    _, maps = blank_maps("texture", 120, 3, 5, np.random.default_rng(4))
    for one in maps:
        one[:, 10] = 0.25
    metric, net = made(maps, gel(120))
    assert np.isfinite(net.weights).all()
    assert np.isfinite(net.standard_error)
    assert net_scores(gel(120), net) == pytest.approx(1, abs=1e-6)
    assert np.isfinite(metric.whiten(maps[0])).all()


def test_several_references_never_understate_a_mixture_and_meet_the_hardest_exactly(
    textured: tuple[np.ndarray, list[np.ndarray]],
) -> None:
    _, maps = textured
    leached = bumps(60, 0.42, 0.03)[0] * 0.9
    both = np.array([gel(60), leached])
    metric, net = made(maps, both)
    assert net.mixture.min() >= 0
    assert net.mixture.sum() == pytest.approx(1)
    assert net_scores(net.target, net) == pytest.approx(1, abs=1e-9)
    assert net_scores(both, net).min() >= 1 - 1e-9
    shares = np.linspace(0, 1, 201)
    lengths = [np.linalg.norm(metric.whiten(s * both[0] + (1 - s) * both[1])) for s in shares]
    assert 1 / net.standard_error <= min(lengths) * (1 + 1e-9)
    assert 1 / net.standard_error == pytest.approx(min(lengths), rel=1e-3)
    same = net_signal([gel(60), gel(60)], metric)
    np.testing.assert_allclose(same.weights, net_signal(gel(60), metric).weights, rtol=1e-9)


def test_lack_of_fit_is_about_one_with_or_without_residue_and_large_for_a_stranger() -> None:
    rng = np.random.default_rng(8)
    _, maps = blank_maps("texture", 80, 6, 14, rng)
    _, net = made(maps[:5], gel(80))
    fresh = maps[5]
    stranger = fresh + 0.05 * bumps(80, 0.15, 0.01)
    assert lack_of_fit(fresh, net).mean() == pytest.approx(1, abs=0.1)
    np.testing.assert_allclose(lack_of_fit(fresh + 0.7 * gel(80), net), lack_of_fit(fresh, net))
    assert lack_of_fit(stranger, net).mean() > 3
    fresh[3, 3] = np.nan
    assert np.isnan(lack_of_fit(fresh, net)).nonzero()[0].tolist() == [3]
    assert np.isnan(net_scores(fresh, net)).nonzero()[0].tolist() == [3]


def mockup_means(count: int, n_channels: int, rng: np.random.Generator) -> np.ndarray:
    """Mean spectra of paint mock-ups: smooth bumps and band shifts that no map shows within."""
    axis = np.linspace(0, 1, n_channels)
    effects = bumps(n_channels, np.linspace(0.05, 0.95, 8), np.full(8, 0.08))
    centre = 0.5 + 0.003 * rng.normal(size=(count, 1))
    paint = np.exp(-0.5 * ((axis - centre) / 0.06) ** 2)
    return paint + 0.01 * rng.normal(size=(count, 8)) @ effects


def study(
    n_channels: int, side: int, n: int, rng: np.random.Generator
) -> tuple[PooledScatter, np.ndarray, np.ndarray]:
    """Pooled within-map scatter, blank and exposed mock-up means, with nothing to find."""
    _, maps = blank_maps("texture", n_channels, 2 * n, side, rng)
    means = mockup_means(2 * n, n_channels, rng) + [one.mean(axis=0) for one in maps]
    return pool(scatter(one) for one in maps[:n]), means[:n], means[n:]


def with_mockup_scatter(pooled: PooledScatter, blanks: np.ndarray) -> PooledScatter:
    """What design forbids: the scatter of blank mock-up means put into the covariance."""
    return replace(pooled, products=pooled.products + pooled.dof[:, None, None] * np.cov(blanks.T))


def t1(exposed: np.ndarray, blank: np.ndarray) -> float:
    spread = blank.std(ddof=1) * np.sqrt(1 / exposed.size + 1 / blank.size)
    return float((exposed.mean() - blank.mean()) / spread)


def false_alarms(runs: int, n_channels: int, side: int, n: int, seed: int) -> dict[str, int]:
    rng = np.random.default_rng(seed)
    limit = student.ppf(0.95, n - 1)
    found = {"within maps": 0, "used twice": 0, "cross-fitted": 0}
    reference = gel(n_channels)
    for _ in range(runs):
        pooled, blanks, exposed = study(n_channels, side, n, rng)
        net = net_signal(reference, blank_metric(pooled))
        found["within maps"] += t1(net_scores(exposed, net), net_scores(blanks, net)) > limit
        twice = net_signal(reference, blank_metric(with_mockup_scatter(pooled, blanks)))
        found["used twice"] += t1(net_scores(exposed, twice), net_scores(blanks, twice)) > limit
        held = [
            net_signal(
                reference,
                blank_metric(with_mockup_scatter(pooled, np.delete(blanks, i, axis=0))),
            )
            for i in range(n)
        ]
        fair = np.array([net_scores(blanks[i], held[i]) for i in range(n)])
        seen = np.mean([net_scores(exposed, one) for one in held], axis=0)
        found["cross-fitted"] += t1(seen, fair) > limit
    return found


def test_mockup_scatter_used_twice_makes_false_alarms_and_within_map_scatter_does_not() -> None:
    runs = 120
    found = false_alarms(runs, 40, 6, 6, seed=20)
    assert binomtest(found["within maps"], runs, 0.05).pvalue > 0.01
    assert found["used twice"] > 0.14 * runs
    assert found["cross-fitted"] < 0.07 * runs


def shape_case(n: int, seed: int) -> tuple[NetSignal, np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    pooled, blanks, exposed = study(80, 8, n, rng)
    return net_signal(gel(80), blank_metric(pooled)), blanks, exposed, np.linspace(900, 1800, 80)


def test_shape_passes_the_gel_also_when_shifted_and_refuses_a_stranger() -> None:
    net, blanks, exposed, axis = shape_case(6, 31)
    blank_difference = exposed.mean(axis=0) - blanks.mean(axis=0)
    shifted = np.interp(axis + 5, axis, gel(80))
    stranger = gel(80) * 0.3 + bumps(80, 0.2, 0.02)[0]
    results = [
        shape_test(blank_difference + 0.8 * shape, blanks, net, axis, n_exposed=6)
        for shape in (gel(80), shifted, stranger)
    ]
    assert [result.refused for result in results] == [False, False, True]
    assert results[0].share > 0.9
    assert results[2].ratio > 3
    assert results[2].share < 0.8
    faint = shape_test(1.6 * blank_difference, blanks, net, axis, n_exposed=6)
    assert not faint.refused
    assert [one.weak for one in (*results, faint)] == [False, False, False, True]


def test_shape_expects_of_blanks_what_blanks_leave() -> None:
    ratios = []
    for seed in range(30):
        net, blanks, exposed, axis = shape_case(6, seed)
        for m in (1, 6):
            difference = exposed[:m].mean(axis=0) - blanks.mean(axis=0)
            result = shape_test(difference, blanks, net, axis, n_exposed=m)
            ratios.append((m, result.residual / result.expected_residual))
    for m in (1, 6):
        assert np.mean([ratio for at, ratio in ratios if at == m]) == pytest.approx(1, abs=0.35)


def test_shape_of_nothing_at_all_is_not_a_division_by_zero() -> None:
    net, blanks, _, axis = shape_case(3, 1)
    still = np.broadcast_to(blanks[0], blanks.shape)
    result = shape_test(np.zeros(80), still, net, axis, n_exposed=3)
    assert (result.share, result.refused) == (0, False)


@pytest.mark.parametrize("single", [True, False], ids=["single spectra", "small maps"])
def test_few_spectra_need_no_eigenproblem_of_all_channels(monkeypatch, single):
    """The metrics are those of the eigenvectors of numpy; what nothing spans counts alike."""
    rng = np.random.default_rng(4)
    paint = rng.normal(size=(8, 4)) @ bumps(120, [0.2, 0.4, 0.6, 0.8], [0.1, 0.05, 0.03, 0.02])
    blanks = 1 + paint + 1e-3 * rng.normal(size=(8, 120))
    pooled = (
        pool_means(blanks) if single else pool(scatter(two) for two in blanks.reshape(4, 2, -1))
    )
    whole, without = crossed_metrics(pooled)
    monkeypatch.setattr("residuekit.kernels.metric._FEW", 0.0)
    whole_by_all, without_by_all = crossed_metrics(pooled)
    pairs = zip([whole, *without], [whole_by_all, *without_by_all], strict=True)
    for one, by_all in pairs:
        inverse, expected = (metric.whitener.T @ metric.whitener for metric in (one, by_all))
        np.testing.assert_allclose(inverse, expected, rtol=0, atol=1e-9 * expected.max())
        np.testing.assert_allclose(one.noise, by_all.noise, rtol=1e-9)
