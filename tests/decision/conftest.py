"""What the tests of the deciding code share: a small paint with its gel, and one way to assess."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import pytest

from residuekit.decision.scoring import net_from_scatters
from residuekit.decision.verdict import Assessment, Verdict, assess, judge
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


#: Six blanks with mean 0, and spiked mock-ups that answer with 1 for 1 ug cm-2.
BLANKS = (0.0, 0.02, -0.02, 0.01, -0.01, 0.0)
SPIKES = {"loadings": [1.0, 1, 1, 3, 3, 3], "spiked": [1.02, 0.98, 1.0, 3.05, 2.95, 3.0]}


@dataclass(frozen=True)
class Shape:
    """What a test of the shape says."""

    refused: bool
    reason: str = "as the test says"


@pytest.fixture(scope="session")
def made() -> Callable[..., Assessment]:
    """Assess exposed scores; the tests reach `assess` by this alone.

    `shape` is what the test of the shape would say, "right" or "wrong", or a function.
    """

    def make(exposed: Any, blanks: Any = BLANKS, *, shape: Any = None, **options: Any) -> Any:
        said = (lambda _: Shape(shape == "wrong")) if isinstance(shape, str) else shape
        return assess(blanks, exposed, shape=said, **{**SPIKES, **options})

    return make


@pytest.fixture(scope="session")
def judged() -> Callable[..., Verdict]:
    """Judge one assessment or several; the tests reach `judge` by this alone."""

    def decide(scores: Any, acceptance_limit: float | None = None, *, failed: str = "") -> Any:
        return judge(scores, acceptance_limit=acceptance_limit, quality_failed=failed)

    return decide


@pytest.fixture(scope="session")
def uneven() -> Callable[[Verdict], bool]:
    """Whether a verdict says that the exposed mock-ups scatter beyond the blanks."""
    return lambda verdict: "times as widely as the blanks" in verdict.reason
