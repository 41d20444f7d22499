"""What pairing would bring: ratios with intervals that hold, and the limits that follow."""

from __future__ import annotations

import numpy as np
import pytest

from residuekit import plan
from residuekit.decision.limits import arm_limits
from residuekit.decision.panel_layout import Panels
from residuekit.errors import ContractError
from residuekit.plan import Design

STUDIES = 600


def states(rng, own, n=6):
    """Blanks in both states: what is their own, `own` times what each measurement adds."""
    kept = own * rng.standard_normal(n)
    return kept + rng.standard_normal(n), kept + rng.standard_normal(n)


@pytest.mark.parametrize("own", [0.0, 1.0, 3.0])
def test_the_interval_of_the_gain_by_states_before_holds_in_nine_of_ten(own):
    rng, true = np.random.default_rng(2), np.sqrt((own**2 + 1) / 2)
    gains = [plan.before_gain(*states(rng, own)) for _ in range(STUDIES)]
    held = np.mean([gain.low <= true <= gain.high for gain in gains])
    assert held == pytest.approx(0.9, abs=0.045)


@pytest.mark.parametrize("effect", [0.0, 1.0, 3.0])
def test_the_interval_of_the_gain_by_panels_holds(effect):
    rng, names, true = np.random.default_rng(3), list("AABBCCDD"), np.sqrt(effect**2 + 1)
    gains = []
    for _ in range(STUDIES):
        panels = effect * rng.standard_normal(4)
        scores = np.repeat(panels, 2) + rng.standard_normal(8)
        gains.append(plan.panel_gain(scores, names))
    held = np.mean([gain.low <= true <= gain.high for gain in gains])
    assert held == pytest.approx(0.9 if effect else 0.95, abs=0.045)


def test_the_limits_are_those_of_a_verdict_on_the_scatter_found():
    design = Design(mockups=4, blanks=6)
    gain = plan.before_gain([0.0, 1.0, -1.0, 0.2], [0.1, 1.0, -1.1, 0.2], design=design)
    for scatter, limit in ((gain.alone, gain.detection_limit),
                           (gain.paired, gain.paired_detection_limit)):  # fmt: skip
        assert limit == arm_limits(scatter, 6, 4).detection
    on_panels = plan.panel_gain([0.0, 0.1, 0.9, 1.0], list("AABB"), design=design)
    lie = Panels((2, 2, 2), (2, 1, 1))
    assert (
        on_panels.paired_detection_limit == arm_limits(on_panels.paired, 6, 4, panels=lie).detection
    )
    assert on_panels.detection_limit == arm_limits(on_panels.alone, 6, 4).detection


def test_a_gain_is_called_one_where_it_is_and_not_where_it_is_none():
    rng = np.random.default_rng(5)
    clear = plan.before_gain(*states(rng, 20.0))
    assert clear.advice.startswith("Measuring each mock-up before treatment too lowers the limits")
    worse = plan.before_gain(*states(rng, 0.0, 40))
    assert worse.ratio < 1
    assert "gains nothing here" in worse.advice
    few = plan.before_gain([0.0, 1.0, -1.0], [0.5, 1.1, -1.3])
    assert few.low < 1 < few.ratio
    assert "may gain nothing" in few.advice
    even = plan.panel_gain([0.0, 1.0, 0.0, 1.0, 0.1, 0.9], list("AABBCC"))
    assert even.ratio == 1
    assert "panels with two blanks each gains nothing here" in even.advice


@pytest.mark.parametrize(
    "call",
    [
        lambda: plan.before_gain([0.0, 1.0], [1.0, 0.0]),
        lambda: plan.before_gain([0.0, 1.0, 2.0], [1.0, 2.0, 3.0]),
        lambda: plan.panel_gain([0.0, 1.0, 2.0], list("AAB")),
        lambda: plan.panel_gain([0.0, 1.0] * 2, list("AABB"), design=Design(blanks=3)),
    ],
)
def test_too_few_blanks_tell_of_no_gain(call):
    with pytest.raises(ContractError, match=r"two|three"):
        call()
