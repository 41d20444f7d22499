"""How mock-ups of one paint differ: declared mildly, or measured on replicates."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import binomtest
from scipy.stats import t as student

from residuekit.decision.net import net_from_scatters
from residuekit.kernels import netsignal
from residuekit.kernels.paint_change import (
    BUMP_WIDTHS,
    LEAST_DOF,
    TRUST,
    fitted_change,
    smooth_change,
)
from residuekit.simulate import gel_response, spectrum

AXIS = np.linspace(900.0, 1850.0, 160)
GEL = gel_response("PVA cryogel", AXIS)
PAINT = 0.4 * spectrum("ethyl acrylate resin", AXIS) + 0.05
NOISE, TEXTURE = 3e-4, 0.02
PIXELS = 144


def blank_pixels(rng: np.random.Generator, count: int) -> np.ndarray:
    """Pixels that scatter by noise and, together, by thickness."""
    thickness = 1 + TEXTURE * rng.standard_normal((count, 1))
    return PAINT * thickness + NOISE * rng.standard_normal((count, AXIS.size))


def drawn(rng: np.random.Generator, count: int, share: float, width: float = 60.0) -> np.ndarray:
    """Mock-up means: smooth bumps of a share of the paint, noise of `PIXELS` pixels, thickness."""
    shapes = np.exp2(-((2 * (AXIS[:, None] - AXIS) / width) ** 2))
    shapes /= np.sqrt((shapes**2).sum(axis=1, keepdims=True))
    local = PAINT + 0.1 * PAINT.max()
    bumps = share * (rng.standard_normal((count, AXIS.size)) * local) @ shapes.T
    thickness = 1 + 0.5 * TEXTURE * rng.standard_normal((count, 1))
    noise = NOISE / np.sqrt(PIXELS) * rng.standard_normal((count, AXIS.size))
    return PAINT * thickness + bumps + noise


@pytest.fixture(scope="module")
def metric() -> netsignal.BlankMetric:
    rng = np.random.default_rng(1)
    return netsignal.blank_metric(
        netsignal.pool(netsignal.scatter(blank_pixels(rng, 400)) for _ in range(4))
    )


def test_known_parts_are_found_again(metric):
    """Twenty pairs: 0.4 % bumps 60 cm-1 wide, the noise of 144 pixels, half of their texture."""
    rng = np.random.default_rng(2)
    groups = [drawn(rng, 2, 0.004) for _ in range(20)]
    found = fitted_change(AXIS, groups, metric, GEL)
    assert found.dof == 20
    bumps = np.array([found.parts[f"bumps of {width:g} cm-1"] for width in BUMP_WIDTHS])
    assert np.sqrt((bumps**2).sum()) == pytest.approx(0.004, rel=0.2)
    assert found.parts["noise"] == pytest.approx(1 / np.sqrt(PIXELS), rel=0.1)
    assert found.parts["texture"] == pytest.approx(0.5, rel=0.5)


def test_the_change_is_a_covariance_and_no_more_than_its_trusted_share(metric):
    rng = np.random.default_rng(3)
    found = fitted_change(AXIS, [drawn(rng, 8, 0.004)], metric, GEL)
    sizes = np.linalg.eigvalsh(found.covariance)
    assert sizes.min() > -1e-9 * sizes.max()
    assert TRUST < 1


def test_gel_on_the_replicates_has_no_part_in_it(metric):
    rng = np.random.default_rng(4)
    groups = [drawn(rng, 3, 0.003) for _ in range(2)]
    loaded = [group + rng.uniform(0, 9, (3, 1)) * GEL for group in groups]
    plain, with_gel = (fitted_change(AXIS, g, metric, GEL) for g in (groups, loaded))
    assert with_gel.covariance == pytest.approx(plain.covariance, rel=1e-4, abs=1e-12)


def test_order_and_level_of_the_groups_do_not_matter(metric):
    rng = np.random.default_rng(5)
    first, second = drawn(rng, 3, 0.003), drawn(rng, 4, 0.003)
    plain = fitted_change(AXIS, [first, second], metric, GEL)
    turned = fitted_change(AXIS, [second[::-1] + 0.2 * PAINT, first, first[:1]], metric, GEL)
    assert turned.covariance == pytest.approx(plain.covariance, rel=1e-3, abs=1e-10)


def test_absorbance_in_another_unit_is_the_same_change():
    def change(unit: float) -> np.ndarray:
        rng = np.random.default_rng(6)
        pixels = [unit * blank_pixels(rng, 400) for _ in range(4)]
        metric = netsignal.blank_metric(netsignal.pool(map(netsignal.scatter, pixels)))
        return fitted_change(AXIS, [unit * drawn(rng, 6, 0.003)], metric, unit * GEL).covariance

    assert change(1000.0) == pytest.approx(1e6 * change(1.0), rel=1e-3, abs=1e-4)


def test_too_few_replicates_measure_nothing_and_the_mild_change_is_declared(metric):
    rng = np.random.default_rng(7)
    few = [drawn(rng, 1, 0.003), drawn(rng, LEAST_DOF, 0.003)]
    assert fitted_change(AXIS, few, metric, GEL) is None
    scatters = [netsignal.scatter(blank_pixels(rng, 300)) for _ in range(3)]
    declared, plain = (net_from_scatters(scatters, [GEL], AXIS, replicates=r) for r in (few, ()))
    assert (declared.weights == plain.weights).all()


def test_replicates_lower_the_scatter_of_mockups_and_keep_the_error_rate():
    """60 studies of 6 + 6 clean mock-ups; the replicates are six others."""
    runs, n = 60, 6
    alarms, scatter = {"declared": 0, "measured": 0}, {"declared": [], "measured": []}
    limit = student.ppf(0.95, n - 1)
    for seed in range(runs):
        rng = np.random.default_rng([11, seed])
        scatters = [netsignal.scatter(blank_pixels(rng, 300)) for _ in range(3)]
        groups = [drawn(rng, 3, 0.006), drawn(rng, 3, 0.006)]
        blanks, exposed = drawn(rng, n, 0.006), drawn(rng, n, 0.006)
        for name, replicates in (("declared", ()), ("measured", groups)):
            weights = net_from_scatters(scatters, [GEL], AXIS, replicates=replicates).weights
            y, x = blanks @ weights, exposed @ weights
            spread = y.std(ddof=1)
            alarms[name] += (x.mean() - y.mean()) / (spread * np.sqrt(2 / n)) > limit
            scatter[name].append(spread)
    for hits in alarms.values():
        assert binomtest(hits, runs, 0.05).pvalue > 0.01
    assert np.median(scatter["measured"]) < 0.8 * np.median(scatter["declared"])


def test_the_declared_smooth_change_is_a_covariance_that_follows_the_paint():
    change = smooth_change(AXIS, PAINT)
    assert change == pytest.approx(change.T)
    assert np.linalg.eigvalsh(change).min() > -1e-12 * change.max()
    twice = smooth_change(AXIS, 2 * PAINT)
    assert twice == pytest.approx(4 * change)
    local = np.sqrt(np.diag(change))
    assert local == pytest.approx(0.003 * (PAINT + 0.1 * PAINT.max()))


def test_smooth_changes_from_mockup_to_mockup_are_seen_less_when_they_are_declared():
    """Relative changes 60 cm-1 wide, drawn from another family than the declared one."""
    rng = np.random.default_rng(8)
    pixels = [PAINT + 3e-4 * rng.standard_normal((400, AXIS.size)) for _ in range(4)]
    pooled = netsignal.pool(map(netsignal.scatter, pixels))
    nuisances = netsignal.common_nuisances(AXIS, PAINT)
    change = smooth_change(AXIS, PAINT)
    plain = netsignal.blank_metric(pooled)
    changed = netsignal.with_change(plain, change)
    with_it = netsignal.net_signal(GEL, netsignal.declare(changed, nuisances))
    without = netsignal.net_signal(GEL, netsignal.declare(plain, nuisances))
    knots = np.arange(850.0, 1900.0, 45.0)
    bumps = np.exp(-(((AXIS - knots[:, None]) / 36) ** 2))
    mockups = PAINT * (1 + 0.003 * rng.standard_normal((500, knots.size)) @ bumps)
    scatter = {net is with_it: (mockups @ net.weights).std() for net in (with_it, without)}
    assert scatter[True] < 0.7 * scatter[False]
    assert with_it.weights @ GEL == pytest.approx(1.0)


def test_where_noise_dominates_the_declared_change_costs_little():
    rng = np.random.default_rng(9)
    pixels = [PAINT + 0.05 * rng.standard_normal((400, AXIS.size)) for _ in range(4)]
    pooled = netsignal.pool(map(netsignal.scatter, pixels))
    change = smooth_change(AXIS, PAINT)
    metric = netsignal.blank_metric(pooled)
    plain = netsignal.net_signal(GEL, metric)
    declared = netsignal.net_signal(GEL, netsignal.with_change(metric, change))
    assert declared.standard_error < 1.1 * plain.standard_error
