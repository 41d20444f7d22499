"""What the tests of the deciding code share: a small paint with its gel, and one way to assess."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

import numpy as np
import pytest

from residuekit.decision.net import net_from_scatters
from residuekit.kernels import netsignal
from residuekit.simulate import gel_response, spectrum


class Paint(NamedTuple):
    """An invented paint: axis, gel, net signal, six blank and six clean exposed mock-up means."""

    axis: np.ndarray
    gel: np.ndarray
    net: netsignal.NetSignal
    blanks: np.ndarray
    exposed: np.ndarray


@pytest.fixture(scope="session")
def paint() -> Paint:
    """Pixels that scatter by noise and thickness; mock-ups by smooth changes besides."""
    axis = np.linspace(900.0, 1850.0, 160)
    gel = gel_response("PVA cryogel", axis)
    mean = 0.4 * spectrum("ethyl acrylate resin", axis) + 0.05
    rng = np.random.default_rng(3)
    pixels = [
        mean * (1 + 0.02 * rng.standard_normal((150, 1)))
        + 3e-4 * rng.standard_normal((150, axis.size))
        for _ in range(6)
    ]
    net = net_from_scatters([netsignal.scatter(p) for p in pixels], [gel], axis)
    smooth = np.cumsum(rng.standard_normal((12, axis.size)), axis=1) * 2e-5
    return Paint(axis, gel, net, mean + smooth[:6], mean + smooth[6:])


def plain_net(
    references: Any, *, change: Any = None, nuisances: Any = None, whitener: Any = None
) -> netsignal.NetSignal:
    """A net signal in the metric of white noise of variance 1, or of that of `whitener`."""
    rows = np.atleast_2d(np.asarray(references, dtype=float))
    n = rows.shape[1]
    metric = netsignal.BlankMetric(
        "by hand", 0.0, 2, 100, np.zeros(n), np.eye(n) if whitener is None else whitener,
        np.zeros((0, 0)), np.zeros((n, 0)), np.zeros(0),
    )  # fmt: skip
    if change is not None:
        metric = netsignal.with_change(metric, change)
    if nuisances is not None:
        metric = netsignal.declare(metric, nuisances)
    return netsignal.net_signal(rows, metric)


@pytest.fixture(scope="session", name="plain_net")
def _plain_net() -> Callable[..., netsignal.NetSignal]:
    return plain_net
